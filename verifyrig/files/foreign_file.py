"""Edge: the one door through which files are read that somebody else may have written.

A bench folder, a stick or a path on the command line may hold a pipe (opening one waits for ever), a device (opening
one may act), a link to a file of this computer, or gigabytes. Only regular files of bounded size get through, and,
where a folder is named, only what lies inside it once all links are followed.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import IO


class FileKind(StrEnum):
    """What a file is read as."""

    SETTINGS = "settings"
    PROFILE = "profile"
    INTAKE = "intake"
    ATTESTATION = "attestation"
    JOB = "job"
    NOTE = "note"
    PAGE = "page"
    LOGO = "logo"
    PHOTO = "photo"
    RECORD = "record"
    TABLE = "table"
    LOG = "log"
    KERNEL = "kernel"


# The most bytes of each kind. Where no reason stands beside it: far more than the work needs, and quick to read.
LARGEST_BYTES: dict[FileKind, int] = {
    FileKind.SETTINGS: 1_000_000,
    FileKind.PROFILE: 1_000_000,
    FileKind.INTAKE: 1_000_000,
    FileKind.ATTESTATION: 100_000,
    FileKind.JOB: 20_000_000,  # ten thousand findings of 2 kB each
    FileKind.NOTE: 1_000_000,  # of an interrupted run: at most 60 lines of a log
    FileKind.PAGE: 100_000_000,
    FileKind.LOGO: 400_000,  # it is embedded into every page
    FileKind.PHOTO: 50_000_000,
    FileKind.RECORD: 2_000_000_000,  # a month at one sample a second with 60 channels has 1.3 GB
    FileKind.TABLE: 2_000_000_000,
    FileKind.LOG: 500_000_000,
    FileKind.KERNEL: 10_000_000,  # what /proc says of a thousand cores has some 2 MB
}


class UnfitFile(OSError):
    """The file is there, but is none that is read: no regular file, too large, or outside its folder."""

    def __init__(self, why: str, path: Path) -> None:
        super().__init__(errno.EINVAL, why, str(path))

    def __str__(self) -> str:
        """Return the reason alone; where it is stands beside it in every message."""
        return str(self.strerror)


def read_bytes(path: Path, kind: FileKind, *, inside: Path | None = None) -> bytes:
    """Return the content of a file.

    Args:
        path: The file.
        kind: Sets the most bytes that are read.
        inside: Folder in which it must lie once all links are followed; anywhere if None.

    Raises:
        UnfitFile: It is no regular file, larger than `kind` allows, or outside its folder.
        OSError: It is not there, or cannot be read.
    """
    with opened(path, kind, inside=inside) as file:
        data = file.read(LARGEST_BYTES[kind] + 1)
    if len(data) > LARGEST_BYTES[kind]:
        raise _too_large(path, kind)
    return data


def read_text(path: Path, kind: FileKind, *, inside: Path | None = None) -> str:
    """Return the content as UTF-8, arguments and errors as `read_bytes`; `UnicodeDecodeError` where it is none."""
    return read_bytes(path, kind, inside=inside).decode("utf-8").replace("\r\n", "\n")


@contextlib.contextmanager
def opened(path: Path, kind: FileKind, *, inside: Path | None = None) -> Iterator[IO[bytes]]:
    """Yield the file open for reading; arguments and errors as `read_bytes`."""
    place = _place(path, inside)
    _check(Path(place).stat(), path, kind)  # before it is opened: opening alone can wait, or act on a device
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    if inside is not None:
        flags |= getattr(os, "O_NOFOLLOW", 0)  # links were followed above; one that came since is not
    with os.fdopen(os.open(place, flags), "rb") as file:
        _check(os.fstat(file.fileno()), path, kind)
        yield file


def check_file(path: Path, kind: FileKind, *, inside: Path | None = None) -> None:
    """Raise what `read_bytes` would, for a file that a library opens itself."""
    _check(Path(_place(path, inside)).stat(), path, kind)


def copy_new(source: Path, target: Path, kind: FileKind, *, inside: Path | None = None) -> None:
    """Copy a file to a new name, on the medium; errors as `read_bytes`, `FileExistsError` where the name is taken.

    A copy that fails leaves nothing behind.
    """
    with opened(source, kind, inside=inside) as read, target.open("xb") as written:
        try:
            left = LARGEST_BYTES[kind] + 1
            while left and (piece := read.read(min(left, 1 << 20))):
                written.write(piece)
                left -= len(piece)
            if not left:
                raise _too_large(source, kind)
            written.flush()
            os.fsync(written.fileno())
        except BaseException:
            target.unlink(missing_ok=True)
            raise


def is_inside(path: Path, folder: Path) -> bool:
    """Return whether a path, all links followed, lies in a folder; False for a ring of links."""
    try:
        return Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))
    except (OSError, ValueError):
        return False


def _place(path: Path, inside: Path | None) -> str:
    if "\x00" in str(path):
        raise UnfitFile("no file has such a name", Path(str(path).replace("\x00", "?")))
    if inside is None:
        return os.fspath(path)
    place = os.path.realpath(path, strict=True)
    if not Path(place).is_relative_to(os.path.realpath(inside)):
        raise UnfitFile("it is a link out of its folder", path)
    return place


def _check(found: os.stat_result, path: Path, kind: FileKind) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise UnfitFile(f"it is no regular file but {_what(found.st_mode)}", path)
    if found.st_size > LARGEST_BYTES[kind]:
        raise _too_large(path, kind)


def _too_large(path: Path, kind: FileKind) -> UnfitFile:
    most = LARGEST_BYTES[kind]
    words = f"{most / 1e9:g} GB" if most >= 1e9 else f"{most / 1e6:g} MB" if most >= 1e6 else f"{most / 1e3:g} kB"
    return UnfitFile(f"it is larger than {words}", path)


def _what(mode: int) -> str:
    names = {stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket"}
    return names.get(stat.S_IFMT(mode), "a device")
