"""Which work a name means."""

from __future__ import annotations

from collections.abc import Callable

from verifyrig.errors import LoadError
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


WORKS: dict[str, Callable[[WorkerSettings], Work]] = {
    "linear-algebra": _linear_algebra,
    "transform": _transform,
    "digest": _digest,
}


def make_work(settings: WorkerSettings) -> Work:
    """Return the work that the settings name, prepared; raise `LoadError` where it cannot be done here."""
    if settings.work not in WORKS:
        raise LoadError(
            f"{settings.work!r} is no work", where="load, work", mend=f"Choose from {', '.join(sorted(WORKS))}."
        )
    return WORKS[settings.work](settings)
