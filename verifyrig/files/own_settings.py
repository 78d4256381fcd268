"""Whether a file of settings may start programs or send something away: only what its user or root wrote."""

from __future__ import annotations

import os
import stat
from pathlib import Path

__all__ = ["why_not_own"]


def why_not_own(settings: Path) -> str:
    """Return why a file may start nothing: others may write to it, as on a stick; empty where it may."""
    if os.name == "nt":
        return ""
    try:
        status = settings.stat()
    except OSError as error:
        return f"{settings} cannot be looked at ({error.strerror})"
    if status.st_uid not in (0, os.geteuid()) or status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        return f"{settings} belongs to somebody else, or others may write to it"
    return ""
