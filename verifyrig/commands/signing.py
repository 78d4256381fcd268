"""Signs the records that this computer keeps, where it has a key."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from verifyrig.core.errors import RecordError
from verifyrig.files.streams import tell


def sign_with_own_key(record: Path) -> None:
    """Sign a record that was sealed; where it cannot be, say so on stderr: the record stands without it."""
    from verifyrig.record.check import check_record
    from verifyrig.record.signature import key_path, load_key, sign_record

    place = key_path()
    if not os.path.exists(place):  # noqa: PTH110 - False too where another user's folder may not be looked into
        return
    try:
        check = check_record(record)
        if check.integrity.proves and check.digest is not None and not check.signatures:
            sign_record(record, load_key(place), run=check.run, digest=check.digest, now=datetime.now(UTC))
    except RecordError as error:
        tell(f"verifyrig: the record was not signed: {error}")
