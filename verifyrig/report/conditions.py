"""Under which conditions was measured, and with what: room, machine, states, instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from verifyrig.analysis.ambient import ambient_of_run
from verifyrig.core.ambient import TYPED
from verifyrig.core.channels import base_name, number_of
from verifyrig.report.done import plain
from verifyrig.report.inputs import ReportInput, RunInput
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
    "ticket": "ticket",
    "contact": "contact",
    "phone": "telephone",
    "email": "e-mail",
    "address": "address",
}
_LEFT_OUT = ("boot_id",)


def _recipe(run: RunInput) -> str:
    return run.trace.profile.recipe if run.trace.profile is not None else "–"


class ConditionRow(NamedTuple):
    """One condition in each of the runs shown."""

    name: str
    cells: list[str]


def condition_rows(report: ReportInput, words: Words) -> list[ConditionRow]:
    """Return the conditions of both runs, line by line; what is unknown says so."""
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    rows = [
        ConditionRow(words.t("day and time"), [words.moment(run.started_utc_s) for run in runs]),
        ConditionRow(words.t("room of the shop"), [_ambient(run, words) for run in runs]),
        ConditionRow(words.t("plan"), [_plan(run, words) for run in runs]),
        ConditionRow(words.t("recipe"), [_recipe(run)[:16] for run in runs]),
        ConditionRow(words.t("sampling"), [_sampling(run, words) for run in runs]),
    ]
    states = [run.trace.recorded.states for run in runs]
    for key in dict.fromkeys(key for state in states for key in state):
        rows.append(
            ConditionRow(
                words.known(str(key)), [plain(state.get(key, words.t("not noted")), words) for state in states]
            )
        )
    machines = [run.trace.recorded.machine for run in runs]
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
    if key == "power_limits_w" and isinstance(value, Mapping):
        value = {words.known(str(name).replace("_", " ")): limit for name, limit in value.items()}
    return plain(value, words)


def _ambient(run: RunInput, words: Words) -> str:
    ambient = ambient_of_run(run.trace)
    if ambient is None:
        return words.t("not measured")
    source = words.t("typed in by the operator") if ambient.source == TYPED else channel_label(ambient.source, words)
    return f"{words.temperature(ambient.value_c, ambient.u95_k)} ({source})"


def _plan(run: RunInput, words: Words) -> str:
    profile = run.trace.profile
    return words.t("no profile") if profile is None else f"{words.translated(profile.title)} ({profile.name})"


def _sampling(run: RunInput, words: Words) -> str:
    n, t_s = len(run.trace.t_s), run.trace.t_s
    if n < 2:
        return words.n("{count} sample", "{count} samples", n)
    period_s = float(t_s[-1] - t_s[0]) / (n - 1)
    return words.n("{count} sample, one every {period}", "{count} samples, one every {period}", n,
                   period=f"{words.number(period_s, 0 if period_s == round(period_s) else 2)}\u202fs")  # fmt: skip


class InstrumentRow(NamedTuple):
    """One channel, or some of a kind read alike: what read it, and what is known of its calibration."""

    label: str
    source: str
    calibration: str
    uncertainty: str


def instrument_rows(report: ReportInput, words: Words, *, archive: bool) -> list[InstrumentRow]:
    """Return the channels of the runs shown with instrument and calibration state.

    The archive names each channel with its stable device; else those of a kind that are read alike stand together.
    """
    found: dict[str, Mapping[str, Any]] = {}
    shown = [run for run in (report.before_run, report.after_run) if run is not None]
    measured = [words.local(run.started_utc_s).date() for run in shown if run.started_utc_s is not None]
    for run in shown:
        found |= run.trace.recorded.channels
    known = {str(one.get("channel")): one for one in report.instruments if one.get("channel")}
    if archive:
        return [
            _instrument_row([name], info, _calibration(known.get(name, {}), measured, words), device=True, words=words)
            for name, info in found.items()
        ]
    kinds: dict[tuple[str, ...], list[str]] = {}
    for name, info in found.items():
        alike = (base_name(name), str(info.get("driver")), str(info.get("expanded_uncertainty")), str(known.get(name)))
        kinds.setdefault(alike, []).append(name)
    return [
        _instrument_row(names, found[names[0]], _calibration(known.get(names[0], {}), measured, words), words)
        for names in kinds.values()
    ]


def _instrument_row(
    names: list[str], info: Mapping[str, Any], calibration: str, words: Words, *, device: bool = False
) -> InstrumentRow:
    u95 = info.get("expanded_uncertainty")
    unit = str(info.get("unit") or "")
    parts = (info.get("driver"), info.get("label") if len(names) == 1 else None, info.get("device") if device else None)
    stated = f"±\u202f{words.quantity(u95, 'K' if unit == '°C' else unit)}" if isinstance(u95, (int, float)) else None
    return InstrumentRow(
        _label(names, words),
        " · ".join(str(part) for part in parts if part),
        calibration,
        stated or words.t("not stated by the driver"),
    )


def _label(names: list[str], words: Words) -> str:
    if len(names) == 1:
        return channel_label(names[0], words)
    numbers = sorted(number_of(name) for name in names)
    return f"{channel_label(base_name(names[0]), words)} {numbers[0]}–{numbers[-1]}"


def _calibration(calibration: Mapping[str, Any], measured: Sequence[date], words: Words) -> str:
    """Return the calibration's days, and where it was overdue, or made only afterwards, when the runs were made."""
    if not calibration.get("calibrated"):
        return words.t("not calibrated here")
    said = words.t("corrected on {day}", day=words.day(str(calibration["calibrated"])))
    days = {key: _day(calibration.get(key)) for key in ("calibrated", "due")}
    if measured and days["calibrated"] is not None and days["calibrated"] > max(measured):
        said += " (" + words.t("after these runs") + ")"
    if calibration.get("due"):
        said += ", " + words.t("due {day}", day=words.day(str(calibration["due"])))
        if measured and days["due"] is not None and days["due"] < max(measured):
            said += ": " + words.t("overdue when it was measured")
    return said


def _day(iso: Any) -> date | None:
    try:
        return date.fromisoformat(str(iso)[:10])
    except ValueError:
        return None


def attestation_lines(report: ReportInput, words: Words) -> list[str]:
    """Return who answered for the physical world before a load, by run; also where nobody did."""
    return [_attestation_line(run, words) for run in report.runs if not run.simulated]


def _attestation_line(run: RunInput, words: Words) -> str:
    fact = run.trace.recorded.attestation
    if fact is None:
        return words.t("{run}: nobody was asked about leaks, packs, smells, or who is present.", run=run.run_id)
    answers = fact.get("answers")
    said = [f"{key} {plain(answer, words)}" for key, answer in answers.items()] if isinstance(answers, Mapping) else []
    return words.t(
        "{run}: answered by {by} ({answers}); present: {present}, until {until}.",
        run=run.run_id,
        by=str(fact.get("by") or "–"),
        answers=", ".join(said) or "–",
        present=str(fact.get("present") or "–"),
        until=str(fact.get("until") or "–"),
    )
