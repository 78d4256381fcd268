"""What a disk holds after a power cut, from the traced system calls of a program.

Model: the content of a file is certain up to its last completed sync; every later write may be there, not be there,
or be there in part (sectors of 512 bytes). A name appears in, or leaves, a folder for certain once the folder was
synced. This is what POSIX promises and no more; real file systems give more.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
_CALL = re.compile(r"^(?P<pid>\d+) +(?P<name>\w+)\((?P<args>.*)$")
_RESUMED = re.compile(r"^(?P<pid>\d+) +<\.\.\. (?P<name>\w+) resumed>(?P<rest>.*)$")
_FD = re.compile(r"^\d+<(?P<path>[^>]*?)(?: \(deleted\)|\(deleted\))?>")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass(slots=True)
class Write:
    """Bytes written at an offset, or, with `data` None, a cut to a length of `offset`."""

    offset: int
    data: bytes | None

    def apply(self, content: bytearray, keep: random.Random | None = None) -> None:
        """Do it; with `keep`, each sector is kept or lost by chance."""
        if self.data is None:
            del content[self.offset :]
            content.extend(bytes(self.offset - len(content)))
            return
        end = self.offset + len(self.data)
        if len(content) < end:
            content.extend(bytes(end - len(content)))
        at = self.offset
        while at < end:
            stop = min(end, (at // SECTOR + 1) * SECTOR)
            if keep is None or keep.random() < 0.5:
                content[at:stop] = self.data[at - self.offset : stop - self.offset]
            at = stop


@dataclass(slots=True)
class File:
    """A file: what is certain of it, what is not yet, and whether its name is certain to be there."""

    certain: bytearray = field(default_factory=bytearray)
    pending: list[Write] = field(default_factory=list)


class Disk:
    """The folder under test."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self.files: dict[str, File] = {}  # by name, as programs see it now
        self.durable_names: dict[str, File] = {}  # as they are after a cut that loses all that is uncertain

    def write(self, name: str, offset: int, data: bytes) -> None:
        self.files[name].pending.append(Write(offset, data))

    def cut_to(self, name: str, length: int) -> None:
        self.files[name].pending.append(Write(length, None))

    def sync(self, name: str) -> None:
        file = self.files.get(name)
        if file is not None:
            for write in file.pending:
                write.apply(file.certain)
            file.pending.clear()

    def sync_folder(self) -> None:
        self.durable_names = dict(self.files)

    def after_cut(self, how: str, rng: random.Random) -> dict[str, bytes]:
        """Return the content of the folder after a cut now.

        Args:
            how: `least` (all that is uncertain is lost), `most` (nothing is), `torn` (by chance, sector by sector).
        """
        names = {"least": self.durable_names, "most": self.files}.get(how)
        if names is None:
            names = self._names_by_chance(rng)
        return {name: self._content(file, how, rng) for name, file in names.items()}

    def _names_by_chance(self, rng: random.Random) -> dict[str, File]:
        found: dict[str, File] = {}
        for name in sorted({*self.files, *self.durable_names}):
            file = rng.choice([self.files.get(name), self.durable_names.get(name)])
            if file is not None:
                found[name] = file
        return found

    @staticmethod
    def _content(file: File, how: str, rng: random.Random) -> bytes:
        content = bytearray(file.certain)
        if how != "least":
            for write in file.pending:
                if how == "most" or rng.random() < 0.5:
                    write.apply(content, None if how == "most" else rng)
        return bytes(content)


@dataclass(frozen=True, slots=True)
class Step:
    """The program got further: a sync completed, or it said something on stdout."""

    kind: str  # "sync" or "said"
    what: str = ""  # the file's name, or what was said


def replay(trace: Path, folder: Path, disk: Disk) -> Iterator[Step]:
    """Apply the traced calls to the disk, one by one; yield after each sync and each thing said on stdout."""
    unfinished: dict[str, str] = {}
    for line in trace.read_text(encoding="utf-8", errors="replace").splitlines():
        resumed = _RESUMED.match(line)
        if resumed is not None:
            started = unfinished.pop(f"{resumed['pid']} {resumed['name']}", None)
            if started is not None and resumed["name"] in ("fsync", "fdatasync"):
                yield from _apply(resumed["name"], started, disk, folder)
            continue
        call = _CALL.match(line)
        if call is None:
            continue
        args = call["args"]
        if args.endswith("<unfinished ...>"):
            unfinished[f"{call['pid']} {call['name']}"] = args
            if call["name"] in ("fsync", "fdatasync"):
                continue  # it counts only once it has returned
        elif re.search(r"= -1 \w+", args):
            continue
        yield from _apply(call["name"], args, disk, folder)


def _apply(call: str, args: str, disk: Disk, folder: Path) -> Iterator[Step]:
    if call in ("openat", "open", "creat"):
        name = _named(_texts(args)[0] if _texts(args) else "", folder)
        if name and "O_CREAT" in args and name not in disk.files:
            disk.files[name] = File()
    elif call in ("unlink", "unlinkat"):
        disk.files.pop(_named(_texts(args)[0], folder), None)
    elif call in ("pwrite64", "write"):
        yield from _apply_write(call, args, disk, folder)
    elif call == "ftruncate":
        name = _named(_fd_path(args), folder)
        if name:
            disk.cut_to(name, int(args.split(",")[1].split(")")[0]))
    elif call in ("fsync", "fdatasync"):
        path = _fd_path(args)
        if path == str(folder):
            disk.sync_folder()
            yield Step("sync")
        elif _named(path, folder):
            disk.sync(_named(path, folder))
            yield Step("sync", _named(path, folder))


def _apply_write(call: str, args: str, disk: Disk, folder: Path) -> Iterator[Step]:
    data = bytes.fromhex(_texts_hex(args)[0].replace("\\x", "")) if _texts_hex(args) else b""
    name = _named(_fd_path(args), folder)
    if name and call == "pwrite64":
        offset = int(args.rsplit(")", 1)[0].rsplit(",", 1)[1].split("<")[0])
        disk.write(name, offset, data)
    elif name:
        raise AssertionError(f"a write without an offset to {name} is not modelled")
    elif args.startswith("1<"):
        for word in data.decode("ascii", "replace").splitlines():
            yield Step("said", word)


def _fd_path(args: str) -> str:
    found = _FD.match(args)
    return _plain(found["path"]) if found is not None else ""


def _plain(text: str) -> str:
    """Return a path that may be written in hexadecimal escapes."""
    return re.sub(r"\\x([0-9a-f]{2})", lambda m: chr(int(m[1], 16)), text)


def _texts_hex(args: str) -> list[str]:
    return [found[1] for found in _STRING.finditer(args)]


def _texts(args: str) -> list[str]:
    return [_plain(text) for text in _texts_hex(args)]


def _named(path: str, folder: Path) -> str:
    """Return the file's name where it lies directly in the folder, else an empty text."""
    place, _, name = path.rpartition("/")
    return name if place == str(folder) else ""
