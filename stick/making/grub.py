"""The boot loader: its menu, and its core for machines without UEFI; under UEFI Debian's signed one is taken whole."""

from __future__ import annotations

import shutil
import struct
from dataclasses import dataclass
from pathlib import Path

from stick.making.run import BuildError, run

_MODULES = (
    "biosdisk", "part_gpt", "fat", "search", "search_fs_file", "normal", "configfile", "linux", "echo", "test",
    "all_video", "vbe", "vga", "serial", "terminal", "minicmd",
)  # fmt: skip
# Nothing of the machine's own is asked for; a panic stays on the screen; its text is not put into the firmware.
_WORDS = "ro quiet panic=0 consoleblank=0 efi_pstore.pstore_disable=1 console=ttyS0,115200 console=tty0"
_SECTOR = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class BootCode:
    """Legacy boot: `first` is the disk's first 440 bytes, `core` what lies in the partition for it."""

    first: bytes
    core: bytes


def menu(mark: str, words: str) -> str:
    """Return the menu.

    Args:
        mark: A file name that only this build's boot partition holds.
        words: What the kernel is told of this build.
    """
    entry = "menuentry '{title}' {{\n  linux /verifyrig/vmlinuz {words}\n  initrd /verifyrig/initrd\n}}\n"
    plain = "verifyrig, plain screen (for graphics that show nothing)"
    return "".join([
        "set timeout=1\nset default=0\n",
        f"search --no-floppy --set=root --file /verifyrig/{mark}\n",
        "terminal_output console\n",
        entry.format(title="verifyrig", words=f"{words} {_WORDS}"),
        entry.format(title=plain, words=f"{words} {_WORDS} nomodeset verifyrig.plain=1"),
        entry.format(title="verifyrig on the serial line", words=f"{words} {_WORDS} verifyrig.serial=1"),
    ])  # fmt: skip


def boot_code(unpacked: Path, work: Path, mark: str, first_sector: int) -> BootCode:
    """Return the code for legacy boot, made to find itself at a sector.

    Source of the offsets: GRUB 2.12, include/grub/i386/pc/boot.h (kernel_sector 0x5C, drive check 0x66) and
    include/grub/i386/pc/diskboot.h (the list of blocks at the end of the first sector).
    """
    early = work / "early.cfg"
    early.write_text(
        f"search --no-floppy --set=root --file /verifyrig/{mark}\n"
        "set prefix=($root)/boot/grub\nconfigfile /boot/grub/grub.cfg\n"
    )
    parts = unpacked / "usr/lib/grub/i386-pc"
    tool = shutil.which("grub-mkimage")
    if tool is None:
        raise BuildError("grub-mkimage is not installed. On Debian: apt install grub-common.")
    target = work / "core.img"
    run(tool, "-d", parts, "-O", "i386-pc", "-o", target, "-p", "/boot/grub", "-c", early, *_MODULES)
    core = bytearray(target.read_bytes())
    core += bytes(-len(core) % _SECTOR)
    boot = bytearray((parts / "boot.img").read_bytes()[:440])
    struct.pack_into("<Q", boot, 0x5C, first_sector)
    boot[0x66:0x68] = b"\x90\x90"
    struct.pack_into("<Q", core, _SECTOR - 12, first_sector + 1)
    return BootCode(first=bytes(boot), core=bytes(core))
