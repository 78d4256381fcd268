"""Waits for what may never come back (a sensor's file, a bus) in a way that a person or a signal can end."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import Controls
from verifyrig.sensors.files import being_read

T = TypeVar("T")

# One-wire probes take 0.75 s each, and there may be a dozen; no file of the kernel takes longer than a drive's spin-up.
FILE_LIMIT_S = 15.0
_POLL_S = 0.05


def patiently(call: Callable[[], T], controls: Controls, *, file_limit_s: float = FILE_LIMIT_S) -> T:
    """Return what the call returns, made in a thread of its own.

    Raises:
        KeyboardInterrupt: Somebody ended the run meanwhile.
        SensorError: One file has kept it waiting for longer than `file_limit_s`; it is named.
        BaseException: What the call raised.
    """
    found: list[T] = []
    faults: list[BaseException] = []
    over = threading.Event()

    def make() -> None:
        try:
            found.append(call())
        except BaseException as error:  # raised again below, where the caller is
            faults.append(error)
        finally:
            over.set()

    thread = threading.Thread(target=make, name="first look", daemon=True)
    thread.start()
    while not over.wait(_POLL_S):
        if controls.quit_reason:
            raise KeyboardInterrupt
        path, since_s = being_read(thread.ident)
        if path and time.monotonic() - since_s > file_limit_s:
            raise SensorError(
                f"reading it has not come back for {file_limit_s:.0f} s",
                where=path,
                mend="Check the bus and its driver in the system's log; a run needs sensors that answer.",
            )
    if faults:
        raise faults[0]
    return found[0]
