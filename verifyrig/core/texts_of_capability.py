"""English sentences of what units do not prove (`capability`, `qa.claims`), by their codes."""

from __future__ import annotations

TEXTS_OF_CAPABILITY: dict[str, str] = {
    "units-none-needed": "no unit measured, at least {needed} needed",
    "units-one-needed": "one unit measured, at least {needed} needed",
    "units-needed": "{count} units measured, at least {needed} needed",
    "units-equal-no-spread": "all {count} values are equal, so nothing is known of their spread",
    "units-equal": "all {count} values are equal",
    "units-equal-in-groups": "all values are equal within both groups, so nothing is known of their spread",
    "units-equal-in-batches": "within every batch all values are equal, so nothing is known of their spread",
    "units-two-of-each": "{first} and {second} units measured; two of each are needed",
    "units-for-outlier": "{count} units measured, at least 3 needed to call one an outlier",
    "units-without-shape": (
        "{count} units measured, {needed} needed to hold {share:.4g} of all units at {confidence:.4g} confidence "
        "with no shape assumed"
    ),
    "units-outside-limits": "at this mean and spread {share:.4g} of all units do not lie within the limits",
    "values-for-trend": "{count} values; a trend needs at least 4",
    "values-or-times-equal": "all {count} values or times are equal",
    "values-for-range": "{count} values; a moving range needs two",
    "values-in-groups": "{count} values in {groups} groups; two groups and one repeat are needed",
    "repeats-equal": "every repeat gave the same figure, so the resolution hides the gauge's spread",
    "study-has-gaps": "the table has gaps; every unit must be measured equally often in every way",
    "study-not-crossed": "{rows} by {columns} is no crossed study; at least 2 by 2 is needed",
    "study-level-missing": "no unit was measured at every level of {factor}",
    "batches-unequal": "{count} batches of {sizes} units; two batches of one size >= 2 are needed",
    "models-unknown": "{count} units of models whose mean and spread are known; two are needed",
    "claim-provisional": "provisional: {count} units",
    "claim-not-normal": "not normal (p = {p_value:.2g}), so interval and Ppk are doubtful; {why}",
    "claim-order-statistics": "not normal (p = {p_value:.2g}): interval from order statistics",
    "claim-reaches-over": "the tolerance interval reaches over the limit",
    "claim-unsteady": "the units changed while they were measured, so nothing follows for further ones",
    "order-drift": (
        "it drifts by {change:+.3g} {unit} from the first unit to the last (p = {p_value:.2g}): the bench, its "
        "probe or the build changed on the way"
    ),
    "order-step": "from {at} on it lies {change:+.3g} {unit} away from the units before (p = {p_value:.2g})",
    "order-waves": (
        "units measured one after the other resemble one another (p = {p_value:.2g}): something comes and goes"
    ),
    "order-batches": "batch {batch} lies {change:+.3g} {unit} away from the others (p = {p_value:.2g})",
    "components-no-groups": "{count} values in no groups to tell apart",
    "groups-too-few": "{count} groups; of fewer than {needed} nothing follows for another one",
    "claim-of-one-bench": "measured on bench {bench} alone, so it holds of that bench",
    "claim-across-benches": "of units on any bench like these {count}",
    "claim-of-these-benches": "of benches {benches}, each by itself; of another bench nothing follows from two",
    "claim-of-benches-unknown": "benches {benches} have too few units each to tell them apart",
    "unit-on-two-boards": (
        "unit {unit} was measured on more than one board: name the machines apart, or give the later run --rework"
    ),
    "board-under-two-names": ("units {units} are one board: correct the name of one, or give the later run --rework"),
    "claim-too-near": "the values are not normal, and too near to the limit for any other shape",
    "claim-none-outside": ("{count} units within the limit: at most {most:.1%} of all lie outside, at 95 % confidence"),
    "claim-none-outside-more": (
        "{count} units within the limit: at most {most:.1%} of all lie outside, at 95 % confidence; {more} more such "
        "units for at most 5 %"
    ),
    "claim-more-units": "{more} more units like these would prove that 95 % of all lie within the limit",
}
