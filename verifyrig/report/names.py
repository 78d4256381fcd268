"""Channels, metrics and coded words, as a reader of the report calls them (English texts are catalogue keys)."""

from __future__ import annotations

import re
from typing import NamedTuple

from verifyrig.core.channels import base_name, number_of
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import Purpose, StageKind
from verifyrig.report.wording import Words

_CHANNELS = {
    "ambient_temp_c": "room",
    "inlet_temp_c": "air at the cooler's inlet",
    "exhaust_temp_c": "air at the outlet",
    "radiator_temp_c": "fins or radiator",
    "hose_in_temp_c": "hose to the radiator",
    "hose_out_temp_c": "hose from the radiator",
    "coolant_temp_c": "coolant",
    "plate_temp_c": "cooler plate",
    "core_temp_c": "processor core",
    "die_temp_c": "processor",
    "vrm_temp_c": "voltage converters",
    "board_temp_c": "main board",
    "memory_temp_c": "memory",
    "drive_temp_c": "drive",
    "gpu_temp_c": "graphics chip",
    "gpu_hotspot_temp_c": "hottest spot of the graphics chip",
    "gpu_memory_temp_c": "graphics memory",
    "package_power_w": "processor power",
    "gpu_power_w": "graphics power",
    "wall_power_w": "power from the mains",
    "power_limit_w": "power limit",
    "cpu_fan_speed_rpm": "cooler fan",
    "pump_speed_rpm": "pump",
    "case_fan_speed_rpm": "case fan",
    "gpu_fan_speed_rpm": "graphics fan",
    "cpu_fan_duty_share": "cooler fan, commanded speed",
    "pump_duty_share": "pump, commanded speed",
    "case_fan_duty_share": "case fan, commanded speed",
    "gpu_fan_duty_share": "graphics fan, commanded speed",
    "rail_12v_v": "12 V supply",
    "rail_5v_v": "5 V supply",
    "rail_3v3_v": "3.3 V supply",
    "core_clock_mhz": "processor clock",
    "gpu_clock_mhz": "graphics clock",
    "busy_share": "share of time busy",
    "gpu_busy_share": "graphics, share of time busy",
    "load_share": "commanded load",
    "gpu_heat_limited_share": "graphics held back by heat",
    "gpu_power_limited_share": "graphics held by its power limit",
    "gpu_brake_limited_share": "graphics held back by the supply's brake",
    "throttle_count": "times slowed down",
    "work_rate_per_s": "work done per second",
    "compute_errors": "wrong results",
}
# The temperatures that a sentence may be about.
_SUBJECTS = {
    "core_temp_c": "the processor core",
    "die_temp_c": "the processor",
    "gpu_temp_c": "the graphics chip",
    "plate_temp_c": "the cooler plate",
    "coolant_temp_c": "the coolant",
    "board_temp_c": "the main board",
}
_WHOLE_METRICS = {
    "thermal_resistance": "thermal resistance, processor to room",
    "thermal_impedance_5s": "thermal resistance that shows in 5 s",
    "thermal_impedance_60s": "thermal resistance that shows in a minute",
    "thermal_impedance_600s": "thermal resistance that shows in ten minutes",
    "gpu_thermal_resistance": "thermal resistance, graphics chip to room",
    "gpu_thermal_impedance_5s": "graphics chip, thermal resistance that shows in 5 s",
    "gpu_thermal_impedance_60s": "graphics chip, thermal resistance that shows in a minute",
    "gpu_thermal_impedance_600s": "graphics chip, thermal resistance that shows in ten minutes",
    "gpu_rise_share_5s": "graphics chip, share of the rise that shows in 5 s",
    "gpu_rise_share_60s": "graphics chip, share of the rise that shows in a minute",
    "rise_share_5s": "share of the rise that shows in 5 s",
    "rise_share_60s": "share of the rise that shows in a minute",
    "throttle_share": "share of time slowed down",
    "work_rate_kept_share": "speed kept to the end",
    "compute_errors": "wrong results",
    "compute_error_rate_bound": "highest rate of wrong results not excluded",
}
_PART = re.compile(r"(?:gpu_)?thermal_resistance_(?P<hot>[a-z]+)_to_(?P<cold>[a-z]+)")
_SUFFIXES = {
    "settled": "{channel}, settled",
    "settled_at_reference": "{channel}, settled, in the plan's usual room",
    "peak": "{channel}, highest",
    "rise": "{channel}, rise above the room",
    "rate": "{channel}, steepest rise",
    "time_constant": "{channel}, time constant",
    "time_constants": "{channel}, time constants",
    "time_to_63_pct": "{channel}, time to 63 % of the way",
    "above_chip": "{channel}, above the graphics chip",
    "mean": "{channel}, on average",
    "min": "{channel}, lowest",
    "max": "{channel}, highest",
}
_VERDICTS = {
    "pass": "passed",
    "conditional-pass": "inside the limit, not proven",
    "conditional-fail": "over the limit, not proven",
    "fail": "failed",
    "not-measured": "not measured",
}
SHAPES = {
    "pass": "disc",
    "conditional-pass": "ring",
    "conditional-fail": "hollow-triangle",
    "fail": "triangle",
    "not-measured": "diamond",
}
_OUTCOMES: dict[str, str] = {
    Outcome.RUNNING: "still running",
    Outcome.COMPLETED: "ran to its end",
    Outcome.TRIPPED: "load ended by a trip limit",
    Outcome.STOPPED: "stopped for safety",
    Outcome.INTERRUPTED: "interrupted",
}
_CAUSES: dict[str, str] = {
    CauseClass.OPERATOR: "ended by the operator",
    CauseClass.TERMINATED: "ended by the system",
    CauseClass.KILLED: "the program was killed",
    CauseClass.POWER_OFF: "the machine lost power",
    CauseClass.HANG: "the machine stopped answering",
    CauseClass.SUSPEND: "the machine went to sleep",
    CauseClass.LOAD_FAILED: "the load did not come up",
    CauseClass.UNKNOWN: "for a reason not known",
}
_ENDED: dict[str, str] = {
    StageEnd.SETTLED: "settled",
    StageEnd.TIME: "time was up",
    StageEnd.GATE: "gate closed",
    StageEnd.TRIPPED: "trip limit",
    StageEnd.SKIPPED: "not run",
    StageEnd.STOPPED: "stopped",
    StageEnd.INTERRUPTED: "interrupted",
}
_PURPOSES: dict[str, str] = {
    Purpose.BASELINE: "baseline",
    Purpose.CHECK: "check",
    Purpose.VERIFICATION: "verification",
    Purpose.BUILD: "new build",
}
_KINDS: dict[str, str] = {
    StageKind.IDLE: "while idle",
    StageKind.LOAD: "under load",
    StageKind.COOLDOWN: "cooling down",
}
_RULES = {
    "max": "above its limit",
    "min": "below its limit",
    "machine-limit": "too close to the machine's own limit",
    "rate": "rising too fast",
    "no-reading": "no trustworthy reading",
    "stuck": "reading stuck",
    "no-reaction": "no reaction to the load",
    "line": "about to cross its limit",
}


