"""What is measured next at the desk, and with which words `run` is started: plan, case of a practice bench, room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.bench.folder import Bench
from verifyrig.commands import Context
from verifyrig.commands.practice import practice_case
from verifyrig.commands.ways import plan_title
from verifyrig.core.errors import NoTemperature
from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker
from verifyrig.files.typed_values import parse_ambient
from verifyrig.jobs.model import Job, RunFacts
from verifyrig.jobs.rules import last_profile, load_caution, next_purpose, recipes_of

_FIRST_PROFILE = "quick-look"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtHand:
    """What somebody works at: the job, None where they measure without one, and its runs."""

    bench: Bench
    job: Job | None
    runs: Sequence[RunFacts]


def next_plan(at_hand: AtHand) -> str:
    """Return the profile that comes next: the job's last one, before that the one of its kind of machine."""
    from verifyrig.bench.find_profile import list_profiles

    assert at_hand.job is not None
    caution = load_caution(at_hand.job, at_hand.runs)
    if caution is not None:
        return caution.instead
    known = {file.name for file in list_profiles(at_hand.bench)}
    kind = at_hand.job.intake.machine.kind
    return last_profile(at_hand.runs) or (kind if kind in known else _FIRST_PROFILE)


def measure_label(at_hand: AtHand) -> str:
    """Return what the next run is for, and its plan, as the screen offers it."""
    assert at_hand.job is not None
    return f"{next_purpose(at_hand.job, at_hand.runs)}, {plan_title(at_hand.bench, next_plan(at_hand))}"


def case_of(at_hand: AtHand) -> str:
    """Return the simulated machine of a practice bench, empty on one of real machines."""
    return practice_case(at_hand.bench, changed=at_hand.job is not None and at_hand.job.last_change is not None)


class Measuring:
    """Asks what a run needs; the room that was typed is offered again the next time."""

    def __init__(self, asker: Asker) -> None:
        self._asker = asker
        self._ambient = ""

    def words(self, at_hand: AtHand, profile: str) -> list[str]:
        """Return the words for `run`; a plan that cannot be measured here may become one with a probe from outside."""
        case = case_of(at_hand)
        words = [f"--mock={case}"] if case else []
        words += ["--job", at_hand.job.job_id] if at_hand.job is not None else ["--without-job"]
        if not case:
            # Before the room is asked for: whether anything can be measured at all.
            profile = self._measurable(at_hand, profile)
            question = "Room, °C? (Enter: a probe measures it)"
            self._ambient = ask_checked(self._asker, question, parse_ambient, default=self._ambient)
            words += [f"--ambient={self._ambient}"] if self._ambient else []
        return [profile, *words]

    def _measurable(self, at_hand: AtHand, profile: str) -> str:
        """Return the plan; where a temperature is lacking that is said, and the probe from outside offered."""
        from verifyrig.commands.run import look_first, outside_instead

        try:
            look_first(profile, Context(bench=at_hand.bench), recipes_of(at_hand.runs))
        except NoTemperature as lacking:
            return outside_instead(self._asker, lacking, profile)
        return profile
