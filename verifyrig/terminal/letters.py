"""Words in letters that are read from three metres: what a run wants, for who stands at another machine. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.rig.observer import Attention

_WORDS = {
    Attention.TRIP: "TRIP",
    Attention.GATE: "GATE",
    Attention.STOP: "STOP",
    Attention.QUESTION: "ASKS",
    Attention.END: "DONE",
}
# Seven rows of a letter, top first; a dot is empty.
LETTERS = {
    "A": (".###.", "#...#", "#...#", "#####", "#...#", "#...#", "#...#"),
    "D": ("####.", "#...#", "#...#", "#...#", "#...#", "#...#", "####."),
    "E": ("#####", "#....", "#....", "####.", "#....", "#....", "#####"),
    "F": ("#####", "#....", "#....", "####.", "#....", "#....", "#...."),
    "G": (".####", "#....", "#....", "#..##", "#...#", "#...#", ".####"),
    "I": ("###", ".#.", ".#.", ".#.", ".#.", ".#.", "###"),
    "K": ("#...#", "#..#.", "#.#..", "##...", "#.#..", "#..#.", "#...#"),
    "L": ("#....", "#....", "#....", "#....", "#....", "#....", "#####"),
    "N": ("#...#", "##..#", "##..#", "#.#.#", "#..##", "#..##", "#...#"),
    "O": (".###.", "#...#", "#...#", "#...#", "#...#", "#...#", ".###."),
    "P": ("####.", "#...#", "#...#", "####.", "#....", "#....", "#...."),
    "R": ("####.", "#...#", "#...#", "####.", "#.#..", "#..#.", "#...#"),
    "S": (".####", "#....", "#....", ".###.", "....#", "....#", "####."),
    "T": ("#####", "..#..", "..#..", "..#..", "..#..", "..#..", "..#.."),
    "U": ("#...#", "#...#", "#...#", "#...#", "#...#", "#...#", ".###."),
    "V": ("#...#", "#...#", "#...#", "#...#", "#...#", ".#.#.", "..#.."),
}
_BLOCK = "█"
_LARGEST = 3


def word_of(what: Attention) -> str:
    """Return the word for it."""
    return _WORDS[what]


def large_word(what: Attention, columns: int, rows: int) -> list[str]:
    """Return the word as large as fits, with an empty line below; where no letters fit it stands there plainly."""
    word = _WORDS[what]
    for scale in range(_LARGEST, 0, -1):
        lines = enlarged(side_by_side([LETTERS[letter] for letter in word]), scale)
        if max(map(len, lines)) <= columns and len(lines) + 1 <= rows:
            return [*lines, ""]
    return [f"*** {word} ***"[:columns]]


def side_by_side(pictures: Sequence[tuple[str, ...]]) -> list[str]:
    """Return pictures of seven rows beside one another, a blank column before each."""
    return ["." + ".".join(rows) for rows in zip(*pictures, strict=True)]


def enlarged(picture: Sequence[str], scale: int) -> list[str]:
    """Return a picture drawn in blocks; each dot is two characters wide, times the scale."""
    wide = ("".join((_BLOCK if dot == "#" else " ") * 2 * scale for dot in row).rstrip() for row in picture)
    return [line for row in wide for line in [row] * scale]
