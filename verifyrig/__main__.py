"""The command line's entry: `verifyrig` and `python -m verifyrig`."""

from __future__ import annotations

import sys


def main() -> int:
    """Run the command line; return its exit code."""
    from verifyrig.cli import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
