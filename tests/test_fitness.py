"""Fit for use is said once: headline and status by the evidence, the same on screen, report, slip and index."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import find_bench
from verifyrig.commands import cli
from verifyrig.core.exposure import PARTS_OF_WORK, Exposure, LoadedPart, TimeSpent
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import pattern_duration_s
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import Event, StageSpan, Trace
from verifyrig.jobs.actions import record_change, tick_steps
from verifyrig.jobs.complaint import PARTS_OF_DOING, complaint_of
from verifyrig.jobs.exposure_of_run import exposure_of
from verifyrig.jobs.fitness import fitness_of
from verifyrig.jobs.fitness_model import WAY_TO_LOAD, Code, FaultHeadline, Fitness, Status, because, code_of
from verifyrig.jobs.fitness_text import kept, reason_of_kept
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry, Machine, RunFacts
from verifyrig.jobs.store import new_job, read_job
from verifyrig.jobs.vocabulary import QUESTIONS, protective_steps
from verifyrig.plan.stages import WORKS
from verifyrig.runs.index_file import INDEX_NAME

MORNING = datetime(2026, 2, 2, 8, 0, tzinfo=UTC)
GRAPHICS, PROCESSOR = LoadedPart.GRAPHICS, LoadedPart.PROCESSOR


def at(minutes: float) -> datetime:
    return MORNING + timedelta(minutes=minutes)


def entry(minutes: float, kind: EntryKind, what: str, by: str = "", **detail: Any) -> JobEntry:
    return JobEntry(entry_id=f"{kind}-{minutes:g}-{what}", time=at(minutes), kind=kind, what=what, by=by, detail=detail)


def job(*entries: JobEntry, complaint: str = "It is hot.", closed: str | None = "airflow", **answers: str) -> Job:
    """A repaired job with its steps ticked, closed at minute 100 unless `closed` is None."""
    steps = [entry(90, EntryKind.STEP, step, value="yes") for step in protective_steps("desktop-air")]
    own = entries or (entry(20, EntryKind.CHANGE, "cleaned"),)
    closing = [] if closed is None else [entry(100, EntryKind.CLOSE, closed)]
    given = {key.replace("_", "-"): value for key, value in answers.items()}
    return Job(
        job_id="a",
        opened=MORNING,
        intake=Intake(complaint=complaint, machine=Machine(kind="desktop-air"), answers=given),
        entries=tuple(sorted([*own, *steps, *closing], key=lambda one: one.time)),
    )


def loaded(seconds: float, *parts: LoadedPart, idle_s: float = 300.0, stretch_s: float | None = None) -> Exposure:
    spent = TimeSpent(seconds, seconds if stretch_s is None else stretch_s)
    idle = TimeSpent(idle_s, idle_s)
    recorded = TimeSpent(seconds + idle_s, seconds + idle_s)
    return Exposure(loaded=spent, idle=idle, recorded=recorded, by_part=dict.fromkeys(parts or (PROCESSOR,), spent))


def run(minutes: float, purpose: str = "verification", outcome: str = "completed", **facts: Any) -> RunFacts:
    base: dict[str, Any] = {"cause": None, "profile": "desktop-air", "recipe": "r", "exposure": loaded(900.0)}
    base["verdict"] = "pass" if outcome == "completed" else "not-measured"
    known = {"run": f"run-{minutes:g}", "purpose": purpose, "outcome": outcome, "started": at(minutes)}
    return RunFacts(**{**base, **known, **facts})


TRIPPED = run(5, "baseline", "tripped")
PASSED = run(40)


def found(one: Job | None, *runs: RunFacts, **options: Any) -> Fitness:
    return fitness_of(one, runs or (TRIPPED, PASSED), **options)


def codes(fitness: Fitness) -> list[Code]:
    return [code_of(reason) for reason in fitness.missing]


# ---- the headline follows the evidence (how long a test must be: rule of three, see `soak`)


def test_fixed_is_what_was_seen_before_and_is_gone_in_all_that_was_asked_for() -> None:
    answer = found(job())
    assert (answer.headline, answer.status, answer.missing, answer.blockers) == (
        FaultHeadline.FIXED,
        Status.FIT,
        (),
        (),
    )


@pytest.mark.parametrize(
    ("how_often", "had_s", "needed_s"),
    [
        ("10 min", 300.0, 1800.0),  # 3 x 10 min
        ("twice a week 3 h a day", 300.0, 31.5 * 3600),  # 3 / (2 / (7 x 3 h))
        ("every 2 h", 900.0, 6 * 3600.0),
    ],
)
def test_a_fault_that_came_rarely_is_not_called_fixed_before_it_would_have_shown(
    how_often: str, had_s: float, needed_s: float
) -> None:
    answer = found(job(how_often=how_often), TRIPPED, run(40, exposure=loaded(had_s)))
    assert (answer.headline, codes(answer)) == (FaultHeadline.BETTER, [Code.CLEAN_USE])
    assert answer.missing[0].values["needed_s"] == pytest.approx(needed_s)
    assert answer.missing[0].values["more_s"] == pytest.approx(needed_s - had_s)
    # It is within its limits and may leave, and whoever takes it is told.
    assert answer.status is Status.WATCH
    enough = found(job(how_often=how_often), TRIPPED, run(40, exposure=loaded(needed_s)))
    assert enough.headline is FaultHeadline.FIXED


def test_clean_use_adds_up_over_all_runs_since_the_change_and_starts_anew_after_a_failure() -> None:
    runs = [run(minutes, "check", exposure=loaded(700.0)) for minutes in (50, 60)]
    assert found(job(how_often="10 min"), TRIPPED, PASSED, *runs).headline is FaultHeadline.FIXED
    early = run(10, "check", exposure=loaded(1e5))  # before the change
    assert found(job(how_often="10 min"), TRIPPED, early, PASSED).headline is FaultHeadline.BETTER
    failed = run(30, "check", "interrupted", cause="power-off", exposure=loaded(1e5))
    long_before = run(25, "check", exposure=loaded(1e5))
    assert found(job(how_often="10 min"), TRIPPED, long_before, failed, PASSED).headline is FaultHeadline.BETTER


def test_a_fault_that_comes_after_a_while_needs_one_stretch_as_long() -> None:
    pieces = [run(40 + n, "check", exposure=loaded(900.0)) for n in range(1, 5)]
    answer = found(job(time_from_start="20 min"), TRIPPED, PASSED, *pieces)
    assert (answer.headline, codes(answer)) == (FaultHeadline.BETTER, [Code.STRETCH])
    assert answer.missing[0].values["needed_s"] == 1200.0
    assert codes(found(job(time_from_start="20 min"))) == [Code.CLEAN_USE, Code.STRETCH]
    long = run(40, exposure=loaded(3600.0))
    assert found(job(time_from_start="20 min"), TRIPPED, long).headline is FaultHeadline.FIXED


@pytest.mark.parametrize("words", ["always", "Every time.", "all the time"])
def test_a_fault_that_is_always_there_waits_for_no_soak(words: str) -> None:
    assert found(job(how_often=words)).headline is FaultHeadline.FIXED


def test_words_that_cannot_be_counted_prove_nothing_until_they_are_asked_again() -> None:
    answer = found(job(how_often="now and then"))
    assert (answer.headline, codes(answer)) == (FaultHeadline.BETTER, [Code.UNCLEAR])
    asked = entry(60, EntryKind.FINDING, "how-often", value="every 5 min")
    cleaned = entry(20, EntryKind.CHANGE, "cleaned")
    assert found(job(cleaned, asked, how_often="now and then")).headline is FaultHeadline.FIXED
    assert found(job(how_often="not-known")).headline is FaultHeadline.FIXED


@pytest.mark.parametrize(
    ("when", "headline"),
    [("under-load", FaultHeadline.BETTER), ("at-rest", FaultHeadline.FIXED), ("any-time", FaultHeadline.FIXED)],
)
def test_the_time_that_counts_is_that_in_which_the_fault_came(when: str, headline: FaultHeadline) -> None:
    rested = run(40, exposure=loaded(60.0, idle_s=3600.0))
    assert found(job(how_often="10 min", when=when), TRIPPED, rested).headline is headline


@pytest.mark.parametrize(
    ("complaint", "answers"),
    [
        ("Switches off in games.", {}),
        ("Beim Spielen geht er aus", {}),
        ("My son is playing and it goes off", {}),
        ("The graphics stutter", {}),
        ("It goes off", {"doing": "games-or-3d"}),
    ],
)
def test_a_complaint_of_games_is_not_fixed_by_a_load_of_the_processor(complaint: str, answers: dict[str, str]) -> None:
    answer = found(job(complaint=complaint, **answers))
    assert (answer.headline, codes(answer), answer.status) == (
        FaultHeadline.BETTER,
        [Code.PART_NOT_LOADED],
        Status.WATCH,
    )
    assert "the graphics card was not under load" in str(answer.missing[0])
    card = run(50, "check", exposure=loaded(900.0, GRAPHICS))
    assert found(job(complaint=complaint, **answers), TRIPPED, PASSED, card).headline is FaultHeadline.FIXED


def test_a_part_that_was_never_loaded_is_told_with_how_long_it_takes() -> None:
    answer = found(job(complaint="goes off in games", how_often="10 min"), TRIPPED, run(40, exposure=loaded(9999.0)))
    assert codes(answer) == [Code.PART_NOT_LOADED, Code.CLEAN_USE]
    assert answer.missing[1].values["more_s"] == 1800.0


def test_how_rare_it_came_is_counted_in_use_of_the_part_that_it_is_about() -> None:
    gamer = job(complaint="goes off in games", how_often="10 min")
    short = run(50, "check", exposure=loaded(600.0, GRAPHICS))
    answer = found(gamer, TRIPPED, run(40, exposure=loaded(9999.0)), short)
    assert codes(answer) == [Code.CLEAN_USE] and answer.missing[0].values["had_s"] == 600.0


@pytest.mark.parametrize("complaint", ["It is loud and hot.", "Slow in spreadsheets", "Es wird warm", "Gamepad broken"])
def test_other_complaints_ask_for_no_card(complaint: str) -> None:
    assert complaint_of(job(complaint=complaint)).parts == ()


def test_what_a_person_chose_stands_over_the_words() -> None:
    assert complaint_of(job(complaint="no games, only mail", doing="office")).parts == ()


def test_not_fixed_cause_found_no_fault_and_not_judged() -> None:
    assert found(job(), TRIPPED, run(40, outcome="tripped")).headline is FaultHeadline.NOT_FIXED
    assert found(job(), TRIPPED, run(40, verdict="fail")).headline is FaultHeadline.NOT_FIXED
    untouched = entry(7, EntryKind.FINDING, "dust", value="clogged")
    assert found(job(untouched, closed=None), TRIPPED).headline is FaultHeadline.NOT_FIXED
    assert found(job(untouched, closed="airflow"), TRIPPED).headline is FaultHeadline.CAUSE_FOUND
    assert found(job(untouched, closed="unknown"), TRIPPED).headline is FaultHeadline.NOT_FIXED
    assert found(job(untouched), run(5, "baseline")).headline is FaultHeadline.NO_FAULT_SEEN
    assert found(job(untouched), run(5, "baseline"), PASSED).headline is FaultHeadline.NO_FAULT_SEEN
    assert found(job(), TRIPPED).headline is FaultHeadline.NOT_JUDGED
    assert fitness_of(job(), ()).headline is FaultHeadline.NOT_JUDGED
    assert found(job(untouched), run(5, "baseline", verdict="not-measured")).headline is FaultHeadline.NOT_JUDGED


def test_a_part_that_was_only_tried_finds_the_cause_and_repairs_nothing() -> None:
    tried = [
        entry(20, EntryKind.CHANGE, "part-fitted-for-test", part="cooler"),
        entry(50, EntryKind.CHANGE, "part-returned", part="cooler"),
    ]
    with_part = run(40, "check")
    answer = found(job(*tried, closed=None), TRIPPED, with_part, run(60, outcome="tripped"))
    assert answer.headline is FaultHeadline.NOT_FIXED  # and its own part is back in
    assert found(job(tried[0], closed=None), TRIPPED, with_part).headline is FaultHeadline.CAUSE_FOUND


def test_runs_that_cannot_be_compared_and_a_run_without_a_change_are_no_proof() -> None:
    assert codes(found(job(), comparable=lambda *_: False)) == [Code.NOT_COMPARABLE]
    refused = run(5, "baseline", "stopped", exposure=Exposure())
    assert found(job(), refused, PASSED, comparable=lambda *_: False).headline is FaultHeadline.FIXED
    noted = entry(7, EntryKind.FINDING, "dust", value="some")
    assert codes(found(job(noted))) == [Code.NO_CHANGE]


def test_new_paste_is_not_fixed_before_its_second_run() -> None:
    pasted = job(entry(20, EntryKind.CHANGE, "paste-renewed"))
    answer = found(pasted)
    assert answer.headline is FaultHeadline.BETTER and answer.status is Status.NOT_FIT
    assert found(pasted, TRIPPED, PASSED, run(50)).headline is FaultHeadline.FIXED


# ---- what a record is good for


def test_a_run_left_by_the_death_of_its_machine_serves_as_before_and_not_as_proof() -> None:
    died = run(5, "baseline", "interrupted", cause="power-off", integrity=Integrity.UNSEALED)
    assert found(job(), died, PASSED).headline is FaultHeadline.FIXED
    answer = found(job(), died, replace(PASSED, integrity=Integrity.UNSEALED))
    assert (answer.headline, answer.status) == (FaultHeadline.NOT_JUDGED, Status.NOT_FIT)
    assert code_of(answer.blockers[0]) is Code.RECORD_UNSEALED


@pytest.mark.parametrize("integrity", [Integrity.ALTERED, Integrity.DAMAGED])
def test_a_broken_record_is_never_ready(integrity: Integrity) -> None:
    for runs in (
        (replace(TRIPPED, integrity=integrity), PASSED),
        (TRIPPED, replace(PASSED, integrity=integrity)),
        # Whoever damages the run that failed would bring back the pass before it.
        (TRIPPED, PASSED, run(50, outcome="tripped", integrity=integrity)),
        (TRIPPED, PASSED, run(50, "unknown", "unreadable", integrity=integrity)),
    ):
        answer = found(job(), *runs)
        assert answer.headline is not FaultHeadline.FIXED or answer.status is Status.NOT_FIT
        assert answer.status is Status.NOT_FIT and not answer.releasable
    newer = found(job(), TRIPPED, run(40, "unknown", "unreadable", integrity=integrity), run(60))
    assert (newer.headline, newer.status) == (FaultHeadline.FIXED, Status.FIT)


# ---- status


def test_without_a_job_or_before_its_close_nothing_is_released() -> None:
    assert found(None).status is Status.NOT_FIT and code_of(found(None).blockers[0]) is Code.NO_JOB
    opened = found(job(closed=None))
    assert (opened.headline, opened.status) == (FaultHeadline.FIXED, Status.NOT_FIT)
    assert [code_of(reason) for reason in opened.blockers] == [Code.OPEN]


def test_a_reason_given_at_the_close_covers_what_was_open_then_and_makes_no_proof() -> None:
    cleaned = entry(20, EntryKind.CHANGE, "cleaned")
    closed = entry(110, EntryKind.CLOSE, "airflow", override="as it is", covers=["fault-remains", "obstacle"])
    failed = run(40, verdict="fail")
    given_back = found(job(cleaned, closed), TRIPPED, failed)
    assert (given_back.status, given_back.releasable) == (Status.AS_IS, False)
    formal = found(job(entry(20, EntryKind.CHANGE, "paste-renewed"), closed))
    assert (formal.headline, formal.status) == (FaultHeadline.BETTER, Status.WATCH)
    later = found(job(cleaned, closed), TRIPPED, replace(PASSED, integrity=Integrity.ALTERED))
    assert later.status is Status.NOT_FIT


@pytest.mark.parametrize("override", ["", "it must go"])
def test_a_danger_stands_over_everything(override: str) -> None:
    swollen = entry(30, EntryKind.FINDING, "pack", value="swollen")
    closed = entry(110, EntryKind.CLOSE, "airflow", override=override)
    answer = found(job(entry(20, EntryKind.CHANGE, "cleaned"), swollen, closed))
    assert answer.status is Status.UNSAFE and not answer.releasable
    assert code_of(answer.blockers[0]) is Code.DANGER


# ---- what a run put the machine through


def load_trace(events: tuple[Event, ...] = (), **columns: Any) -> Trace:
    """A minute of rest, ten minutes of load with one second's gap at 300 s, and half a minute of rest."""
    t_s = np.arange(0.0, 691.0)
    share = ((t_s >= 60) & (t_s < 660) & (t_s != 300)).astype(float)
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=60.0, ended=StageEnd.TIME),
        StageSpan(name="load", kind=StageKind.LOAD, start_s=60.0, end_s=660.0, ended=StageEnd.TIME),
        StageSpan(name="rest", kind=StageKind.COOLDOWN, start_s=660.0, end_s=690.0, ended=StageEnd.TIME),
    )
    return Trace(
        run_id="r", facts={}, profile=None, stages=stages, t_s=t_s, utc_s=t_s, events=events,
        columns={"load_share": share, **columns},
    )  # fmt: skip


