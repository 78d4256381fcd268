"""The work `storage`: write, sync, read back past the cache where the system allows, compare; in one bounded file.

The file has no name from the moment it is open (POSIX), so that nothing of it can be left behind.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import shutil
import tempfile
import time
from itertools import count
from pathlib import Path

import numpy as np

from verifyrig.core.errors import LoadError
from verifyrig.core.reason import reason
from verifyrig.loads.works import BlockResult, Meddle, Work, untouched
from verifyrig.loads.works.bits import difference, digest

PIECE_BYTES = 2**18
FILE_BYTES = 2**26
# The file of one worker takes at most this share of what is free in its folder.
SPACE_SHARE = 0.02
MIB = 2**20


def file_size(free_bytes: int, where: str, most_bytes: int = FILE_BYTES) -> int:
    """Return the size of a worker's file, whole pieces; raise `LoadError` where the folder is nearly full."""
    size = min(most_bytes, int(free_bytes * SPACE_SHARE)) // PIECE_BYTES * PIECE_BYTES
    if size < 4 * PIECE_BYTES:
        raise LoadError(
            f"only {free_bytes / MIB:.0f} MiB are free for the work storage",
            where=where,
            mend="Make room there, or choose another work.",
        )
    return size


class Storage(Work):
    """One file, written piece by piece and read back, over and over with changing contents."""

    def __init__(
        self, folder: Path, *, most_bytes: int = FILE_BYTES, seed: int = 0, meddle: Meddle = untouched
    ) -> None:
        """Open the file in the folder; raise `LoadError` where that cannot be done."""
        self._meddle = meddle
        self._contents = np.random.default_rng(seed).integers(0, 2**63, PIECE_BYTES // 8, dtype=np.uint64)
        # Reads past the cache need memory that begins at a page.
        self._read_back = np.frombuffer(mmap.mmap(-1, PIECE_BYTES), dtype=np.uint64)
        self._write_from = np.frombuffer(mmap.mmap(-1, PIECE_BYTES), dtype=np.uint64)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._pieces = file_size(shutil.disk_usage(folder).free, str(folder), most_bytes) // PIECE_BYTES
            self._open(folder)
        except OSError as error:
            raise LoadError(
                f"no file can be written there ({error.strerror})",
                where=str(folder),
                mend="Check the folder's rights and the disk, or choose another work.",
            ) from error
        self._turns = count()
        self.block_s = 0.004
        self.notes = () if self._direct_fd is not None else (reason("storage-through-cache"),)

    def block(self, budget_s: float) -> BlockResult:
        """Write, or read back, pieces for the time given."""
        end_s = time.perf_counter() + budget_s
        done, checks = 0, 0
        faults: list[str] = []
        while True:
            turn, piece = divmod(next(self._turns), self._pieces)
            if turn % 2 == 0:
                self._write(piece, turn // 2)
            else:
                faults += self._check(piece, turn // 2)
                checks += 1
            done += 1
            if faults or time.perf_counter() >= end_s:
                return BlockResult(1e-9 * PIECE_BYTES * done, checks, tuple(faults))

    def close(self) -> None:
        """Close the file; it is gone then."""
        os.close(self._fd)
        if self._direct_fd is not None:
            os.close(self._direct_fd)
        if self._name is not None:
            self._name.unlink(missing_ok=True)

    def _open(self, folder: Path) -> None:
        fd, name = tempfile.mkstemp(prefix="storage-test-", dir=folder)
        self._fd = fd
        self._name: Path | None = Path(name)
        self._direct_fd: int | None = None
        if hasattr(os, "O_DIRECT"):
            with contextlib.suppress(OSError):  # a file system without it, such as one in memory
                self._direct_fd = os.open(name, os.O_RDONLY | os.O_DIRECT)
        if os.name == "posix":
            Path(name).unlink()
            self._name = None

    def _written(self, piece: int, turn: int) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
        """Return what the piece holds in a turn: other bits each time, so that an old piece is not taken for a new."""
        return self._contents ^ np.uint64((turn << 32 | piece) * 0x9E3779B97F4A7C15 & (2**64 - 1))

    def _write(self, piece: int, turn: int) -> None:
        self._write_from[...] = self._written(piece, turn)
        self._meddle("operand", self._write_from)
        os.lseek(self._fd, piece * PIECE_BYTES, os.SEEK_SET)
        os.write(self._fd, self._write_from.data)
        # Piece by piece, so that no single wait for the disk is long.
        (os.fdatasync if hasattr(os, "fdatasync") else os.fsync)(self._fd)
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(self._fd, piece * PIECE_BYTES, PIECE_BYTES, os.POSIX_FADV_DONTNEED)

    def _check(self, piece: int, turn: int) -> list[str]:
        fd = self._fd if self._direct_fd is None else self._direct_fd
        os.lseek(fd, piece * PIECE_BYTES, os.SEEK_SET)
        if hasattr(os, "readv"):
            got = os.readv(fd, [self._read_back.data])
        else:
            data = os.read(fd, PIECE_BYTES)
            got = len(data)
            self._read_back[: got // 8] = np.frombuffer(data, dtype=np.uint64)
        self._meddle("buffer", self._read_back)
        right = self._written(piece, turn)
        if got == PIECE_BYTES and digest(self._read_back) == digest(right):
            return []
        where = f"byte {piece * PIECE_BYTES:#x} of the file"
        if got != PIECE_BYTES:
            return [f"{where}: {got} of {PIECE_BYTES} bytes came back"]
        return [f"piece at {where}: {difference(self._read_back, right)}"]
