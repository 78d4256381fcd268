"""The libraries of the second computer, which a plain install does not have."""

from __future__ import annotations

import importlib

from verifyrig.core.errors import UsageError

TO_SEND = ("websockets", "zeroconf", "spake2", "cryptography")
TO_SERVE = (*TO_SEND, "starlette", "uvicorn")


def check_installed(needed: tuple[str, ...] = TO_SEND) -> None:
    """Raise `UsageError` where a library of the extra `serve` is not installed."""
    absent = []
    for name in needed:
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
