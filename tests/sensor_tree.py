"""Trees of kernel files laid out for tests: written by hand, or from a list of paths and values."""

from __future__ import annotations

import os
from pathlib import Path


def lay(root: Path, files: dict[str, object]) -> Path:
    """Write each value below the root as the kernel shows it, with a newline; `-> target` makes a link."""
    for name, value in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        text = str(value)
        if text.startswith("-> "):
            path.symlink_to(text[3:])
        else:
            path.write_text(text + "\n")
    return root


def lay_listing(root: Path, listing: Path) -> Path:
    """Lay out a recorded tree: one `path TAB value` a line, `\\n` for line breaks inside a value."""
    files: dict[str, object] = {}
    for line in listing.read_text(encoding="utf-8").splitlines():
        name, _, value = line.partition("\t")
        files[name] = value.replace("\\n", "\n")
    lay(root, files)
    _register_classes(root, files)
    return root


def _register_classes(root: Path, files: dict[str, object]) -> None:
    """Give devices that name their class by a `subsystem` link the class entry that every kernel makes for them."""
    for name, value in files.items():
        if name.endswith("/subsystem"):
            device = root / Path(name).parent
            entry = root / "sys/class" / Path(str(value)).name / device.name
            entry.parent.mkdir(parents=True, exist_ok=True)
            if not entry.exists():
                entry.symlink_to(os.path.relpath(device, entry.parent))


def chip(number: int, name: str, device: str, **values: object) -> dict[str, object]:
    """Return the files of one hwmon chip: a class entry, linking to its device, and its values."""
    base = f"sys/devices/{device}/hwmon/hwmon{number}"
    files: dict[str, object] = {f"{base}/name": name, f"{base}/device": "-> ../.."}
    files |= {f"{base}/{key}": value for key, value in values.items()}
    files[f"sys/class/hwmon/hwmon{number}"] = f"-> ../../devices/{device}/hwmon/hwmon{number}"
    return files


def rewrite(path: Path, text: str) -> None:
    """Change a value in place, as the kernel does."""
    with path.open("r+") as file:
        file.write(text)
        file.truncate()
