"""Loads: what heats the machine under test, checks its own arithmetic, and never outlives its heartbeat."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

from verifyrig.core.interfaces import Load
from verifyrig.core.profile import LoadPlan, WorkName
from verifyrig.loads.external import LoadByWork
from verifyrig.system.machine import MachineRoot

__all__ = ["check_runnable", "make_load"]


def make_load(
    root: MachineRoot, *, storage_dir: Path | None = None, now_s: Callable[[], float] | None = None, card: str = ""
) -> LoadByWork:
    """Return the load for a root: real workers for this machine, the duty file for any other; `external` for both.

    Args:
        root: Root of the machine under test.
        storage_dir: Folder that the work `storage` may fill, below the bench folder.
        now_s: The run's clock, for turns on a simulated machine.
        card: Which graphics processor, by index or a part of its name; empty takes the first.
    """
    return LoadByWork(_workers(root, storage_dir, now_s, card))


def check_runnable(root: MachineRoot, plans: Iterable[LoadPlan] = (), *, card: str = "") -> None:
    """Refuse before anything is measured what could not be loaded later.

    Args:
        card: Which graphics processor, by index or a part of its name; empty takes the first.

    Raises:
        LoadError: A root that is not this machine has no duty file (such a tree can be listed, but not run), or a plan
            asks for more workers, or other cores, than this machine has, or for a graphics card that cannot be reached.
    """
    if not root.live:
        from verifyrig.loads.file_load import open_duty

        os.close(open_duty(root.path / "verifyrig" / "load"))
        return
    from verifyrig.loads.placement import place
    from verifyrig.loads.topology import usable_cores

    cores = sorted(core.number for core in usable_cores())
    asked = [plan for plan in plans if plan.work != WorkName.EXTERNAL]
    for plan in asked:
        place(plan.workers, cores)
    from verifyrig.loads.works.choice import ON_GPU, TOGETHER

    if any(plan.work in ON_GPU or plan.work in TOGETHER for plan in asked):
        from verifyrig.loads.gpu.reach import check_reachable
        from verifyrig.sensors.nvml import card_names

        check_reachable(card, card_names())


def _workers(root: MachineRoot, storage_dir: Path | None, now_s: Callable[[], float] | None, card: str) -> Load:
    if root.live:
        from verifyrig.loads.worker_load import WorkerLoad

        return WorkerLoad(storage_dir=storage_dir, card=card)
    from verifyrig.loads.file_load import FileLoad

    return FileLoad(root.path, now_s=now_s) if now_s else FileLoad(root.path)
