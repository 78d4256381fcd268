"""Writes the kept figures of a bench as Parquet below `site=NAME/month=YYYY-MM/`, a file for each set of metrics.

A file is named by its bench and by what set of metrics its runs have, and holds all of the month's: so no two benches
write one file, and the same runs give the same bytes. Each file notes what it was made of, so that one that would
come out the same is not made again.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from verifyrig.core.errors import UsageError
from verifyrig.qa.dataset.place import FILES_ENDING, DatasetPlace, open_place
from verifyrig.qa.dataset.samples import ExportedSamples, export_samples
from verifyrig.qa.dataset.schema import SCHEMA_VERSION, arrow, bytes_of, head_columns, starts_us, table_of
from verifyrig.qa.index.collect import updated_index
from verifyrig.qa.index.compute import Workers
from verifyrig.qa.index.store import Index, KeptHead

__all__ = ["Exported", "export_dataset"]

_NAME = re.compile(r"[A-Za-z0-9_.-]{1,40}")
_MADE_OF = "verifyrig.made_of"


@dataclass(slots=True, kw_only=True)
class Exported:
    """What an export did.

    Attributes:
        written, unchanged: Files below the destination; `removed` are those whose runs stand in others now.
        runs: Runs in them; `customers` are those of jobs, which stay at home.
        refused: Records that cannot be used, with the reason.
    """

    written: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    runs: int = 0
    customers: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)
    samples: ExportedSamples | None = None


def export_dataset(
    folder: Path,
    paths: Sequence[Path],
    url: str,
    *,
    site: str,
    bench: str,
    samples_url: str | None = None,
    workers: Workers = None,
    progress: Callable[[int, int], None] | None = None,
) -> Exported:
    """Bring the dataset at `url` up to date with these records.

    Args:
        folder: The bench folder, where the index lies.
        site, bench: Where they were measured; both are part of the place.
        samples_url: Where their samples go; nowhere if None.

    Raises:
        UsageError: A name does not fit, or the extra is missing.
        RecordError: The destination cannot be written.
    """
    for name, what in ((site, "site"), (bench, "bench")):
        if not _NAME.fullmatch(name):
            mend = "Use letters, digits, '.', '_' and '-', 40 at most."
            raise UsageError(f"{name!r} is no name of a {what}", where="dataset", mend=mend)
    arrow()
    place, done = open_place(url), Exported()
    with updated_index(folder, paths, workers=workers, progress=progress) as (index, records, done.refused):
        heads = index.heads(list(records))
        own = [head for head in heads if head.head.get("job") is None]
        done.customers, done.runs = len(heads) - len(own), len(own)
        files = _files(own, index, bench)
        for name, some in files.items():
            changed = _bring_up(place, f"site={site}/{name}", some, index, site)
            (done.written if changed else done.unchanged).append(f"site={site}/{name}")
    _tell_files(place, site, bench, done, {head.digest for head in own})
    if samples_url is not None:
        partitions = {
            one.digest: f"site={site}/{name.partition('/')[0]}" for name, some in files.items() for one in some
        }
        done.samples = export_samples(samples_url, {d: (partition, records[d]) for d, partition in partitions.items()})
    return done


def _files(heads: Sequence[KeptHead], index: Index, bench: str) -> dict[str, list[KeptHead]]:
    """Return by file, below its site, the runs that it holds, in order of time."""
    layouts = {number: _layout_name(names) for number, names in index.layouts().items()}
    ordered = sorted(heads, key=lambda own: (own.head["started_utc_s"], own.head["run"], own.digest))
    months = starts_us([own.head["started_utc_s"] for own in ordered]).astype("datetime64[us]").astype("datetime64[M]")
    files: dict[str, list[KeptHead]] = {}
    for month, own in zip(np.datetime_as_string(months).tolist(), ordered, strict=True):
        files.setdefault(f"month={month}/{bench}-{layouts[own.layout]}.parquet", []).append(own)
    return dict(sorted(files.items()))


def _layout_name(names: Sequence[tuple[str, str]]) -> str:
    return hashlib.sha256(json.dumps(names).encode("utf-8")).hexdigest()[:8]


def _bring_up(place: DatasetPlace, name: str, runs: Sequence[KeptHead], index: Index, site: str) -> bool:
    """Write a file where it is not made of the same already; return whether it was written."""
    digests = [own.digest for own in runs]
    said = json.dumps([SCHEMA_VERSION, index.figures_version, site, digests])
    made_of = hashlib.sha256(said.encode("utf-8")).hexdigest()
    if _noted(place, name) == made_of:
        return False
    columns = head_columns([own.head for own in runs])
    block = index.block(digests)
    columns |= {
        "digest": digests,
        "version": [index.version] * len(runs),
        "site": [site] * len(runs),
        "remarks": block.remarks,
    }
    names = index.layouts()[runs[0].layout]
    place.put(name, bytes_of(table_of(columns, names, block.figures, {_MADE_OF: made_of})))
    return True


def _noted(place: DatasetPlace, name: str) -> str | None:
    """Return what a file there says it was made of, None where there is none that could be read."""
    from pyarrow import ArrowInvalid, parquet

    # One that is torn is written anew, as is one that is missing.
    with place.opened(name) as file, contextlib.suppress(ArrowInvalid):
        if file is not None:
            metadata = parquet.read_schema(file).metadata or {}
            return bytes(metadata.get(_MADE_OF.encode(), b"")).decode("utf-8", "replace")
    return None


def _tell_files(place: DatasetPlace, site: str, bench: str, done: Exported, digests: set[str]) -> None:
    """Tell which files the bench has, and then remove those whose runs all stand in others now.

    Figures of a later version of the analysis have other metrics, and so stand in another file of the month. A file of
    runs that are no longer here stays: an archive that is not mounted takes nothing away.
    """
    own = f"site={site}/{bench}{FILES_ENDING}"
    now = {name.partition("/")[2] for name in (*done.written, *done.unchanged)}
    before = place.told(own)
    earlier = [name for name in before if name not in now]
    left = {name for name in earlier if _digests(place, f"site={site}/{name}") <= digests}
    files = sorted({*now, *earlier} - left)
    if files != before:
        place.tell(own, files)
    for name in sorted(left):
        place.remove(f"site={site}/{name}")
        done.removed.append(f"site={site}/{name}")


def _digests(place: DatasetPlace, name: str) -> set[str]:
    """Return the records that a file holds; none of one that is not there any more."""
    from pyarrow import parquet

    with place.opened(name) as file:
        return set() if file is None else set(parquet.read_table(file, columns=["digest"]).column(0).to_pylist())
