"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

from tests.heeded_signals import heed_signals

if TYPE_CHECKING:
    from starlette.testclient import TestClient

    from verifyrig.serve.hub import Hub

# Before numpy is loaded, as `verifyrig/__main__.py` does: a second thread of linear algebra waits for the first one's
# small matrices at full power, which doubled the processor time of whole files here.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Hundreds of programs are started here: each would compile what it imports anew where no bytecode may be kept.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Before any test starts a program.
heed_signals()

# How long anything takes is up to what else this machine does.
settings.register_profile("in any pace", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("in any pace")

REPO = Path(__file__).resolve().parent.parent


# They take longest and begin first, so that no worker is left alone with one of them at the end.
_LONGEST = (
    "test_second_computer",  # mostly waits
    "test_pseudo_locale", "test_output_errors", "test_demo", "test_bring_up", "test_run_process", "test_foreign_text",
    "test_report_browser", "test_editions", "test_repeat_rates", "test_climbing", "test_safe_runs", "test_loads_worker",
    "test_report_policy", "test_one_verdict", "test_import_stages", "test_hostile", "test_intake_slip",
    "test_hostile_cases", "test_report_write", "test_report_page", "test_json_contract", "test_repeats",
    "test_import_whole", "test_qa_command", "test_next_step", "test_contract", "test_load_answers", "test_load_permit",
    "test_reads_that_hang", "test_bench_session", "test_last_words", "test_machine_claim", "test_several_jobs",
    "test_record_kills", "test_unattended",
)  # fmt: skip


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Let each worker begin with other files: what one of them has compiled, with its assertions, the others load."""
    report = yield
    if collector.path == REPO / "tests" and report.passed:
        worker, count = os.environ.get("PYTEST_XDIST_WORKER", "gw0"), os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")
        first = int(worker.removeprefix("gw")) * len(report.result) // int(count)
        report.result = [*report.result[first:], *report.result[:first]]
    return report


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, the others by name; workers take files in this order."""
    places = {name: place for place, name in enumerate(_LONGEST)}
    items.sort(key=lambda item: (places.get(item.path.stem, len(places)), item.path))


@pytest.fixture(scope="session")
def shared_dir() -> Path:
    """The folder of real traces and trees beside the checkout; tests that need it skip without it."""
    shared = REPO.parent / "shared"
    if not shared.is_dir():
        pytest.skip("the folder ../shared with real traces and trees is absent")
    return shared


@pytest.fixture
def machine_for_itself() -> Iterator[None]:
    """Lets tests that put a real load on this machine wait for one another, in all processes: runs refuse a second."""
    fcntl = pytest.importorskip("fcntl", reason="a lock between processes")
    path = Path(tempfile.gettempdir()) / "verifyrig-tests.lock"
    fd = os.open(path, os.O_RDWR | (0 if path.exists() else os.O_CREAT), 0o666)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        yield
    finally:
        os.close(fd)


@pytest.fixture
def hub(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Hub:
    """A bench computer's state that knows one machine, `m1`."""
    from tests.link_hub import known_to_one

    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return known_to_one(tmp_path)


@pytest.fixture
def client(hub: Hub) -> Iterator[TestClient]:
    """What connects to the secured door of that bench computer."""
    from tests.link_hub import client_of

    with client_of(hub) as client:
        yield client
