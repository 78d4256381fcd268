"""Debian's packages: a root folder of installed ones, and beside it unpacked ones whose single files are needed."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import urllib.request
from dataclasses import dataclass
from pathlib import Path

from stick.making.clearing import clear
from stick.making.run import BuildError, NotToBeHad, run, say

HERE = Path(__file__).resolve().parents[1]
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")
DEFAULT_MIRROR = "http://deb.debian.org/debian"
DEFAULT_SUITE = "trixie"
_ANSWER_S = 30.0
# Read by nobody in the image, but the copyright files stay: they are the licences.
_LEFT_OUT = ("/usr/share/doc/*", "/usr/share/man/*", "/usr/share/locale/*", "/usr/share/info/*", "/usr/share/lintian/*")
# Run by mmdebstrap outside the root folder, with its apt: the kernel's package is named after its version.
_FETCH = """set -e
mkdir -p "{place}"; cd "{place}"
export APT_CONFIG="$MMDEBSTRAP_APT_CONFIG"
for name in {names}; do
    case $name in
    linux-image-*)
        found='s/^ *Depends: \\(linux-image-[0-9][^ ]*\\).*/\\1/p'
        name=$(apt-cache depends "$name" | sed -n "$found" | head -n 1)
        ;;
    esac
    apt-get download -q "$name"
done
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packages:
    """What was fetched.

    Attributes:
        root: Folder with the installed packages.
        unpacked: Folder in which all the others were laid over one another.
        listing: "name version architecture", one a line, of all of them, sorted.
    """

    root: Path
    unpacked: Path
    listing: str


def names_of(path: Path, *, small: bool = False) -> list[str]:
    """Return the names in a list; with `small` those above its line "@small"."""
    names = [line.split("#")[0].strip() for line in path.read_text().splitlines()]
    if "@small" in names:
        cut = names.index("@small")
        names = names[:cut] if small else names[:cut] + names[cut + 1 :]
    return [name for name in names if name]


def fetch(work: Path, *, mirror: str, suite: str, small: bool, epoch: int, fresh: bool) -> Packages:
    """Return the packages; those of an earlier build of the same lists are used again unless `fresh`."""
    installed = names_of(HERE / "debian.installed")
    unpacked = names_of(HERE / "debian.unpacked", small=small)
    key = hashlib.sha256("\n".join([mirror, suite, str(epoch), *installed, "", *unpacked]).encode()).hexdigest()[:12]
    place = work / f"packages-{key}"
    if fresh:
        clear(place)
    if not (place / "listing").is_file():
        _make(place, mirror, suite, installed, unpacked, epoch)
    return Packages(root=place / "root", unpacked=place / "unpacked", listing=(place / "listing").read_text())


def _make(place: Path, mirror: str, suite: str, installed: list[str], unpacked: list[str], epoch: int) -> None:
    if os.geteuid() != 0:
        raise BuildError("This needs root's rights: packages are installed into a folder. Use sudo, or a container.")
    clear(place)
    place.mkdir(parents=True)
    sources = place / "debian.sources"
    sources.write_text(
        f"Types: deb\nURIs: {mirror}\nSuites: {suite} {suite}-updates\n"
        f"Components: main non-free-firmware\nSigned-By: {KEYRING}\n"
    )
    hook = place / "fetch"
    hook.write_text("#!/bin/sh\n" + _FETCH.format(place=place / "debs", names=" ".join(unpacked)))
    hook.chmod(0o755)
    say(f"installing {len(installed)} packages and what they need, from {suite}")
    try:
        # In a mount namespace of its own: what it mounts in the root folder goes with it, even where it is killed.
        run(
            "unshare",
            "--mount",
            "--propagation=private",
            "mmdebstrap",
            "--variant=minbase",
            "--mode=root",
            "--architectures=amd64",
            f"--include={','.join(installed)}",
            '--aptopt=APT::Install-Recommends "false"',
            '--aptopt=Acquire::Retries "3"',
            *(f"--dpkgopt=path-exclude={path}" for path in _LEFT_OUT),
            "--dpkgopt=path-include=/usr/share/doc/*/copyright",
            f"--customize-hook={hook}",
            suite,
            place / "root",
            sources,
            env={"SOURCE_DATE_EPOCH": str(epoch)},
        )
    except BuildError as error:
        if shutil.which("mmdebstrap") is None or _answers(mirror, suite):
            raise
        raise NotToBeHad(f"Debian's packages cannot be had from {mirror}:\n{error}") from error
    debs = sorted((place / "debs").glob("*.deb"))
    if len(debs) != len(unpacked):
        raise BuildError(f"{len(debs)} of {len(unpacked)} packages to unpack were fetched: look into {place / 'debs'}.")
    say(f"unpacking {len(debs)} packages")
    for deb in debs:
        run("dpkg-deb", "-x", deb, place / "unpacked")
    for folder in (place / "unpacked/usr/lib/modules").iterdir():
        # Which module needs which: the package leaves that to its installation.
        run("depmod", "-b", place / "unpacked/usr", folder.name)
    (place / "listing").write_text(_listing(place / "root", debs))
    clear(place / "debs")


def _answers(mirror: str, suite: str) -> bool:
    """Return whether a mirror has the release: then a package that is not to be had was named wrongly here."""
    try:
        with urllib.request.urlopen(f"{mirror}/dists/{suite}/InRelease", timeout=_ANSWER_S) as answer:
            return bool(answer.read(1))
    except (OSError, ValueError):
        return False


def _listing(root: Path, debs: list[Path]) -> str:
    status = (root / "var/lib/dpkg/status").read_text()
    lines = []
    for block in status.split("\n\n"):
        fields = dict(re.findall(r"^(Package|Version|Architecture): (.*)$", block, re.MULTILINE))
        if len(fields) == 3:
            lines.append("{Package} {Version} {Architecture}".format(**fields))
    lines += [run("dpkg-deb", "-W", "--showformat=${Package} ${Version} ${Architecture}", deb).strip() for deb in debs]
    return "\n".join(sorted(lines)) + "\n"
