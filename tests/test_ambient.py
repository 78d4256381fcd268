"""One precedence for the room: a probe in it, else the air at the cooler's inlet, else what a person typed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import report_inputs as ri
from verifyrig.analysis.ambient import ambient_of, ambient_of_run
from verifyrig.commands import cli
from verifyrig.core.ambient import ambient_channel, typed_ambient
from verifyrig.core.trace import Trace
from verifyrig.record import read_trace
from verifyrig.report.conditions import condition_rows
from verifyrig.report.inputs import RunInput
from verifyrig.report.limits import gate_maximum_c
from verifyrig.report.wording import Words

AMBIENT_C, INLET_C, TYPED_C = 20.0, 27.0, 23.0
NAN = float("nan")


def run_in(ambient_c: float | None, inlet_c: float | None, *, typed: bool = True) -> RunInput:
    """A run whose gate closed, with the given probes about the room (None: no such probe, NaN: it never answered)."""
    run = ri.gated_run()
    columns = {name: values for name, values in run.trace.columns.items() if name != "ambient_temp_c"}
    for name, value_c in (("ambient_temp_c", ambient_c), ("inlet_temp_c", inlet_c)):
        if value_c is not None:
            columns[name] = np.full(len(run.trace.t_s), value_c)
    ambient = {"value_c": TYPED_C, "u95_k": 0.5, "source": "typed"} if typed else None
    return replace(run, trace=replace(run.trace, columns=columns, facts={**run.trace.facts, "ambient": ambient}))


CASES: Sequence[tuple[float | None, float | None, bool, float | None, str]] = (
    (AMBIENT_C, INLET_C, True, AMBIENT_C, "ambient_temp_c"),
    (None, INLET_C, True, INLET_C, "inlet_temp_c"),
    (NAN, INLET_C, True, INLET_C, "inlet_temp_c"),
    (None, None, True, TYPED_C, "typed"),
    (NAN, NAN, True, TYPED_C, "typed"),
    (NAN, None, False, None, ""),
)


def found_in(trace: Trace) -> set[tuple[float, str] | None]:
    ambients = (
        ambient_of_run(trace),
        *(ambient_of(trace, stage) for stage in trace.stages if stage.end_s != stage.start_s),
    )
    return {None if ambient is None else (ambient.value_c, ambient.source) for ambient in ambients}


@pytest.mark.parametrize(("ambient_c", "inlet_c", "typed", "expected_c", "source"), CASES)
def test_a_probe_comes_before_the_inlet_and_the_inlet_before_what_was_typed(
    ambient_c: float | None, inlet_c: float | None, typed: bool, expected_c: float | None, source: str
) -> None:
    run = run_in(ambient_c, inlet_c, typed=typed)
    assert found_in(run.trace) == {None if expected_c is None else (expected_c, source)}
    # The gate of this plan: 50 °C, or 25 K above the room, whichever is lower.
    gate_c = 50.0 if expected_c is None else min(50.0, expected_c + 25.0)
    assert gate_maximum_c(run, "die_temp_c") == gate_c


def test_the_report_names_the_probe_that_told_of_the_room_and_not_what_was_typed() -> None:
    report = ri.report(run_in(AMBIENT_C, None), ri.healthy_run())
    before = next(row for row in condition_rows(report, Words()) if row.name == "room of the shop").cells[0]
    assert before.startswith("20") and "typed" not in before


def test_an_imported_log_names_the_probe_in_the_room_before_the_one_at_the_inlet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t,die,in,room\n0,40,25,20\n1,41,25,20\n2,42,25,20\n", encoding="utf-8")
    channels = ("die_temp_c=die", "inlet_temp_c=in", "ambient_temp_c=room")
    words = ["--time", "t", *(word for channel in channels for word in ("--channel", channel)), "--stage", "load=0:3"]
    assert cli.run(["import", str(log), *words, "--bench", str(tmp_path / "bench"), "--json"]) == 0
    trace = read_trace(Path(json.loads(capsys.readouterr().out)["record"]))
    assert trace.facts["ambient"] == {"value_c": None, "u95_k": None, "source": "ambient_temp_c"}


def test_nothing_stands_for_the_room_where_nothing_is_known() -> None:
    assert ambient_channel(lambda name: False) is None
    assert typed_ambient({}) is None
    assert typed_ambient({"ambient": {"value_c": None, "u95_k": 0.2, "source": "inlet_temp_c"}}) is None
    assert typed_ambient({"ambient": {"value_c": 22, "u95_k": None, "source": "typed"}}) == (22.0, None)
