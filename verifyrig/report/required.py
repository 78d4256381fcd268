"""What a test report must contain, item by item, and where this one has it.

Source of the list: ISO/IEC 17025:2017, 7.8.2.1 a to p, read in public page copies; wording our own.
"""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.report.wording import Words


class Item(NamedTuple):
    """One item of the list: letter, what it asks, where it stands (anchor of the section and words)."""

    letter: str
    asks: str
    anchor: str
    where: str


_ITEMS = (
    ("a", "what kind of report this is", "head", "title"),
    ("b", "who made it, and their address", "head", "head of the page"),
    ("c", "where the work was done", "conditions", "conditions"),
    ("d", "a number on every page, and a mark of the end", "end", "foot of each page, last line"),
    ("e", "who the customer is", "machine", "machine and customer"),
    ("f", "how it was measured", "method", "method and decision rule"),
    ("g", "what was measured, and in which condition it was", "machine", "machine and customer"),
    ("h", "when it came in", "machine", "machine and customer"),
    ("i", "when it was measured", "runs", "all runs"),
    ("j", "when this report was made", "head", "head of the page"),
    ("k", "how it was sampled", "conditions", "conditions"),
    ("l", "that it speaks of this machine only", "method", "method and decision rule"),
    ("m", "results with units", "numbers", "figures and limits"),
    ("n", "what was added to the method or left out of it", "not-measured", "not measured, not guarded"),
    ("o", "who answers for it", "signatures", "signatures"),
    ("p", "what came from others", "method", "method and decision rule"),
)


def required_items(words: Words) -> list[Item]:
    """Return the items with the place of each in this report."""
    return [Item(letter, words.t(asks), anchor, words.t(where)) for letter, asks, anchor, where in _ITEMS]
