"""Translations: gettext catalogues (`locale/<language>/LC_MESSAGES/report.po`), read as they are written."""

from __future__ import annotations

import gettext
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import NamedTuple

from verifyrig.core.errors import UsageError

LOCALE_DIR = Path(__file__).resolve().parent / "locale"
SOURCE_LANGUAGE = "en"
# What stands before the code in the context of a reason (`msgctxt "reason power-differs"`).
_REASON = "reason "


class Catalogue(NamedTuple):
    """Messages of one language.

    Attributes:
        texts: Text by English text.
        plurals: Forms by the English pair (one, many), as many as the language has.
        plural: Which of the forms fits a count: the rule of the catalogue's head (`Plural-Forms`).
        reasons: Sentence of each reason by its code (`core.reason_texts`).
    """

    texts: Mapping[str, str]
    plurals: Mapping[tuple[str, str], tuple[str, ...]]
    reasons: Mapping[str, str]
    plural: Callable[[int], int] = lambda count: int(count != 1)


def languages() -> list[str]:
    """Return the codes of all languages that a report can be written in."""
    return sorted({SOURCE_LANGUAGE, *(path.parent.parent.name for path in LOCALE_DIR.glob("*/LC_MESSAGES/report.po"))})


def checked_language(code: str | None, where: str) -> str:
    """Return the code of a language, empty for none; raise `UsageError` where there is no catalogue of it."""
    if code and code not in languages():
        known = ", ".join(languages())
        raise UsageError(f"there is no catalogue of language {code!r}", where=where, mend=f"Known: {known}.")
    return code or ""


def display_name(language: str) -> str:
    """Return what a language calls itself."""
    from babel import Locale

    return Locale.parse(language).get_display_name() or language


@cache
def read_catalogue(language: str) -> Catalogue:
    """Return the catalogue; the English one is empty, since the English texts are the keys."""
    path = LOCALE_DIR / language / "LC_MESSAGES" / "report.po"
    if language == SOURCE_LANGUAGE or not path.is_file():
        return Catalogue({}, {}, {})
    from babel.messages.pofile import read_po

    with path.open("rb") as file:
        catalogue = read_po(file)
    messages = [message for message in catalogue if message.id and not message.fuzzy]
    single = [
        (m.context, m.id, m.string)
        for m in messages
        if isinstance(m.id, str) and isinstance(m.string, str) and m.string
    ]
    texts = {text: said for context, text, said in single if not context}
    reasons = {context.removeprefix(_REASON): said for context, _, said in single if context}
    plurals = {
        (m.id[0], m.id[1]): tuple(m.string)
        for m in messages
        if not isinstance(m.id, str) and isinstance(m.string, (tuple, list)) and all(m.string)
    }
    return Catalogue(texts, plurals, reasons, gettext.c2py(str(catalogue.plural_expr)))
