"""Which work a name means."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from verifyrig.core.errors import LoadError
from verifyrig.core.profile import WorkName
from verifyrig.loads.wire import WorkerSettings
from verifyrig.loads.works import Work


def _linear_algebra(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.linear_algebra import linear_algebra

    return linear_algebra(seed=settings.index)


def _transform(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.transform import Transform

    return Transform(seed=settings.index)


def _digest(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.digest import Digest

    return Digest(seed=settings.index)


def _march(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.memory_sweep import MemorySweep

    return MemorySweep(size_bytes=settings.memory_bytes)


def _storage(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.storage import Storage

    if settings.storage_dir is None:
        raise LoadError(
            "no folder was given that it may write to", where="load, storage", mend="Run it within a bench folder."
        )
    return Storage(Path(settings.storage_dir), seed=settings.index)


def _mixed(settings: WorkerSettings) -> Work:
    from verifyrig.loads.works.rotation import Rotation

    parts = (_linear_algebra, 0.4), (_transform, 0.2), (_digest, 0.2), (_march, 0.2)
    return Rotation([(make(settings), weight) for make, weight in parts])


def _gpu_linear_algebra(settings: WorkerSettings) -> Work:
    from verifyrig.loads.gpu.product import GpuProduct

    return GpuProduct(card=settings.card, seed=settings.index)


# Works of a graphics processor run in one worker that is bound to no core.
ON_GPU: frozenset[str] = frozenset({WorkName.GPU_LINEAR_ALGEBRA})
# Works that are two at once: this one on every core, and that one on the graphics processor.
TOGETHER: dict[str, tuple[str, str]] = {
    WorkName.GPU_AND_PROCESSOR: (WorkName.LINEAR_ALGEBRA, WorkName.GPU_LINEAR_ALGEBRA)
}

WORKS: dict[str, Callable[[WorkerSettings], Work]] = {
    WorkName.LINEAR_ALGEBRA: _linear_algebra,
    WorkName.TRANSFORM: _transform,
    WorkName.DIGEST: _digest,
    WorkName.MARCH: _march,
    WorkName.STORAGE: _storage,
    WorkName.MIXED: _mixed,
    WorkName.GPU_LINEAR_ALGEBRA: _gpu_linear_algebra,
}

# Memory that works fill for each worker: all that the demand allows, or at most so many bytes; others need little.
MOST_MEMORY_BYTES: dict[str, int | None] = {WorkName.MARCH: None, WorkName.MIXED: 64 * 2**20}


def make_work(settings: WorkerSettings) -> Work:
    """Return the work that the settings name, prepared; raise `LoadError` where it cannot be done here."""
    if settings.work not in WORKS:
        raise LoadError(
            f"{settings.work!r} is no work", where="load, work", mend=f"Choose from {', '.join(sorted(WORKS))}."
        )
    return WORKS[settings.work](settings)
