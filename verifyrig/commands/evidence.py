"""What every command that draws on records says first: that one of them was altered."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from verifyrig.core.errors import ExitCode


def tell_altered(paths: Iterable[Path]) -> ExitCode:
    """Say on stderr which of these records do not fit their digests; return `FAILED` where one does not."""
    from verifyrig.record.check import check_record
    from verifyrig.terminal.words import plain

    code = ExitCode.DONE
    for path in paths:
        altered = check_record(path).altered
        if altered is not None:
            code = ExitCode.FAILED
            print(
                f"verifyrig: {plain(str(path), 300)}: THE RECORD WAS ALTERED: {plain(altered.what, 200)}. "
                "Take no figure of it for measured; `verifyrig inspect` tells more.",
                file=sys.stderr,
            )
    return code
