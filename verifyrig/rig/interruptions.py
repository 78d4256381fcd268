"""What comes between: people and signals, a danger noted, nobody present, a hanging read, the disk, a suspend."""

from __future__ import annotations

import time
from collections import Counter

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import DangerNotice, LoadEndedBy
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Stage, StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.note_keys import RUN_KEYS
from verifyrig.rig.observer import Attention
from verifyrig.rig.parts import Parts, Rig
from verifyrig.rig.run_notes import kept
from verifyrig.rig.stops import StopKind

# Longer, and what is measured is no longer safe on the disk when something happens (common practice, no source).
LARGEST_LAG_S = 5.0
PRESENCE_ANSWER_S = 60.0
_LINK_SENTENCES = {
    "linked": "The bench computer sees this run.",
    "lost": "The link to the bench computer is lost; the run goes on, and what it misses is sent afterwards.",
    "back": "The link to the bench computer is back.",
}
# A clock adjusted by less is no suspend.
_LEAST_SUSPEND_S = 1.0


class Interruptions:
    """Obeys what is asked of a run from outside; each has one entry in `Stops`."""

    def __init__(self, rig: Rig, parts: Parts) -> None:
        self._profile = rig.profile
        self._bank = rig.bank
        self._controls = rig.controls
        self._second = rig.second
        self._load = parts.load
        self._person = parts.person
        self._safety = parts.safety
        self._stops = parts.stops
        self._notes = parts.notes
        self._schedule = parts.schedule
        self._present_s = 0.0
        self._suspended_s = _suspended_s()
        self._hanging: tuple[str, ...] = ()
        parts.notes.on_failure = self._record_failed

    def obey(self, stage: Stage) -> StageEnd | None:
        """Follow what a person or a signal asked; return how the stage ends by it, None where it goes on."""
        controls = self._controls
        controls.wake.clear()
        self._follow_keys()
        if controls.danger is not None:
            self._end_for_danger(controls.danger)
            return StageEnd.STOPPED
        if controls.end_load.is_set() and self._stops.interrupted is None:
            self._end_load(controls.end_load_by)
            return _if_load(stage)
        if controls.link_silent and self._load.is_under_way and not self._stops.happened(StopKind.LINK_SILENT):
            self._safety.stop(StopKind.LINK_SILENT, reason("link-silent"))
            return _if_load(stage)
        if controls.quit_reason:
            self._load.end(self._schedule.t_s)
            return StageEnd.INTERRUPTED
        if self._nobody_is_present():
            return _if_load(stage)
        return StageEnd.INTERRUPTED if self._stops.happened(StopKind.SUSPEND) else None

    def watch_link(self) -> None:
        """Note what happened to the link to the bench computer; by itself that ends nothing."""
        for detail in self._second.news() if self._second is not None else ():
            self._notes.event(EventKind.BENCH_COMPUTER, **detail)
            sentence = _LINK_SENTENCES.get(detail["act"])
            if sentence:
                self._notes.say(sentence)

    def watch_disk(self) -> None:
        """End the load where the record falls behind."""
        lag_s = self._notes.check_disk()
        if lag_s > LARGEST_LAG_S and not self._stops.for_safety and not self._stops.tripped:
            self._safety.stop(StopKind.RECORD_BEHIND, reason("record-behind", lag_s=lag_s))

    def watch_suspend(self) -> None:
        """End the load where the system slept: what happened meanwhile is unknown."""
        slept_s = _suspended_s() - self._suspended_s
        if slept_s > _LEAST_SUSPEND_S and self._stops.interrupted is None:
            self._suspended_s = _suspended_s()
            self._load.end(self._schedule.t_s)
            self._stops.add(StopKind.SUSPEND, reason("system-slept", slept_s=slept_s))
            self._notes.event(EventKind.SUSPEND, slept_s=slept_s)

    def watch_reads(self, t_s: float) -> None:
        """End the load where a read hangs, whoever's: while a bus does not answer, its readings are unknown."""
        hanging = self._bank.hanging()
        if hanging and hanging != self._hanging:
            self._notes.event(EventKind.READ_HANGS, t_s=t_s, channels=list(hanging))
            self._notes.say(f"Beware: {hang_reason(hanging)}.")
        self._hanging = hanging
        if hanging and self._load.is_under_way:
            self._safety.stop(StopKind.READ_HANGS, hang_reason(hanging), t_s)

    def until_question_s(self) -> float | None:
        """Return the time until somebody is asked who is here, s; None where nobody will be."""
        every_s = self._profile.ask_presence_every_s
        if every_s is None or self._load.driver is None:
            return None
        return max(0.0, self._present_s + every_s - self._schedule.t_s)

    def _end_load(self, by: LoadEndedBy) -> None:
        from_afar = by is LoadEndedBy.BENCH_COMPUTER
        kind = StopKind.BENCH_COMPUTER if from_afar else StopKind.SPACE_BAR
        why = reason("ended-from-bench-computer" if from_afar else "space-bar")
        self._load.end(self._schedule.t_s)
        if self._second is not None:
            self._second.load_ended()
        self._stops.add(kind, why)
        self._notes.event(EventKind.OPERATOR, **kept(why))
        if from_afar:
            self._notes.say(f"{str(why)[0].upper()}{str(why)[1:]}.", loud=True)

    def _record_failed(self, error: RecordError) -> None:
        self._safety.stop(StopKind.RECORD_FAILED, reason("record-not-writable", cause=error.cause))

    def _end_for_danger(self, danger: DangerNotice) -> None:
        """End the load and the run: the machine is to be switched off, not watched."""
        if self._stops.happened(StopKind.DANGER):
            return
        self._safety.stop(
            StopKind.DANGER, reason("danger-noted", danger=(reason(f"danger-{danger.code}"),), noted=danger.noted)
        )
        self._notes.event(EventKind.DANGER, code=danger.code, noted=danger.noted)
        self._notes.say(danger.do, loud=True)

    def _follow_keys(self) -> None:
        """Follow the keys pressed since the last call; however many there are, each has its effect once."""
        keys = self._controls.keys
        count = len(keys)  # more may come meanwhile
        pressed = Counter(keys[:count])
        del keys[:count]
        findings = [text for key, text in RUN_KEYS.items() if pressed[key]]
        for text in findings:
            self._notes.event(EventKind.FINDING, text=text)
        if findings:
            self._notes.say(f"Noted: {', '.join(findings)}.")
        if pressed["p"]:
            self._present_s = self._schedule.t_s
            self._notes.attend(None)
        driver = self._load.driver
        if pressed["l"] and self._person.order.stands:
            self._person.said_off(self._schedule.t_s)
        elif pressed["l"] % 2 and driver is not None and driver.external:
            self._load.step(self._schedule.t_s, driver.mark())

    def _nobody_is_present(self) -> bool:
        """Ask again who is here; return whether nobody answered and the run goes on without load."""
        every_s = self._profile.ask_presence_every_s
        if every_s is None or self._load.driver is None:
            return False
        late_s = self._schedule.t_s - self._present_s - every_s
        if late_s >= PRESENCE_ANSWER_S:
            self._safety.stop(StopKind.NOBODY_PRESENT, reason("nobody-present"))
            return True
        if 0 <= late_s < self._profile.period_s:
            self._notes.say("Who is here? Press P within a minute, or the load ends.", loud=True)
            self._notes.attend(Attention.QUESTION)
        return False


def hang_reason(hanging: tuple[str, ...]) -> Reason:
    """Return the reason of reads that do not come back."""
    return reason("read-hangs", channels=", ".join(hanging))


def _if_load(stage: Stage) -> StageEnd | None:
    """Return the end of a stage that is nothing without its load; another one goes on."""
    return StageEnd.INTERRUPTED if stage.kind is StageKind.LOAD else None


def _suspended_s() -> float:
    """Return how long the system has slept since it started, s."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return 0.0 if boot is None else time.clock_gettime(boot) - time.monotonic()
