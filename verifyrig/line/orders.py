"""Orders of a line: a CSV with the columns order, unit, profile and, as wanted, batch and parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from verifyrig.core.errors import ImportFault, RigError, UsageError
from verifyrig.files.csv_table import TextTable, decode, read_table
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.line.parts import parse_parts

__all__ = ["Order", "new_orders", "order_of_data", "read_orders"]

_NEEDED = ("order", "unit", "profile")
_MORE = ("batch", "parts")
_LONGEST = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One unit that is to be built and measured."""

    order: str
    unit: str
    profile: str
    batch: str | None = None
    parts: str = ""

    @property
    def as_data(self) -> dict[str, Any]:
        """As an entry of the trail holds it."""
        return asdict(self)


def order_of_data(data: Mapping[str, Any]) -> Order:
    """Return the order that an entry of the trail holds."""
    batch = data.get("batch")
    return Order(
        order=str(data.get("order", "")),
        unit=str(data.get("unit", "")),
        profile=str(data.get("profile", "")),
        batch=None if batch is None else str(batch),
        parts=str(data.get("parts", "")),
    )


def read_orders(path: Path, check_profile: Callable[[str], object]) -> list[Order]:
    """Return the orders of a file, in its order.

    Args:
        check_profile: Raises `RigError` where there is no such profile.

    Raises:
        ImportFault: The file is none, or some row is none of an order; every such row is named.
    """
    try:
        text = decode(read_bytes(path, FileKind.TABLE), path.name)
    except OSError as error:
        raise ImportFault(
            f"it cannot be read ({error.strerror or error})", where=str(path), mend="Name a CSV of orders."
        ) from error
    names = read_table(text, _NEEDED, (), path.name).names
    more = [name for name in _MORE if name in names]
    table = read_table(text, (*_NEEDED, *more), (), path.name)
    known: dict[str, str] = {}
    orders: list[Order] = []
    faults: list[str] = []
    for row in table.rows:
        cells = dict(zip(table.columns, (cell.strip() for cell in row.cells), strict=True))
        why = _fault(cells, known, check_profile)
        if why:
            faults.append(f"row {row.number}: {why}")
            continue
        batch = cells.get("batch") or None
        parts = cells.get("parts", "")
        orders.append(
            Order(order=cells["order"], unit=cells["unit"], profile=cells["profile"], batch=batch, parts=parts)
        )
    faults += _left_out(table)
    counts = Counter((order.batch, order.unit) for order in orders)
    faults += [f"unit {unit!r} stands in {n} rows" for (_, unit), n in counts.items() if n > 1]
    if faults:
        what = faults[0] if len(faults) == 1 else f"{len(faults)} things are wrong"
        steps = ["Correct it; no order was taken in."] if len(faults) == 1 else ["No order was taken in. Correct:"]
        raise ImportFault(what, where=path.name, mend=steps if len(faults) == 1 else [*steps, *faults[:50]])
    return orders


def _left_out(table: TextTable) -> list[str]:
    """Return rows that a log could do without, and orders cannot."""
    return [f"row {one.first_row}: it is no whole row ({one.why})" for one in table.left_out]


def _fault(cells: Mapping[str, str], known: dict[str, str], check_profile: Callable[[str], object]) -> str:
    for name in _NEEDED:
        if not cells[name]:
            return f"{name} is empty"
    for name in ("order", "unit", "batch"):
        if len(cells.get(name, "")) > _LONGEST:
            return f"{name} has more than {_LONGEST} characters"
    profile = cells["profile"]
    if profile not in known:
        try:
            check_profile(profile)
            known[profile] = ""
        except RigError as error:
            known[profile] = f"profile {profile!r}: {error.what}"
    try:
        parse_parts(cells.get("parts", ""))
    except UsageError as error:
        return f"{error.what}"
    return known[profile]


def new_orders(orders: Sequence[Order], before: Sequence[Order]) -> list[Order]:
    """Return the orders that are not there yet.

    Raises:
        UsageError: A unit is ordered otherwise already; every such one is named.
    """
    known = {(order.batch, order.unit): order for order in before}
    doubled = [one for one in orders if known.get((one.batch, one.unit), one) != one]
    if doubled:
        named = ", ".join(f"{one.unit} (order {known[one.batch, one.unit].order})" for one in doubled[:20])
        raise UsageError(
            f"ordered otherwise already: {named}", where="orders", mend="Correct the file; no order was taken in."
        )
    return [one for one in orders if (one.batch, one.unit) not in known]
