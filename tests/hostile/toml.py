"""bench.toml, jobs, profiles, intakes and answers with values that nobody meant, or with text that is no TOML."""

from __future__ import annotations

import copy
from typing import Any

import tomli_w
from hypothesis import strategies as st

from tests.hostile.records import lay_job
from tests.hostile.trees import TREE
from tests.hostile.values import byte_edits, edited, scalars, texts
from tests.hostile.watch import Place
from tests.sensor_tree import lay
from tests.small_records import PROFILE_TEXT

BENCH = """
[shop]
name = "Invented Bench"
operator = "N. Body"
address = "1 Example Lane"
logo = "logo.png"
[report]
language = "en"
paper = "A4"
temperature_unit = "C"
time_zone = "Europe/Berlin"
terms = "none"
[gpu]
card = "card0"
[[instrument]]
id = "probe"
url = "socket://127.0.0.1:9"
protocol = "text"
baud = 9600
query = ""
channels = { t1 = "plate_temp_c" }
[channel.plate_temp_c]
source = "probe:t1"
correction = 0.3
expanded_uncertainty = 0.5
calibrated = 2026-03-01
due = 2027-03-01
"""
JOB = """
schema = 1
job = "a"
opened = 2026-02-02T07:00:00Z
operator = "N. Body"
again = ""
complaint = "It runs hot."
price_ceiling = "120"
[customer]
name = "Q. Uestion"
contact = "counter"
ticket = "1"
[machine]
kind = "desktop-air"
maker = "Example"
model = "One"
serial = "0"
[answers]
what = "switches-off"
how-often = "2 h"
[consent]
data = "yes"
heavy-load = "yes"
[[entry]]
id = "20260202-070100-abcd"
time = 2026-02-02T07:01:00Z
kind = "finding"
what = "radiator"
by = "N. Body"
detail = { value = "cold", note = "x", photos = ["photos/a.jpg"] }
[[entry]]
id = "20260202-080200-abce"
time = 2026-02-02T08:01:30Z
kind = "change"
what = "part-replaced"
detail = { part = "cooler", price = "89", warranty_months = 24 }
[[entry]]
id = "20260202-090200-abcf"
time = 2026-02-02T09:02:00Z
kind = "close"
what = "contact"
detail = { override = "said so", refused = ["a"] }
"""
INTAKE = JOB.partition("[[entry]]")[0].partition("operator")[2].partition("\n")[2].replace('again = ""\n', "")
ANSWERS = """
by = "N. Body"
present = "N. Body"
until = 2031-03-14T18:00:00Z
time = 2031-03-14T09:00:00Z
[answers]
leak = "no"
"""
AUTOSTART = (
    BENCH
    + '[autostart]\nprofile = "quick-look"\nbatch = "a"\nunit = "b"\nambient = "22±1"\n'
    + 'attest = "attest.toml"\nwait_s = 1\n'
)
FILES = {
    "bench": BENCH,
    "job": JOB,
    "profile": PROFILE_TEXT,
    "intake": INTAKE,
    "answers": ANSWERS,
    "autostart": AUTOSTART,
}
COMMANDS = {
    "bench": (
        ("runs",),
        ("report", "a"),
        ("job", "list"),
        ("setup", "--shop", "New"),
        ("channels", "--root", "ROOT"),
        ("diagnose",),
        ("qa", "--profile", "tiny.toml", "--cores", "1", "--out", "OUT/q.html"),
        ("rig-check",),
        ("profile", "list"),
        ("setup", "--probe", "COM3", "--channel", "t1=plate_temp_c"),
    ),
    "job": (
        ("job", "show"),
        ("job", "show", "a"),
        ("job", "list"),
        ("report", "a"),
        ("diagnose",),
        ("runs",),
        ("report",),
        ("job", "close", "--cause", "contact"),
        ("job", "handover", "--to", "N. Body", "--old-parts", "none"),
        ("job", "open", "--again", "a"),
        ("job", "finding", "radiator=cold"),
        ("job", "change", "cleaned"),
        ("runs", "--collect", "STICK"),
        ("compare",),
        ("job", "open", "--complaint", "x"),
    ),
    "profile": (
        ("profile", "check", "tiny.toml"),
        ("profile", "show", "tiny.toml"),
        ("profile", "list"),
        ("run", "tiny.toml", "--mock", "healthy-air", "--speed", "max"),
        ("run", "tiny.toml", "--mock", "paste-absent", "--speed", "max", "--yes"),
        ("qa", "--profile", "tiny.toml", "--cores", "1"),
        ("qa", "--profile", "tiny.toml", "--propose", "OUT/p.toml"),
    ),
    "intake": (("job", "open", "--file", "intake.toml"), ("job", "open", "--file", "intake.toml", "--again", "a")),
    "answers": (("run", "quick-look", "--root", "ROOT", "--attest", "answers.toml"),),
    "autostart": ((),),
}

