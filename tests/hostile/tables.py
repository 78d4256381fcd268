"""Tables of loggers and logs of systems with cells, separators and bytes that nobody meant."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from tests.hostile.values import byte_edits, edited, numbers, texts
from tests.hostile.watch import Place

_cells = st.one_of(
    numbers.map(str),
    texts,
    st.sampled_from(("2031-03-14T09:00:00", "2031-03-14 09:00:01+02:00", "25,5 °C", "77 °F", "0x10", "1_000")),
)
_times = st.one_of(st.integers(0, 3).map(str), _cells)
_rows = st.lists(st.tuples(_times, _cells, _cells), max_size=12)
_units = st.sampled_from(("", ":°F", ":K", ":%", ":mV", ":"))
_channels = st.sampled_from(
    ("die_temp_c=a", "package_power_w=b", "busy_share=b", "a=b", "die_temp_c=", "die_2_temp_c=a", "die_temp_c=a:x")
)
_stages = st.sampled_from(
    ("load=0:10", "idle=0:2", "load=0:", "x:load=1:2", "load=nan:inf", "load=-1:1e308", "load=5:1", "load=0:1e-9")
)
LOGS = (
    "<Events><Event><System><EventID>41</EventID></System></Event></Events>",
    '[{"Id": 41, "TimeCreated": "/Date(1)/"}]',
    "[    1.000000] mce: [Hardware Error]: CPU 0\n",
    '{"__REALTIME_TIMESTAMP": "1", "MESSAGE": "x"}\n',
    "Id,TimeCreated\n41,2031-03-14\n",
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><x>&b;</x>',
    "[" * 5000,
    '{"a":' * 3000,
    '<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]><Events><Event>&f;</Event></Events>',
)
_tables = st.tuples(
    st.just("table"),
    st.sampled_from((",", ";", "\t", "|")),
    _rows,
    byte_edits,
    st.lists(st.tuples(_channels, _units), min_size=1, max_size=2),
    _stages,
    st.sampled_from(("t", "t:ms", "t:h", "a", "no")),
    st.sampled_from(("utf-8", "utf-16", "cp1252")),
)
_logs = st.tuples(st.just("log"), st.sampled_from(LOGS), byte_edits, st.integers(1, 50))
INPUTS = st.one_of(_tables, _tables, _logs)


def attack(recipe: Any, place: Place) -> None:
    """Write the table or log, and bring it in; what came in is looked at again."""
    if recipe[0] == "log":
        _, text, edits, times = recipe
        (place.out / "system.log").write_bytes(edited(text.encode() * times, edits))
        place.call("history", "system.log", "--json")
        return
    _, separator, rows, edits, channels, stage, time, encoding = recipe
    lines = [separator.join(("t", "a", "b")), *(separator.join(row) for row in rows)]
    (place.out / "log.csv").write_bytes(edited("\n".join(lines).encode(encoding, "replace"), edits))
    words = [f"--channel={channel}{unit}" for channel, unit in channels]
    done = place.call("import", "log.csv", f"--time={time}", *words, f"--stage={stage}", "--json")
    if done == 0:
        place.call("export", "last", "--out", "back.csv", "--json")
        place.call("report", "last", "--json")
