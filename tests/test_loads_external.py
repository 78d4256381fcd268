"""A load that the operator runs, and the choice between the loads."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads import make_load
from verifyrig.loads.external import ExternalLoad
from verifyrig.system.machine import THIS_MACHINE, resolve_root


def test_an_external_load_starts_nothing_and_counts_nothing() -> None:
    load = ExternalLoad()
    load.start(LoadDemand(work="external"))
    load.set_share(1.0)
    load.beat()
    status = load.status()
    assert (status.workers_wanted, status.work_done, status.checks_done) == (0, 0.0, 0)
    assert load.stop() == 0.0
    load.close()


def test_a_root_other_than_the_machine_starts_no_process(tmp_path: Path) -> None:
    load = make_load(resolve_root(tmp_path))
    with pytest.raises(LoadError, match="can only be listed"):
        load.start(LoadDemand(work="linear-algebra"))
    load.close()


def test_external_works_on_any_root(tmp_path: Path) -> None:
    load = make_load(resolve_root(tmp_path))
    load.start(LoadDemand(work="external"))
    load.set_share(1.0)
    assert load.status().workers_wanted == 0
    assert load.notes == []
    load.close()


def test_stages_of_one_run_may_change_between_the_two(tmp_path: Path) -> None:
    folder = tmp_path / "verifyrig"
    folder.mkdir()
    (folder / "load").write_bytes(b"0".ljust(63) + b"\n")
    load = make_load(resolve_root(tmp_path))
    load.start(LoadDemand(work="linear-algebra"))
    load.set_share(0.5)
    assert float((folder / "load").read_text()) == 0.5
    load.start(LoadDemand(work="external"))
    assert float((folder / "load").read_text()) == 0.0
    load.close()


def test_the_machine_itself_gets_real_workers() -> None:
    load = make_load(THIS_MACHINE)
    load.start(LoadDemand(work="digest", workers=1))
    assert load.status().workers_alive == 1
    load.stop()
    load.close()
    assert load.status().workers_alive == 0
