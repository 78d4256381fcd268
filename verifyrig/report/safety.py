"""Cautions of a report: the notes that matter for this machine and its runs, with what was hot in reach."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.jobs.cautions import NOTES, SafetyNote, notes_for
from verifyrig.jobs.safety import FIRST_RULE
from verifyrig.report.inputs import ReportInput
from verifyrig.report.timeline import highest
from verifyrig.report.wording import Words

# ISO 13732-1:2006, burn thresholds of bare metal, from memory: 65 to 70 °C for 1 s, 55 °C for 10 s, 51 °C for 1 min.
BURN_METAL_C = (65.0, 55.0, 51.0)
# From this temperature on a part is called hot: ISO 13732-1:2006, 10 min, any material, from memory.
HOT_FROM_C = 48.0
# Places that a hand can reach once the case is open; a die under its lid is not one.
_TOUCHABLE = (
    "plate_temp_c",
    "radiator_temp_c",
    "hose_in_temp_c",
    "hose_out_temp_c",
    "coolant_temp_c",
    "exhaust_temp_c",
    "vrm_temp_c",
)


class Note(NamedTuple):
    """One caution: a short head, the sentence, and where its figures come from."""

    head: str
    text: str
    source: str


def first_rule(words: Words) -> str:
    """Return who decides before this page does."""
    return words.t(FIRST_RULE)


def cautions(report: ReportInput, words: Words) -> list[Note]:
    """Return the cautions that matter for this machine, the gravest first."""
    found: dict[str, SafetyNote] = {}
    profiles = {run.trace.profile.name: run.trace.profile for run in report.runs if run.trace.profile}
    kind = report.job.machine_kind if report.job is not None else None
    for profile in profiles.values():
        found |= {note.title: note for note in notes_for(profile, kind)}
    found = found or {note.title: note for note in notes_for(None, kind)}
    return [_note(note, report, words) for note in found.values()]


def _note(note: SafetyNote, report: ReportInput, words: Words) -> Note:
    text = _hot(report, words) if note is NOTES["hot"] else words.t(note.text)
    return Note(words.t(note.title), text, words.t(note.source))


def _hot(report: ReportInput, words: Words) -> str:
    one, two, three = (words.temperature(value, decimals=0) for value in BURN_METAL_C)
    said = words.t(
        "Bare metal burns skin within about a second at {one}, ten seconds at {two}, a minute at {three}; above"
        " {hot} do not hold it. The heat comes after the load: wait for the end of the cooldown, check, then touch.",
        one=one,
        two=two,
        three=three,
        hot=words.temperature(HOT_FROM_C, decimals=0),
    )
    peak_c = hottest_touchable_c(report)
    if peak_c is None or peak_c < HOT_FROM_C:
        return said
    seen = words.t("A part within reach was at up to {temperature} here.", temperature=words.temperature(peak_c))
    return f"{said} {seen}"


def hottest_touchable_c(report: ReportInput) -> float | None:
    """Return the highest temperature of a part within reach, of all runs, °C; None where none was read."""
    peaks = [highest(run.trace, name) for run in report.runs for name in _TOUCHABLE]
    return max((peak[1] for peak in peaks if peak is not None), default=None)


def profile_cautions(report: ReportInput, words: Words) -> list[str]:
    """Return the cautions that the profiles used bring along, each once."""
    found = [text for run in report.runs if run.trace.profile is not None for text in run.trace.profile.cautions]
    return [words.translated(text) for text in dict.fromkeys(found)]
