"""No more certainty than the evidence bears: of a warm shop, of a room probe that is off, of a few wrong results."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mock_hw.physics.parameters import draw
from tests.benchmarks._diagnosis_machines import WITH_PROBES, run_machine
from tests.diagnosis_traces import Made, made_run
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason
from verifyrig.core.trace import Trace
from verifyrig.diagnosis import Diagnosis, diagnose
from verifyrig.diagnosis.explain import customer_reason
from verifyrig.diagnosis.judging import see
from verifyrig.diagnosis.signs import WorkErrors


def shares(trace: Trace) -> dict[str, float]:
    return {suspect.cause: suspect.probability for suspect in diagnose([trace]).suspects}


def with_offset(trace: Trace, channel: str, offset_k: float) -> Trace:
    return replace(trace, columns={**trace.columns, channel: trace.columns[channel] + offset_k})


# ---- the room is the shop's


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_warm_shop_does_not_prove_a_sound_machine(seed: int) -> None:
    found = shares(run_machine(draw("warm-room", seed), seed, load_s=900))
    assert max(found, key=lambda cause: found[cause]) == "warm-room"
    # That nothing is wrong, and the shop was warm by itself that day, is never out of the question.
    assert found["warm-room"] < 0.995


def test_what_is_said_of_a_warm_room_is_said_of_the_shop_s() -> None:
    said = diagnose([made_run(Made(ambient_c=37.0))])
    assert said.suspects[0].cause == "warm-room"
    text = str(said.for_customer)
    assert "shop's room" in text and "where the machine is used was not measured" in text and "sound" not in text
    reasons = [str(reason) for suspect in said.suspects for reason in suspect.reasons_for]
    assert any(reason.startswith("the shop's room: 37") for reason in reasons)
    bare = made_run(Made())
    columns = {name: values for name, values in bare.columns.items() if name != "ambient_temp_c"}
    assert "the shop's room" in map(str, diagnose([replace(bare, columns=columns)]).not_measured)


# ---- a sensor that is off


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("offset_k", [-8.0, 8.0])
def test_a_room_probe_that_is_off_is_a_sensor_and_no_airflow(seed: int, offset_k: float) -> None:
    trace = run_machine(draw("healthy-liquid", seed), seed, channels=WITH_PROBES, load_s=900)
    found = shares(with_offset(trace, "ambient_temp_c", offset_k))
    assert max(found, key=lambda cause: found[cause]) == "sensor"
    assert found.get("airflow", 0.0) < 0.2


@pytest.mark.parametrize("offset_k", [-2.0, 2.0])
def test_a_room_probe_that_is_off_by_little_is_no_clear_fault(offset_k: float) -> None:
    found = diagnose([with_offset(made_run(Made()), "ambient_temp_c", offset_k)])
    assert found.suspects[0].cause == "none" or not found.is_clear


# ---- wrong results


def test_five_wrong_results_are_no_proof_of_the_memory() -> None:
    found = shares(made_run(Made(errors_per_s=5 / 900, error_cores=(0, 1, 2, 3, 4))))
    assert max(found, key=lambda cause: found[cause]) == "memory"
    assert found["memory"] < 0.99 and found["supply"] > 0.005


def test_wrong_results_of_one_core_may_be_its_voltage() -> None:
    found = shares(made_run(Made(errors_per_s=5 / 900, error_cores=(2, 2, 2, 2, 2))))
    assert max(found, key=lambda cause: found[cause]) == "processor"
    assert found["processor"] < 0.98 and found["supply"] > 0.01


def imported(count: float) -> Trace:
    """A record of another program: its stages are named, and neither share nor busy time is in it."""
    trace = made_run(Made())
    left_out = ("busy_share", "load_share", "compute_errors")
    columns = {name: values for name, values in trace.columns.items() if name not in left_out}
    late = trace.t_s > trace.stages[-2].start_s + 100
    return replace(trace, columns={**columns, "compute_errors": np.where(late, count, 0.0)}, events=())


def test_wrong_results_of_an_imported_record_weigh() -> None:
    found, without = shares(imported(3.0)), shares(imported(0.0))
    assert found["memory"] + found["processor"] > 0.6 and found["none"] < 0.1 < without["none"]
    errors = see(imported(3.0)).errors
    assert errors is not None and errors.count == 3
    loads = [stage for stage in imported(3.0).stages if stage.kind == "load"]
    assert errors.work_s == pytest.approx(sum((s.end_s or 0.0) - s.start_s for s in loads), abs=2 * len(loads))


def test_wrong_results_weigh_where_nothing_tells_of_a_load_at_all() -> None:
    trace = imported(3.0)
    idle = replace(trace, stages=tuple(replace(stage, kind=StageKind.IDLE) for stage in trace.stages))
    assert see(idle).errors == WorkErrors(count=3, work_s=float(trace.t_s[-1] - trace.t_s[0]), cores=(), n_cores=6)


# ---- what is said is as sure as the evidence


def test_no_cause_is_ever_certain() -> None:
    contact, choked = Made(contact=0.45, contact_s=4.0), Made(fan_rpm=0.0, air=0.7)
    for machine in (contact, Made(flow=2.5), Made(idle_offset_k=-12.0), choked):
        assert max(shares(made_run(machine)).values()) < 0.999


def test_the_customers_sentence_hedges_as_the_evidence_does() -> None:
    def codes(cause: str, probability: float) -> list[str]:
        said = customer_reason(cause, probability)
        inner = said.values.get("what", ())
        assert isinstance(inner, tuple)
        return [said.code, *(one.code for one in inner if isinstance(one, Reason))]

    assert codes("memory", 0.97) == ["customer-clearly", "customer-memory"]
    assert codes("memory", 0.85) == ["customer-probably", "customer-memory"]
    for cause in ("none", "warm-room", "unknown"):
        assert codes(cause, 0.99) == [f"customer-{cause}"]


def test_the_sentence_follows_from_the_leading_suspect() -> None:
    def said(found: Diagnosis, probability: float) -> str:
        lead, *others = found.suspects
        return str(replace(found, suspects=(replace(lead, probability=probability), *others)).for_customer)

    found = diagnose([made_run(Made(contact=0.45, contact_s=4.0))])
    assert found.suspects[0].cause == "contact"
    assert said(found, 0.99).startswith("What was measured speaks clearly for this: The heat does not get")
    assert said(found, 0.85).startswith("Probably, but not certainly: The heat does not get")
    assert said(found, 0.60) == "What was measured so far does not show what is wrong."
