"""Which of the kernel's modules the image holds, unpacked: the root image is compressed as a whole.

Unpacking leaves the signatures at the modules' ends as they are, so a kernel in lockdown takes them.
"""

from __future__ import annotations

import fnmatch
import lzma
from collections.abc import Iterable
from pathlib import Path

from stick.making.run import BuildError, run

PATTERNS = Path(__file__).resolve().parents[1] / "kernel.modules"
# What others need as a library is no way into a network.
_NO_NETWORK = ("net/", "drivers/net/", "drivers/bluetooth/", "drivers/infiniband/")
_LIBRARIES = ("net/rfkill/",)
# Below net/ only what tests a port by itself.
_OF_A_CABLE = (
    "drivers/net/ethernet/", "drivers/net/phy/", "drivers/net/usb/", "drivers/net/mdio", "drivers/net/mii.ko",
    "drivers/net/macsec.ko", "net/core/selftests.ko",
)  # fmt: skip


def patterns(section: str) -> tuple[list[str], list[str]]:
    """Return the patterns of a section: those that take in, and those that take out again."""
    found: list[str] = []
    here = ""
    for line in PATTERNS.read_text().splitlines():
        text = line.split("#")[0].strip()
        if text.startswith("["):
            here = text.strip("[]")
        elif text and here == section:
            found.append(text)
    return [text for text in found if not text.startswith("-")], [text[1:] for text in found if text.startswith("-")]


def chosen(all_modules: Iterable[str], section: str) -> set[str]:
    """Return the modules that a section takes in, as paths below kernel/ that end in .ko.

    Raises:
        BuildError: A pattern fits none: a module was renamed or is built in now, and would silently be lacking.
    """
    paths = sorted(all_modules)
    wanted, unwanted = patterns(section)
    taken: set[str] = set()
    for pattern in wanted:
        fit = {path for path in paths if _fits(path, pattern)}
        if not fit and section in ("initrd", "cable"):
            raise BuildError(f"kernel.modules: no module of this kernel fits {pattern!r}. Built in, or renamed?")
        taken |= fit
    return {path for path in taken if not any(_fits(path, pattern) for pattern in unwanted)}


def _fits(path: str, pattern: str) -> bool:
    if pattern.endswith("/**"):
        return path.startswith(pattern[:-2])
    return fnmatch.fnmatchcase(path, pattern)


def with_needs(taken: set[str], needs: dict[str, list[str]]) -> set[str]:
    """Return the modules and all that they need.

    Raises:
        BuildError: Something of a network would come along.
    """
    whole = {need for path in taken for need in (path, *needs.get(path, ()))}
    network = sorted(path for path in whole if path.startswith(_NO_NETWORK) and not path.startswith(_LIBRARIES))
    if network:
        by = sorted(path for path in taken if set(network) & {path, *needs.get(path, ())})
        raise BuildError(f"network modules would come into the image: {network} by {by}. Take those out.")
    return whole


def without_network(taken: set[str], needs: dict[str, list[str]]) -> set[str]:
    """Leave out what cannot be loaded without something of a network."""
    return {
        path
        for path in taken
        if not any(
            need.startswith(_NO_NETWORK) and not need.startswith(_LIBRARIES) for need in (path, *needs.get(path, ()))
        )
    }


def read_needs(text: str) -> dict[str, list[str]]:
    """Return modules.dep as module -> what it needs, paths below kernel/ without the ending of the packing."""
    needs = {}
    for line in text.splitlines():
        name, _, rest = line.partition(":")
        needs[_bare(name)] = [_bare(need) for need in rest.split()]
    return needs


def _bare(path: str) -> str:
    return path.removeprefix("kernel/").removesuffix(".xz")


def for_cable(needs: dict[str, list[str]]) -> set[str]:
    """Return the drivers of wired ports with all that they need: for a tree of their own, and for no other.

    Raises:
        BuildError: Something of a radio or of another network would come along.
    """
    taken = chosen(needs, "cable")
    whole = {need for path in taken for need in (path, *needs.get(path, ()))}
    other = sorted(path for path in whole if path.startswith(_NO_NETWORK) and not path.startswith(_OF_A_CABLE))
    if other:
        raise BuildError(f"modules of another network than a cable's would come into the image: {other}.")
    return whole


def unpack(source: Path, target: Path, version: str, paths: Iterable[str], known: dict[str, bytes]) -> None:
    """Write modules below a root folder, and the tables by which they are found.

    Args:
        source: lib/modules/VERSION as the kernel's package has it.
        target: The root folder.
        known: Modules that were unpacked before, by path; those of this call are added.
    """
    place = target / "lib/modules" / version
    for path in sorted(paths):
        if path not in known:
            known[path] = lzma.decompress((source / "kernel" / f"{path}.xz").read_bytes())
        file = place / "kernel" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(known[path])
    for name in ("modules.order", "modules.builtin", "modules.builtin.modinfo"):
        text = (source / name).read_bytes()
        (place / name).write_bytes(text.replace(b".ko.xz", b".ko"))
    run("depmod", "-b", target, version)
