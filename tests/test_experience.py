"""A shop's own cases: which count, how they move the first guess of the diagnosis, and that they can be left out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.small_records import write_record
from tests.test_fitness import PASSED, TRIPPED, at, entry, job, run
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import cli
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.experience import (
    LEAST_CASES,
    TABLE_WORTH_CASES,
    Experience,
    dirichlet_mean,
    experience_of,
    is_proved,
    learnt,
)
from verifyrig.diagnosis.suspects import CAUSES, MECHANISMS, Mechanism, cause_of
from verifyrig.jobs.ending import close_job
from verifyrig.jobs.keeping import cleared
from verifyrig.jobs.model import EntryKind, Job, JobEntry, RunFacts
from verifyrig.jobs.proof import proof_of
from verifyrig.jobs.store import merge_job
from verifyrig.jobs.text import job_data, parse_job

FAULTY = [cause for cause in CAUSES if cause not in ("none", "unknown")]


def comparable(_before: str, _after: str) -> bool:
    return True


def proved_job(*changes: JobEntry, cause: str = "airflow", job_id: str = "a", **facts: Any) -> Job:
    """A job that was closed with what proves its cause, as the close keeps it."""
    changes = changes or (entry(20, EntryKind.CHANGE, "cleaned"),)
    proof: dict[str, Any] = {"before": "run-5", "after": "run-40", "changes": [one.entry_id for one in changes]}
    found = job(*changes, entry(100, EntryKind.CLOSE, cause, proof=proof), closed=None)
    return replace(found, job_id=job_id, **facts)


def shares(found: Experience) -> dict[str, float]:
    return {one.cause: one.posterior for one in found.shares}


# ---- the arithmetic


def test_the_mean_is_that_of_the_textbook_and_of_a_reference_library() -> None:
    # Gelman et al., Bayesian Data Analysis, 3rd edition, 3.4: answers counted 727, 583 and 137, a uniform prior; the
    # posterior is Dirichlet(728, 584, 138). Figures from memory.
    found = dirichlet_mean(np.ones(3), np.array([727.0, 583.0, 137.0]))
    assert found == pytest.approx([728 / 1450, 584 / 1450, 138 / 1450])
    rng = np.random.default_rng(4)
    for _ in range(20):
        prior, counts = rng.uniform(0.1, 9.0, 12), rng.integers(0, 40, 12).astype(float)
        assert dirichlet_mean(prior, counts) == pytest.approx(stats.dirichlet.mean(prior + counts))


@pytest.mark.parametrize("complaint", [True, False])
def test_cases_share_out_the_faults_anew_and_nothing_else(complaint: bool) -> None:
    prior = tables.prior(complaint=complaint)
    counts = {"contact": 12, "airflow": 18, "supply": 6, "none": 50, "unknown": 50, "no such cause": 9}
    found = learnt(prior, counts)
    before = {one.cause: one.prior for one in found.shares}
    assert found.used and found.cases == 36
    faulty = 1 - before["none"] - before["unknown"]
    # Each share of the faults by hand: (50 q + n) / (50 + 36).
    for cause in FAULTY:
        expected = faulty * (TABLE_WORTH_CASES * before[cause] / faulty + counts.get(cause, 0)) / (50 + 36)
        assert shares(found)[cause] == pytest.approx(expected)
    assert (shares(found)["none"], shares(found)["unknown"]) == (before["none"], before["unknown"])
    assert found.prior.sum() == pytest.approx(1.0) and sum(shares(found).values()) == pytest.approx(1.0)
    paste, film = MECHANISMS.index(Mechanism.PASTE), MECHANISMS.index(Mechanism.FILM)
    assert found.prior[paste] / found.prior[film] == pytest.approx(prior[paste] / prior[film])
    for cause in CAUSES:
        own = sum(p for m, p in zip(MECHANISMS, found.prior, strict=True) if cause_of(m) == cause)
        assert own == pytest.approx(shares(found)[cause])


def test_few_cases_move_nothing_and_one_more_does() -> None:
    prior = tables.prior()
    few, enough = learnt(prior, {"supply": LEAST_CASES - 1}), learnt(prior, {"supply": LEAST_CASES})
    assert not few.used and few.cases == LEAST_CASES - 1 and np.array_equal(few.prior, prior)
    assert enough.used and shares(enough)["supply"] > 2 * shares(few)["supply"]
    off = learnt(prior, {"supply": 500}, on=False)
    assert not off.used and np.array_equal(off.prior, prior)


# ---- which cases count


def test_a_repair_between_a_failing_and_a_passing_run_proves_its_cause() -> None:
    open_job = job(closed=None)
    found = proof_of(open_job, [TRIPPED, PASSED], "airflow", comparable)
    assert found == {"before": "run-5", "after": "run-40", "changes": [open_job.changes[0].entry_id]}


@pytest.mark.parametrize(
    ("runs", "cause", "may_compare"),
    [
        ([TRIPPED, PASSED], "none", True),
        ([TRIPPED, PASSED], "unknown", True),
        ([TRIPPED, PASSED], "airflow", False),  # the runs say nothing of each other
        ([TRIPPED, run(40, verdict="conditional-pass")], "airflow", True),
        ([run(5, "baseline"), PASSED], "airflow", True),  # the fault was never seen
        ([TRIPPED, run(40, "verification", "tripped")], "airflow", True),
        ([replace(TRIPPED, simulated=True), replace(PASSED, simulated=True)], "airflow", True),
        # It failed again after the cleaning, and then passed with nothing done: nobody knows why.
        ([TRIPPED, run(30, "check", "tripped"), PASSED], "airflow", True),
    ],
)
def test_what_was_not_shown_by_before_and_after_proves_nothing(
    runs: list[RunFacts], cause: str, may_compare: bool
) -> None:
    assert proof_of(job(closed=None), runs, cause, lambda *_: may_compare) is None


def test_changes_that_cannot_take_the_cause_away_prove_nothing_of_it() -> None:
    cleaned, paste = (entry(20, EntryKind.CHANGE, "cleaned"), entry(21, EntryKind.CHANGE, "paste-renewed"))
    fan = entry(22, EntryKind.CHANGE, "part-replaced", part="fan")
    assert is_proved(proved_job(cleaned)) and is_proved(proved_job(paste, cause="contact"))
    assert is_proved(proved_job(fan)) and is_proved(proved_job(cleaned, fan))
    # Both at once: which of them helped is not known. And what was cleaned was no power supply.
    assert not is_proved(proved_job(cleaned, paste)) and not is_proved(proved_job(cleaned, paste, cause="contact"))
    assert not is_proved(proved_job(cleaned, cause="supply"))
    assert not is_proved(job())  # closed, and nothing kept that proves it


def test_own_case_later_ones_and_machines_that_came_back_do_not_count() -> None:
    many = [proved_job(job_id=f"case-{n}") for n in range(LEAST_CASES)]
    assert experience_of(many, {}).used
    assert experience_of(many, {}, many[0]).cases == LEAST_CASES - 1
    assert experience_of([*many, replace(job(closed=None), job_id="b", again="case-3")], {}).cases == LEAST_CASES - 1
    assert experience_of(many, {"diagnosis": {"experience": False}}).used is False
    earlier = job(entry(20, EntryKind.CHANGE, "cleaned"), entry(50, EntryKind.CLOSE, "airflow"), closed=None)
    assert experience_of(many, {}, replace(earlier, job_id="c")).cases == 0


def test_the_close_keeps_the_proof_and_clearing_the_job_leaves_it(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    merge_job(bench, _toml(job(closed=None)), "a")
    runs = [TRIPPED, PASSED]
    closed = close_job(bench, job(closed=None), runs, "airflow", now=at(100), comparable=comparable)
    assert is_proved(closed)
    left = parse_job(_dumps(cleared(job_data(closed))), "job.toml")
    assert is_proved(left) and left.intake.complaint == ""


def _dumps(data: dict[str, Any]) -> str:
    import tomli_w

    return tomli_w.dumps(data)


def _toml(one: Job) -> str:
    return _dumps(job_data(one))


# ---- as a user sees it


def test_the_diagnosis_says_how_the_shops_cases_move_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "runs").mkdir()
    record = write_record(tmp_path / "runs", 1)
    (tmp_path / "bench.toml").write_text("[shop]\n", encoding="utf-8")
    bench = find_bench(str(tmp_path))
    for n in range(LEAST_CASES + 4):
        merge_job(bench, _toml(proved_job(job_id=f"case-{n}", cause="airflow")), "collected")

    def diagnosed(*words: str) -> tuple[dict[str, Any], str]:
        cli.run(["diagnose", record.stem, "--bench", str(tmp_path), "--json"])
        data = json.loads(capsys.readouterr().out)
        cli.run(["diagnose", record.stem, "--bench", str(tmp_path)])
        return data, capsys.readouterr().out

    data, said = diagnosed()
    found = data["experience"]
    assert (found["used"], found["cases"], found["least_cases"]) == (True, LEAST_CASES + 4, LEAST_CASES)
    airflow = next(one for one in found["causes"] if one["cause"] == "airflow")
    assert airflow["count"] == LEAST_CASES + 4 and airflow["posterior"] > airflow["prior"]
    assert f"{LEAST_CASES + 4} proved cases" in said and "experience = false" in said
    with_cases = {one["cause"]: one["probability"] for one in data["suspects"]}
    (tmp_path / "bench.toml").write_text("[diagnosis]\nexperience = false\n", encoding="utf-8")
    data, said = diagnosed()
    without = {one["cause"]: one["probability"] for one in data["suspects"]}
    assert not data["experience"]["used"] and "proved cases" not in said
    assert with_cases.get("airflow", 0.0) >= without.get("airflow", 0.0) and with_cases != without
