"""How it was measured and judged, in words that a customer can read."""

from __future__ import annotations

from verifyrig.report.inputs import ReportInput
from verifyrig.report.wording import Words

_CONDITIONAL = {
    "repeat": "A figure that close obliges us to measure again.",
    "ask": "A figure that close is put before the technician, who decides and says so.",
    "reject": "A figure that close counts as not good enough.",
}


def method_lines(report: ReportInput, words: Words) -> list[str]:
    """Return the paragraphs of the section on method and decision rule."""
    lines = [
        words.t(
            "The machine went through a written plan of stages (idle, under load, cooling down) while its"
            " temperatures, power and speeds were recorded. The load ends by itself when a trip limit is crossed."
        ),
        words.t(
            "Decision rule: a figure passes only where it lies inside its limit by at least its own uncertainty"
            " (guard band as wide as the expanded uncertainty, 95 %). Inside by less is “inside the limit, not proven”,"
            " outside by no more is “over the limit, not proven”, further outside is “failed”. A figure without a"
            " value, or without a known uncertainty, is “not measured” and never passes."
        ),
        words.t(
            "So a figure that passed lies beyond its limit with a probability below 2.5 %, if errors are normally"
            " distributed. The rule is the non-binary one of ILAC-G8:09/2019 with w = U."
        ),
    ]
    lines += _conditional_lines(report, words)
    lines += [
        words.t(
            "A “±” gives the expanded uncertainty, 95 %, with the coverage factor for the effective degrees of freedom"
            " (JCGM 100:2008); where limits of error are among its parts, their distributions are convolved (JCGM"
            " 101:2008). Counts are exact. “Settled” is the value that the temperature tends to; where the stage ended"
            " before, it is extrapolated, with a wider uncertainty."
        ),
        words.t("The results concern this machine only, in the state in which it was tested."),
        words.t(
            "What the customer told us, and readings typed in by hand, are marked as such where they stand. No result"
            " comes from another laboratory."
        ),
        words.t("Causes, where they are named, are an opinion drawn from the evidence, and not a measurement."),
    ]
    return lines


def _conditional_lines(report: ReportInput, words: Words) -> list[str]:
    run = report.after_run or report.before_run
    profile = run.trace.profile if run is not None else None
    if profile is None or not profile.thresholds or profile.on_conditional not in _CONDITIONAL:
        return []
    return [words.t(_CONDITIONAL[profile.on_conditional])]
