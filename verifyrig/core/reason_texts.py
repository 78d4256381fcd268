"""The English sentence of every reason, by its code.

A sentence is a clause that can follow a colon. Numbers carry their format; a catalogue of another language has the
sentence without it, and forms numbers by its own rules.
"""

from __future__ import annotations

TEXTS: dict[str, str] = {
    # May two runs be compared (analysis.comparable)
    "no-such-stage-before": "the run before has no such stage",
    "no-such-stage-after": "the run after has no such stage",
    "recipe-unknown-both": "the recipe of both runs is unknown",
    "recipe-unknown-one": "the recipe of one run is unknown",
    "recipe-differs": "the recipe differs",
    "room-not-measured-both": "the room of both runs was not measured",
    "room-not-measured-one": "the room of one run was not measured",
    "rooms-too-far-apart": "the rooms differ by {difference_k:.1f} K, too far to correct for",
    "rooms-corrected": (
        "the rooms differ by {difference_k:.1f} K: temperatures are corrected to {reference_c:g} °C of room"
    ),
    "power-not-readable-both": "power was not readable in both runs",
    "power-not-readable-one": "power was not readable in one run",
    "power-differs": "the mean power differs: {before_w:.0f} W before, {after_w:.0f} W after",
    "work-rate-differs": "the work rate differs: {before:.3g}/s before, {after:.3g}/s after",
    "fan-differs": "{channel} at the same die temperature is {ratio:.0%} of what it was before",
    "other-sensor": "{channel} was read by another sensor",
    "channels-only-before": "only the run before has {channels}",
    "analysis-versions-differ": (
        "the records were taken with different versions of the analysis; both are computed anew"
    ),
    "state-unknown-both": "{state} is unknown in both runs",
    "state-unknown-before": "{state} is unknown in the run before",
    "state-unknown-after": "{state} is unknown in the run after",
    "state-differs": "{state} differs: {before} before, {after} after",
    # A machine that came back beside the run it left with (jobs.returned)
    "today-ended": "today's run ended: {how}",
    "today-fails-what-it-kept": "today's run fails a limit that it kept then",
    "cannot-be-compared": "the two runs cannot be compared",
    "no-figure-differs": "no figure differs by more than its uncertainty",
    "in-stages": "{why} ({stages})",
    "figure-moved": "{metric} {then:.4g} then, {now:.4g} now",
}
