"""Ids of runs: when, and four letters so that two machines do not collide."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that are mistaken for one another on paper


def new_run_id(utc_s: float) -> str:
    """Return a new id `YYYYMMDD-hhmmss-xxxx` for a run that begins at `utc_s`, seconds since 1970-01-01 UTC."""
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%d-%H%M%S")
    return f"{stamp}-{''.join(secrets.choice(_LETTERS) for _ in range(4))}"
