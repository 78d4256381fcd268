"""The image's root folder: installed packages without what only an installation needs, the program, and the tree."""

from __future__ import annotations

import gzip
import json
import os
import shutil
from pathlib import Path

from stick.making.clearing import clear
from stick.making.run import BuildError, run

TREE = Path(__file__).resolve().parents[1] / "tree"
SITE = "usr/lib/verifyrig"
# The modules of wired ports: a root of their own, which modprobe is told only where a cable is switched on.
CABLE = "usr/lib/verifyrig-stick/cable"
_LAUNCHER = """#!/bin/sh
export PYTHONPATH=/usr/lib/verifyrig PYTHONNOUSERSITE=1 PYTHONDONTWRITEBYTECODE=1
exec /usr/bin/python3 -m verifyrig "$@"
"""
# Layout as people call it -> its file in Debian's console-data.
KEYBOARDS = {
    "us": "qwerty/us", "gb": "qwerty/uk", "de": "qwertz/de-latin1", "ch-de": "qwertz/sg-latin1",
    "ch-fr": "qwertz/fr_CH-latin1", "fr": "azerty/fr-latin9", "be": "azerty/be-latin1", "it": "qwerty/it",
    "es": "qwerty/es", "pt": "qwerty/pt-latin1", "br": "qwerty/br-abnt2", "nl": "qwerty/nl", "dk": "qwerty/dk-latin1",
    "no": "qwerty/no-latin1", "se": "qwerty/se-latin1", "fi": "qwerty/fi-latin1", "pl": "qwerty/pl",
    "cz": "qwertz/cz-us-qwertz", "hu": "qwertz/hu", "tr": "qwerty/trqu",
}  # fmt: skip
_FONTS = ("Uni2-Terminus16", "Uni2-TerminusBold24x12", "Uni2-TerminusBold32x16")
# Left out of the image, as mksquashfs reads it: package management, what builds programs, other languages' encodings.
LEAVE_OUT = [
    "boot/*", "dev/*", "proc/*", "run/*", "sys/*", "tmp/*",
    "var/cache/*", "var/lib/apt/*", "var/lib/dpkg/*", "var/log/*",
    "var/lib/systemd/*", "usr/bin/apt*", "usr/bin/dpkg*", "usr/bin/perl*", "usr/bin/systemd*", "usr/bin/localedef",
    "usr/bin/busctl", "usr/bin/journalctl", "usr/bin/localectl", "usr/bin/varlinkctl", "usr/bin/hostnamectl",
    "usr/bin/networkctl", "usr/bin/systemctl", "usr/bin/timedatectl", "usr/bin/loginctl", "usr/bin/run0",
    "usr/lib/apt", "usr/lib/dpkg", "usr/lib/x86_64-linux-gnu/perl-base", "usr/lib/x86_64-linux-gnu/gconv",
    "usr/lib/x86_64-linux-gnu/libapt-*", "usr/lib/x86_64-linux-gnu/libdb-*", "usr/lib/x86_64-linux-gnu/perl5",
    "usr/lib/python3.13/test", "usr/lib/python3.13/pydoc_data", "usr/lib/python3.13/ensurepip",
    "usr/lib/python3.13/idlelib", "usr/lib/python3.13/turtledemo", "usr/lib/python3.13/lib2to3",
    "usr/share/bash-completion", "usr/share/consolefonts", "usr/share/debconf",
    "usr/share/keymaps", "usr/share/perl5", "usr/share/X11", "usr/share/zsh", "usr/share/polkit-1", "usr/share/dbus-1",
    "usr/share/initramfs-tools", "usr/lib/systemd/system", "usr/lib/systemd/catalog", "usr/lib/udev/hwdb.d",
    "usr/lib/udev/hwdb.bin", "etc/machine-id", "etc/resolv.conf", "etc/apt", "etc/hostname", "etc/hosts",
]  # fmt: skip


