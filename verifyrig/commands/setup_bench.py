"""What `setup` asks of the bench itself: name and places, how it calls somebody, data of customers, prices."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Mapping
from typing import Any

from verifyrig.bench.text import COUNTRY_CODES, LARGEST_PRICE, LONGEST_KEPT_DAYS, LONGEST_PLACE, NOWHERE
from verifyrig.core.errors import UsageError
from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.files.toml_edit import Value

BenchValues = dict[tuple[str, str], Value | None]
_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))
_LONGEST_ID = 64
_NUMBER = re.compile(r"\d{1,12}(?:[.,]\d{1,6})?")


def ask_bench(asker: Asker, config: Mapping[str, Any]) -> BenchValues:
    """Ask for `[bench] id`, `[place]`, `[alert]`, `[privacy]` and `[prices]`; what is set is offered.

    Returns:
        What bench.toml shall say by table and key; None takes a key away. Empty where nobody wants to be asked.
    """
    if asker.choose("Places, alarms, data of customers and prices too?", _YES_NO, default="n") == "n":
        return {}
    asker.say("Enter keeps what stands there; - takes it away.")
    values: BenchValues = {("bench", "id"): _ask_id(asker, config) or None}
    for ask in (_ask_places, _ask_alert, _ask_privacy, _ask_prices):
        values |= ask(asker, config)
    return values


def _line(asker: Asker, question: str, known: str, check: Any = lambda _: None) -> str:
    """Return a checked line; empty for `-`, and where nothing is known and nothing was typed."""
    text = ask_checked(asker, question, lambda said: None if said == "-" else check(said), default=known)
    return "" if text == "-" else text


def _yes(asker: Asker, question: str, known: Any) -> bool:
    return asker.choose(question, _YES_NO, default="y" if known else "n") == "y"


def _ask_id(asker: Asker, config: Mapping[str, Any]) -> str:
    known = config.get("bench", {}).get("id", "")
    return _line(asker, "What is this bench called among several? (such as bench-1)", known, _check_bench_id)


def _check_bench_id(text: str) -> None:
    if len(text) > _LONGEST_ID:
        raise UsageError("this is too long", where="bench", mend=f"Type at most {_LONGEST_ID} characters.")


# ---- places


def _ask_places(asker: Asker, config: Mapping[str, Any]) -> BenchValues:
    known = config.get("place", {})
    text = _line(
        asker,
        "Places of the bench, with commas? (such as left, right)",
        ", ".join(known.get("names", [])),
        _check_places,
    )
    names = _places(text)
    here = ""
    if names:
        here = _line(asker, "At which of them does this computer work?", known.get("here", ""), _one_of(names))
    return {("place", "names"): names or None, ("place", "here"): here or None}


def _places(text: str) -> list[str]:
    return [name for part in text.split(",") if (name := part.strip())]


def _check_places(text: str) -> None:
    names = _places(text)
    if len(set(names)) != len(names) or not all(len(name) <= LONGEST_PLACE and name != NOWHERE for name in names):
        raise UsageError(
            "these are no names of places",
            where="place",
            mend=f"Give each its own, of at most {LONGEST_PLACE} characters, not {NOWHERE}.",
        )


def _one_of(names: list[str]) -> Any:
    def check(text: str) -> None:
        if text not in names:
            raise UsageError("it is none of them", where="place", mend=f"Type one of {', '.join(names)}.")

    return check


# ---- alarms


def _ask_alert(asker: Asker, config: Mapping[str, Any]) -> BenchValues:
    known = config.get("alert", {})
    bell = _yes(asker, "Ring the terminal's bell at a trip, a question and the end?", known.get("bell", True))
    command = _line(
        asker,
        "A program of yours that calls somebody? (its path and words)",
        shlex.join(known.get("command", [])),
        _check_program,
    )
    return {("alert", "bell"): None if bell else False, ("alert", "command"): shlex.split(command) or None}


def _check_program(text: str) -> None:
    try:
        words = shlex.split(text)
    except ValueError as error:
        raise UsageError(f"it cannot be split into words ({error})", where="alert", mend="Close the quotes.") from error
    if not words or shutil.which(words[0]) is None:
        raise UsageError("there is no such program", where="alert", mend="Type its whole path, as /usr/local/bin/ring.")


# ---- data of customers


def _ask_privacy(asker: Asker, config: Mapping[str, Any]) -> BenchValues:
    known = config.get("privacy", {})
    days = _line(
        asker,
        "Clear a customer's data how many days after the job is over? (empty: never)",
        str(known.get("keep_days", "")),
        _check_days,
    )
    keeps = _yes(
        asker,
        "Keep photos also as they came, with place and phone written in them?",
        known.get("keep_original_photos", False),
    )
    return {
        ("privacy", "keep_days"): int(days) if days else None,
        ("privacy", "keep_original_photos"): True if keeps else None,
    }


def _check_days(text: str) -> None:
    if not re.fullmatch(r"\d{1,5}", text) or int(text) > LONGEST_KEPT_DAYS:
        raise UsageError("this is no number of days", where="privacy", mend="Type whole days, such as 730.")


# ---- prices


def _ask_prices(asker: Asker, config: Mapping[str, Any]) -> BenchValues:
    known = config.get("prices", {})
    country = _line(
        asker, "Country of your prices? (two letters, such as DE)", known.get("country", ""), _check_country
    )
    if not country:
        return {("prices", key): None for key in ("country", "tax_percent", "tax_included", "labour_per_hour")}
    tax = _line(asker, "Tax, per cent?", _shown(known.get("tax_percent")), lambda text: _amount(text, 100))
    included = _yes(asker, "Is the tax in your prices already?", known.get("tax_included", True))
    hour = _line(
        asker, "An hour of labour?", _shown(known.get("labour_per_hour")), lambda text: _amount(text, LARGEST_PRICE)
    )
    return {
        ("prices", "country"): country.upper(),
        ("prices", "tax_percent"): _amount(tax, 100) if tax else None,
        ("prices", "tax_included"): None if included else False,
        ("prices", "labour_per_hour"): _amount(hour, LARGEST_PRICE) if hour else None,
    }


def _check_country(text: str) -> None:
    if text.upper() not in COUNTRY_CODES:
        known = ", ".join(COUNTRY_CODES)
        raise UsageError("how it rounds is not known", where="prices", mend=f"Known: {known}.")


def _shown(value: Any) -> str:
    return "" if value is None else f"{value:g}"


def _amount(text: str, most: float) -> float | int:
    """Return a number typed with a point or a comma; raise `UsageError` where it is none or too large."""
    value = float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else -1.0
    if not 0 <= value <= most:
        raise UsageError("this is no such number", where="prices", mend=f"Type a number from 0 to {most:g}.")
    return int(value) if value.is_integer() else value
