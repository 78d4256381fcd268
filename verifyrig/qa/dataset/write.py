"""Writes the kept figures of a bench as Parquet below `site=NAME/month=YYYY-MM/`, a file for each set of metrics.

A file is named by its bench and by what set of metrics its runs have, and holds all of the month's: so no two benches
write one file, the same runs give the same bytes, and what has not changed is not written again. A file is put in its
place whole, by a rename on a file system and by one upload on an object store.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.errors import RecordError, UsageError
from verifyrig.qa.dataset.schema import arrow, head_cells, table_of
from verifyrig.qa.index.collect import update_index
from verifyrig.qa.index.kept import UnitHead
from verifyrig.qa.index.store import KeptRow

__all__ = ["Exported", "export_dataset", "file_system"]

_NAME = re.compile(r"[A-Za-z0-9_.-]{1,40}")
_ROWS_A_GROUP = 20_000


@dataclass(slots=True, kw_only=True)
class Exported:
    """What an export did.

    Attributes:
        written, unchanged: Files below the destination.
        runs: Runs in them; `customers` are those of jobs, which stay at home.
        refused: Records that cannot be used, with the reason.
    """

    written: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    runs: int = 0
    customers: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)


def file_system(url: str) -> tuple[Any, str]:
    """Return the file system of a path or URL that fsspec knows, and the path in it.

    Raises:
        UsageError: fsspec is not installed, or knows no such place.
    """
    try:
        import fsspec
    except ImportError as error:
        mend = "Install it: pip install 'verifyrig[fleet]'."
        raise UsageError("a dataset needs the extra `fleet`", where=url, mend=mend) from error
    try:
        system, path = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as error:
        raise UsageError(f"this place is not known ({error})", where=url, mend="Name a folder or a URL.") from error
    return system, str(path)


def export_dataset(
    folder: Path, paths: Sequence[Path], url: str, *, site: str, bench: str, workers: int | None = None
) -> Exported:
    """Bring the dataset at `url` up to date with these records.

    Args:
        folder: The bench folder, where the index lies.
        site, bench: Where they were measured; both are part of the place.

    Raises:
        UsageError: A name does not fit, or the extra is missing.
        RecordError: The destination cannot be written.
    """
    for name, what in ((site, "site"), (bench, "bench")):
        if not _NAME.fullmatch(name):
            mend = "Use letters, digits, '.', '_' and '-', 40 at most."
            raise UsageError(f"{name!r} is no name of a {what}", where="dataset", mend=mend)
    arrow()
    system, root = file_system(url)
    rows, layouts, refused = update_index(folder, paths, workers=workers)
    done = Exported(refused=refused)
    groups: dict[tuple[str, int], list[KeptRow]] = {}
    for row in rows:
        if row.head.get("job") is not None:
            done.customers += 1
            continue
        groups.setdefault((_month(row.head), row.layout), []).append(row)
    for (month, layout), some in sorted(groups.items(), key=lambda item: (item[0][0], json.dumps(layouts[item[0][1]]))):
        name = f"site={site}/month={month}/{bench}-{_layout_name(layouts[layout])}.parquet"
        content = _content(some, layouts[layout], site)
        done.runs += len(some)
        changed = _put(system, f"{root.rstrip('/')}/{name}", content)
        (done.written if changed else done.unchanged).append(name)
    return done


def _month(head: UnitHead) -> str:
    return datetime.fromtimestamp(head["started_utc_s"], UTC).strftime("%Y-%m")


def _layout_name(names: Sequence[tuple[str, str]]) -> str:
    return hashlib.sha256(json.dumps(names).encode("utf-8")).hexdigest()[:8]


def _content(rows: Sequence[KeptRow], names: Sequence[tuple[str, str]], site: str) -> bytes:
    """Return the file's bytes: the same for the same rows, whatever their order."""
    from pyarrow import parquet

    ordered = sorted(rows, key=lambda row: (row.head["started_utc_s"], row.head["run"], row.digest))
    cells = [
        {**head_cells(row.head, row.remarks), "digest": row.digest, "version": row.version, "site": site}
        for row in ordered
    ]
    figures = np.stack([row.figures for row in ordered], axis=2)
    by_name = {name: figures[:, at] for at, (name, _) in enumerate(names)}
    table = table_of(cells, dict(names), by_name)
    out = io.BytesIO()
    parquet.write_table(table, out, compression="zstd", row_group_size=_ROWS_A_GROUP, store_schema=True)
    return out.getvalue()


def _put(system: Any, path: str, content: bytes) -> bool:
    """Put a file in its place whole; return whether it was another one before."""
    try:
        if system.exists(path) and system.size(path) == len(content) and system.cat_file(path) == content:
            return False
        system.makedirs(path.rpartition("/")[0], exist_ok=True)
        if "file" in system.protocol:
            aside = f"{path}.new"
            system.pipe_file(aside, content)
            Path(aside).replace(path)
        else:
            system.pipe_file(path, content)
    except OSError as error:
        why = getattr(error, "strerror", None) or str(error)
        raise RecordError(f"cannot be written ({why})", where=path, mend="Check the place and its rights.") from error
    return True
