"""What the first page and the terminal say in large agrees with the tables behind and with the record."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests import report_inputs as ri
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind, TripLimit
from verifyrig.core.trace import Event, StageSpan
from verifyrig.report.headline import headlines
from verifyrig.report.inputs import ReportInput, RunInput
from verifyrig.report.plot import ALONE
from verifyrig.report.render import render
from verifyrig.report.sentences import finding_of
from verifyrig.report.thermal_path import path_of_run
from verifyrig.report.wording import Words
from verifyrig.runs.last_moments import last_moments
from verifyrig.terminal.words import margin_sentence


def said(report: ReportInput) -> str:
    return finding_of(report, Words()).text.replace("\u202f", " ")


def alone(run: RunInput) -> ReportInput:
    return ri.report(run, None)


def unsettled_run() -> RunInput:
    """A run whose table says that nothing settled: extrapolated to 36.6 °C, while the die was read up to 66 °C."""
    run = ri.healthy_run()
    names = ("load.die_temp_c.settled", "load.die_temp_c.rise", "load.thermal_resistance")
    changed = {
        name: replace(found, settled=False, value=36.6 if name.endswith(".settled") else found.value)
        for name, found in run.metrics.items()
        if name in names
    }
    return replace(run, metrics={**run.metrics, **changed})


def test_what_did_not_settle_is_not_said_to_settle() -> None:
    text = said(alone(unsettled_run()))
    assert "settles at" not in text and "36.6" not in text
    assert "the processor reached 66.0 °C and had not settled, 29 K below its trip limit" in text
    assert "settles at 66.0" in said(alone(ri.healthy_run()))


def test_no_large_number_is_one_that_did_not_settle() -> None:
    shown = headlines(alone(unsettled_run()), Words())
    assert shown and all("36.6" not in (one.before or "") for one in shown)
    loaded = [one.label for one in shown if one.stage == "load"]
    assert loaded and not any("settled" in label or "processor to room" in label for label in loaded)


def test_the_path_of_the_heat_shows_where_the_stage_left_it() -> None:
    stations = {one.channel: one.temp_c for one in path_of_run(unsettled_run(), "load", ALONE).stations}
    assert stations["die_temp_c"] is not None and abs(stations["die_temp_c"] - 66.0) < 0.1


def dark_in_a_second_load() -> RunInput:
    """Three minutes of load, ten seconds of rest, and dark 1 s into the next load."""
    run = ri.dark_run()
    t_s = np.arange(0.0, 492.0)
    on = ((t_s >= 300) & (t_s < 480)) | (t_s >= 490)
    columns: dict[str, Any] = {
        "die_temp_c": np.where(on, 60.0, 40.0) - np.where(t_s >= 490, 15.0, 0.0),
        "package_power_w": np.where(on, 100.0, 15.0),
        "load_share": on.astype(float),
    }
    edges = ((300.0, 1.0), (480.0, 0.0), (490.0, 1.0))
    trace = replace(
        run.trace,
        t_s=t_s,
        utc_s=ri.DAY_UTC + t_s,
        columns=columns,
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=300.0, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=300.0, end_s=None, ended=None),
        ),
        events=tuple(Event(t_s=at, kind="load", detail={"share": share}) for at, share in edges),
    )
    return replace(run, trace=trace)


def test_how_long_the_last_load_lasted_is_what_the_record_says() -> None:
    run = dark_in_a_second_load()
    assert last_moments(run.trace).load_s == 1.0
    # The highest reading of the run was another one, three minutes into the load before.
    assert "it went dark 1 s into the load, last seen at 45.0 °C" in said(alone(run))


def test_darkness_after_the_load_is_told_from_the_load_s_end() -> None:
    run = dark_in_a_second_load()
    off = replace(run.trace.events[-1], detail={"share": 0.0})
    share = np.where(run.trace.t_s >= 480, 0.0, run.trace.columns["load_share"])
    columns = {**run.trace.columns, "load_share": share, "die_temp_c": np.full_like(share, 40.0)}
    run = replace(run, trace=replace(run.trace, events=(*run.trace.events[:-1], off), columns=columns))
    assert "it went dark 11 s after the load, last seen at 40.0 °C" in said(alone(run))


def test_the_nearest_trip_limit_is_named_where_it_is_not_the_die_s() -> None:
    run = ri.healthy_run()
    vrm_c = np.full_like(run.trace.t_s, 90.0)
    near = replace(run, trace=replace(run.trace, columns={**run.trace.columns, "vrm_temp_c": vrm_c}))
    # The die has 95 - 66 = 29 K left, the regulator 110 - 90 = 20 K.
    assert "29 K below its trip limit; nearest to its trip limit: voltage converters, 20 K left" in said(alone(near))
    assert "nearest to its trip limit" not in said(alone(run))
    assert margin_sentence(20.0, "vrm_temp_c") == "20 K left to the trip limit (vrm)"


def test_a_limit_on_a_role_holds_for_each_numbered_one() -> None:
    run = ri.healthy_run()
    hotter = run.trace.columns["die_temp_c"] + 12.0
    columns = {**run.trace.columns, "die_2_temp_c": hotter}
    assert run.trace.profile is not None
    limits = (TripLimit(channel="die_temp_c", maximum=95.0),)
    trace = replace(run.trace, columns=columns, profile=replace(run.trace.profile, trip_limits=limits))
    assert "nearest to its trip limit: processor 2, 17 K left" in said(alone(replace(run, trace=trace)))


@pytest.mark.parametrize(("language", "words"), [("en", "room of the shop"), ("de", "Raum der Werkstatt")])
def test_the_room_is_said_to_be_the_shops(language: str, words: str) -> None:
    report = ri.fixed_report()
    report = replace(report, settings=replace(report.settings, language=language))
    assert f'<th scope="row"><bdi>{words}</bdi></th>' in render(report, "customer", now_utc=ri.DAY_UTC)
