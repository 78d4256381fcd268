"""Delivers what waits: each target in its own thread and in order, again and again with growing pauses.

Nothing here runs within a run: `hand_over` keeps a notice and starts a process of its own, which delivers and ends.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from verifyrig.bench.notice_targets import NoticeTarget, NoticeWay
from verifyrig.core.errors import BenchError
from verifyrig.files.only_one import only_one
from verifyrig.notify.attempt import NotDelivered
from verifyrig.notify.command_call import send_to_command
from verifyrig.notify.folder_drop import send_to_folder
from verifyrig.notify.mqtt import send_by_mqtt
from verifyrig.notify.spool import Spool, Waiting
from verifyrig.notify.webhook import send_by_webhook

__all__ = ["FIRST_WAIT_S", "LONGEST_WAIT_S", "Send", "deliver", "pause_s"]

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 900.0

Send = Callable[[NoticeTarget, Waiting, Path], None]
_WAYS: Mapping[NoticeWay, Send] = {
    NoticeWay.FOLDER: send_to_folder,
    NoticeWay.COMMAND: send_to_command,
    NoticeWay.WEBHOOK: send_by_webhook,
    NoticeWay.MQTT: send_by_mqtt,
}


def pause_s(tries: int, asked_s: float = 0.0) -> float:
    """Return the pause after so many failed attempts, s: twice as long each time, up to a quarter of an hour."""
    return min(LONGEST_WAIT_S, max(FIRST_WAIT_S * 2.0 ** min(tries - 1, 20), asked_s))


def deliver(
    spool: Spool,
    targets: Sequence[NoticeTarget],
    root: Path,
    *,
    patience_s: float,
    at_once: bool = False,
    ways: Mapping[NoticeWay, Send] = _WAYS,
) -> bool:
    """Deliver until nothing waits or the patience is over; return whether nothing waits.

    Args:
        root: The bench folder, from which relative paths count.
        patience_s: How long a target is tried, s; each that has something waiting is tried once at least.
        at_once: Try now, however long the pause that the last failure asked for.
    """
    ends_s = time.monotonic() + patience_s
    threads = [
        threading.Thread(target=_deliver_to, args=(spool, target, root, ends_s, at_once, ways[target.way]), daemon=True)
        for target in targets
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return all(spool.head(target.id) is None for target in targets)


def _deliver_to(spool: Spool, target: NoticeTarget, root: Path, ends_s: float, at_once: bool, send: Send) -> None:
    """Deliver to one target, to which only one process delivers at a time.

    One that finds another at work leaves it the rest: that one looks again after it gave the lock back, so that no
    notice is left between the two.
    """
    try:
        while spool.head(target.id) is not None:
            with only_one(spool.path.with_suffix(f".{target.id}.lock")) as held:
                if not held or not _drain(spool, target, root, ends_s, at_once, send):
                    return
    except (BenchError, OSError):
        return  # the file went away, or is held for long: the next start of the program looks again


def _drain(spool: Spool, target: NoticeTarget, root: Path, ends_s: float, at_once: bool, send: Send) -> bool:
    """Send in order until nothing waits, True, or one is not taken within the patience, False."""
    while (notice := spool.head(target.id)) is not None:
        # A wall clock that was set back must not make a notice wait for years.
        wait_s = min(notice.next_utc_s - time.time(), pause_s(notice.tries, LONGEST_WAIT_S)) if notice.tries else 0.0
        if wait_s > 0 and not at_once:
            if time.monotonic() + wait_s > ends_s:
                return False
            time.sleep(wait_s)
        at_once = False
        try:
            send(target, notice, root)
        except NotDelivered as why:
            spool.failed(notice, why.said, time.time() + pause_s(notice.tries + 1, why.wait_s))
            if time.monotonic() >= ends_s:
                return False
        else:
            spool.taken(notice)
    return True
