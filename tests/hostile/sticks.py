"""Sticks of others for `runs --collect`: pipes, links out, giants, odd names, changed records and jobs, all at once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from tests.hostile.records import _changes, apply, good_record, lay_job, seal_anew
from tests.hostile.toml import JOB, _edits, changed
from tests.hostile.watch import Place

PLACES = (
    "jobs/a/job.toml",
    "jobs/a/runs/20260202-080001-test.sqlite",
    "jobs/a/photos",
    "jobs/a/photos/a.jpg",
    "runs",
    "jobs",
    "runs/20260202-080003-test.sqlite",
    "runs/20260202-080003-test.sqlite-wal",
    "jobs/b",
    "jobs/b/job.toml",
    "bench.toml",
    "runs/20260202-080003-test.after.json",
    "jobs/a/runs",
    "runs/..sqlite",
    "runs/a\nb.sqlite",
    "jobs/\x1b[2J/job.toml",
    "jobs/a/photos/\u202e.jpg",
    "runs/20260202-080003-test.sqlite-shm",
    "runs/20260202-080003-test.sqlite-journal",
)
NOTES = (
    '{"run": 1}',
    "[]",
    "[" * 3000,
    '{"run": "a", "seen_utc_s": 1e308, "outcome": "x", "cause": "y", "restarted_utc_s": [], "remembered": {}}',
    '{"run": "a", "seen_utc_s": 1, "outcome": "interrupted", "cause": [1], "restarted_utc_s": 1, "remembered": []}',
)
_notes = st.tuples(
    st.sampled_from(NOTES).map(lambda text: ("note", text)), st.just("jobs/a/runs/20260202-080001-test.after.json")
)
_kinds = st.sampled_from(("pipe", "link", "dangling", "ring", "big", "folder", "empty", "text", "record"))
_odd = st.one_of(_notes, st.tuples(_kinds, st.sampled_from(PLACES)))
INPUTS = st.tuples(
    st.lists(_odd, max_size=4),
    st.lists(_edits, max_size=2),
    st.lists(_changes, max_size=2),
    st.booleans(),
    st.sampled_from((("runs",), ("report", "a"), ("job", "list"), ("diagnose",))),
    st.booleans(),
)


def attack(recipe: Any, place: Place) -> None:
    """Lay the stick, collect it, and go on working with what came in; or use it as a bench of its own."""
    odd, edits, changes, resealed, command, as_bench = recipe
    runs = lay_job(place.stick)
    (runs.parent / "photos").mkdir()
    (runs.parent / "photos/a.jpg").write_bytes(b"picture")
    (runs.parent / "job.toml").write_bytes(changed(JOB, edits))
    for change in changes:
        apply(change, runs / "20260202-080001-test.sqlite")
    if resealed and changes:
        seal_anew(runs / "20260202-080001-test.sqlite")
    for kind, name in odd:
        _put(place, place.stick / name, kind)
    if as_bench:
        # Of a bench that somebody brings only what it holds is hostile: its own top folders are where it keeps them.
        if not any(kind in ("link", "dangling") and name in ("runs", "jobs") for kind, name in odd):
            place.call(*command, "--json", bench=place.stick)
        return
    lay_job(place.bench)
    place.call("runs", "--collect", str(place.stick), "--json")
    place.call(*command, "--json")


def _put(place: Place, path: Path, kind: Any) -> None:
    if any(part.is_file() or part.is_symlink() for part in path.parents if part != place.root):
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError:
        return
    if os.path.lexists(path):
        path.rename(path.with_name(f"before-{len(list(path.parent.iterdir()))}"))
    if isinstance(kind, tuple):
        path.write_text(kind[1], encoding="utf-8")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind in ("link", "dangling", "ring"):
        targets = {"link": place.others / "job.toml", "dangling": place.others / "new", "ring": path}
        path.symlink_to(place.others if kind == "link" and not path.suffix else targets[kind])
    elif kind == "big":
        with path.open("wb") as file:
            file.truncate(3_000_000_000)
    elif kind == "folder":
        path.mkdir()
    else:
        path.write_bytes({"empty": b"", "text": b"no such thing", "record": good_record(3)}[kind])
