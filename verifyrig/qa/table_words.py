"""The capability table as lines for a terminal, and as the object that `verifyrig qa --table --json` prints."""

from __future__ import annotations

from verifyrig.metrology.verdict import plain_word, shape
from verifyrig.qa.as_json import metric_json, yield_json
from verifyrig.qa.capability_table import CapabilityTable
from verifyrig.qa.contract import TableObject
from verifyrig.qa.order import FALSE_ALARM
from verifyrig.qa.text import metric_lines, yield_words

__all__ = ["table_json", "table_lines"]

_WHY = {
    "recipe-unknown": "their recipe is unknown",
    "recipe-other": "their recipe is another one",
    "not-over": "they are not over",
    "refused": "their records cannot be used",
    "ended-by-people": "a person ended them",
    "later-broken": "a later attempt is altered or damaged",
    "version": "computed with another version of the analysis",
    "states": "made in another state of the machine",
    "ambient": "made in a room unlike the others",
    "no-reason": "measured again without a reason",
}


def table_lines(found: CapabilityTable) -> list[str]:
    """Return the whole table, one string a line."""
    simulated = ", simulated hardware" if found.simulated else ""
    lines = [f"Capability by {found.profile.name}: {found.units} units in {found.runs} runs{simulated}", ""]
    lines += metric_lines(found.metrics)
    lines += [f"  {shape(verdict)} {plain_word(verdict)}: {count} units" for verdict, count in found.verdicts.items()]
    lines += [f"Left out: {count} runs, {_WHY[why]}." for why, count in found.left_out.items()]
    if found.questions:
        lines.append(f"Names and boards do not agree in {found.questions} cases; ask for their batches to see which.")
    if found.without_run:
        lines.append(f"Units without a comparable run: {found.without_run}.")
    lines.append(f"First pass {yield_words(found.first_pass)}, in the end {yield_words(found.final)}.")
    return [*lines, "", f"{shape(found.verdict)} {plain_word(found.verdict).capitalize()}."]


def table_json(found: CapabilityTable) -> TableObject:
    """Return the contract's object without `schema`; NaN never appears."""
    return {
        "profile": found.profile.name,
        "units": found.units,
        "runs": found.runs,
        "metrics": {name: metric_json(metric) for name, metric in found.metrics.items()},
        "verdicts": {str(verdict): count for verdict, count in found.verdicts.items()},
        "left_out": dict(found.left_out),
        "questions": found.questions,
        "without_run": found.without_run,
        "first_pass": yield_json(found.first_pass),
        "final": yield_json(found.final),
        "verdict": found.verdict,
        "steady": found.steady,
        "false_alarm": FALSE_ALARM,
        "simulated": found.simulated,
    }