def lay_out(target: Path, root: Path, unpacked: Path) -> None:
    """Copy the installed packages and the image's own files into an empty folder."""
    clear(target)
    run("cp", "-a", "-x", "--reflink=auto", root, target)
    shutil.copytree(TREE, target, dirs_exist_ok=True)
    for name in ("screen", "start", "stop", "shell", "serial", "data", "readonly", "returned", "drivers", "hotplug"):
        (target / "usr/lib/verifyrig-stick" / name).chmod(0o755)
    for link, place in (("usr/sbin/init", "../bin/busybox"), ("usr/sbin/poweroff", "../bin/busybox"),
                        ("usr/sbin/reboot", "../bin/busybox")):  # fmt: skip
        (target / link).unlink(missing_ok=True)
        (target / link).symlink_to(place)
    for name in ("bench", "run", "dev", "proc", "sys", "tmp"):
        (target / name).mkdir(exist_ok=True)
    (target / "etc/machine-id").unlink(missing_ok=True)
    (target / "etc/fstab").write_text("")
    # Rules that would load drivers by themselves: the stick does it one by one, each noted before.
    # A port keeps the kernel's name until it is given that of the cable.
    for rule in ("80-drivers", "80-net-setup-link"):
        own_rules = target / "etc/udev/rules.d" / f"{rule}.rules"
        own_rules.parent.mkdir(parents=True, exist_ok=True)
        own_rules.symlink_to("/dev/null")
    launcher = target / "usr/bin/verifyrig"
    launcher.write_text(_LAUNCHER)
    launcher.chmod(0o755)
    _keyboards(target, unpacked)
    _fonts(target, unpacked)


def _keyboards(target: Path, unpacked: Path) -> None:
    """Turn the layouts into the kernel's own tables, so that no program has to read them at the start."""
    place = target / "usr/lib/verifyrig-stick/keyboards"
    place.mkdir(exist_ok=True)
    maps = unpacked / "usr/share/keymaps"
    inside = target / "tmp/keymaps"
    shutil.copytree(maps, inside)
    for name, file in sorted(KEYBOARDS.items()):
        if not (inside / "i386" / f"{file}.kmap.gz").is_file():
            raise BuildError(f"console-data has no keyboard layout {file}.")
        words = ("chroot", target, "sh", "-c", f"loadkeys -q -b -u /tmp/keymaps/i386/{file}.kmap.gz >/tmp/table")
        run(*words, env={"LC_ALL": "C.UTF-8"})
        (place / name).write_bytes((target / "tmp/table").read_bytes())
    (target / "tmp/table").unlink()
    clear(inside)


def _fonts(target: Path, unpacked: Path) -> None:
    place = target / "usr/lib/verifyrig-stick/fonts"
    place.mkdir(exist_ok=True)
    for name in _FONTS:
        packed = unpacked / f"usr/share/consolefonts/{name}.psf.gz"
        (place / f"{name}.psf").write_bytes(gzip.decompress(packed.read_bytes()))


def compile_python(target: Path) -> None:
    """Compile the program by the image's own Python, so that it starts without writing anything."""
    for folder in (f"/{SITE}", "/usr/lib/python3.13"):
        words = ("python3", "-m", "compileall", "-q", "-j", "2", "--invalidation-mode", "unchecked-hash", folder)
        run("chroot", target, *words, env={"PYTHONHASHSEED": "0", "LC_ALL": "C.UTF-8"})


def note_build(target: Path, facts: dict[str, str], listing: str) -> None:
    """Write what the build is into the image: the program shows it, and puts it into each record."""
    place = target / "usr/lib/verifyrig-stick"
    (place / "build.json").write_text(json.dumps(facts, indent=1, sort_keys=True) + "\n")
    (place / "packages.txt").write_text(listing)


def same_times(folder: Path, epoch: int) -> None:
    """Give every file one time: compiled modules and the file system's tables hold it."""
    for path in folder.rglob("*"):
        os.utime(path, (epoch, epoch), follow_symlinks=False)