# What only text can say, not data.
SNIPPETS = (
    f"x = {'1' * 5000}\n",
    f"x = {'[' * 3000}\n",
    f"{'a.' * 5000}a = 1\n",
    f"[{'a.' * 300}a]\n",
    "x = 0x" + "f" * 5000 + "\n",
    "x = 9999-12-31T23:59:59-14:00\n",
    "x = 0001-01-01T00:00:00+14:00\n",
    "x = 2031-02-30\n",
    "x = 1e999\n",
    "x = nan\n",
    "\ufeff",
    "x = {" * 2000 + "\n",
    "[[entry]]\n",
    "[entry]\n",
    "[[stage]]\n",
    'a = "\\u0000"\n',
    "x = '''\n",
    "\x00",
    "[trip]\n",
)

_edits = st.one_of(
    st.tuples(
        st.just("set"),
        st.integers(0, 10_000),
        st.one_of(scalars.filter(lambda value: value is not None), st.just([]), st.just({}), st.just([[]])),
    ),
    st.tuples(st.just("drop"), st.integers(0, 10_000)),
    st.tuples(st.just("copy"), st.integers(0, 10_000), st.integers(0, 10_000)),
    st.tuples(st.just("add"), st.integers(0, 10_000), texts),
    st.tuples(st.just("snippet"), st.sampled_from(SNIPPETS), st.booleans()),
    st.tuples(st.just("bytes"), byte_edits),
)
INPUTS = st.sampled_from(sorted(FILES)).flatmap(
    lambda name: st.tuples(
        st.just(name),
        st.lists(_edits, min_size=1, max_size=3),
        st.lists(st.sampled_from(COMMANDS[name]), min_size=1, max_size=2),
    )
)


def changed(text: str, edits: list[Any]) -> bytes:
    """Return the TOML text with the edits made, those of the data first."""
    import tomllib

    data = tomllib.loads(text)
    for kind, *what in edits:
        _edit_data(data, kind, what)
    try:
        raw = tomli_w.dumps(data).encode("utf-8", "replace")
    except (ValueError, TypeError, RecursionError):
        raw = text.encode()
    for kind, *what in edits:
        if kind == "snippet":
            piece = what[0].encode()
            raw = piece + raw if what[1] else raw + piece
        elif kind == "bytes":
            raw = edited(raw, what[0])
    return raw


def _edit_data(data: dict[str, Any], kind: str, what: list[Any]) -> None:
    spots = list(_spots(data))
    if not spots or kind not in ("set", "drop", "copy", "add"):
        return
    holder, key = spots[what[0] % len(spots)]
    if kind == "set":
        holder[key] = what[1]
    elif kind == "drop":
        del holder[key]
    elif kind == "copy":
        other, name = spots[what[1] % len(spots)]
        holder[key] = copy.deepcopy(other[name])
    elif isinstance(holder, dict):
        holder[what[1]] = 1


def _spots(value: Any) -> Any:
    if isinstance(value, dict | list):
        for key in value if isinstance(value, dict) else range(len(value)):
            yield value, key
            yield from _spots(value[key])


def attack(recipe: Any, place: Place) -> None:
    """Write the file as the recipe says, and give it to its commands."""
    name, edits, commands = recipe
    lay_job(place.bench)
    texts_of = {"job": JOB, "profile": PROFILE_TEXT, "bench": "", "intake": INTAKE, "answers": ANSWERS}
    raw = changed(FILES[name], edits)
    places = {
        "bench": place.bench / "bench.toml",
        "job": place.bench / "jobs/a/job.toml",
        "profile": place.out / "tiny.toml",
        "intake": place.out / "intake.toml",
        "answers": place.out / "answers.toml",
    }
    for kind, path in places.items():
        path.write_text(texts_of[kind], encoding="utf-8")
    places["bench" if name == "autostart" else name].write_bytes(raw)
    if name == "job":
        stick = place.stick / "jobs/a"
        stick.mkdir(parents=True)
        (stick / "job.toml").write_bytes(raw)
    if any("ROOT" in command for command in commands):
        lay(place.out / "root", TREE)
    names = {"ROOT": "root", "STICK": str(place.stick), "OUT/q.html": "q.html", "OUT/p.toml": "p.toml"}
    for command in commands:
        line = [names.get(word, word) for word in command]
        place.call(*line, *(["--json"] if line else []))
