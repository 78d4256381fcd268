"""The initrd: busybox, dmsetup and a few modules, with a script that copies the root image into memory."""

from __future__ import annotations

import shutil
from pathlib import Path

from stick.making import modules
from stick.making.clearing import clear
from stick.making.cpio import archive
from stick.making.run import BuildError, run

TREE = Path(__file__).resolve().parents[1] / "initrd"
_FOLDERS = ("bin", "dev", "etc", "lib", "lib64", "proc", "run", "sys", "root")
_CONSOLE = {"dev/console": (0o020600, 5, 1), "dev/null": (0o020666, 1, 3)}


def make(
    folder: Path, root: Path, source: Path, version: str, taken: set[str], known: dict[str, bytes], level: int
) -> bytes:
    """Return the initrd, packed.

    Args:
        folder: Where to lay it out; emptied first.
        root: The root folder, whose programs it takes.
        source: lib/modules/VERSION as the kernel's package has it.
        taken: Its modules with all that they need, paths below kernel/.
        known: Modules that were unpacked before.
        level: How hard to pack.
    """
    clear(folder)
    for name in _FOLDERS:
        (folder / name).mkdir(parents=True)
    shutil.copy(root / "usr/bin/busybox", folder / "bin/busybox")
    shutil.copy(root / "usr/sbin/dmsetup", folder / "bin/dmsetup")
    shutil.copy(root / "usr/lib/x86_64-linux-gnu/ld-linux-x86-64.so.2", folder / "lib64/ld-linux-x86-64.so.2")
    for name in _needed_by(folder / "bin/dmsetup", root):
        shutil.copy(root / "usr/lib/x86_64-linux-gnu" / name, folder / "lib" / name)
    shutil.copy(TREE / "init", folder / "init")
    (folder / "init").chmod(0o755)
    modules.unpack(source, folder, version, taken, known)
    whole = folder.with_suffix(".cpio")
    whole.write_bytes(archive(folder, _CONSOLE))
    packed = folder.with_suffix(".zst")
    run("zstd", "-q", "-f", f"-{level}", "-T1", "--no-progress", whole, "-o", packed)
    return packed.read_bytes()


def _needed_by(program: Path, root: Path) -> list[str]:
    """Return the libraries that a program needs, and those that these need, as the image has them."""
    found: list[str] = []
    waiting = [program]
    while waiting:
        lines = run("readelf", "-d", waiting.pop()).splitlines()
        for name in [line.split("[")[1].rstrip("]") for line in lines if "(NEEDED)" in line]:
            if name in found or name.startswith("ld-linux"):
                continue
            file = root / "usr/lib/x86_64-linux-gnu" / name
            if not file.is_file():
                raise BuildError(f"{program.name} needs {name}, which the root folder lacks.")
            found.append(name)
            waiting.append(file)
    return sorted(found)
