"""Cautions: what can hurt someone, where it matters for this machine, and who decides before us."""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.report.inputs import ReportInput
from verifyrig.report.timeline import highest
from verifyrig.report.wording import Words

# ISO 13732-1:2006, burn thresholds of bare metal, from memory: 65-70 °C for 1 s, 55 °C for 10 s, 51 °C for 1 min.
BURN_METAL_C = ((65.0, "1 s"), (55.0, "10 s"), (51.0, "1 min"))
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
    """One caution: a short head and the sentence."""

    head: str
    text: str


def first_rule(words: Words) -> str:
    """Return who decides before this page does."""
    return words.t("Local codes, licensed practice and the maker's manual come first; this page only advises.")


def cautions(report: ReportInput, words: Words) -> list[Note]:
    """Return the cautions that matter for this machine: for the work on it, and for the one who takes it home."""
    notes = [
        Note(
            words.t("Mains"),
            words.t("Switch off, pull the plug, press the power button, wait. Nobody opens the power supply."),
        ),
        Note(
            words.t("Charged capacitors"),
            words.t("They hold a dangerous charge after the plug is pulled, inside the power supply for long."),
        ),
        Note(words.t("Hot parts"), _hot(report, words)),
        Note(words.t("Fans"), words.t("Keep fingers, hair and cable ties away; hold the hub when dust is blown out.")),
        Note(
            words.t("Static charge"), words.t("Strap on only with the plug pulled; never on work at live mains parts.")
        ),
        Note(
            words.t("Long runs"),
            words.t("A heavy load needs somebody in the room, nothing that burns nearby, and a switch within reach."),
        ),
    ]
    if _has(report, "coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c", "pump_speed_rpm"):
        text = words.t("At any leak: mains off, do not start again to look, dry it, have it looked at.")
        notes.append(Note(words.t("Coolant"), text))
    if _is_portable(report):
        text = words.t("A swollen pack is not charged, loaded or pried at: put it apart, call a trained person.")
        notes.append(Note(words.t("Lithium pack"), text))
    return notes


def _hot(report: ReportInput, words: Words) -> str:
    said = words.t(
        "Bare metal burns skin within about a second at {one}, ten seconds at {two}, a minute at {three}"
        " (after ISO 13732-1, from memory; the standard decides).",
        one=words.temperature(BURN_METAL_C[0][0], decimals=0),
        two=words.temperature(BURN_METAL_C[1][0], decimals=0),
        three=words.temperature(BURN_METAL_C[2][0], decimals=0),
    )
    peak_c = hottest_touchable_c(report)
    if peak_c is None or peak_c < HOT_FROM_C:
        return said
    seen = words.t(
        "A part within reach was at up to {temperature} here.", temperature=words.temperature(peak_c, decimals=0)
    )
    return f"{said} {seen}"


def hottest_touchable_c(report: ReportInput) -> float | None:
    """Return the highest temperature of a part within reach, of all runs, °C; None where none was read."""
    peaks = [highest(run.trace, name) for run in report.runs for name in _TOUCHABLE]
    return max((peak[1] for peak in peaks if peak is not None), default=None)


def _has(report: ReportInput, *channels: str) -> bool:
    return any(run.trace.has(name) for run in report.runs for name in channels)


def _is_portable(report: ReportInput) -> bool:
    kind = str(report.job.machine.get("kind", "")) if report.job is not None else ""
    profiles = [run.trace.profile.name for run in report.runs if run.trace.profile is not None]
    return any("laptop" in word.lower() for word in (kind, *profiles))


def profile_cautions(report: ReportInput) -> list[str]:
    """Return the cautions that the profiles used bring along, in their own words, each once."""
    found = [text for run in report.runs if run.trace.profile is not None for text in run.trace.profile.cautions]
    return list(dict.fromkeys(found))
