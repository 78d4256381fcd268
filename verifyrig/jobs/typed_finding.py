"""A finding or a consent as somebody types it: KEY=VALUE, checked, with slips refused and what was meant said."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.danger_words import meant_note
from verifyrig.jobs.dangers import check_word, danger_of
from verifyrig.jobs.model import (
    EntryKind,
)
from verifyrig.jobs.vocabulary import (
    CONSENT_ANSWERS,
    CONSENTS,
    FINDINGS,
    TYPED_TEMPERATURE_U95_K,
)

LONGEST_VALUE = 500
_KEY = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
_TEMPERATURE = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(?:°?C)?\s*(?:(?:±|\+-|\+/-)\s*(\d+(?:[.,]\d+)?)\s*(?:K|°?C)?)?")


class TypedEntry(NamedTuple):
    """What an entry is made of: its kind, its name, and its detail."""

    kind: EntryKind
    what: str
    detail: Mapping[str, Any]


def parse_finding(word: str) -> TypedEntry:
    """Return kind, name and facts of KEY=VALUE: `radiator=cold`, `hose-in=52±2`, `consent-data=yes`.

    A temperature gets ±3 K where no uncertainty is typed. A name or a word that looks like a slip is refused with
    what was meant; any other text is kept as it is.
    """
    key, sign, value = word.partition("=")
    key, value = key.strip().lower(), " ".join(value.split())
    if not sign or not _KEY.fullmatch(key) or not value or len(value) > LONGEST_VALUE:
        raise UsageError(
            f"{shown(word)} is no KEY=VALUE", where="job finding", mend="Write it like radiator=cold or hose-in=52."
        )
    if key.startswith("consent-"):
        return TypedEntry(EntryKind.CONSENT, key.removeprefix("consent-"), {"value": _consent(key, value)})
    _refuse_slip(key, list(FINDINGS), "is no known finding")
    known = FINDINGS.get(key)
    if known is not None and known.unit:
        return TypedEntry(EntryKind.FINDING, key, _typed_temperature(key, value))
    if known is not None:
        value = value.lower() if value.lower() in known.choices else value
        _refuse_slip(value, known.choices, f"is no known word for {key}")
    check_word(key, value, "job finding")
    meant_as = meant_note(value)
    if meant_as is not None and danger_of(key, value) is None:
        raise UsageError(
            f"{shown(value)} is a danger, and {shown(key)} is no key that locks the machine",
            where="job finding",
            mend=f"Write {meant_as} if that is so; what is no danger goes into note=TEXT.",
        )
    return TypedEntry(EntryKind.FINDING, key, {"value": value})


def _consent(key: str, value: str) -> str:
    name, answer = key.removeprefix("consent-"), value.lower()
    if name not in CONSENTS:
        raise UsageError(f"{shown(name)} is no consent", where="job finding", mend=meant(name, list(CONSENTS)))
    if answer not in CONSENT_ANSWERS:
        raise UsageError(
            f"{shown(value)} is no answer", where=f"job finding {key}", mend=f"Answer {', '.join(CONSENT_ANSWERS)}."
        )
    return answer


def _refuse_slip(word: str, known: Sequence[str], what: str) -> None:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.75)
    if word not in known and near:
        raise UsageError(f"{shown(word)} {what}", where="job finding", mend=f"Did you mean {near[0]}?")


def _typed_temperature(key: str, value: str) -> dict[str, str | float | bool]:
    found = _TEMPERATURE.fullmatch(value)
    temp_c = float(found[1].replace(",", ".")) if found else float("nan")
    if not found or not -50 <= temp_c <= 200:
        raise UsageError(
            f"{shown(value)} is no temperature", where=f"job finding {key}", mend="Type °C, as in 52 or 52±2."
        )
    u95_k = float(found[2].replace(",", ".")) if found[2] else TYPED_TEMPERATURE_U95_K
    return {"value": temp_c, "u95": u95_k, "unit": "°C", "typed": True}
