"""The command line's entry: `verifyrig` and `python -m verifyrig`."""

from __future__ import annotations

import os
import signal
import sys

# Linear algebra on one thread, set before numpy is loaded: the same record then gives the same figures to the last
# digit on every number of cores, and small matrices are quicker so. Work is spread over processes instead.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def main() -> int:
    """Run the command line; return its exit code."""
    from verifyrig.commands.cli import run
    from verifyrig.files.streams import prepare_streams, release_streams

    prepare_streams()
    if hasattr(signal, "SIGQUIT") and signal.getsignal(signal.SIGQUIT) is signal.SIG_DFL:
        # Ctrl-\\ ends the program as Ctrl-C does: by itself it would leave a terminal that shows no keys.
        signal.signal(signal.SIGQUIT, signal.default_int_handler)
    try:
        return run(sys.argv[1:])
    finally:
        release_streams()


if __name__ == "__main__":
    sys.exit(main())
