"""Under which conditions was measured, and with what: room, machine, states, instruments."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from verifyrig.report.done import plain
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.limits import ambient_c
from verifyrig.report.names import channel_label
from verifyrig.report.wording import Words

_MACHINE_WORDS = {
    "maker": "maker",
    "model": "model",
    "board": "main board",
    "firmware": "firmware",
    "processor": "processor",
    "cores": "cores",
    "memory_bytes": "memory",
    "system": "system it was tested under",
    "kernel": "kernel",
    "governor": "clock policy",
    "power_limits_w": "power limits, W",
    "description": "description",
    "serial": "serial number",
    "kind": "kind",
    "cooler": "cooler",
    "case": "case",
    "host": "host name",
    "user": "user name",
    "name": "name",
    "contact": "contact",
    "phone": "telephone",
    "email": "e-mail",
    "address": "address",
}
_LEFT_OUT = ("boot_id",)


class ConditionRow(NamedTuple):
    """One condition in each of the runs shown."""

    name: str
    cells: list[str]


def condition_rows(report: ReportInput, words: Words) -> list[ConditionRow]:
    """Return the conditions of both runs, line by line; what is unknown says so."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    rows = [
        ConditionRow(words.t("day and time"), [words.moment(run.started_utc_s) for run in runs]),
        ConditionRow(words.t("room"), [_room(run, words) for run in runs]),
        ConditionRow(words.t("plan"), [_plan(run, words) for run in runs]),
        ConditionRow(words.t("recipe"), [str(run.summary.get("recipe") or "–")[:16] for run in runs]),
        ConditionRow(words.t("sampling"), [_sampling(run, words) for run in runs]),
    ]
    states = [run.trace.facts.get("states") or {} for run in runs]
    for key in dict.fromkeys(key for state in states for key in state):
        rows.append(ConditionRow(str(key), [plain(state.get(key, words.t("not noted")), words) for state in states]))
    machines = [run.trace.facts.get("machine") or {} for run in runs]
    for key in dict.fromkeys(key for machine in machines for key in machine if key not in _LEFT_OUT):
        if any(machine.get(key) not in (None, "", {}) for machine in machines):
            rows.append(
                ConditionRow(machine_word(key, words), [_machine_value(machine, key, words) for machine in machines])
            )
    return rows


def machine_word(key: str, words: Words) -> str:
    """Return the name of a fact about the machine or the customer."""
    return words.t(_MACHINE_WORDS[key]) if key in _MACHINE_WORDS else key.replace("_", " ")


def _machine_value(machine: Mapping[str, Any], key: str, words: Words) -> str:
    value = machine.get(key)
    if value in (None, "", {}):
        return words.t("not known")
    if key == "memory_bytes" and isinstance(value, (int, float)):
        return f"{words.number(value / 2**30, 1)}\u202fGiB"
    return plain(value, words)


def _room(run: RunInput, words: Words) -> str:
    value = ambient_c(run)
    if value is None:
        return words.t("not measured")
    ambient = run.trace.facts.get("ambient")
    known: Mapping[str, Any] = ambient if isinstance(ambient, Mapping) else {}
    u95 = known.get("u95_k")
    said = words.temperature(value, float(u95) if isinstance(u95, (int, float)) else None)
    source = str(known.get("source") or "")
    return (
        f"{said} ({words.t('typed in by the operator') if source == 'typed' else channel_label(source, words)})"
        if source
        else said
    )


def _plan(run: RunInput, words: Words) -> str:
    profile = run.trace.profile
    return words.t("no profile") if profile is None else f"{profile.title} ({profile.name})"


def _sampling(run: RunInput, words: Words) -> str:
    n, t_s = len(run.trace.t_s), run.trace.t_s
    if n < 2:
        return words.n("{count} sample", "{count} samples", n)
    period_s = float(t_s[-1] - t_s[0]) / (n - 1)
    return words.n("{count} sample, one every {period}", "{count} samples, one every {period}", n,
                   period=f"{words.number(period_s, 0 if period_s == round(period_s) else 2)}\u202fs")  # fmt: skip


class InstrumentRow(NamedTuple):
    """One channel, what read it, and what is known of its calibration."""

    channel: str
    label: str
    source: str
    calibration: str
    uncertainty: str


def instrument_rows(report: ReportInput, words: Words) -> list[InstrumentRow]:
    """Return the channels of the runs shown with instrument and calibration state."""
    found: dict[str, Mapping[str, Any]] = {}
    for run in (report.before_run, report.after_run):
        channels = run.trace.facts.get("channels") if run is not None else None
        if isinstance(channels, Mapping):
            found |= {str(name): info for name, info in channels.items() if isinstance(info, Mapping)}
    known = {str(one.get("channel")): one for one in report.instruments if one.get("channel")}
    return [_instrument_row(name, info, known.get(name, {}), words) for name, info in found.items()]


def _instrument_row(name: str, info: Mapping[str, Any], calibration: Mapping[str, Any], words: Words) -> InstrumentRow:
    u95 = info.get("expanded_uncertainty")
    unit = str(info.get("unit") or "")
    unit = "K" if unit == "°C" else unit
    driver = str(info.get("driver") or "")
    return InstrumentRow(
        name,
        channel_label(name, words),
        " · ".join(str(part) for part in (driver, info.get("label"), info.get("device")) if part),
        _calibration(calibration, words),
        f"±\u202f{words.quantity(float(u95), unit)}"
        if isinstance(u95, (int, float))
        else words.t("as the driver gives it, not stated"),
    )


def _calibration(calibration: Mapping[str, Any], words: Words) -> str:
    if not calibration.get("calibrated"):
        return words.t("not calibrated here")
    said = words.t("corrected on {day}", day=str(calibration["calibrated"]))
    if calibration.get("due"):
        said += ", " + words.t("due {day}", day=str(calibration["due"]))
    return said
