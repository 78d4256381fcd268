"""A CSV file of any logger as a table of text: encoding, separator, head, and the rows that are asked for.

A log is taken as it is: lines that a power cut left with zero bytes, the half line at its end, a head that is repeated
and single rows with too many cells are left out and counted; what could mean two things is refused.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from verifyrig.core.errors import ImportFault
from verifyrig.files.left_out import LeftOutRows, WhyLeftOut

_SEPARATORS = (",", ";", "\t", "|")
_HEAD_WITHIN_ROWS = 60  # loggers put their own lines above the head
_SHOWN = 8
# More rows with too many cells than this are no slip of the logger.
_LONG_SHARE = 0.25
_NUL = "\x00"
_POINT = re.compile(r"\d\.\d")
_CONTROL = re.compile(r"[\x01-\x08\x0b\x0e-\x19\x1b-\x1f]")


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
        columns: The wanted columns, in the order of `CsvRow.cells`.
        names: All columns of the file.
        head_row: Number of the row that names the columns; 0 without a head.
        separator: What stands between cells.
        unnamed: How many cells of each row have no name.
        left_out: Rows that were not taken.
    """

    origin: str
    columns: tuple[str, ...]
    head_row: int
    separator: str
    rows: tuple[CsvRow, ...]
    names: tuple[str, ...] = ()
    unnamed: int = 0
    left_out: tuple[LeftOutRows, ...] = field(default=())

    def place(self, row: CsvRow, column: str) -> str:
        """Return the place of a cell in words."""
        return f"{self.origin}, row {row.number}, column {column!r}"

    def cells_of(self, column: str) -> list[str]:
        """Return the cells of a wanted column."""
        at = self.columns.index(column)
        return [row.cells[at] for row in self.rows]


def decode(data: bytes, origin: str) -> str:
    """Return the text of a file: UTF-8, UTF-16 (with its mark or without), or Windows-1252; zero bytes stay in it.

    Raises:
        ImportFault: It is no text.
    """
    for encoding in _encodings(data):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        whole = text.replace(_NUL, "")
        if (whole.strip() or _NUL not in text) and len(_CONTROL.findall(whole)) <= 0.01 * len(whole):
            return text
    raise ImportFault("this is no text file", where=origin, mend="Export the log as CSV and import that.")


def _encodings(data: bytes) -> tuple[str, ...]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return ("utf-16",)
    head = data[:400]
    odd, even = head[1::2].count(0), head[::2].count(0)
    if max(odd, even) > 0.4 * len(head) / 2 and min(odd, even) == 0:
        return ("utf-16-le" if odd else "utf-16-be",)
    return ("utf-8-sig", "cp1252", "latin-1")


def read_table(
    text: str,
    wanted: Sequence[str],
    where: Sequence[tuple[str, str]],
    origin: str,
    *,
    has_head: bool = True,
    went_dark: bool = False,
) -> TextTable:
    """Return the wanted columns of the rows in which every column of `where` has its value.

    Args:
        has_head: Whether a row names the columns; otherwise their names are 1, 2, 3, ...
        went_dark: Whether the power failed while it was written, so that a last line without its end is a half one.

    Raises:
        ImportFault: A column is missing or named twice, rows have more cells than the head, or no row is left.
    """
    columns = tuple(dict.fromkeys([*wanted, *(column for column, _ in where)]))
    text, ends_whole = _without_torn_lines(text)
    separator, head_row = _find_head(text, columns, origin) if has_head else (_separator(text, columns, origin), 0)
    rows = _cells(text, separator, origin)
    head = [cell.strip() for cell in rows[head_row - 1]] if has_head else _numbered(rows)
    places = [_place_of(column, head, origin) for column in columns]
    taken, unnamed, left_out = _rows(rows, head_row, head, separator, origin)
    if not ends_whole:
        left_out += _half_line(taken, len(head), went_dark)
    found = [CsvRow(number=n, cells=tuple(cells[at] if at < len(cells) else "" for at in places)) for n, cells in taken]
    kept = [row for row in found if _fits(row, columns, where)]
    if not kept:
        raise ImportFault(_why_empty(found, columns, where), where=origin, mend="Check the file and --where.")
    return TextTable(
        origin=origin,
        columns=columns,
        names=tuple(head),
        head_row=head_row,
        separator=separator,
        rows=tuple(kept),
        unnamed=unnamed,
        left_out=tuple(left_out),
    )


def _without_torn_lines(text: str) -> tuple[str, bool]:
    """Return the text with each line that holds zero bytes as one such sign, and whether its last line has its end."""
    ends_whole = text.endswith(("\n", "\r")) or text.rstrip("\x1a ").endswith(("\n", "\r"))
    if _NUL not in text:
        return text, ends_whole
    lines = re.split(r"(\r\n|\r|\n)", text)
    lines[::2] = [_NUL if _NUL in line else line for line in lines[::2]]
    return "".join(lines), ends_whole or lines[-1] == _NUL


