"""Reasons as data: a code and its values. Code decides on the code; each face renders the sentence in its language.

The English sentences stand in one table. A catalogue of another language has its own under the same codes, so that
rewording the English changes no page of that language. What a record keeps is the English sentence and, beside it, the
code with its values.
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypedDict

from verifyrig.core.kept_words import CODES, SPELLINGS
from verifyrig.core.plain_text import duration_text
from verifyrig.core.reason_texts import TEXTS

Value = str | int | float | tuple["Reason", ...]

# No figure of ours is larger; what is, or is no number, is kept as a word.
_LARGEST = 1e15
_PLACE = re.compile(r"\{(\w+)(?::[^{}]*)?\}")
# The format of a number that has as many decimals as the value of this name says.
_DECIMALS = "decimals"
_MOST_DECIMALS = 9
# The format of a time in seconds.
DURATION = "duration"


# A value of a reason as JSON and TOML have it; a reason inside another is a list of one.
KeptValue = str | int | float | list["KeptReason"]


class KeptReason(TypedDict):
    """A reason as a record or a file keeps it."""

    code: str
    values: dict[str, KeptValue]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why something is so.

    Attributes:
        code: A key of `reason_texts.TEXTS`.
        values: What stands in the places of its sentence, by name; numbers as they are, not rounded.

    Raises:
        KeyError: There is no such code, or a place of its sentence has no value.
    """

    code: str
    values: Mapping[str, Value] = field(default_factory=dict)

    def __post_init__(self) -> None:
        text = TEXTS[self.code]
        needed = _PLACE.findall(text) + ([_DECIMALS] if f":{_DECIMALS}}}" in text else [])
        missing = [name for name in needed if name not in self.values]
        if missing:
            raise KeyError(f"reason {self.code} lacks {', '.join(missing)}")

    def __hash__(self) -> int:
        return hash((self.code, frozenset(self.values.items())))

    def __str__(self) -> str:
        """The English sentence."""
        return render(self, lambda _code, text: text, _english)

    def as_json(self) -> KeptReason:
        """Return it as a record or a file keeps it."""
        return {"code": self.code, "values": {name: kept_value(name, value) for name, value in self.values.items()}}


def _english(value: float, form: str) -> str:
    return duration_text(value) if form == DURATION else format(value, form)


def reason(code: str, /, **values: Value) -> Reason:
    """Return a reason from its code and the values of its sentence."""
    return Reason(code, values)


def reason_of_json(kept: Any) -> Reason | None:
    """Return the reason that `as_json` gave; None for anything else, and for codes of a later version."""
    if not isinstance(kept, dict) or not isinstance(kept.get("values"), dict) or kept.get("code") not in TEXTS:
        return None
    values = {str(name): value_of_json(value) for name, value in kept["values"].items()}
    try:
        return Reason(str(kept["code"]), with_codes(values))
    except KeyError:
        return None


def kept_value(name: str, value: Value) -> KeptValue:
    """Return a value of a reason as a record or a file keeps it."""
    return kept_word(name, value) or ([part.as_json() for part in value] if isinstance(value, tuple) else value)


def kept_word(name: str, value: Value) -> str | None:
    """Return the text as which a value has always been kept (`core.kept_words`), None where it has none."""
    alone = value[0] if isinstance(value, tuple) and len(value) == 1 else None
    return SPELLINGS.get(name, {}).get(alone.code) if alone is not None else None


def value_of_json(kept: Any) -> Value:
    """Return a value of a reason from what a record or a file keeps of it; what is no number is a word."""
    if isinstance(kept, list):
        return tuple(found for found in map(reason_of_json, kept) if found is not None)
    is_number = isinstance(kept, (int, float)) and not isinstance(kept, bool) and abs(kept) < _LARGEST
    return kept if is_number else str(kept)


def with_codes(values: Mapping[str, Value]) -> dict[str, Value]:
    """Return the values of a kept reason, with a reason in place of each text of `core.kept_words`."""
    found = dict(values)
    for name, value in values.items():
        code = CODES.get(name, {}).get(value) if isinstance(value, str) else None
        if code is not None:
            found[name] = (Reason(code),)
    return found


def sentence(reasons: Iterable[Reason]) -> str:
    """Return several reasons as one English text; empty where there are none."""
    return "; ".join(map(str, reasons))


def render(
    why: Reason,
    translate: Callable[[str, str], str],
    number: Callable[[float, str], str],
    word: Callable[[str], str] = str,
) -> str:
    """Return the sentence of a reason.

    Args:
        translate: Gives the sentence of a code in the language wanted; its second argument is that of `message_ids`.
        number: Formats a number by its format in the English sentence, such as `.1f`; `{x:decimals}` there has as many
            decimals as the value `decimals` says, `{x:duration}` is a time in seconds.
        word: Gives a value that is a word.
    """
    english = TEXTS[why.code]
    forms = dict(_forms(english))
    said = {}
    for name, value in why.values.items():
        if isinstance(value, tuple):
            said[name] = "; ".join(render(part, translate, number, word) for part in value)
        elif isinstance(value, str):
            said[name] = word(value)
        else:
            said[name] = number(value, _form(forms.get(name, ""), why.values))
    return translate(why.code, message_id(english)).format(**said)


def _form(form: str, values: Mapping[str, Value]) -> str:
    if form != _DECIMALS:
        return form
    decimals = values.get(_DECIMALS)
    known = isinstance(decimals, (int, float)) and 0 <= decimals <= _MOST_DECIMALS
    return f".{decimals:.0f}f" if known else ".0f"


def message_id(english: str) -> str:
    """Return a sentence of the table as a catalogue knows it: its places without the format of their numbers."""
    return _PLACE.sub(r"{\1}", english)


def message_ids() -> Iterator[tuple[str, str]]:
    """Yield every code with its sentence, as a catalogue must have them."""
    return ((code, message_id(text)) for code, text in TEXTS.items())


def _forms(english: str) -> Iterator[tuple[str, str]]:
    for _, name, form, _ in string.Formatter().parse(english):
        if name is not None:
            yield name, form or ""
