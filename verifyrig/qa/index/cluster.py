"""Computing on other machines: a Dask cluster whose workers see the same records at the same paths.

Dask and not Ray: what is asked of a cluster is one ordered map over files. Dask does that with a scheduler and workers
that are one command each and plain TCP between them; Ray brings a store of shared memory and services of its own to
every machine, which nothing here would use.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

from verifyrig.core.errors import RecordError, UsageError

__all__ = ["on_cluster"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
_ANSWER_S = "20s"


def on_cluster(function: Callable[[_Item], _Result], items: Sequence[_Item], address: str) -> Iterator[_Result]:
    """Yield the results of a function for each item, in the order given.

    Args:
        function: A function of a module, so that workers find it.
        items: Paths, or tuples that begin with one.
        address: Of the scheduler, as tcp://host:8786.

    Raises:
        UsageError: Nothing answers there, or a worker would give other figures than this machine, or sees no records.
        RecordError: The cluster was lost on the way; what was yielded before stays good.
    """
    try:
        from distributed import Client
    except ImportError as error:
        mend = "Install it: pip install 'verifyrig[cluster]'."
        raise UsageError("a cluster needs the extra `cluster`", where="--cluster", mend=mend) from error
    try:
        client = Client(address, timeout=_ANSWER_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        mend = "Start one with `dask scheduler`, and workers with `dask worker ADDRESS`."
        raise UsageError("no scheduler answers", where=f"--cluster {address}", mend=mend) from error
    with client:
        whole = [_absolute(item) for item in items]
        _check(client, address, _path_of(whole[0]))
        futures = client.map(function, whole, pure=False)
        for future in futures:
            try:
                yield future.result()
            except Exception as error:
                # The functions turn whatever is wrong with a record into a result, so this is the cluster's own.
                why = type(error).__name__
                raise RecordError(
                    f"the cluster was lost ({why})", where=f"--cluster {address}", mend="Start it anew and ask again."
                ) from error


def _absolute(item: Any) -> Any:
    if isinstance(item, tuple):
        return (item[0].absolute(), *item[1:])
    return item.absolute()


def _path_of(item: Any) -> Path:
    return Path(item[0] if isinstance(item, tuple) else item)


def _check(client: Any, address: str, record: Path) -> None:
    """See that every worker computes what this machine would: the same versions, the same files."""
    try:
        there: dict[str, tuple[str, str, str]] = client.run(versions)
        seen: dict[str, bool] = client.run(os.path.exists, os.fspath(record))
    except ImportError as error:
        mend = "Install verifyrig on every worker."
        raise UsageError(f"a worker has no verifyrig ({error})", where=f"--cluster {address}", mend=mend) from error
    if not there:
        mend = f"Start some with `dask worker {address}`."
        raise UsageError("the scheduler has no workers", where=f"--cluster {address}", mend=mend)
    for worker, found in there.items():
        if found != versions():
            said = "verifyrig's analysis, numpy and scipy are {}, {} and {}".format(*found)
            mend = "Install what is here: {}, {} and {}.".format(*versions())
            raise UsageError(f"on {worker} {said}, so figures could differ", where=f"--cluster {address}", mend=mend)
    blind = [worker for worker, exists in seen.items() if not exists]
    if blind:
        mend = "Mount the records there at the same path."
        raise UsageError(f"{blind[0]} does not see {record}", where=f"--cluster {address}", mend=mend)


def versions() -> tuple[str, str, str]:
    """Return what decides on the last digit of a figure: the versions of the analysis, of numpy and of scipy."""
    import numpy
    import scipy

    from verifyrig.analysis import ANALYSIS_VERSION

    return ANALYSIS_VERSION, numpy.__version__, scipy.__version__
