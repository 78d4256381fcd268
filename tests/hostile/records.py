"""Records that somebody changed: by SQL, by bytes, cut, without their log, sealed anew or not."""

from __future__ import annotations

import contextlib
import functools
import json
import math
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from tests.hostile.values import byte_edits, edited, numbers, scalars, texts, trees
from tests.hostile.watch import Place

FACTS = (
    "run",
    "outcome",
    "cause",
    "trip",
    "ambient",
    "states",
    "machine",
    "channels",
    "not_armed",
    "refusals",
    "keeper",
    "period_s",
    "started_utc_s",
    "unit",
    "batch",
    "job",
    "profile_name",
    "profile_text",
    "recipe",
    "purpose",
    "simulated",
    "utc_known",
    "stopped_because",
    "attestation",
    "went_dark",
    "live",
    "largest_lag_s",
    "schema_version",
    "blind",
)
EVENTS = ("load", "load-refused", "rest-disturbed", "hold-limited", "trip", "compute-error", "suspend", "finding")
COLUMNS = {
    "stage": ("name", "kind", "start_s", "end_s", "ended"),
    "reading_quality": ("channel", "from_s", "to_s", "quality", "note"),
    "event": ("t_s", "kind", "detail_json"),
    "seal": ("part", "block", "first_row", "last_row", "digest", "marks"),
    "sample": ("t_s", "utc_s", "die_temp_c", "package_power_w", "load_share", "compute_errors"),
    "run": ("key", "value"),
}
STATEMENTS = (
    "DELETE FROM sample",
    "DELETE FROM stage",
    "DELETE FROM run",
    "DELETE FROM seal",
    "DELETE FROM event",
    "DROP TABLE sample",
    "DROP TABLE stage",
    "DROP TABLE run",
    "DROP TABLE seal",
    "DROP TABLE event",
    "ALTER TABLE sample ADD COLUMN x TEXT",
    "ALTER TABLE sample DROP COLUMN die_temp_c",
    "PRAGMA user_version = 99",
    "PRAGMA application_id = 1",
    "INSERT INTO stage SELECT * FROM stage",
    "UPDATE sample SET t_s = -t_s",
    "UPDATE sample SET package_power_w = 0",
    "UPDATE sample SET die_temp_c = 30",
    "UPDATE sample SET t_s = 0",
    "UPDATE sample SET die_temp_c = NULL",
    "UPDATE sample SET rowid = rowid + 1000000",
    "DELETE FROM sample WHERE rowid > 1",
    "CREATE VIEW more AS SELECT * FROM sample",
    "CREATE TABLE sqlite_x (a)",
    "UPDATE stage SET rowid = 10 - rowid",
    "UPDATE sample SET utc_s = 0",
    "PRAGMA journal_mode = WAL",
    "UPDATE sample SET load_share = -load_share",
)
COMMANDS = (
    ("inspect", "RECORD"),
    ("metrics", "RECORD"),
    ("metrics", "RECORD", "--budget"),
    ("metrics", "RECORD", "--until", "120"),
    ("compare", "RECORD", "GOOD"),
    ("compare", "GOOD", "RECORD"),
    ("diagnose", "RECORD", "GOOD"),
    ("report", "RECORD", "GOOD"),
    ("report", "RECORD"),
    ("runs",),
    ("export", "RECORD", "--out", "OUT/x.csv"),
    ("runs", "--pair", "GOOD", "RECORD"),
    ("qa", "--profile", "PROFILE", "--cores", "1"),
    ("diagnose", "RECORD"),
    ("job", "show"),
    ("diagnose",),
    ("report",),
    ("job", "close", "--cause", "contact"),
    ("job", "handover", "--to", "N. Body", "--old-parts", "none"),
    ("job", "list"),
)

_values = st.one_of(scalars, st.binary(max_size=8))
_changes = st.one_of(
    st.tuples(st.just("sql"), st.sampled_from(STATEMENTS)),
    st.tuples(st.just("fact"), st.sampled_from(FACTS), st.one_of(trees, texts.map(lambda text: ("raw", text)))),
    st.tuples(st.just("event"), numbers, st.sampled_from(EVENTS), trees),
    st.sampled_from(sorted(COLUMNS)).flatmap(
        lambda table: st.tuples(
            st.just("set"), st.just(table), st.sampled_from(COLUMNS[table]), _values, st.integers(1, 400)
        )
    ),
    st.tuples(st.just("bytes"), byte_edits),
    st.tuples(st.just("cut"), st.floats(0, 1)),
)
INPUTS = st.tuples(
    st.lists(_changes, min_size=1, max_size=3), st.booleans(), st.sampled_from(COMMANDS), st.sampled_from(COMMANDS)
)


