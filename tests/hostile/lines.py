"""Bytes on a serial line: what comes out of them as `ok` is a temperature that can be, or nothing does."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from tests.hostile.values import TEXTS
from tests.hostile.watch import Place
from tests.serial_fuzz import STYLES, Reader

# What a probe on a computer can read, common practice, no source: from a cold store to a soldering iron laid down.
_COLDEST_C, _HOTTEST_C = -100.0, 400.0
_pieces = st.one_of(
    st.binary(max_size=60),
    st.sampled_from([text.encode("utf-8", "replace")[:9000] for text in TEXTS]),
    st.floats().map(lambda value: f"T1={value} C\r\n".encode()),
    st.floats(-60, 150).map(lambda value: b"%.2f\r\n" % value),
    st.just(b"t1: 1e400 F\n"),
    st.just(b"25.1\n" * 3000),
    st.integers().map(lambda value: f"{value}\n".encode()),
    st.sampled_from(("unplug", "plug")),
)
INPUTS = st.tuples(st.sampled_from(sorted(STYLES)), st.lists(st.tuples(_pieces, st.floats(0, 5)), max_size=30))


def attack(recipe: Any, place: Place) -> None:
    """Feed the pieces, with the line unplugged in between, and sample after each."""
    style, pieces = recipe
    reader, now_s = Reader(style), 0.0
    for piece, pause_s in pieces:
        now_s += pause_s
        try:
            reader.take(now_s, piece)
            for _, key, value in reader.sample(now_s):
                if not _COLDEST_C <= value <= _HOTTEST_C:
                    place.broken.append(f"{key} is ok at {value} after {piece!r}"[:300])
        except Exception as error:
            place.broken.append(f"{type(error).__name__}: {error}: serial bytes {piece!r}"[:300])
            return
