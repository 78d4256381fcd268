"""On the path of a process, this lets a test set its wall clock: by as many seconds as the file CLOCK_SET_BY says."""

import os
import time
from pathlib import Path

_real_s = time.time


def _set_s() -> float:
    try:
        return _real_s() + float(Path(os.environ["CLOCK_SET_BY"]).read_text())
    except (OSError, ValueError, KeyError):
        return _real_s()


time.time = _set_s
