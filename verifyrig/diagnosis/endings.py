"""Interrupted runs as evidence: what the system's own log says of them, and what several have in common.

The figures of the last moments are those of the post-mortem, so that `inspect` and `diagnose` say the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.evidence import EvidencePiece
from verifyrig.runs.interruptions import pattern_of
from verifyrig.runs.post_mortem import EndedBy, PostMortem
from verifyrig.system.history.words import meaning_of, speaks_for

__all__ = ["ending_pieces"]

_REPEATS = {EndedBy.HEAT: "same-temperature", EndedBy.POWER: "same-watts"}


def ending_pieces(endings: Sequence[PostMortem]) -> list[EvidencePiece]:
    """Return what the post-mortems of one state of the machine add to its records; empty where they add nothing."""
    said = {speaks_for(entry): meaning_of(entry) for ending in endings for entry in ending.remembered}
    found = [_piece("system-log", word.value, reason("system-says", what=(says,))) for word, says in said.items()]
    pattern = pattern_of(endings)
    if pattern is not None and pattern.speaks_for in _REPEATS:
        found.append(_piece("repeat", _REPEATS[pattern.speaks_for], pattern.conclusion))
    return [piece for piece in found if piece is not None]


def _piece(name: str, word: str, says: Reason) -> EvidencePiece | None:
    row = tables.likelihood("sign", name, word)
    return None if row is None else EvidencePiece(name=name, says=says, logs=np.log(np.maximum(row, 1e-3)))
