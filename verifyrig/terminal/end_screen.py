"""The end of a build run in letters that are read from three metres: word and shape, no colour needed."""

from __future__ import annotations

from verifyrig.metrology.verdict import Verdict
from verifyrig.terminal.letters import LETTERS, enlarged, side_by_side

__all__ = ["end_screen"]

_WORDS = {
    Verdict.PASS: ("PASS",),
    Verdict.CONDITIONAL_PASS: ("NOT", "PROVEN"),
    Verdict.CONDITIONAL_FAIL: ("NOT", "PROVEN"),
    Verdict.FAIL: ("FAIL",),
    Verdict.NOT_MEASURED: ("NO", "RESULT"),
}
# The shapes of the verdicts: round leans to pass, pointed to fail; filled is proven.
_SHAPES = {
    Verdict.PASS: ("..###..", ".#####.", "#######", "#######", "#######", ".#####.", "..###.."),
    Verdict.CONDITIONAL_PASS: ("..###..", ".#...#.", "#.....#", "#.....#", "#.....#", ".#...#.", "..###.."),
    Verdict.CONDITIONAL_FAIL: ("...#...", "..#.#..", "..#.#..", ".#...#.", ".#...#.", "#.....#", "#######"),
    Verdict.FAIL: ("...#...", "..###..", "..###..", ".#####.", ".#####.", "#######", "#######"),
    Verdict.NOT_MEASURED: ("...#...", "..#.#..", ".#...#.", "#.....#", ".#...#.", "..#.#..", "...#..."),
}


def end_screen(verdict: Verdict, unit: str, columns: int = 80, rows: int = 24) -> list[str]:
    """Return the lines: shape and word as large as the terminal allows, and the unit's name below.

    Where even the smallest letters do not fit, word and shape stand there once in plain letters.
    """
    from verifyrig.metrology.verdict import plain_word, shape

    for scale in (3, 2, 1):
        lines = _drawn(verdict, scale)
        if max(map(len, lines)) <= columns and len(lines) + 3 <= rows:
            return ["", *lines, "", f"  {unit}".rstrip()]
    return [f"{shape(verdict)} {plain_word(verdict).upper()}  {unit}".rstrip()]


def _drawn(verdict: Verdict, scale: int) -> list[str]:
    """Return the shape with the first word beside it, further words below; each dot is two characters wide."""
    first, *others = _WORDS[verdict]
    pictures = [side_by_side([_SHAPES[verdict], *(LETTERS[letter] for letter in first)])]
    pictures += [side_by_side([LETTERS[letter] for letter in word]) for word in others]
    lines: list[str] = []
    for picture in pictures:
        lines += ["", *enlarged(picture, scale)] if lines else enlarged(picture, scale)
    return lines
