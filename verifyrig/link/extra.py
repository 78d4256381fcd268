"""The libraries of the second computer, which a plain install does not have."""

from __future__ import annotations

import importlib

from verifyrig.core.errors import UsageError

NEEDED = ("starlette", "uvicorn", "websockets", "zeroconf", "spake2", "cryptography")


def check_installed() -> None:
    """Raise `UsageError` where a library of the extra `serve` is not installed."""
    absent = []
    for name in NEEDED:
        try:
            importlib.import_module(name)
        except ImportError:
            absent.append(name)
    if absent:
        raise UsageError(
            f"a second computer needs libraries that are not installed ({', '.join(absent)})",
            where="verifyrig[serve]",
            mend="Install them on both computers: pip install 'verifyrig[serve]'.",
        )
