"""Folders that two computers share: which are on a network, and a lock that holds there.

Locks of one computer's kernel (`flock`) are not seen by another one on every network file system. A rename is atomic on
all of them (POSIX.1-2017, `rename`: a directory that is not empty is never replaced; Windows replaces none at all): who
holds the lock has renamed a folder of their own to its name.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import socket
import time
from collections.abc import Iterator
from pathlib import Path

_LOCK = ".locked"
_STALE_AFTER_S = 30.0  # a job file is written in milliseconds; whoever holds it for longer is dead
_WAIT_S = 60.0
# Kinds of file systems that other computers write to as well, as /proc/self/mountinfo names them (proc(5)).
_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "fuse.sshfs", "fuse.glusterfs",
            "fuse.davfs", "fuse.rclone", "virtiofs")  # fmt: skip


def is_on_network(path: Path, mounts: Path = Path("/proc/self/mountinfo")) -> bool:
    """Return whether a folder lies on a file system of a network; False where the system does not say."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return str(path).startswith("\\\\")
    real = Path(os.path.realpath(path))
    best, kind = -1, ""
    for line in lines:
        before, _, after = line.partition(" - ")
        words = before.split()
        if len(words) < 5 or not after:
            continue
        point = Path(words[4].encode().decode("unicode_escape"))
        if real.is_relative_to(point) and len(point.parts) >= best:
            best, kind = len(point.parts), after.split()[0]
    return kind in _NETWORK


@contextlib.contextmanager
def locked_by_rename(folder: Path) -> Iterator[None]:
    """Hold a folder for oneself among all computers that see it.

    Raises:
        TimeoutError: Another one has it for a minute and still writes.
        OSError: Nothing can be written there.
    """
    own = folder / f"{_LOCK}.{socket.gethostname()[:40]}.{os.getpid()}.{secrets.token_hex(4)}"
    own.mkdir()
    (own / "owner").write_text(f"{socket.gethostname()} {os.getpid()}\n")
    lock = folder / _LOCK
    try:
        _take(own, lock)
    except BaseException:
        shutil.rmtree(own, ignore_errors=True)
        raise
    try:
        yield
    finally:
        # Renamed back first: in the middle of being emptied it would look free.
        with contextlib.suppress(OSError):
            lock.rename(own)
            shutil.rmtree(own)


def _take(own: Path, lock: Path) -> None:
    end_s = time.monotonic() + _WAIT_S
    while True:
        try:
            own.rename(lock)
            return
        except OSError:
            if not lock.exists() and not own.exists():
                raise
        _break_stale(own, lock)
        if time.monotonic() > end_s:
            raise TimeoutError(f"another computer holds {lock.parent.name} for more than {_WAIT_S:.0f} s")
        time.sleep(0.01 + secrets.randbelow(20) / 1000)


def _break_stale(own: Path, lock: Path) -> None:
    """Take away a lock whose holder is gone; ages by the server's own clock, for those of two computers differ."""
    with contextlib.suppress(OSError):
        os.utime(own / "owner")
        age_s = (own / "owner").stat().st_mtime - (lock / "owner").stat().st_mtime
        if age_s > _STALE_AFTER_S:
            gone = lock.with_name(f"{_LOCK}.gone.{secrets.token_hex(4)}")
            lock.rename(gone)
            shutil.rmtree(gone, ignore_errors=True)
