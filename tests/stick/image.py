"""The small image that the tests start, built once; what keeps it from being built here is a reason to skip."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
BUILD_LIMIT_S = 1500
# What stick/build answers where packages or wheels could not be had: nothing is wrong with the tree then.
NOT_TO_BE_HAD = 3


class CannotBuild(Exception):
    """Something outside the tree keeps the image from being built; the sentence says what."""


def small_image(work: Path) -> Path:
    """Build the small image in a folder, with this machine's mirror; VERIFYRIG_STICK_IMAGE names one that is there.

    Raises:
        CannotBuild: No root's rights, a program is lacking, or packages cannot be had.
        AssertionError: The build failed by a fault of its own.
    """
    there = os.environ.get("VERIFYRIG_STICK_IMAGE")
    if there:
        return Path(shutil.copyfile(there, work / "small.img"))
    if os.geteuid() != 0:
        raise CannotBuild("the image is built with root's rights, which these tests do not have")
    image = work / "small.img"
    words = [sys.executable, str(REPO / "stick/build"), str(image), "--small", "--work", str(work / "parts")]
    try:
        done = subprocess.run(
            [*words, f"--mirror={mirror()}"], capture_output=True, text=True, timeout=BUILD_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise CannotBuild(f"the build did not end within {BUILD_LIMIT_S} s") from error
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
