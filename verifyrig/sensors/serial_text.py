"""Text lines of serial instruments: bytes in any pieces to complete lines, lines to values. Opens nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

LONGEST_LINE = 200
# Above so many lines in one piece only the newest count: a flood must not cost more than it is worth.
NEWEST_LINES = 32

_ENDS = re.compile(rb"[\r\n]+")


class LineSplitter:
    """Hands out complete lines only.

    What comes before the first line end after opening is a fragment that may still look like a number
    ("2.83" of 22.83), so it is dropped; so is what a line has so far when it grows too long, or when the
    rest of it did not come in time (`forget`).
    """

    def __init__(self) -> None:
        self._buffer = b""
        self._synced = False
        self.too_long = 0

    def feed(self, data: bytes) -> list[str]:
        """Return the lines that `data` completes, oldest first, with bytes that are no ASCII replaced."""
        pieces = _ENDS.split(self._buffer + data) if _ENDS.search(data) else None
        if pieces is None:
            self._buffer += data
            self._check_length()
            return []
        self._buffer = pieces.pop()
        if not self._synced:
            self._synced = True
            pieces = pieces[1:]
        self._check_length()
        whole = [piece for piece in pieces[-NEWEST_LINES:] if piece]
        self.too_long += sum(len(piece) > LONGEST_LINE for piece in whole)
        return [piece.decode("ascii", errors="replace") for piece in whole if len(piece) <= LONGEST_LINE]

    def _check_length(self) -> None:
        if len(self._buffer) > LONGEST_LINE:
            self.too_long += 1
            self.forget()

    def forget(self) -> None:
        """Drop what there is of an unfinished line, and the rest of it up to the next line end."""
        self._buffer = b""
        self._synced = False

    @property
    def is_midway(self) -> bool:
        """Whether a line has begun and not ended."""
        return bool(self._buffer)


# IEEE 488.2 response numbers: NR1 146, NR2 12.3, NR3 +1.0E-2; a digit on both sides of the point, so that
# "22." and ".83", which a cut line leaves, are none.
_NUMBER = r"[+-]?\d{1,12}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,3})?"
_UNIT = r"(?:°|\ufffd{1,2}|deg\.?\s?)?[CFK]|[mµu]?V|[mk]?W|rpm|%|ohm|Ω"
_NAME = r"[A-Za-z][A-Za-z0-9_]{0,23}"
_FIELD = re.compile(rf"\s*(?:(?P<name>{_NAME})\s*[:=]\s*)?(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?\s*")
_SEPARATOR = re.compile(r"[,;\t|]\s*|\s+")
_CHECKSUM = re.compile(r"\$?(?P<body>[^*]*)\*(?P<sum>[0-9A-Fa-f]{2})")
_ANY_NAME = ("t", "tc", "temp", "temperature", "value", "reading", "probe")
# What instruments write in place of a number.
_NO_READING = re.compile(
    r"(?i)\b(?:nan|inf|open|short|fault|fail(?:ed|ure)?|error|err|ol|over ?load|disconnected|no ?probe|n/a)\b"
    r"|-{2,}(?:\.-+)?"
)


@dataclass(frozen=True, slots=True)
class Field:
    """One number of a line: its name if it has one, its text as sent, its unit as sent (may be empty)."""

    name: str
    number: str
    unit: str


@dataclass(frozen=True, slots=True)
class Said:
    """An instrument's own word that it has no reading, such as `OPEN`."""

    text: str


def parse_line(line: str) -> list[Field] | Said | None:
    """Return the numbers of a line, the instrument's word that it has none, or None for what is no such line.

    The whole line has to fit: fields of `name=`, number, unit, apart by comma, semicolon, tab or blanks.
    A line that ends in `*hh` must carry the exclusive-or of its characters (as in NMEA 0183).
    """
    body = _checked(line.strip())
    if body is None:
        return None
    fields = _fields(body)
    if fields is not None:
        return fields
    return Said(body[:60]) if _NO_READING.search(body) and body.isprintable() and "\ufffd" not in body else None


def _checked(line: str) -> str | None:
    if "*" not in line:
        return line
    found = _CHECKSUM.fullmatch(line)
    if found is None:
        return None
    total = 0
    for character in found["body"]:
        total ^= ord(character) & 0xFF
    return found["body"].strip() if total == int(found["sum"], 16) else None


def _fields(body: str) -> list[Field] | None:
    fields: list[Field] = []
    position = 0
    while position < len(body):
        found = _FIELD.match(body, position)
        if found is None:
            return None
        fields.append(Field(found["name"] or "", found["number"], _plain_unit(found["unit"])))
        position = found.end()
        if position < len(body):
            gap = _SEPARATOR.match(body, position)
            if gap is None and not body[position - 1].isspace():
                return None
            position = gap.end() if gap is not None else position
    return fields or None


def _plain_unit(unit: str | None) -> str:
    text = (unit or "").strip("°\ufffd")
    return re.sub(r"deg\.?\s?", "", text)


def parse_pattern(line: str, pattern: re.Pattern[str]) -> list[Field] | None:
    """Return the groups of a pattern of bench.toml that fits the whole line, as fields named by their group.

    A group `NAME_unit` gives the unit of group `NAME`.
    """
    found = pattern.fullmatch(line.strip())
    if found is None:
        return None
    groups = found.groupdict()
    names = [name for name in groups if not name.endswith("_unit")]
    fields = [Field(name, groups[name] or "", _plain_unit(groups.get(f"{name}_unit"))) for name in names]
    return fields if all(re.fullmatch(_NUMBER, field.number) for field in fields) else None


def select(fields: Sequence[Field], keys: Sequence[str]) -> Mapping[str, Field]:
    """Return which field belongs to which key of bench.toml's `channels`.

    Fields with a name go by the name; where no field has one of the names, the keys go by their order.
    """
    named = {field.name.lower(): field for field in fields if field.name}
    chosen = {key: named[key.lower()] for key in keys if key.lower() in named}
    if chosen:
        return chosen
    plain = [field for field in fields if not field.name]
    # One number under a name such as "Temp" is meant; one called T2 is not the key t1.
    plain = plain or [field for field in fields if len(fields) == 1 and field.name.lower() in _ANY_NAME]
    # Whole numbers beyond those asked for may be the decimals of a decimal comma: 22,83.
    too_many = len(plain) > len(keys) and not all("." in field.number for field in plain)
    return {} if too_many or len(plain) < len(keys) else dict(zip(keys, plain, strict=False))


def shape(fields: Sequence[Field]) -> tuple[tuple[str, int, bool, str], ...]:
    """Return how a line is built: of each field the name, the decimals, whether it has an exponent, the unit.

    An instrument keeps to one shape; a line that lost or gained a byte seldom has it.
    """
    return tuple((field.name, _decimals(field.number), _has_exponent(field.number), field.unit) for field in fields)


def _decimals(number: str) -> int:
    mantissa = re.split("[eE]", number, maxsplit=1)[0]
    return len(mantissa.partition(".")[2])


def _has_exponent(number: str) -> bool:
    return "e" in number.lower()
