"""How far a batch was watched, kept in the bench folder, so that a watch that is started anew takes no look twice."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import BenchError
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.qa.watching import WatchedBatch

__all__ = ["keep_watched", "read_watched"]

_TEXTS = ("series", "past", "failed", "told")


def _path(bench: Bench, recipe: str, batch: str | None) -> Path:
    name = hashlib.sha256(json.dumps([recipe, batch]).encode()).hexdigest()[:16]
    return bench.root / "line" / f"watch-{name}.json"


def read_watched(bench: Bench, recipe: str, batch: str | None) -> WatchedBatch:
    """Return how far; raise `BenchError` where the file is not one of ours: begun anew, looks would be taken twice."""
    path = _path(bench, recipe, batch)
    try:
        held = json.loads(read_text(path, FileKind.JOB))
        texts = {key: tuple(held[key]) for key in _TEXTS}
        if not all(isinstance(text, str) for own in texts.values() for text in own):
            raise ValueError("texts expected")
        return WatchedBatch(**texts, looks=int(held["looks"]), alarms=int(held["alarms"]))
    except FileNotFoundError:
        return WatchedBatch()
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise BenchError(
            f"how far the batch was watched cannot be read ({error})",
            where=str(path),
            mend="Put the file aside; the batch is then watched from its first unit on, and its alarms come again.",
        ) from error


def keep_watched(bench: Bench, recipe: str, batch: str | None, state: WatchedBatch) -> None:
    """Keep how far, whole."""
    write_whole(_path(bench, recipe, batch), json.dumps(asdict(state)))