def channel_label(channel: str, words: Words) -> str:
    """Return what the channel measures; its own name where it is not of the contract."""
    label = _CHANNELS.get(base_name(channel))
    if label is None:
        return channel
    said = words.t(label)
    return said if number_of(channel) == 1 else f"{said} {number_of(channel)}"


def subject(channel: str, words: Words) -> str:
    """Return the channel as the subject of a sentence."""
    return words.t(_SUBJECTS[channel]) if channel in _SUBJECTS else channel_label(channel, words)


def metric_parts(metric: str) -> tuple[str, str]:
    """Return stage and the rest: `load.die_temp_c.rise` gives (`load`, `die_temp_c.rise`)."""
    stage, _, rest = metric.partition(".")
    return stage, rest


def metric_label(metric: str, words: Words) -> str:
    """Return what the metric says, without its stage."""
    _, rest = metric_parts(metric)
    if rest in _WHOLE_METRICS:
        return words.t(_WHOLE_METRICS[rest])
    part = _PART.fullmatch(rest)
    if part is not None:
        return words.t(
            "thermal resistance, {hot} to {cold}", hot=words.known(part["hot"]), cold=words.known(part["cold"])
        )
    return metric_label_of(metric, channel_label(rest.partition(".")[0], words), words)


def metric_label_of(metric: str, channel: str, words: Words) -> str:
    """Return what the metric says of the channel as it is called here."""
    _, rest = metric_parts(metric)
    suffix = rest.partition(".")[2]
    return words.t(_SUFFIXES[suffix], channel=channel) if suffix in _SUFFIXES else rest


def stage_label(stage: str, words: Words) -> str:
    """Return the stage's own name; usual ones are translated."""
    return words.known(stage)


def verdict_word(verdict: str, words: Words) -> str:
    """Return the verdict in words."""
    return words.t(_VERDICTS.get(verdict, verdict))


class VerdictCell(NamedTuple):
    """A verdict as shape and word."""

    shape: str
    word: str


def verdict_cell(verdict: str, words: Words) -> VerdictCell:
    """Return shape and word of a verdict."""
    return VerdictCell(SHAPES.get(verdict, "diamond"), verdict_word(verdict, words))


def outcome_words(outcome: str, cause: str | None, words: Words) -> str:
    """Return how a run ended: "interrupted: the machine lost power"."""
    said = words.t(_OUTCOMES.get(outcome, outcome))
    return said if cause is None else f"{said}: {words.t(_CAUSES.get(cause, cause))}"


def ended_words(ended: str | None, words: Words) -> str:
    """Return what ended a stage."""
    return words.t("open") if ended is None else words.t(_ENDED.get(ended, ended))


def purpose_word(purpose: str, words: Words) -> str:
    """Return what a run was for."""
    return words.t(_PURPOSES.get(purpose, purpose))


def kind_word(kind: str, words: Words) -> str:
    """Return what a stage does."""
    return words.t(_KINDS.get(kind, kind))


def rule_words(rule: str, words: Words) -> str:
    """Return why a trip limit acted."""
    return words.t(_RULES.get(rule, rule))