def test_the_exposure_of_a_run_is_its_load_its_idle_time_and_what_was_busy() -> None:
    plain = exposure_of(load_trace())
    # 60 to 300 s and 301 to 660 s.
    assert (plain.loaded, plain.idle.total_s, plain.recorded.total_s) == (TimeSpent(599.0, 359.0), 60.0, 690.0)
    assert set(plain.by_part) == {PROCESSOR}
    busy = exposure_of(load_trace(gpu_busy_share=np.full(691, 0.9)))
    assert set(busy.by_part) == {PROCESSOR, GRAPHICS}


def test_a_dip_of_the_load_parts_no_stretch() -> None:
    dip = Event(t_s=299.5, kind="dip", detail={"until_s": 300.5, "left_out_until_s": 310.5})
    assert exposure_of(load_trace((dip,))).loaded == TimeSpent(599.0, 600.0)
    # One that the load does not come back from is its end.
    last = Event(t_s=659.5, kind="dip", detail={"until_s": 660.5, "left_out_until_s": 670.5})
    assert exposure_of(load_trace((last,))).loaded == TimeSpent(599.0, 359.0)


# ---- tables


def test_every_work_says_what_it_loads_and_every_choice_what_works() -> None:
    assert {*PARTS_OF_WORK, "external"} == set(WORKS)
    doing = next(question for question in QUESTIONS if question.key == "doing")
    assert {*PARTS_OF_DOING, "else", "not-known"} == set(doing.choices)


