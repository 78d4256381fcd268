"""A notice to a program of the shop's: its words as they stand, no shell, the notice as JSON on its standard input."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from pathlib import Path

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.core.plain_text import plain_line
from verifyrig.notify.attempt import NotDelivered
from verifyrig.notify.spool import Waiting

__all__ = ["send_to_command"]


def send_to_command(target: NoticeTarget, notice: Waiting, root: Path) -> None:
    """Start the program and wait for its exit code 0; past its time it is ended with all that it started."""
    try:
        process = subprocess.Popen(
            target.command,
            cwd=root,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        raise NotDelivered(
            f"{target.command[0]} cannot be started ({getattr(error, 'strerror', None) or error})"
        ) from error
    with process:
        try:
            _, told = process.communicate(notice.body.encode("utf-8"), timeout=target.timeout_s)
        except subprocess.TimeoutExpired:
            _end(process)
            raise NotDelivered(f"{target.command[0]} did not end within {target.timeout_s:g} s") from None
    if process.returncode != 0:
        last = told.decode("utf-8", "replace").strip().splitlines()[-1:]
        why = f": {plain_line(last[0], 200)}" if last else ""
        raise NotDelivered(f"{target.command[0]} ended with {process.returncode}{why}")


def _end(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(OSError):
        if os.name == "nt":
            process.kill()
        else:
            os.killpg(process.pid, signal.SIGKILL)
    if process.stderr is not None:
        process.stderr.close()
    process.wait()
