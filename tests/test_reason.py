"""Reasons as data: their sentences, what is kept of them, and how another language says them."""

from __future__ import annotations

import json
import re
import string
from pathlib import Path
from typing import Any

import pytest

import verifyrig
from verifyrig.core.reason import Reason, message_id, reason, reason_of_json, render
from verifyrig.core.reason_texts import TEXTS


def test_a_sentence_has_its_values_in_the_form_of_the_table() -> None:
    why = reason("rooms-too-far-apart", difference_k=9.04)
    assert str(why) == "the rooms differ by 9.0 K, too far to correct for"


def test_a_reason_without_its_values_or_with_an_unknown_code_is_a_fault_of_ours() -> None:
    with pytest.raises(KeyError, match="difference_k"):
        reason("rooms-too-far-apart")
    with pytest.raises(KeyError):
        Reason("no-such-code")


@pytest.mark.parametrize(
    "why",
    [
        reason("recipe-differs"),
        reason("power-differs", before_w=95.25, after_w=61.0),
        reason("in-stages", why=(reason("other-sensor", channel="die_temp_c"),), stages="idle, load"),
    ],
)
def test_what_is_kept_gives_the_reason_back(why: Reason) -> None:
    assert reason_of_json(json.loads(json.dumps(why.as_json()))) == why


@pytest.mark.parametrize("kept", [None, "text", 3, {}, {"code": "recipe-differs"}, {"code": "later", "values": {}},
                                  {"code": "power-differs", "values": {"before_w": 1}}])  # fmt: skip
def test_what_is_no_reason_is_none(kept: object) -> None:
    assert reason_of_json(kept) is None


def test_another_language_has_its_own_sentence_and_numbers() -> None:
    said = render(
        reason("power-differs", before_w=95.25, after_w=61.0),
        lambda code, english: {"power-differs": "{after_w} W statt {before_w} W"}[code],
        lambda value, form: format(value, form).replace(".", ",") + f" ({form})",
    )
    assert said == "61 (.0f) W statt 95 (.0f) W"


def _places(text: str) -> list[str]:
    return [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]


def test_places_of_sentences_are_names_and_survive_in_the_catalogues_key() -> None:
    assert [text for text in TEXTS.values() if not all(name.isidentifier() for name in _places(text))] == []
    assert [text for text in TEXTS.values() if _places(message_id(text)) != _places(text)] == []


@pytest.mark.parametrize(
    ("value", "u95", "decimals", "said"),
    [(0.5, 0.1, 2, "power under full load: 0.50 ± 0.10 W"), (105.4, 12.0, 0, "power under full load: 105 ± 12 W")],
)
def test_a_figure_keeps_as_many_decimals_as_its_uncertainty_is_worth(
    value: float, u95: float, decimals: int, said: str
) -> None:
    what = (reason("figure-load-power"),)
    assert str(reason("figure", what=what, value=value, u95=u95, decimals=decimals, unit="W")) == said


@pytest.mark.parametrize("decimals", ["two", 1e9, -3, True])
def test_decimals_from_outside_that_are_none_break_nothing(decimals: Any) -> None:
    kept = reason("figure", what=(), value=1.25, u95=0.5, decimals=1, unit="W").as_json()
    kept["values"]["decimals"] = decimals
    assert "±" in str(reason_of_json(kept))


def test_a_figure_without_its_decimals_is_no_reason() -> None:
    with pytest.raises(KeyError):
        reason("figure", what=(), value=1.25, u95=0.5, unit="W")


def test_there_is_one_class_of_reasons() -> None:
    package = Path(verifyrig.__file__).parent
    found = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if re.search(r"^class Reason\b", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert found == {"core/reason.py"}


@pytest.mark.parametrize(
    ("seconds", "said"), [(40.0, "40 s"), (1200.0, "20 min"), (6 * 3600.0, "6 h"), (31.5 * 3600, "31.5 h")]
)
def test_a_time_is_said_as_people_say_it(seconds: float, said: str) -> None:
    why = reason("fitness-stretch", had_s=seconds, needed_s=86400.0)
    assert str(why) == f"the longest load in one stretch was {said}, and the fault came after 24 h"
