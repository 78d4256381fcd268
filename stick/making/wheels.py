"""The image's Python packages: locked wheels, each checked against its digest, and the project's own."""

from __future__ import annotations

import hashlib
import re
import sys
import tomllib
import zipfile
from pathlib import Path

from stick.making.clearing import clear
from stick.making.run import BuildError, NotToBeHad, run, say

LOCK = Path(__file__).resolve().parents[1] / "wheels.lock"
PROJECT = Path(__file__).resolve().parents[2]
_TARGET = ("--python-version", "3.13", "--implementation", "cp", "--only-binary=:all:")
_PLATFORMS = tuple(f"--platform={name}_x86_64" for name in ("manylinux_2_28", "manylinux_2_27", "manylinux2014"))
# Of a bench computer alone: the stick serves nobody.
_SERVES = ("starlette", "uvicorn")
# Languages that the reports or the time zones of a shop may need; the others are 25 MB.
_LANGUAGES = ("root", "en", "de", "fr", "it", "es", "nl", "da", "sv", "nb", "pl", "cs", "pt")


def pip(*words: str | Path, env: dict[str, str] | None = None) -> str:
    """Run pip; raise `NotToBeHad` where it fails, which is where an index does not have what is locked."""
    try:
        return run(sys.executable, "-m", "pip", *words, env={"PIP_DISABLE_PIP_VERSION_CHECK": "1", **(env or {})})
    except BuildError as error:
        raise NotToBeHad(f"wheels cannot be had:\n{error}") from error


def needs() -> list[str]:
    """Return what the image holds of packages, as requirements: to measure, to sign, and to send over a cable."""
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    more = project["optional-dependencies"]
    return [*project["dependencies"], *more["sign"], *(need for need in more["serve"] if _name(need) not in _SERVES)]


def _name(need: str) -> str:
    return _plain(re.split(r"[<>=!~;\[ ]", need)[0])


def check_lock() -> None:
    """Raise `NotToBeHad` where the image needs a package that the lock does not name."""
    wanted = {_name(need) for need in needs()}
    locked = {_plain(line.split("==")[0]) for line in LOCK.read_text().splitlines() if "==" in line}
    if wanted - locked:
        raise NotToBeHad(f"wheels.lock lacks {', '.join(sorted(wanted - locked))}. `stick/lock` writes it anew.")


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def install(site: Path, work: Path, epoch: int) -> None:
    """Put all wheels into a folder of the image's own, none of its files older or newer than the others."""
    check_lock()
    wheels = work / "wheels"
    digest = hashlib.sha256(LOCK.read_bytes()).hexdigest()[:12]
    if not (wheels / digest).is_file():
        clear(wheels)
        say("fetching the locked wheels")
        pip("download", "-q", "--no-deps", "--require-hashes", "-r", LOCK, "-d", wheels, *_TARGET, *_PLATFORMS)
        (wheels / digest).touch()
    own = work / "own-wheel"
    clear(own)
    pip("wheel", "-q", "--no-deps", "-w", own, PROJECT, env={"SOURCE_DATE_EPOCH": str(epoch)})
    clear(site)
    site.mkdir(parents=True)
    for wheel in sorted([*wheels.glob("*.whl"), *own.glob("*.whl")]):
        with zipfile.ZipFile(wheel) as archive:
            archive.extractall(site)
    _trim(site)


def _trim(site: Path) -> None:
    """Leave out the packages' own tests and what no image needs; licences stay in the .dist-info folders."""
    for folder in [*site.glob("*/**/tests"), *site.glob("*/**/test"), *site.glob("numpy/**/include"), site / "bin"]:
        if folder.is_dir() and "numpy/testing" not in folder.as_posix():
            clear(folder)
    for data in (site / "babel/locale-data").glob("*.dat"):
        if data.stem.split("_")[0] not in _LANGUAGES:
            data.unlink()
    for path in [*site.rglob("*.pyi"), *site.rglob("*.pyx"), *site.rglob("*.pxd"), *site.glob("*/**/*.a")]:
        path.unlink()
