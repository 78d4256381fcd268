"""One rule for the verdict: the same record gets the same verdict from every face that speaks one."""

from __future__ import annotations

import contextlib
import io
import itertools
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.small_records import PROFILE_TEXT
from verifyrig.analysis import metrics_of
from verifyrig.analysis.results import Metric
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands.cli import run as command
from verifyrig.commands.run import answer_of
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Purpose, Stage, StageKind, WorkName
from verifyrig.core.trace import Trace
from verifyrig.jobs.runs import facts_of
from verifyrig.metrology.verdict import Verdict
from verifyrig.plan.text import parse_profile
from verifyrig.pytest_plugin import _read
from verifyrig.record import open_record
from verifyrig.report.gather import gather_records

COOLDOWN = '\n[[stage]]\nname = "cooldown"\nkind = "cooldown"\nmax_duration_s = 60\n'
TEXT = PROFILE_TEXT.replace("\n[[threshold]]", COOLDOWN + "\n[[threshold]]", 1)
PROFILE = parse_profile(TEXT, origin="test")
STAGES = {StageKind.IDLE: 20, StageKind.LOAD: 40, StageKind.COOLDOWN: 20}
CHANNELS = ("die_temp_c", "package_power_w", "load_share", "compute_errors")
ENDINGS: list[tuple[Outcome, CauseClass | None]] = [
    (outcome, None) for outcome in (Outcome.COMPLETED, Outcome.TRIPPED, Outcome.STOPPED)
]
ENDINGS += [(Outcome.INTERRUPTED, cause) for cause in CauseClass]
_STAGE_END: dict[Outcome, StageEnd] = {
    Outcome.COMPLETED: StageEnd.TIME,
    Outcome.TRIPPED: StageEnd.TRIPPED,
    Outcome.STOPPED: StageEnd.STOPPED,
    Outcome.INTERRUPTED: StageEnd.INTERRUPTED,
}


@dataclass(frozen=True)
class Case:
    """One invented run: how it ended, in which stage, how hot it got, and what it was for."""

    outcome: Outcome
    cause: CauseClass | None
    last: StageKind
    hot_c: float
    purpose: Purpose
    advised: bool = False

    @property
    def dark(self) -> bool:
        return self.cause in (CauseClass.POWER_OFF, CauseClass.HANG)


def cases() -> list[Case]:
    """Every ending in every stage, sound, between the limits' bands and too hot; what they are for goes round."""
    purposes = itertools.cycle(Purpose)
    found = [
        Case(outcome, cause, last, hot_c, next(purposes))
        for outcome, cause in ENDINGS
        for last in (STAGES if outcome != Outcome.COMPLETED else [StageKind.COOLDOWN])
        for hot_c in (50.0, 74.9, 90.0)
    ]
    dark = (Outcome.INTERRUPTED, CauseClass.POWER_OFF)
    found += [Case(*dark, last, 50.1, purpose) for last in STAGES for purpose in Purpose]
    return [
        *found,
        *(Case(*dark, last, hot_c, Purpose.BUILD, advised=True) for last in STAGES for hot_c in (50.0, 90.0)),
    ]


