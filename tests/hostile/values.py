"""Values that nobody meant: of the wrong kind, beyond all bounds, or made to be run by somebody."""

from __future__ import annotations

import math

from hypothesis import strategies as st

TEXTS = (
    "",
    " ",
    "x",
    "../../../x",
    "/etc/passwd",
    "..",
    "a/b",
    "\x1b[2J\x1b]0;x\x07",
    "=1+1",
    "<script>1</script>",
    "{{7*7}}",
    "%s%n",
    "' OR 1=1 --",
    "\u202e\u200f",
    "\ud7ff",
    "é" * 300,
    "x" * 70_000,
    "1e999",
    "nan",
    "None",
    "null",
    "\x00",
    "\r\n",
    "-",
    "20310101-000000-aaaa",
    "die_temp_c",
    "load",
    "verification",
    "2031-02-30",
    "9" * 400,
    "9" * 5000,
)
NUMBERS = (
    0,
    -1,
    1,
    2,
    3.5,
    30,
    60,
    95,
    1e-300,
    -1e-9,
    1e6,
    1e9,
    1e15,
    1e16,
    1e300,
    -1e300,
    1e308,
    2**31,
    2**63 - 1,
    -(2**63),
    math.inf,
    -math.inf,
    math.nan,
    85.0,
    -127.0,
    -300.0,
)

texts = st.one_of(st.sampled_from(TEXTS), st.text(max_size=12))
numbers = st.one_of(st.sampled_from(NUMBERS), st.floats(), st.integers(-(2**63), 2**63 - 1))
scalars = st.one_of(st.none(), st.booleans(), numbers, texts)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.one_of(texts.map(lambda text: text[:40]), st.sampled_from(("value_c", "class", "why", "t_s"))),
            inner,
            max_size=4,
        ),
    ),
    max_leaves=6,
)
pieces = st.one_of(st.binary(max_size=20), texts.map(lambda text: text.encode("utf-8", "replace")[:200]))
# (place as a share of the length, bytes that are overwritten, bytes put in)
byte_edits = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), pieces), max_size=3)


def edited(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    """Return the data with each edit made."""
    for share, taken, put in edits:
        at = int(share * len(data))
        data = data[:at] + put + data[at + taken :]
    return data
