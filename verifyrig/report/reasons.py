"""Reasons of other modules in the report's language: numbers in its form, channels by what they measure."""

from __future__ import annotations

import re
from collections.abc import Iterable

from verifyrig.core.channels import is_channel
from verifyrig.core.reason import Reason, render
from verifyrig.report.names import channel_label
from verifyrig.report.wording import Foreign, Words

_NAME = re.compile(r"(?<![\w.])[a-z][a-z0-9_]*_[a-z0-9]+(?![\w.])")
# No sentence of ours: what it says is said in the words of whoever said it.
_FROM_OUTSIDE = "load-failed"


def reason_text(what: Reason | str, words: Words) -> str:
    """Return a reason in the report's words; a text from outside stays as it is, marked `Foreign`."""
    if isinstance(what, Reason) and what.code == _FROM_OUTSIDE:
        what = str(what.values["what"])
    if isinstance(what, str):
        said = words.translated(what)
        return Foreign(_with_labels(said, words)) if isinstance(said, Foreign) else _with_labels(said, words)
    sentences = words.catalogue.reasons
    return render(
        what,
        lambda code, english: sentences.get(code) or words.lacking(english),
        words.formed,
        lambda value: _with_labels(words.known(value), words),
    )


def reasons_text(what: Iterable[Reason | str], words: Words) -> str:
    """Return several reasons as one text; `Foreign` where one of them is."""
    said = list(dict.fromkeys(reason_text(one, words) for one in what))
    whole = "; ".join(said)
    return Foreign(whole) if any(isinstance(one, Foreign) for one in said) else whole


def _with_labels(text: str, words: Words) -> str:
    return _NAME.sub(lambda m: channel_label(m.group(), words) if is_channel(m.group()) else m.group(), text)
