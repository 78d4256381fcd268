"""A run as plain lines: what is loud stands apart from what is said by the way."""

from __future__ import annotations

import io

import pytest

from verifyrig.terminal.lines import PlainLines


def test_only_what_is_loud_is_set_apart_and_units_keep_their_letters() -> None:
    out = io.StringIO()
    lines = PlainLines(out)
    lines.say("Measuring itself took 0.3% of one core.")
    lines.say("Tripped: rail_12v_v: 900 mV too low. The load is off.", loud=True)
    assert out.getvalue().splitlines() == [
        "      Measuring itself took 0.3% of one core.",
        "*** Tripped: rail_12v_v: 900 mV too low. The load is off.",
    ]


class Terminal(io.StringIO):
    """A terminal that takes what is written."""

    def isatty(self) -> bool:
        return True


def test_a_narrow_terminal_breaks_lines_at_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    out = Terminal()
    said = "Look for traces of coolant before the load; where there is any, switch off and unplug."
    PlainLines(out).say(said)
    lines = out.getvalue().splitlines()
    assert all(len(line) < 40 for line in lines)
    assert " ".join(line.strip() for line in lines) == said
