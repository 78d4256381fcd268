"""Text from outside made harmless, for every face: terminal, JSON, page, spreadsheet. Pure.

Names, labels, serial lines, file names and texts of other people's records may hold anything. What comes out of here
drives no terminal (ECMA-48 controls, in 7 and 8 bits), turns no reading direction, hides nothing and breaks no line.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

# Characters that turn the direction of the text around them (UAX #9): shown by their code, not obeyed.
_DIRECTION = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
# Letters and marks by their category that nothing is drawn for (Unicode, Default_Ignorable_Code_Point).
_BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u3164\uffa0")
_JOINERS = frozenset("\u200c\u200d")
_LINE_ENDS = re.compile(r"\r\n|[\n\v\f\r\x1c-\x1e\x85\u2028\u2029]")
_BLANKS = re.compile(r" {2,}")
# Spreadsheets take a text for a formula by its first character; blanks, tabs and line ends are stripped before that.
_FORMULA_STARTS = ("=", "+", "-", "@", "|", "%")


def plain_line(text: object, longest: int | None = None) -> str:
    """Return the text as one harmless line, runs of blanks and line ends as one blank; an ellipsis shows a cut."""
    return shortened(_BLANKS.sub(" ", plain_lines([text])).strip(), longest)


def plain_lines(lines: Iterable[object]) -> str:
    """Return the lines as one text; none of them becomes two, their own blanks stay."""
    return "\n".join(_harmless(_LINE_ENDS.sub(" ", str(line)).replace("\t", " ")) for line in lines)


def plain_block(text: object) -> str:
    """Return the text harmless with its line breaks."""
    return _harmless(_LINE_ENDS.sub("\n", str(text)).replace("\t", " "))


def plain_cell(text: object, longest: int | None = None) -> str:
    """Return the text as a cell that no spreadsheet takes for a formula: an apostrophe stands before what looks so."""
    line = plain_line(text, longest)
    return f"'{line}" if line.startswith(_FORMULA_STARTS) or str(text)[:1] in ("\t", "\r", "\n") else line


def storable(text: object) -> str:
    """Return text that UTF-8 can hold: lone surrogates, from file names of another code page, become '?'."""
    return str(text).encode("utf-8", "replace").decode("utf-8")


def is_hidden(character: str) -> bool:
    """Return whether a character acts on a terminal, or nothing is drawn for it."""
    return character in _BLANK or unicodedata.category(character) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def shortened(line: str, longest: int | None) -> str:
    """Return the line, cut with an ellipsis where it is longer than asked for."""
    return line if longest is None or len(line) <= longest else line[: longest - 1].rstrip() + "…"


def _harmless(text: str) -> str:
    """Return the text without hidden characters other than "\\n"."""
    if text.replace("\n", "").isprintable() and not _BLANK.intersection(text):
        return text
    return "".join(_shown(text, at) for at in range(len(text)))


def _shown(text: str, at: int) -> str:
    """Return what stands for a character: itself, its code, U+FFFD for a control, nothing for what has no width."""
    character = text[at]
    if character == "\n" or not is_hidden(character):
        return character
    if character in _DIRECTION:
        return f"[U+{ord(character):04X}]"
    if character in _JOINERS and _is_spelling(text, at):
        return character
    return "" if character in _BLANK or unicodedata.category(character) == "Cf" else "\ufffd"


def _is_spelling(text: str, at: int) -> bool:
    """Return whether a joiner stands within a word of a script that spells with it, such as Persian (RFC 5892, A.1)."""
    beside = (text[at - 1 : at], text[at + 1 : at + 2])
    return all(one > "\u0590" and unicodedata.category(one)[0] in "LM" and one not in _BLANK for one in beside)


def duration_text(seconds: float) -> str:
    """Return a duration as people say it: `40 s`, `20 min`, `6 h`, `31.5 h`."""
    if seconds < 120:
        return f"{seconds:.2g} s"
    if seconds < 7200:
        return f"{round(seconds / 60):d} min"
    return f"{seconds / 3600:.3g} h"