def write(folder: Path, number: int, case: Case) -> Path:
    """Write the record of a case through the real writer: closed, or left as its machine left it."""
    run = f"20260202-08{number // 60:02d}{number % 60:02d}-case"
    cause = None if case.cause is None else {"class": case.cause, "why": ["invented"]}
    facts: dict[str, Any] = {
        "run": run,
        "profile_name": PROFILE.name,
        "recipe": PROFILE.recipe,
        "purpose": case.purpose,
        "unit": f"unit-{number:03d}",
        "simulated": True,
        "started_utc_s": 1_770_000_000.0 + 600 * number,
        "period_s": 1.0,
        "ambient": {"value_c": 22.0, "u95_k": 0.5, "source": "typed"},
        "outcome": Outcome.RUNNING,
    }
    path = folder / f"{run}.sqlite"
    writer = open_record(path, facts=facts, profile_text=TEXT, channels=CHANNELS, live=False)
    t_s = 0
    for kind, length_s in STAGES.items():
        writer.stage_started(kind, kind, float(t_s))
        writer.event(float(t_s), EventKind.LOAD, {"share": float(kind is StageKind.LOAD)})
        is_last = kind is case.last
        until_s = t_s + (length_s // 2 if is_last and case.outcome != Outcome.COMPLETED else length_s)
        while t_s < until_s:
            on = kind is StageKind.LOAD
            values = (case.hot_c if on else 30.0, 100.0 if on else 15.0, float(on), 0.0)
            readings = {name: Reading(value=value) for name, value in zip(CHANNELS, values, strict=True)}
            writer.sample(float(t_s), facts["started_utc_s"] + t_s, readings)
            t_s += 1
        if is_last and case.dark:
            break
        writer.stage_ended(kind, float(t_s), _STAGE_END[case.outcome] if is_last else StageEnd.TIME)
        if is_last:
            break
    if case.advised:
        writer.event(float(t_s), EventKind.SWITCH_OFF_ADVISED, {"why": "invented"})
    if case.dark:
        writer.abandon(str(case.cause))
        return path
    writer.fact("outcome", case.outcome)
    writer.fact("cause", cause)
    writer.close()
    return path


@dataclass(frozen=True)
class Told:
    """The bench with a record of every case, and what the faces say that look at all of them at once, by run."""

    bench: Bench
    records: Mapping[Case, Path]
    qa: Mapping[str, str]
    left_out: frozenset[str]
    listed: Mapping[str, str]


@pytest.fixture(scope="module", autouse=True)
def _figures_once() -> Iterator[None]:
    """Compute the figures of a record once: what is tested is what each face makes of them."""
    known: dict[tuple[object, ...], dict[str, Metric]] = {}

    def once(trace: Trace) -> dict[str, Metric]:
        key = (trace.run_id, len(trace.t_s), trace.stages, tuple(trace.columns), len(trace.events))
        if key not in known:
            known[key] = metrics_of(trace)
        return dict(known[key])

    with pytest.MonkeyPatch.context() as patch:
        for place in ("verifyrig.runs.summary", "verifyrig.analysis.comparable", "verifyrig.analysis"):
            patch.setattr(f"{place}.metrics_of", once)
        yield


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    root = tmp_path_factory.mktemp("bench")
    (root / "profiles").mkdir()
    (root / "profiles" / "tiny-build.toml").write_text(TEXT, "utf-8")
    (root / "bench.toml").write_text('[shop]\nname = "Invented shop"\n', "utf-8")
    folder = root / "runs"
    records = {case: write(folder, number, case) for number, case in enumerate(cases())}
    qa = answer(root, "qa", "--profile", "tiny-build", "--cores", "1")
    return Told(
        bench=find_bench(str(root)),
        records=records,
        qa={attempt["run"]: attempt["verdict"] for attempt in qa["attempts"]},
        left_out=frozenset(item["run"] for item in qa["left_out"]),
        listed={row["run"]: row["verdict"] for row in answer(root, "runs")["runs"]},
    )


def answer(root: Path, *words: str) -> dict[str, Any]:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        command([*words, "--json", "--bench", str(root)])
    return dict(json.loads(out.getvalue()))


def verdicts(told: Told, path: Path) -> dict[str, str]:
    """Return the verdict on one record by face; that of QA only where the record is no left-out one."""
    done = SimpleNamespace(record=path, end=None)
    run = answer_of(done)  # type: ignore[arg-type]
    found = {
        "run": str(run.data["verdict"]),
        "metrics": str(answer(told.bench.root, "metrics", str(path))["verdict"]),
        "report": str(gather_records(told.bench, [path]).runs[0].verdict),
        "plugin": str(_read(path, run.data).verdict),
        "job": str(facts_of(path, judged=True).verdict),
        "runs": told.listed[path.stem],
    }
    return found | ({"qa": told.qa[path.stem]} if path.stem in told.qa else {})


@pytest.mark.parametrize("case", cases(), ids=str)
def test_every_face_gives_a_run_the_same_verdict(case: Case, told: Told) -> None:
    path = told.records[case]
    found = verdicts(told, path)
    assert len(set(found.values())) == 1, found
    if path.stem in told.left_out:
        # QA leaves out what people or the program ended: it is no unit that passed.
        assert case.cause not in (None, CauseClass.POWER_OFF) and found["run"] != Verdict.PASS
    else:
        assert "qa" in found


@pytest.mark.parametrize("case", [case for case in cases() if case.cause == CauseClass.POWER_OFF], ids=str)
def test_a_machine_that_lost_its_power_has_failed_unless_it_was_to_be_switched_off(case: Case, told: Told) -> None:
    verdict = verdicts(told, told.records[case])["qa"]
    if not case.advised:
        assert verdict == Verdict.FAIL
    else:
        # The record ends as the screen asked for. What was too hot before that was too hot all the same.
        assert verdict == (Verdict.FAIL if case.hot_c > 80 and case.last != StageKind.IDLE else Verdict.NOT_MEASURED)


def test_only_a_completed_run_passes(told: Told) -> None:
    passed = [case for case, path in told.records.items() if told.listed[path.stem] == Verdict.PASS]
    assert passed and {case.outcome for case in passed} == {Outcome.COMPLETED}


OUTSIDE = Profile(
    name="probes",
    title="",
    text="",
    recipe="r",
    stages=(Stage(name="load", kind=StageKind.LOAD, load=LoadPlan(work=WorkName.EXTERNAL), max_duration_s=60.0),),
    requires=("plate_temp_c",),
)


def dark_trace(profile: Profile, **facts: Any) -> Trace:
    none = np.empty(0)
    told = {"outcome": Outcome.INTERRUPTED, "cause": {"class": CauseClass.POWER_OFF}, **facts}
    return Trace(run_id="r", facts=told, profile=profile, stages=(), t_s=none, utc_s=none, columns={})


def test_the_death_of_the_computer_beside_the_machine_is_not_held_against_the_machine() -> None:
    keeper = {"boot_id": "b", "host": "h"}
    assert dark_trace(PROFILE, keeper=keeper).lost_power
    assert not dark_trace(OUTSIDE, keeper=keeper).lost_power
    # A simulated machine that went dark, and a file whose owner says so, are the machine's own end.
    assert dark_trace(OUTSIDE, keeper=keeper, went_dark="power-off").lost_power
    assert dark_trace(OUTSIDE).lost_power
