"""Refuses heat where a danger stands, and watches while a run lasts whether somebody notes one in another process.

The look is taken in a thread of its own, so that a slow disk delays neither sampling nor guard.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator

from verifyrig.core.errors import RigError, SafetyRefusal
from verifyrig.core.interfaces import Controls, DangerNotice
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import Profile

LOOK_EVERY_S = 0.5


def heats(profile: Profile, *, no_load: bool = False) -> bool:
    """Return whether a run loads the machine: by pulses, blind, and by a load that a person runs on it, too.

    Args:
        no_load: Whether stages above quarter-share pulses are left out.
    """
    loads = [stage.load for stage in profile.stages if stage.load is not None]
    return any(is_gentle(load) or not no_load for load in loads)


def danger_refusal(notice: DangerNotice, job: str | None) -> SafetyRefusal:
    """Return the refusal of a run that would heat a machine with a danger on it; it says what to do now."""
    signed = (
        f" Only where it is gone, a person signs for it: `verifyrig job change KIND --lifts {notice.code} "
        "--done TEXT --by NAME`."
    )
    return SafetyRefusal(
        f"no run that heats it: {notice.what} ({notice.noted})",
        where=f"job {job}" if job else "before the load",
        mend=notice.do + (signed if job else ""),
    )


@contextlib.contextmanager
def danger_watch(
    controls: Controls, look: Callable[[], DangerNotice | None] | None, every_s: float = LOOK_EVERY_S
) -> Iterator[None]:
    """While inside, a danger that `look` finds reaches `controls`; without `look` nothing is watched."""
    if look is None:
        yield
        return
    over = threading.Event()

    def watch() -> None:
        while not over.wait(every_s):
            # A file that cannot be read at this moment says nothing new; the next look may.
            with contextlib.suppress(RigError, OSError):
                notice = look()
                if notice is not None:
                    controls.warn_of(notice)
                    return

    thread = threading.Thread(target=watch, name="danger-watch", daemon=True)
    thread.start()
    try:
        yield
    finally:
        # Not joined: a look that hangs on a dead disk holds nothing up, and the thread ends with the process.
        over.set()
