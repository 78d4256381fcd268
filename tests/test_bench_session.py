"""A morning with three open jobs, played on a real terminal, is what docs/three-jobs.txt shows."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("pexpect")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


def test_the_session_shown_is_the_one_that_is_played(tmp_path: Path) -> None:
    from tests import bench_session
    from verifyrig.bench.folder import Bench
    from verifyrig.jobs.store import read_job

    bench_session.lay_bench(tmp_path)
    screen = bench_session.play(tmp_path)
    seen = bench_session.told(screen)
    shown = bench_session.of_jobs(bench_session.SCRIPT.read_text(encoding="utf-8"))
    assert len(shown) > 30
    assert bench_session.of_jobs(seen) == shown, "play it anew: python -m tests.bench_session"
    bench = Bench(root=tmp_path)
    # Each thing landed in the job that was meant, and nothing in another.
    assert [len(bench.records(job)) for job in ("job-1", "job-2", "job-3")] == [1, 1, 0]
    found = {job: read_job(bench, job) for job in ("job-1", "job-2", "job-3")}
    assert [entry.what for entry in found["job-1"].entries] == ["left", "radiator"]
    assert [entry.what for entry in found["job-2"].entries] == ["right"]
    assert [entry.what for entry in found["job-3"].entries] == ["pump", "shift"]
    # Whatever is done, ticket, customer and machine stand before it.
    for ticket, who, model, _ in bench_session.PEOPLE:
        assert f"ticket {ticket}, {who}, Example Works {model}" in seen
    assert screen.keys < 20
