"""What the customer's complaint asks of a proof: which parts must have been loaded, how long, in what use. Pure.

That a fault which came while the graphics card worked is not disproved by a load of the processor is common
practice, no source; how long a clean use must be is in `soak`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from verifyrig.core.errors import UsageError
from verifyrig.core.exposure import Exposure, LoadedPart, TimeSpent
from verifyrig.jobs.model import EntryKind, Job
from verifyrig.jobs.soak import RULE_OF_THREE, always, plan_soak, time_until_h

# Answers to `doing`, and the parts that work then. What is not listed names none: the free text decides.
PARTS_OF_DOING: Mapping[str, tuple[LoadedPart, ...]] = {
    "games-or-3d": (LoadedPart.GRAPHICS,),
    "long-computing": (LoadedPart.PROCESSOR,),
    "copying-files": (LoadedPart.STORAGE,),
    "office": (),
    "video": (),
    "starting-up": (),
    "idle": (),
}
# Words of the complaint, whole or as the start of a word, and the part that they mean; English and German.
WORDS_OF_PART: Mapping[LoadedPart, tuple[str, ...]] = {
    LoadedPart.GRAPHICS: (
        "game", "games", "gamer", "gaming", "playing", "3d", "graphic*", "gpu", "video card", "artefact*", "artifact*",
        "spiel", "spiele", "spielen", "spielt", "beim spielen", "zocken", "zockt", "grafik*", "bildfehler",
    ),
}  # fmt: skip


class Use(StrEnum):
    """Which time counts as use in which the fault could have come."""

    LOAD = "load"
    IDLE = "idle"
    ANY = "any"


_USE_OF_WHEN = {"at-rest": Use.IDLE, "any-time": Use.ANY}


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """What must be shown before the complaint may be called gone.

    Attributes:
        parts: Parts that must have been loaded.
        use: Which time counts.
        clean_s: How long the clean use must be in all, s; 0 where nothing says that the fault came rarely.
        stretch_s: How long at least in one stretch, s: as long as it took from the start until the fault came.
        unclear: Answers on how often it came that cannot be counted, by key.
    """

    parts: tuple[LoadedPart, ...] = ()
    use: Use = Use.LOAD
    clean_s: float = 0.0
    stretch_s: float = 0.0
    unclear: tuple[tuple[str, str], ...] = ()

    def spent(self, exposure: Exposure, part: LoadedPart | None = None) -> TimeSpent:
        """Return the time that counts, of one part where it is named."""
        if part is not None:
            return exposure.by_part.get(part, TimeSpent())
        return {Use.LOAD: exposure.loaded, Use.IDLE: exposure.idle, Use.ANY: exposure.recorded}[self.use]


def complaint_of(job: Job) -> Complaint:
    """Return what the intake and what was asked later say; a later answer is a finding of the same name."""
    rate_h, unclear = _asked(job, "how-often", lambda words: 0.0 if always(words) else plan_soak(words).hours)
    until_h, unclear_too = _asked(job, "time-from-start", time_until_h)
    return Complaint(
        parts=_parts(job),
        use=_USE_OF_WHEN.get(_answer(job, "when"), Use.LOAD),
        clean_s=max(rate_h, RULE_OF_THREE * until_h) * 3600,
        stretch_s=until_h * 3600,
        unclear=(*unclear, *unclear_too),
    )


def _answer(job: Job, key: str) -> str:
    """Return the newest answer; empty where it was never asked, or is not known."""
    later = [entry for entry in job.of_kind(EntryKind.FINDING) if entry.what == key]
    words = later[-1].text("value") if later else job.intake.answers.get(key, "")
    return "" if words.strip().casefold() in ("not-known", "not known", "?", "-") else words.strip()


def _asked(job: Job, key: str, hours_of: Callable[[str], float]) -> tuple[float, tuple[tuple[str, str], ...]]:
    words = _answer(job, key)
    try:
        return (hours_of(words), ()) if words else (0.0, ())
    except UsageError:
        return 0.0, ((key, words),)


def _parts(job: Job) -> tuple[LoadedPart, ...]:
    doing = _answer(job, "doing")
    if doing in PARTS_OF_DOING:
        return PARTS_OF_DOING[doing]
    text = " ".join([job.intake.complaint, doing, _answer(job, "when"), _answer(job, "how-often")]).casefold()
    return tuple(part for part, words in WORDS_OF_PART.items() if any(_names(text, word) for word in words))


def _names(text: str, word: str) -> bool:
    pattern = re.escape(word.rstrip("*")) + (r"\w*" if word.endswith("*") else "")
    return re.search(rf"\b{pattern}\b", text) is not None
