"""What every way of sending has in common: how it fails, and where its secret comes from."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.files.foreign_file import FileKind, read_text

__all__ = ["NotDelivered", "secret_of"]


class NotDelivered(Exception):
    """A target did not take a notice.

    Attributes:
        said: Why, one clause.
        wait_s: How long the target asks to be left alone, s; 0 where it does not say.
    """

    def __init__(self, said: str, wait_s: float = 0.0) -> None:
        super().__init__(said)
        self.said = said
        self.wait_s = wait_s


def secret_of(target: NoticeTarget, root: Path) -> bytes:
    """Return the key or password of a target; empty where it names none. Raise `NotDelivered` where it cannot be had.

    A file that others may read is no secret, and is not taken for one.
    """
    if target.secret_env:
        value = os.environ.get(target.secret_env)
        if not value:
            raise NotDelivered(f"the variable {target.secret_env} is not set")
        return value.encode("utf-8", "surrogateescape")
    if not target.secret_file:
        return b""
    path = root / target.secret_file
    try:
        if os.name != "nt" and path.stat().st_mode & (stat.S_IRGRP | stat.S_IROTH | stat.S_IWGRP | stat.S_IWOTH):
            raise NotDelivered(f"others may read {target.secret_file}: `chmod 600` it")
        value = read_text(path, FileKind.NOTE).strip("\r\n")
    except (OSError, ValueError) as error:
        raise NotDelivered(
            f"{target.secret_file} cannot be read ({getattr(error, 'strerror', None) or error})"
        ) from error
    if not value:
        raise NotDelivered(f"{target.secret_file} is empty")
    return value.encode("utf-8")