def test_the_plan_that_is_named_loads_the_part_and_takes_at_most_so_long(tmp_path: Path) -> None:
    for part, (name, seconds) in WAY_TO_LOAD.items():
        profile = find_profile(name, find_bench(str(tmp_path)))
        stages = profile.stages
        assert any(part in PARTS_OF_WORK[stage.load.work] for stage in stages if stage.load is not None)
        longest = [stage.max_duration_s or pattern_duration_s(stage.load) for stage in stages if stage.load is not None]
        longest += [stage.max_duration_s or 0.0 for stage in stages if stage.load is None]
        assert seconds == sum(longest)


# ---- the same answer everywhere

COLDER = ("UPDATE sample SET die_temp_c = die_temp_c - 8", "PRAGMA application_id = 1")
NO_MARKS = ("UPDATE seal SET marks = 'x'",)
RECORDS_S = 1_770_000_000.0  # when record 0 of `small_records` begins


def moment(minutes: float) -> datetime:
    return datetime.fromtimestamp(RECORDS_S, UTC) + timedelta(minutes=minutes)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A bench with one job: too hot, cleaned, measured again with the same recipe, steps ticked; not closed."""
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    own = find_bench(str(tmp_path))
    intake = Intake(complaint="It is hot.", machine=Machine(kind="desktop-air"))
    one = new_job(own, intake, job_id="a", now=moment(-1))
    folder = own.runs_dir("a")
    write_record(folder, 0, k_per_w=0.60, facts={"purpose": "baseline", "job": "a"})
    record_change(own, one, "cleaned", {}, now=moment(8))
    write_record(folder, 1, k_per_w=0.35, facts={"purpose": "verification", "job": "a"})
    tick_steps(own, read_job(own, "a"), list(protective_steps("desktop-air")), now=moment(20))
    return tmp_path


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--json", "--bench", str(bench)])
    return code, json.loads(capsys.readouterr().out)


def everywhere(bench: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, dict[str, str]]:
    """What every face says of the job: the one status, and the texts of the pages."""
    code, report = ask(bench, capsys, "report", "a")
    assert code == 0
    _, screen = ask(bench, capsys, "job", "show", "a")
    pages = {name: Path(path).read_text(encoding="utf-8") for name, path in zip(
        ("customer", "archive", "slip"), report["files"], strict=True)}  # fmt: skip
    pages["index"] = (bench / "reports" / "index.html").read_text(encoding="utf-8")
    releasable = screen["fitness"]["releasable"]
    assert report["fitness"] == screen["fitness"] and report["ready"] == screen["fitness"]["status"]
    assert report["hand_over"] is screen["hand_over"]["yes"] is releasable
    for name in ("customer", "archive", "slip"):
        assert ("DRAFT" in pages[name]) is not releasable, name
        assert ("released by" in pages[name]) is releasable, name
        # Nobody signs a draft: the code that ties a signed page to its records is not on it.
        assert ('<svg class="code"' in pages[name]) is (report["ready"] != "not-ready"), name
    for name in ("slip", "index"):
        assert re.search(rf"<strong>{'yes' if releasable else 'no'}</strong>", pages[name]), name
    return report["ready"], pages


def alter(bench: Path, which: int, *statements: str) -> None:
    record = sorted((bench / "jobs" / "a" / "runs").glob("*.sqlite"))[which]
    connection = sqlite3.connect(record, isolation_level=None)
    for statement in statements:
        connection.execute(statement)
    connection.close()


def test_a_job_that_is_not_closed_is_a_draft_and_a_closed_one_is_released(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, pages = everywhere(bench, capsys)
    assert status == "not-ready" and "Fixed" in pages["customer"]
    code, closed = ask(bench, capsys, "job", "close", "--cause", "airflow")
    assert code == 0 and closed["fitness"]["headline"] == "fixed"
    status, _ = everywhere(bench, capsys)
    assert status == "ready"
    assert ask(bench, capsys, "job", "handover", "--to", "A. Customer")[0] == 0


@pytest.mark.parametrize("attack", [COLDER, NO_MARKS], ids=["mark-of-the-file", "marks-of-the-seal"])
@pytest.mark.parametrize("which", [0, 1], ids=["before", "after"])
def test_damage_is_never_ready(
    bench: Path, capsys: pytest.CaptureFixture[str], attack: tuple[str, ...], which: int
) -> None:
    alter(bench, which, *attack)
    status, pages = everywhere(bench, capsys)
    assert status == "not-ready" and "altered" in pages["slip"]
    code, refused = ask(bench, capsys, "job", "close", "--cause", "airflow")
    assert code == 4 and "altered" in refused["error"]["what"]


@pytest.mark.parametrize("attack", [COLDER, NO_MARKS], ids=["mark-of-the-file", "marks-of-the-seal"])
def test_damage_after_the_close_holds_the_machine_back(
    bench: Path, capsys: pytest.CaptureFixture[str], attack: tuple[str, ...]
) -> None:
    assert ask(bench, capsys, "job", "close", "--cause", "airflow")[0] == 0
    assert everywhere(bench, capsys)[0] == "ready"
    alter(bench, 1, *attack)
    assert ask(bench, capsys, "job", "handover", "--to", "A. Customer")[0] == 4
    assert everywhere(bench, capsys)[0] == "not-ready"


def test_a_verdict_written_into_the_kept_list_of_runs_closes_no_job(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_record(bench / "jobs" / "a" / "runs", 3, k_per_w=0.60, facts={"purpose": "verification", "job": "a"})
    ask(bench, capsys, "runs")
    with closing(sqlite3.connect(bench / INDEX_NAME)) as kept, kept:
        query = 'UPDATE listed SET row = replace(row, \'"verdict": "fail"\', \'"verdict": "pass"\')'
        assert kept.execute(query + ' WHERE row LIKE \'%"verdict": "fail"%\'').rowcount > 0
    assert ask(bench, capsys, "job", "close", "--cause", "airflow")[0] == 4


def test_a_record_that_cannot_be_read_takes_no_report_down_and_holds_the_machine(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "jobs" / "a" / "runs" / "20260202-090000-dead.sqlite").write_bytes(b"no record at all" * 20)
    status, pages = everywhere(bench, capsys)
    assert status == "not-ready" and "20260202-090000-dead" in pages["customer"]


def test_the_counters_list_does_not_stand_by_a_record_that_was_changed_since_its_report(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from verifyrig.report.index import write_index

    assert ask(bench, capsys, "job", "close", "--cause", "airflow")[0] == 0
    assert everywhere(bench, capsys)[0] == "ready"
    alter(bench, 1, *COLDER)
    index = write_index(find_bench(str(bench))).read_text(encoding="utf-8")
    assert "<strong>no</strong>" in index and "<strong>yes</strong>" not in index


def test_what_is_given_back_as_it_is_says_so_on_every_page(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_record(bench / "jobs" / "a" / "runs", 3, k_per_w=0.60, facts={"purpose": "verification", "job": "a"})
    assert ask(bench, capsys, "job", "close", "--cause", "airflow")[0] == 4
    code, closed = ask(bench, capsys, "job", "close", "--cause", "airflow", "--override", "customer declines")
    assert code == 4 and closed["fitness"]["status"] == "as-is" and closed["fitness"]["headline"] == "not-fixed"
    code, given = ask(bench, capsys, "job", "handover", "--to", "A. Customer")
    assert code == 4 and given["entries"][-1]["detail"]["as"] == "as-is"
    status, pages = everywhere(bench, capsys)
    assert status == "as-is" and "customer declines" in pages["customer"]


def test_a_rare_complaint_says_on_the_first_page_what_is_missing_and_how_long_it_takes(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["job", "finding", "how-often=twice a week 3 h a day", "--bench", str(bench)]) == 0
    assert cli.run(["job", "close", "--cause", "airflow", "--bench", str(bench)]) == 0
    capsys.readouterr()
    status, pages = everywhere(bench, capsys)
    assert status == "ready-watch"
    first = pages["customer"].partition('class="behind"')[0]
    assert "Better, not yet proven" in first and ">Fixed<" not in first
    # 31.5 h are needed by the rule of three; the record had 4 min of load: 31 h 26 min more.
    text = first.replace("\u202f", " ").replace("\u00a0", " ")
    assert "it takes 31 h 30 min: 31 h 26 min more" in text


@pytest.mark.parametrize(
    ("why", "spelling"),
    [
        (because(Code.PART_NOT_LOADED, part=GRAPHICS), {"code": "part-not-loaded", "values": {"part": "graphics"}}),
        (
            because(Code.CLEAN_USE, part=PROCESSOR, had_s=600.0, needed_s=900.0, more_s=300.0),
            {
                "code": "clean-use",
                "values": {"part": "processor", "had_s": 600.0, "needed_s": 900.0, "more_s": 300.0},
            },
        ),
        (
            because(
                Code.OBSTACLE,
                text=(reason("no-verification", change=(reason("change-cleaned"),)),),
                kind="verification",
            ),
            {
                "code": "obstacle",
                "values": {
                    "kind": "verification",
                    "text": {"code": "no-verification", "values": {"change": "cleaned"}},
                },
            },
        ),
        (
            because(Code.DANGER, text=(reason("danger-leak"),), noted="leak=seen", danger="leak"),
            {"code": "danger", "values": {"text": "coolant leaks", "noted": "leak=seen", "danger": "leak"}},
        ),
    ],
)
def test_a_job_file_keeps_a_reason_in_the_spelling_of_before(why: Reason, spelling: dict[str, Any]) -> None:
    assert kept(why) == spelling
    assert reason_of_kept(spelling) == why


@pytest.mark.parametrize(
    "data", [None, {}, {"code": "later", "values": {}}, {"code": "unclear", "values": {}}, {"code": "unclear"}]
)
def test_a_reason_of_a_later_version_is_none(data: Any) -> None:
    assert reason_of_kept(data) is None