def _cells(text: str, separator: str, origin: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        return list(reader)
    except csv.Error as error:
        raise ImportFault(
            f"no table ({error})", where=f"{origin}, line {reader.line_num}", mend="Fix the line, or export it again."
        ) from error


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
    bare = "" if any(re.search(r"[^\W\d]", name) for name in best[1]) else " If no row names them, add --no-head."
    raise ImportFault(f"there is no column {missing!r}", where=origin, mend=f"Its columns are: {named}.{bare}")


def _separator(text: str, columns: Sequence[str], origin: str) -> str:
    """Return what stands between the cells of a file without a head: what gives most rows one and the same width."""
    odd = next((column for column in columns if not re.fullmatch(r"[1-9]\d{0,3}", column)), None)
    if odd is not None:
        mend = "Without a head columns have numbers: 1, 2, 3, ..."
        raise ImportFault(f"there is no column {odd!r}", where=origin, mend=mend)
    widest = max(map(int, columns))
    best, found = 0, ""
    for separator in _SEPARATORS:
        widths = [len(line.split(separator)) for line in text.splitlines()[:500] if line.strip() and _NUL not in line]
        alike = max((widths.count(width) for width in set(widths) if width >= widest), default=0)
        if alike > best:
            best, found = alike, separator
    if not found:
        raise ImportFault(f"there is no column {widest}", where=origin, mend="Count the columns from 1.")
    return found


def _numbered(rows: Sequence[Sequence[str]]) -> list[str]:
    return [str(number) for number in range(1, max(map(len, rows), default=0) + 1)]


def _place_of(column: str, head: Sequence[str], origin: str) -> int:
    if head.count(column) > 1:
        raise ImportFault(
            f"{head.count(column)} columns are named {column!r}", where=origin, mend="Rename one of them."
        )
    return head.index(column)


_Numbered = list[tuple[int, list[str]]]


def _rows(
    rows: Sequence[list[str]], head_row: int, head: Sequence[str], separator: str, origin: str
) -> tuple[_Numbered, int, list[LeftOutRows]]:
    """Return the rows below the head with their numbers, how many cells have no name, and what was left out."""
    torn, repeated = LeftOutRows(WhyLeftOut.ZERO_BYTES), LeftOutRows(WhyLeftOut.HEAD_REPEATED)
    taken: _Numbered = []
    for number, cells in enumerate(rows[head_row:], start=head_row + 1):
        if any(_NUL in cell for cell in cells):
            torn = torn.with_row(number)
        elif head_row and [cell.strip() for cell in cells[: len(head)]] == list(head):
            repeated = repeated.with_row(number)
        elif any(cell.strip() for cell in cells):
            taken.append((number, cells))
    taken, unnamed, long = _without_long(taken, head, separator, origin)
    return taken, unnamed, [one for one in (torn, repeated, long) if one.rows]


def _without_long(
    taken: _Numbered, head: Sequence[str], separator: str, origin: str
) -> tuple[_Numbered, int, LeftOutRows]:
    """Return the rows without those that have more cells than the head, or all where every row has as many."""
    width, left_out = len(head), LeftOutRows(WhyLeftOut.TOO_MANY_CELLS)
    long = [(number, cells) for number, cells in taken if any(cell.strip() for cell in cells[width:])]
    if not long:
        return taken, 0, left_out
    number, cells = long[0]
    if separator == "," and not any(_POINT.search(cell) for _, row in taken for cell in row):
        _refuse_long(number, cells, width, origin, "Decimal commas between commas need quotes, or another separator.")
    if len({len(row) for _, row in taken}) == 1:
        if len(cells) == width + 1 and _counts_up([row[0] for _, row in taken]):
            _refuse_long(number, cells, width, origin, "Name the first column, or the last one, in the head.")
        return taken, len(cells) - width, left_out
    if len(long) > _LONG_SHARE * len(taken):
        _refuse_long(number, cells, width, origin, "Put texts with the separator in them into quotes.")
    for number, _ in long:
        left_out = left_out.with_row(number)
    numbers = {number for number, _ in long}
    return [row for row in taken if row[0] not in numbers], 0, left_out


def _refuse_long(number: int, cells: Sequence[str], width: int, origin: str, mend: str) -> None:
    raise ImportFault(f"{len(cells)} cells, but the head has {width}", where=f"{origin}, row {number}", mend=mend)


def _counts_up(cells: Sequence[str]) -> bool:
    """Return whether the cells are numbers of rows, as some programs put before rows without a name."""
    first = cells[0].strip()
    if not first.isdigit() or len(first) > 1:
        return False
    return all(cell.strip() == str(int(first) + at) for at, cell in enumerate(cells))


def _half_line(taken: _Numbered, width: int, went_dark: bool) -> list[LeftOutRows]:
    """Take the last row away where it is a half one: its end is missing, and cells or the power were."""
    if len(taken) < 2 or not (went_dark or len(taken[-1][1]) < min(width, len(taken[-2][1]))):
        return []
    number, _ = taken.pop()
    return [LeftOutRows(WhyLeftOut.HALF_LINE).with_row(number)]


def _fits(row: CsvRow, columns: Sequence[str], where: Sequence[tuple[str, str]]) -> bool:
    return all(row.cells[columns.index(column)].strip() == value.strip() for column, value in where)


def _why_empty(found: Sequence[CsvRow], columns: Sequence[str], where: Sequence[tuple[str, str]]) -> str:
    if not where or not found:
        return "there is no row below the head"
    column, value = where[0]
    at = columns.index(column)
    seen = sorted({row.cells[at].strip() for row in found})
    listed = ", ".join(repr(text[:30]) for text in seen[:_SHOWN])
    more = f" and {len(seen) - _SHOWN} more" if len(seen) > _SHOWN else ""
    return f"no row has {column} = {value!r}; it has {listed}{more}"
