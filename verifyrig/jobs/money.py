"""Prices as people type them, and amounts as a country rounds them; decimal throughout. Pure.

Minor units by ISO 4217; the smallest amount paid in cash by country: both from memory, and a shop checks its own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import shown

_LARGEST = Decimal(10) ** 9
_AMOUNT = re.compile(r"(-)?(\d{1,9}|\d{1,3}(?:[ '’.,]\d{3})+)(?:([.,])(\d{1,3}))?", re.ASCII)
_UNITS = re.compile(r"^(?:[A-Z]{3}|[€$£¥])\s*|\s*(?:[A-Z]{3}|[€$£¥]|,-)$")
_THOUSANDS = re.compile(r"[ '’.,]")

# Decimals of a currency where they are not two: ISO 4217, and HUF by use (CLDR), whose hundredth is out of use.
_PLACES: Mapping[str, int] = {
    "JPY": 0,
    "KRW": 0,
    "ISK": 0,
    "HUF": 0,
    "CLP": 0,
    "VND": 0,
    "BHD": 3,
    "KWD": 3,
    "OMR": 3,
    "TND": 3,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Country:
    """How a country rounds.

    Attributes:
        currency: Code by ISO 4217.
        cash_step: What sums paid in cash are rounded to; None where every minor unit has its coin.
    """

    currency: str
    cash_step: Decimal | None = None

    @property
    def step(self) -> Decimal:
        """The smallest amount on an invoice."""
        return Decimal(1).scaleb(-_PLACES.get(self.currency, 2))


def _cash(currency: str, step: str) -> Country:
    return Country(currency=currency, cash_step=Decimal(step))


COUNTRIES: Mapping[str, Country] = {
    "AT": Country(currency="EUR"), "AU": _cash("AUD", "0.05"), "BE": _cash("EUR", "0.05"), "CA": _cash("CAD", "0.05"),
    "CH": _cash("CHF", "0.05"), "CZ": _cash("CZK", "1"), "DE": Country(currency="EUR"), "DK": _cash("DKK", "0.50"),
    "ES": Country(currency="EUR"), "FI": _cash("EUR", "0.05"), "FR": Country(currency="EUR"),
    "GB": Country(currency="GBP"),
    "HU": _cash("HUF", "5"), "IE": _cash("EUR", "0.05"), "IT": _cash("EUR", "0.05"), "JP": Country(currency="JPY"),
    "LI": _cash("CHF", "0.05"), "LU": Country(currency="EUR"), "NL": _cash("EUR", "0.05"), "NO": _cash("NOK", "1"),
    "NZ": _cash("NZD", "0.10"), "PL": Country(currency="PLN"), "PT": Country(currency="EUR"), "SE": _cash("SEK", "1"),
    "SK": _cash("EUR", "0.05"), "US": Country(currency="USD"),
}  # fmt: skip


def rounded(amount: Decimal, step: Decimal) -> Decimal:
    """Return the amount as a multiple of the step, halves away from zero, with as many decimals as the step has."""
    return (amount / step).quantize(Decimal(1), rounding=ROUND_HALF_UP) * step


def parse_price(text: str, where: str = "--price") -> Decimal:
    """Return a typed price: `89`, `89.00`, `89,50 EUR`, `1 234,50`, `1'234.50`.

    Raises:
        UsageError: It is none, or could be read in two ways: `1.234` is a thousand to some, one and a bit to others.
    """
    plain = _UNITS.sub("", _UNITS.sub("", text.strip()))
    found = _AMOUNT.fullmatch(plain)
    whole, decimals = (found[2], found[4] or "") if found else ("", "")
    # A lone group of three after one sign may be thousands or thousandths.
    marks = set(_THOUSANDS.findall(whole))
    twofold = bool(found) and (len(decimals) == 3 or (len(whole) <= 7 and marks & {".", ","} and not decimals))
    mixed = found is not None and (len(marks) > 1 or (found[3] in marks if found[3] else False))
    if found is None or twofold or mixed:
        raise UsageError(
            f"{shown(text)} is no price, or may be read in two ways", where=where, mend="Type it like 89.00 or 1234.50."
        )
    amount = Decimal(f"{found[1] or ''}{_THOUSANDS.sub('', whole)}.{decimals or '0'}")
    if abs(amount) > _LARGEST:
        raise UsageError(f"{shown(text)} is too large", where=where, mend="Type it like 89.00.")
    return amount
