"""The small image that the tests start, built once; what keeps it from being built here is a reason to skip."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
# 40 s on two idle cores beside a mirror that is near.
BUILD_LIMIT_S = 720
# What stick/build answers where packages or wheels could not be had: nothing is wrong with the tree then.
NOT_TO_BE_HAD = 3
_PROGRAMS = (
    "mmdebstrap", "mksquashfs", "veritysetup", "mkfs.vfat", "mcopy", "zstd", "grub-mkimage", "depmod", "readelf", "xz",
)  # fmt: skip


class CannotBuild(Exception):
    """Something outside the tree keeps the image from being built; the sentence says what."""


def small_image(work: Path) -> Path:
    """Return the small image in a folder of its own: built as by `build_small`, or a copy of VERIFYRIG_STICK_IMAGE."""
    there = os.environ.get("VERIFYRIG_STICK_IMAGE")
    return Path(shutil.copyfile(there, work / "small.img")) if there else build_small(work)


def build_small(work: Path) -> Path:
    """Build the small image in a folder, with this machine's mirror.

    Raises:
        CannotBuild: No root's rights, a program is lacking, or packages cannot be had.
        AssertionError: The build failed by a fault of its own.
    """
    if os.geteuid() != 0:
        raise CannotBuild("the image is built with root's rights, which these tests do not have")
    missing = [name for name in _PROGRAMS if shutil.which(name) is None]
    if missing:
        raise CannotBuild(f"not installed: {', '.join(missing)}")
    image = work / "small.img"
    if subprocess.run(["unshare", "--mount", "true"], capture_output=True, check=False).returncode:
        raise CannotBuild("root may not mount anything here, and Debian's packages are installed with mounts")
    # timeout(1) ends what the build started too.
    words = ["timeout", "-k", "20", str(BUILD_LIMIT_S), sys.executable, str(REPO / "stick/build"), str(image)]
    words += ["--small", "--work", str(work / "parts"), f"--mirror={mirror()}"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode in (124, 137):
        raise CannotBuild(f"the build did not end within {BUILD_LIMIT_S} s")
    if done.returncode == NOT_TO_BE_HAD:
        raise CannotBuild(done.stderr.strip()[-600:])
    assert done.returncode == 0, done.stderr[-3000:]
    print(done.stderr, flush=True)
    return image


def mirror(sources: Path = Path("/etc/apt")) -> str:
    """Return where this machine has Debian's packages from; Debian's own place where it does not say."""
    texts = [path.read_text() for path in [*sources.glob("sources.list.d/*.sources"), *sources.glob("sources.list")]]
    for text in texts:
        for line in text.splitlines():
            words = line.replace("deb ", "URIs: ", 1).split()
            place = next((word for word in words[1:] if "://" in word), "")
            if words[:1] == ["URIs:"] and place.rstrip("/").endswith("/debian"):
                return place.rstrip("/")
    return "http://deb.debian.org/debian"