@functools.cache
def good_record(number: int) -> bytes:
    """Return the bytes of a sound record."""
    from tests.small_records import write_record

    with tempfile.TemporaryDirectory() as folder:
        return write_record(Path(folder), number).read_bytes()


def lay_job(bench: Path) -> Path:
    """Lay a job with a sound record into a bench folder; return the folder of its records."""
    runs = bench / "jobs/a/runs"
    runs.mkdir(parents=True)
    (bench / "jobs/a/job.toml").write_text(
        'schema = 1\njob = "a"\nopened = 2026-02-02T07:00:00Z\ncomplaint = "hot"\n[machine]\nkind = "desktop-air"\n',
        encoding="utf-8",
    )
    (runs / "20260202-080001-test.sqlite").write_bytes(good_record(1))
    return runs


def attack(recipe: Any, place: Place) -> None:
    """Change a record as the recipe says, and ask two commands about it."""
    changes, resealed, *commands = recipe
    runs = lay_job(place.bench)
    path = runs / "20260202-080002-test.sqlite"
    path.write_bytes(good_record(2))
    for change in changes:
        apply(change, path)
    if resealed:
        seal_anew(path)
    for command in commands:
        place.call(*words(command, path, runs / "20260202-080001-test.sqlite", place))


def words(command: tuple[str, ...], record: Path, good: Path, place: Place) -> list[str]:
    """Return a command line with its places filled in."""
    from tests.small_records import PROFILE_TEXT

    profile = place.out / "tiny-build.toml"
    if "PROFILE" in command:
        profile.write_text(PROFILE_TEXT, encoding="utf-8")
    names = {"RECORD": str(record), "GOOD": str(good), "OUT/x.csv": str(place.out / "x.csv"), "PROFILE": str(profile)}
    return [*(names.get(word, word) for word in command), "--json"]


def apply(change: Any, path: Path) -> None:
    """Make one change; one that SQLite refuses changes nothing."""
    kind, *what = change
    if kind == "bytes":
        path.write_bytes(edited(path.read_bytes(), what[0]))
    elif kind == "cut":
        path.write_bytes(path.read_bytes()[: int(what[0] * path.stat().st_size)])
    else:
        with contextlib.suppress(sqlite3.Error, OverflowError, UnicodeError):
            connection = sqlite3.connect(path)
            try:
                connection.execute(*_statement(kind, what))
                connection.commit()
            finally:
                connection.close()


def _statement(kind: str, what: list[Any]) -> tuple[str, tuple[Any, ...]]:
    if kind == "sql":
        return what[0], ()
    if kind == "fact":
        key, value = what
        text = value[1] if isinstance(value, tuple) else json.dumps(value)
        return "INSERT OR REPLACE INTO run VALUES (?, ?)", (key, text)
    if kind == "event":
        t_s, name, detail = what
        return "INSERT INTO event VALUES (?, ?, ?)", (t_s, name, json.dumps(detail))
    table, column, value, row = what
    if isinstance(value, float) and math.isnan(value):
        value = None
    return f"UPDATE {table} SET {column} = ? WHERE rowid = ? OR ? > 300", (value, row % 400, row)


def seal_anew(path: Path) -> None:
    """Seal the changed record with the project's own code, as a forger would; do nothing where that fails."""
    from verifyrig.record import content_check, seal
    from verifyrig.record.schema import SMALL_TABLES, sample_channels

    with contextlib.suppress(Exception):
        connection = sqlite3.connect(path)
        try:
            chain = seal.SampleChain(sample_channels(connection))
            rows = []
            for _, values in content_check._whole_blocks(connection, path):
                rows += list(chain.extend(values))
            tables = [content_check._read_table(connection, name) for name in SMALL_TABLES]
            for table in tables:
                rows += [table.seal_row(block) for block in range(table.blocks())]
            schema = [row[0] for row in connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")]
            digest = seal.record_digest(schema, chain.digest(), chain.rows, tables)
            rows.append(seal.SealRow(seal.RECORD_PART, 0, min(chain.rows, 1), chain.rows, digest, b""))
            connection.execute("DELETE FROM seal")
            connection.executemany("INSERT INTO seal VALUES (?, ?, ?, ?, ?, ?)", rows)
            connection.commit()
        finally:
            connection.close()
