"""A root image that the kernel checks block by block against one digest: squashfs, and dm-verity's tree behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stick.making.run import BuildError, run

_UUID = "00000000-0000-4000-8000-000000000001"
_SALT = "76657269667972696700000000000000"  # any fixed one: it serves the same bytes for the same inputs
BLOCK = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """An image with its tree.

    Attributes:
        data_blocks: Blocks of 4096 bytes before the tree's own head block.
        root_hash: What the kernel is told; hexadecimal.
        table: The line for dmsetup, with DEV in the places of the device.
    """

    path: Path
    data_blocks: int
    root_hash: str

    @property
    def table(self) -> str:
        """Return the target's line (Linux, Documentation/admin-guide/device-mapper/verity.rst)."""
        sectors = self.data_blocks * BLOCK // 512
        first = self.data_blocks + 1
        return (
            f"0 {sectors} verity 1 DEV DEV {BLOCK} {BLOCK} {self.data_blocks} {first} sha256 {self.root_hash} {_SALT}"
        )


def squash(folder: Path, image: Path, *, leave_out: list[str], level: int, epoch: int) -> None:
    """Write a folder as squashfs, all owned by root, all of one time."""
    image.unlink(missing_ok=True)
    out = [word for pattern in leave_out for word in ("-e", pattern)]
    run(
        "mksquashfs", folder, image, "-noappend", "-comp", "zstd", "-Xcompression-level", str(level), "-b", "128K",
        "-all-root", "-no-xattrs", "-quiet", "-no-progress", "-wildcards", *out,
        env={"SOURCE_DATE_EPOCH": str(epoch)},
    )  # fmt: skip
    if image.stat().st_size % BLOCK:
        raise BuildError(f"{image} is no whole number of blocks.")


def add_tree(image: Path) -> Checked:
    """Append the tree; return what the kernel must be told."""
    size = image.stat().st_size
    told = run("veritysetup", "format", f"--salt={_SALT}", f"--uuid={_UUID}", f"--hash-offset={size}", image, image)
    digest = next(line.split()[-1] for line in told.splitlines() if line.startswith("Root hash"))
    return Checked(path=image, data_blocks=size // BLOCK, root_hash=digest)
