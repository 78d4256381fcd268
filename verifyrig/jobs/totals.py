"""What a job comes to at the counter: parts, labour, tax, sum. Decimal, and pure.

Each line is rounded as it stands on an invoice; tax is taken once, from the sum of the lines. Whether the prices typed
hold the tax already, and its rate, is the shop's to say: local law decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.model import EntryKind, Job, JobEntry
from verifyrig.jobs.money import COUNTRIES, Country, parse_price, rounded

_MINUTES_PER_HOUR = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceRules:
    """How a shop reckons, from `[prices]` of bench.toml.

    Attributes:
        country: Its code; how it rounds stands in `money`.
        tax_percent: Rate of the tax on sales, 0 for none.
        tax_included: Whether the prices typed hold it already.
        labour_per_hour: Price of an hour; None where it is said each time.
    """

    country: str
    rounding: Country
    tax_percent: Decimal
    tax_included: bool
    labour_per_hour: Decimal | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the total.

    Attributes:
        kind: `part` or `labour`.
        quantity, unit: `1` and empty for a part, minutes and `min` for labour by time.
        amount: Rounded; None where no price was noted, or it cannot be read.
    """

    entry_id: str
    kind: str
    what: str
    quantity: str
    unit: str
    unit_price: Decimal | None
    amount: Decimal | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """What a job comes to; net, tax, sum and cash are None while a price is missing."""

    rules: PriceRules
    lines: tuple[Line, ...]
    net: Decimal | None
    tax: Decimal | None
    sum: Decimal | None
    cash: Decimal | None

    @property
    def missing(self) -> tuple[str, ...]:
        """What has no price that can be read."""
        return tuple(line.what for line in self.lines if line.amount is None)


def rules_of(config: Mapping[str, Any]) -> PriceRules:
    """Return how a shop reckons.

    Raises:
        UsageError: bench.toml does not say in which country, and with which tax.
    """
    prices = config.get("prices", {})
    if "country" not in prices or "tax_percent" not in prices:
        raise UsageError(
            "it is not said in which country and with which tax",
            where="bench.toml, prices",
            mend='Write [prices] with country = "DE" and tax_percent = 19, as it is where you are.',
        )
    rate = prices.get("labour_per_hour")
    return PriceRules(
        country=prices["country"],
        rounding=COUNTRIES[prices["country"]],
        tax_percent=Decimal(str(prices["tax_percent"])),
        tax_included=bool(prices.get("tax_included", True)),
        labour_per_hour=None if rate is None else Decimal(str(rate)),
    )


def total_of(job: Job, rules: PriceRules) -> Total:
    """Return what a job comes to by what stands in its list."""
    lines = tuple(_lines(job, rules))
    amounts = [line.amount for line in lines if line.amount is not None]
    if len(amounts) < len(lines):
        return Total(rules=rules, lines=lines, net=None, tax=None, sum=None, cash=None)
    step = rules.rounding.step
    typed = sum(amounts, Decimal(0))
    if rules.tax_included:
        tax = rounded(typed * rules.tax_percent / (100 + rules.tax_percent), step)
        net, whole = typed - tax, typed
    else:
        tax = rounded(typed * rules.tax_percent / 100, step)
        net, whole = typed, typed + tax
    cash = rounded(whole, rules.rounding.cash_step) if rules.rounding.cash_step is not None else whole
    return Total(rules=rules, lines=lines, net=rounded(net, step), tax=tax, sum=rounded(whole, step), cash=cash)


def _lines(job: Job, rules: PriceRules) -> Iterator[Line]:
    step = rules.rounding.step
    for entry in job.changes:
        if entry.what == "part-replaced":
            price = _price(entry)
            amount = None if price is None else rounded(price, step)
            what = plain_line(entry.text("part"), 80) or "part"
            yield Line(
                entry_id=entry.entry_id, kind="part", what=what, quantity="1", unit="", unit_price=price, amount=amount
            )
    for entry in job.of_kind(EntryKind.LABOUR):
        yield _labour(entry, rules)


def _labour(entry: JobEntry, rules: PriceRules) -> Line:
    minutes = entry.detail.get("minutes")
    by_time = isinstance(minutes, int)
    price = _price(entry)
    if by_time and price is None:
        price = rules.labour_per_hour
    amount = None if price is None else price * minutes / _MINUTES_PER_HOUR if isinstance(minutes, int) else price
    return Line(
        entry_id=entry.entry_id,
        kind="labour",
        what=plain_line(entry.text("text"), 80) or "labour",
        quantity=str(minutes) if by_time else "1",
        unit="min" if by_time else "",
        unit_price=price,
        amount=None if amount is None else rounded(amount, rules.rounding.step),
    )


def _price(entry: JobEntry) -> Decimal | None:
    try:
        return parse_price(entry.text("price"))
    except UsageError:
        return None
