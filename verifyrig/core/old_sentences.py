"""Sentences of records, notes beside them and job files made before reasons were kept as data, read once and for all.

The table is frozen: it holds the sentences as they were written then, and no other place reads a sentence. What is
written today carries the code with its values beside the sentence.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from verifyrig.core.reason import Reason, Value, reason_of_json, with_codes

# No sentence of ours is longer; longer texts are from outside, and are not tried against every form.
_LONGEST = 400

# A place is a word, a number as it was rounded then, a share in per cent, or reasons parted by semicolons.
_OLD: tuple[tuple[str, str], ...] = (
    ("power is unknown", "power-unknown"),
    ("the room is unknown", "room-unknown"),
    ("the fan speed is unknown", "fan-speed-unknown"),
    ("no reading at rest", "no-reading-at-rest"),
    ("no pulse yet: a steady load cannot be foreseen from rest alone", "no-pulse-yet"),
    ("too few readings at rest and in the pulses", "few-readings-in-pulses"),
    ("from rest and pulses", "from-rest-and-pulses"),
    ("no load so far moved the card's temperature", "card-not-moved"),
    ("scaled from the lesser loads before", "scaled-from-lesser-loads"),
    ("no load after a trip, a closed gate or a stop", "no-load-after-stop"),
    ("no more than {time_s:number} s of load are run blind", "blind-time-used-up"),
    ("not answered: who is here, and until when?", "presence-not-answered"),
    ("not answered: {question}", "not-answered"),
    ("{person} is here until {until}, and the load may last until {needed_until}", "presence-too-short"),
    ("the customer has not agreed: {consent}", "not-agreed"),
    ("the customer was not asked: {consent}", "not-asked"),
    ("the held {target_c:number} °C leave less than {room_k:number} K to the limit", "held-too-near-limit"),
    ("it cannot be foreseen how hot it gets ({why:reasons}); put a stage of pulses before it", "cannot-be-foreseen"),
    (
        "rest and pulses foresee {peak_c:number} ± {u95_k:number} °C under it, and the limit is {limit_c:number} °C",
        "foreseen-too-hot",
    ),
    ("it was ended while it came up", "ended-while-coming-up"),
    ("it is {value_c:number} °C at rest, above {limit_c:number} °C", "is-too-hot"),
    ("it will settle at {value_c:number} °C at rest, above {limit_c:number} °C", "will-be-too-hot"),
    ("it is {rise_k:number} K above the room at rest, more than {limit_k:number} K", "is-too-far-above-room"),
    (
        "it will settle at {rise_k:number} K above the room at rest, more than {limit_k:number} K",
        "will-be-too-far-above-room",
    ),
    ("it gives no reading to be believed", "no-reading-to-believe"),
    ("gate of stage {stage}: {channel}: {why:reasons}", "gate-closed"),
    ("the load is gone: {gone} of {count} workers ended by themselves", "workers-gone"),
    ("the load is gone: the workers are there, but did no work in {time_s:number} s", "workers-idle"),
    ("a danger was noted: {danger} ({noted})", "danger-noted"),
    ("nobody answered the question who is present", "nobody-present"),
    ("the record is {lag_s:number} s behind: the disk or stick stalls", "record-behind"),
    ("the record cannot be written ({cause}); what was committed stays", "record-not-writable"),
    ("there is no reading of the power, so the load stays at {share:share} of full duty", "hold-no-power"),
    ("there is no reading of the temperature, so the load stays at {share:share} of full duty", "hold-no-temperature"),
    ("full load does not bring it to {target:number} W", "hold-power-not-reached"),
    ("full load does not bring it to {target:number} °C", "hold-temperature-not-reached"),
    ("it stays above {target:number} W without any load", "hold-power-above"),
    ("it stays above {target:number} °C without any load", "hold-temperature-above"),
    ("the load was ended with the space bar", "space-bar"),
    ("ended from the keyboard", "from-keyboard"),
    ("the program was told to end (SIGTERM)", "told-to-end"),
    ("the terminal was closed", "terminal-closed"),
    ("the system slept for {slept_s:number} s", "system-slept"),
    ("the machine under test went dark while this computer went on recording", "went-dark"),
    ("the record was closed without saying how the run ended", "closed-without-ending"),
    ("the record was never closed, and does not say where it was written", "never-closed-no-keeper"),
    ("the record was never closed: power lost, a reset, a hang or a killed program", "never-closed"),
    ("it was written on another computer, so this one cannot tell which", "other-computer"),
    ("process {pid} is gone without closing the record", "process-gone"),
    ("the system was not restarted", "not-restarted"),
    ("process {pid} is there, but has written nothing for {time_s:number} s", "process-silent"),
    ("the system was restarted since, and the record never closed", "restarted"),
    ("its log ends where the system went to sleep", "log-ends-asleep"),
    ("its log ends {time_s:number} s later with an orderly shut-down", "log-ends-orderly"),
    ("the system went on for {time_min:number} min and was shut down in order", "log-goes-on-orderly"),
    ("its log goes on for {time_s:number} s after the last sample", "log-goes-on"),
    ("its log ends with the record, without a shut-down", "log-ends-with-record"),
    ("said by the person who imported it; the log ends here", "said-by-importer"),
    ("a copy without the log that belongs beside it", "copy-without-log"),
    ("the part fitted for test only is still in the machine: {part}", "test-part-inside"),
    ("not ticked: {step} ({id})", "step-not-ticked"),
    ("not safe to use: {danger} ({noted})", "danger-stands"),
    ("no verification run after the last change ({change})", "no-verification"),
    ("the last verification, run {run}, does not stand ({cause})", "verification-does-not-stand"),
    (
        "a second verification run after: {change}; paste settles in the first heat cycles",
        "second-verification-missing",
    ),
    ("load ended with the space bar", "space-bar"),
    ("no job stands behind these records: nobody has closed it", "fitness-no-job"),
    ("record {run} was altered after it was written", "fitness-record-altered"),
    ("record {run} is damaged", "fitness-record-damaged"),
    ("record {run} was never sealed, and proves nothing: measure again", "fitness-record-unsealed"),
    ("nothing was measured", "fitness-no-run"),
    ("the machine was changed, and has not been measured again", "fitness-not-measured-again"),
    ("run {run} broke off before its end", "fitness-broke-off"),
    ("run {run} has no verdict: no limit was set, or a figure is missing", "fitness-no-verdict"),
    ("run {run} shows a fault, and nothing that stays was done about it", "fitness-fault-seen"),
    ("run {run} shows the fault still", "fitness-fault-remains"),
    ("run {run} keeps its limit within the uncertainty only, which its plan refuses", "fitness-rejected"),
    ("its reading no longer moves where it should", "trip-stuck"),
    ("no reading to be believed for {silent_s:number} s", "trip-no-reading"),
    ("it rose by {rate_k_per_s:number} K/s over ten seconds", "trip-rate"),
    ("it would cross before the next sample could act", "trip-line"),
    ("it moved by {moved_k:number} K within {within_s:number} s of the load's start", "trip-no-reaction"),
    ("it reached its limit", "trip-at-limit"),
    ("it fell below its limit", "trip-below-limit"),
    ("{channel} stays at {temp_c:number} °C with no load", "stays-hot"),
    ("{channel} still rises with no load, and stands at {temp_c:number} °C", "still-rises"),
    (
        "The {place} is below {limit_c:number} °C; check before touching: other parts may be hotter.",
        "touch-now",
    ),
    (
        "The {place} will be below {limit_c:number} °C in about {wait_min:number} min (estimated; check before "
        "touching).",
        "touch-soon",
    ),
    (
        "{allowed_gib:number} GiB of memory under test, not {wanted_gib:number}: {reserve_gib:number} GiB stay free",
        "memory-less-than-asked",
    ),
    (
        "the memory under test is hardly larger than the cache, which may answer in its place",
        "memory-hardly-above-cache",
    ),
    ("the memory under test could not be locked against swapping", "memory-not-locked"),
    ("storage is read back through the system's cache", "storage-through-cache"),
    ("the card's memory is nearly full: products of order {order:number} only", "card-memory-nearly-full"),
    ("{stage}: {why:reasons}", "of-stage"),
)


def reason_of_sentence(text: str) -> Reason | None:
    """Return the reason that an old sentence gives; None for text from outside."""
    if len(text) > _LONGEST:
        return None
    for form, kinds, code in _forms():
        found = form.fullmatch(text)
        if found is not None:
            values = {name: _value(found[name], kind) for name, kind in kinds.items()}
            if all(value is not None for value in values.values()):
                return Reason(code, with_codes({name: value for name, value in values.items() if value is not None}))
    return None


def reasons_of_text(text: str) -> tuple[Reason | str, ...]:
    """Return the reasons that stand in a text, parted by semicolons; what is from outside stays text."""
    whole = reason_of_sentence(text)
    parts: list[Reason | str] = [text] if whole is None else [whole]
    if whole is None and "; " in text:
        parts = [reason_of_sentence(part) or part for part in text.split("; ")]
    return tuple(parts) if text else ()


def kept_reasons(sentences: Any, beside: Any) -> tuple[Reason | str, ...]:
    """Return reasons as they are kept: by the data beside the sentences, else by the sentences themselves."""
    texts = [str(text) for text in sentences] if isinstance(sentences, (list, tuple)) else []
    data = list(beside) if isinstance(beside, (list, tuple)) else []
    if len(data) != len(texts):
        data = [None] * len(texts)
    return tuple(
        reason_of_json(kept) or reason_of_sentence(text) or text for text, kept in zip(texts, data, strict=True)
    )


@cache
def _forms() -> tuple[tuple[re.Pattern[str], dict[str, str], str], ...]:
    return tuple((_pattern(sentence), _kinds(sentence), code) for sentence, code in _OLD)


_PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")


def _kinds(sentence: str) -> dict[str, str]:
    return {name: kind or "word" for name, kind in _PLACE.findall(sentence)}


def _pattern(sentence: str) -> re.Pattern[str]:
    text, at = "", 0
    for place in _PLACE.finditer(sentence):
        text += re.escape(sentence[at : place.start()]) + f"(?P<{place[1]}>.+?)"
        at = place.end()
    return re.compile(text + re.escape(sentence[at:]), re.DOTALL)


def _value(text: str, kind: str) -> Value | None:
    """Return a value as its kind has it, None where the text holds none."""
    if kind == "reasons":
        found = tuple(reason_of_sentence(part) for part in text.split("; "))
        known = tuple(one for one in found if one is not None)
        return known if len(known) == len(found) else None
    if kind == "word":
        return text
    try:
        return float(text.removesuffix("%")) / 100 if kind == "share" else float(text)
    except ValueError:
        return None
