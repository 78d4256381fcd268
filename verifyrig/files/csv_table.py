"""A CSV file of any logger as a table of text: encoding, separator, head, and the rows that are asked for."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.core.errors import ImportFault

_SEPARATORS = (",", ";", "\t", "|")
_HEAD_WITHIN_ROWS = 60  # loggers put their own lines above the head
_SHOWN = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvRow:
    """One row as a spreadsheet numbers it (the first line is row 1), with the cells of the wanted columns."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """The wanted columns of a file.

    Attributes:
        origin: Name of the file, for messages.
        columns: The wanted columns, in the order of `Row.cells`.
        head_row: Number of the row that names the columns.
        separator: What stands between cells.
    """

    origin: str
    columns: tuple[str, ...]
    head_row: int
    separator: str
    rows: tuple[CsvRow, ...]

    def place(self, row: CsvRow, column: str) -> str:
        """Return the place of a cell in words."""
        return f"{self.origin}, row {row.number}, column {column!r}"


def decode(data: bytes, origin: str) -> str:
    """Return the text of a file: UTF-8, UTF-16 with its mark, or Windows-1252.

    Raises:
        ImportFault: It is no text.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252", "latin-1")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    raise ImportFault("this is no text file", where=origin, mend="Export the log as CSV and import that.")


def read_table(text: str, wanted: Sequence[str], where: Sequence[tuple[str, str]], origin: str) -> TextTable:
    """Return the wanted columns of the rows in which every column of `where` has its value.

    Raises:
        ImportFault: A column is missing or named twice, a row has more cells than the head, or no row is left.
    """
    columns = tuple(dict.fromkeys([*wanted, *(column for column, _ in where)]))
    separator, head_row = _find_head(text, columns, origin)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise ImportFault(
            f"no table ({error})", where=f"{origin}, line {reader.line_num}", mend="Fix the line, or export it again."
        ) from error
    head = [cell.strip() for cell in rows[head_row - 1]]
    places = [_place_of(column, head, origin) for column in columns]
    kept = [row for row in _rows(rows, head_row, len(head), places, origin) if _fits(row, columns, where)]
    if not kept:
        raise ImportFault(_why_empty(rows, head_row, head, where), where=origin, mend="Check the file and --where.")
    return TextTable(origin=origin, columns=columns, head_row=head_row, separator=separator, rows=tuple(kept))


def _find_head(text: str, columns: Sequence[str], origin: str) -> tuple[str, int]:
    """Return the separator and the number of the row in which all columns stand."""
    best: tuple[int, list[str]] = (-1, [])
    for separator in _SEPARATORS:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        try:
            for number, cells in zip(range(1, _HEAD_WITHIN_ROWS + 1), reader, strict=False):
                names = [cell.strip() for cell in cells]
                found = sum(1 for column in columns if column in names)
                if found == len(columns):
                    return separator, number
                if found > best[0] or (found == best[0] and number == 1 and len(names) > len(best[1])):
                    best = (found, names)
        except csv.Error:
            continue
    missing = next((column for column in columns if column not in best[1]), "?")
    named = ", ".join(repr(name[:40]) for name in best[1][:20] if name) or "none"
    raise ImportFault(f"there is no column {missing!r}", where=origin, mend=f"Its columns are: {named}.")


def _place_of(column: str, head: Sequence[str], origin: str) -> int:
    if head.count(column) > 1:
        raise ImportFault(
            f"{head.count(column)} columns are named {column!r}", where=origin, mend="Rename one of them."
        )
    return head.index(column)


def _rows(rows: Sequence[Sequence[str]], head_row: int, width: int, places: Sequence[int], origin: str) -> list[CsvRow]:
    """Return the rows below the head; a short one lacks readings, a long one was cut in the wrong places."""
    found = []
    for number, cells in enumerate(rows[head_row:], start=head_row + 1):
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[width:]):
            raise ImportFault(
                f"{len(cells)} cells, but the head has {width}",
                where=f"{origin}, row {number}",
                mend="Decimal commas between commas need quotes, or another separator.",
            )
        found.append(CsvRow(number=number, cells=tuple(cells[at] if at < len(cells) else "" for at in places)))
    return found


def _fits(row: CsvRow, columns: Sequence[str], where: Sequence[tuple[str, str]]) -> bool:
    return all(row.cells[columns.index(column)].strip() == value.strip() for column, value in where)


def _why_empty(
    rows: Sequence[Sequence[str]], head_row: int, head: Sequence[str], where: Sequence[tuple[str, str]]
) -> str:
    if not where or len(rows) <= head_row:
        return "there is no row below the head"
    column, value = where[0]
    at = head.index(column)
    seen = sorted({cells[at].strip() for cells in rows[head_row:] if at < len(cells)})
    listed = ", ".join(repr(text[:30]) for text in seen[:_SHOWN])
    more = f" and {len(seen) - _SHOWN} more" if len(seen) > _SHOWN else ""
    return f"no row has {column} = {value!r}; it has {listed}{more}"
