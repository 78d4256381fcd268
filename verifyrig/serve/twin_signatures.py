"""Signatures of a twin: the machine's own as it sent them, and this computer's counter-signature where it has a key."""

from __future__ import annotations

import contextlib
import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from verifyrig.core.errors import RecordError
from verifyrig.record.check import check_record
from verifyrig.record.signature import (
    BENCH,
    COUNTER,
    SignatureState,
    add_signatures,
    checked,
    key_path,
    load_key,
    read_signatures,
    sign_record,
    signatures_of,
)

_LONGEST = 20_000
_WRITING = threading.Lock()  # each reads what is there and writes it anew


def keep_signatures(twin: Path, run: str, text: Any) -> bool:
    """Keep the signatures that came for a sealed twin; return False, and keep none, where one does not fit it.

    Raises:
        RecordError: They cannot be written.
    """
    if not isinstance(text, str) or len(text) > _LONGEST:
        return False
    try:
        came = signatures_of(text)
    except ValueError:
        return False
    digest = check_record(twin).digest or ""
    states = checked(came, run=run, digest=digest)
    if not digest or any(one.state is SignatureState.BROKEN or one.signature.role != BENCH for one in states):
        return False
    with _WRITING:
        add_signatures(twin, came)
    return True


def _is_counter_signed(twin: Path) -> bool:
    return any(one.role == COUNTER for one in read_signatures(twin))


def counter_sign(twin: Path, run: str) -> None:
    """Add this computer's own signature, once, where it has a key and the twin is what was written."""
    place = key_path()
    if not os.path.exists(place):  # noqa: PTH110 - False too where another user's folder may not be looked into
        return
    with contextlib.suppress(RecordError):  # the twin stands without it
        if _is_counter_signed(twin):  # a long record takes seconds to check
            return
        check = check_record(twin)
        with _WRITING:
            if not check.integrity.proves or check.digest is None or _is_counter_signed(twin):
                return
            sign_record(twin, load_key(place), run=run, digest=check.digest, now=datetime.now(UTC), role=COUNTER)
