"""The English sentence of every reason, by its code.

A sentence is a clause that can follow a colon. Numbers carry their format; a catalogue of another language has the
sentence without it, and forms numbers by its own rules.
"""

from __future__ import annotations

from verifyrig.core.texts_of_capability import TEXTS_OF_CAPABILITY
from verifyrig.core.texts_of_diagnosis import TEXTS_OF_DIAGNOSIS
from verifyrig.core.texts_of_ends import TEXTS_OF_ENDS
from verifyrig.core.texts_of_fitness import TEXTS_OF_FITNESS
from verifyrig.core.texts_of_jobs import TEXTS_OF_JOBS

TEXTS: dict[str, str] = {
    **TEXTS_OF_CAPABILITY,
    **TEXTS_OF_DIAGNOSIS,
    **TEXTS_OF_ENDS,
    **TEXTS_OF_FITNESS,
    **TEXTS_OF_JOBS,
    # May two runs be compared (analysis.comparable)
    "no-such-stage-before": "the run before has no such stage",
    "no-such-stage-after": "the run after has no such stage",
    "recipe-unknown-both": "the recipe of both runs is unknown",
    "recipe-unknown-one": "the recipe of one run is unknown",
    "recipe-differs": "the recipe differs",
    "room-not-measured-both": "the room of both runs was not measured",
    "told-from-both-runs": "where the load settles is compared by one model of both runs, which needs no room",
    "room-not-measured-one": "the room of one run was not measured",
    "rooms-too-far-apart": "the rooms differ by {difference_k:.1f} K, too far to correct for",
    "rooms-corrected": (
        "the rooms differ by {difference_k:.1f} K: temperatures are corrected to {reference_c:g} °C of room"
    ),
    "rooms-corrected-to-before": (
        "the rooms differ by {difference_k:.1f} K: temperatures after are corrected to the room before"
    ),
    "compared-over-common-length": (
        "the stage lasted longer in one run: peak and rate are compared over its first {length_s:.0f} s"
    ),
    "power-not-readable-both": "power was not readable in both runs",
    "power-not-readable-one": "power was not readable in one run",
    "power-differs": "the mean power differs: {before_w:.0f} W before, {after_w:.0f} W after",
    "power-differs-per-watt": (
        "the mean power differs, {before_w:.0f} W before, {after_w:.0f} W after: what is given per watt is compared, "
        "at like fan speeds, and where full load settles"
    ),
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
    # Figures of one stage (analysis)
    "bad-times": "the record's times go back or stand still",
    "no-reading": "no reading in this stage",
    "few-readings": "only {count} readings in this stage",
    "no-reading-at-its-end": "no reading in the last half minute of this stage",
    "pulsed": "the load came in pulses: nothing settles",
    "stage-too-short": "the stage is too short to show where it settles",
    "extrapolated": "extrapolated",
    "extrapolated-not-settled": "extrapolated, not settled",
    "power-unknown": "power is unknown",
    "room-unknown": "the room is unknown",
    "fan-speed-unknown": "the fan speed is unknown",
    "flat-at-limit": "at or above: flat at the machine's own limit",
    "peak-flat-at-limit": "at or above: the trace is flat at the machine's own limit",
    "slower-than-allowed": "slower than the profile allows for: time constant about {time_constant_s:.0f} s",
    "moved-at-equal-power": "the reading moved by {moved_k:.0f} K within a minute at equal power, and may come back",
    "would-pass-limit": "would pass the limit of {limit_c:.0f} °C",
    "span-too-short": "the readings span less than 10 s",
    "room-not-measured": "the room was not measured",
    "room-above-part": "the room reads {room_c:.1f} °C, above the part: one of the two is wrong",
    "room-above-die": "the room reads above the die: one of the two is wrong",
    "room-above-card": "the room reads above the graphics card: one of the two is wrong",
    "room-too-far": "the room was {away_k:.0f} K away from the reference, too far to correct for",
    "in-reference-room": "in a room of {reference_c:g} °C",
    "few-readings-after-step": "too few readings after the load changed",
    "hardly-moved": "the temperature hardly moved",
    "no-exponentials": "the readings follow no sum of exponentials",
    "ended-before-time-constant": "the stage ended too early to show the time constant",
    "ended-before-63-pct": "the stage ended before 63 % of the way",
    "u95-of-least-sure": "u95 of the least sure",
    "power-not-readable": "power was not readable",
    "power-no-reading": "power has no reading in this stage",
    "power-reads-zero": "the power reading is zero",
    "no-temperature-die": "this machine gave no die temperature",
    "no-temperature-card": "this machine gave no graphics card temperature",
    "load-not-on-die": "the load of this stage is not on the die",
    "load-not-on-card": "the load of this stage is not on the graphics card",
    "load-did-not-change": "the load did not change in this stage",
    "nothing-before-step": "nothing was recorded before the change of load",
    "load-before-unknown": "cannot tell: nothing says what the load was before this stage",
    "cannot-tell-settled": "cannot tell where it settles: too little was seen of it",
    "few-readings-around-step": "too few readings around the change of load",
    "not-one-die": "the trace does not look like heat flowing from one die to one room",
    "not-one-card": "the trace does not look like heat flowing from one graphics card to one room",
    "step-too-small": "the step of power is too small to divide by",
    "pulses-cannot-give-it": "pulses cannot give it",
    "step-power-not-recorded": "the power right around the change of load was not recorded",
    "at-fan-speed": "at {speed_rpm:.0f} rpm",
    "shape-alone": "power is unknown: the shape alone, which cannot tell a bad thermal path from a strong load",
    "card-does-not-say": "the card does not say what holds it back",
    "card-held-by-heat": "the card says it is held back by heat",
    "card-at-power-limit": "at its power limit of {limit_w:.0f} W for {share:.0%} of the stage",
    "card-at-unknown-power-limit": "at its power limit for {share:.0%} of the stage",
    "no-throttle-counter": "this machine has no throttle counter",
    "throttled-for-heat": "counted by the processor for heat",
    "no-work-counted": "no work was counted",
    "load-too-short": "the load lasted {had_s:.0f} s, and {least_s:.0f} s are the least",
    "work-kept-over": "over the first and the last {window_s:.0f} s, for the load was shorter than two minutes",
    "no-work-at-first": "no work was done in the first minute",
    "no-results-checked": "the load checked no results",
    # Readings that cannot all be true (analysis.contradictions)
    "below-surroundings": (
        "{colder} reads {by_k:.1f} ± {u95_k:.1f} K less than {warmer}, the coldest around it: one of the two is wrong"
    ),
    "below-typed-room": (
        "{colder} reads {by_k:.1f} ± {u95_k:.1f} K less than the room that was typed: one of the two is wrong"
    ),
    "against-heat-flow": (
        "{colder} reads {by_k:.1f} ± {u95_k:.1f} K less than {warmer}, which it heats: one of the two is wrong"
    ),
    # Why a limit of the profile is not judged (analysis.thresholds, runs.summary)
    "contradicted": "the readings contradict each other: {why}",
    "stage-open": "the stage is not over",
    "stage-gate": "a gate ended the stage",
    "stage-tripped": "the stage tripped",
    "stage-skipped": "the stage was skipped",
    "stage-stopped": "the stage was stopped",
    "stage-interrupted": "the stage was interrupted",
    "uncertainty-unknown": "its uncertainty cannot be stated",
    "stage-never-ran": "the stage never ran",
    "no-such-reading": "this machine has no such reading",
    "not-settled": "the stage did not settle",
    "not-settled-since": "the stage did not settle: {why}",
    "partly-missing": "{channel} is missing for {share:.0%} of the stage",
    "record-altered": "the record was altered",
    "record-damaged": "the record is damaged",
    "record-unsealed": "the record was never sealed",
    "run-not-over": "the run is not over",
    # How hot a load would make the machine, and whether it may start (analysis.load_start, rig.load_permit)
    "no-reading-at-rest": "no reading while idle",
    "no-pulse-yet": "no pulse yet: a steady load cannot be forecast from idle time alone",
    "few-readings-in-pulses": "too few readings while idle and in the pulses",
    "from-rest-and-pulses": "from idle and pulses",
    "card-not-moved": "no load so far moved the card's temperature",
    "scaled-from-lesser-loads": "scaled from the lesser loads before",
    "no-load-after-stop": "no load after a trip, a closed gate or a stop",
    "blind-time-used-up": "no more than {time_s:g} s of load are run blind",
    "answers-forbid": "{answers}",
    "not-answered": "not answered: {question}",
    "presence-not-answered": "not answered: who is here, and until when?",
    "presence-too-short": "{person} is here until {until}, and the load may last until {needed_until}",
    "not-agreed": "the customer has not agreed: {consent}",
    "not-asked": "the customer was not asked: {consent}",
    "load-not-repeated": (
        "run {run} of {profile} {how}, and nothing was changed since; that load is not repeated unless you name the "
        "profile, and {instead} is the safe way to a baseline"
    ),
    "load-not-repeated-unnamed": (
        "run {run} {how}, and nothing was changed since; that load is not repeated unless you name the profile, and "
        "{instead} is the safe way to a baseline"
    ),
    "safe-load-not-repeated": (
        "run {run} of {profile} {how}, and nothing was changed since; that load is not repeated unless you name the "
        "profile"
    ),
    "ended-at-trip": "ended at a trip limit",
    "ended-stopped": "was stopped for safety",
    "ended-dark": "ended with the machine going dark",
    "ended-hanging": "ended with the machine hanging",
    "ended-unknown": "was interrupted for an unknown reason",
    "held-too-near-limit": "the held {target_c:g} °C leave less than {room_k:g} K to the limit",
    "cannot-be-foreseen": "there is no forecast of how hot it gets ({why}); put a stage of pulses before it",
    "foreseen-too-hot": (
        "idle and pulses forecast {peak_c:.0f} ± {u95_k:.0f} °C under it, and the limit is {limit_c:.0f} °C"
    ),
    # A load that climbs (analysis.climb)
    "climb-few-readings": "too few readings yet to show what a share would do",
    "climb-dwells": "each share lasts long enough for what it does to be seen",
    "climb-learns": (
        "full share would more likely than not settle too hot, at {peak_c:.0f} ± {u95_k:.0f} °C, and this "
        "one shows more first"
    ),
    "climb-at-full": "it is at its full share",
    "climb-held": "it is held at its temperature from here on",
    "climb-no-share-left": "no higher share is left",
    "climb-bound": (
        "at a share of {share:.0%} it could come to {peak_c:.0f} ± {u95_k:.0f} °C before the next look, and "
        "the limit is {limit_c:.0f} °C"
    ),
    "climb-bound-allows": "at a share of {share:.0%} nothing can pass its limit before the next look",
    "climb-unwatched": "{part}, which no sensor shows, would pass its limit with a probability of {risk:.1%}",
    "climb-full-too-hot": "full share would settle at {peak_c:.0f} ± {u95_k:.0f} °C, and the limit is {limit_c:.0f} °C",
    "climb-surely-fails": (
        "{channel} will settle at {peak_c:.0f} ± {u95_k:.0f} °C, above {limit_c:.0f} °C it fails, whatever else is read"
    ),
    "climb-no-answer": "{channel} moved by {moved_k:.1f} K, and the load's power must move it by {least_k:.1f} K",
    "climb-awaits-answer": "{channel} has not answered to the last rise yet",
    "climb-needs-temperature": "a load that climbs needs a temperature with a limit on each part that it heats",
    "climb-out-of-time": "its time was up",
    "climb-ended-below-full": "{stage}: the load went up to a share of {share:.0%} and no further: {why}",
    "climb-forecast-of-full": "forecast for full share from a climb that ended at {share:.0%} of it",
    "climb-below-full": "the load did not come to its full share",
    # What to do about regulators that no sensor shows (analysis.regulator_probe)
    "probe-regulators": (
        "before the next long load lay a probe on their heat sink: switch off, pull the plug, wait until the fans "
        "stand and the metal is below 48 °C; insulate the tip, use an isolated reader, stay clear of mains parts and "
        "fans, hold it with tape that bears the heat; name its channel vrm_temp_c, so that the run ends at its limit"
    ),
    "regulators-before-load": (
        "up to {power_w:.0f} W go through voltage regulators that no sensor shows, and what is too hot there shows "
        "itself by nothing before it slows the processor down, minutes into full load: {probe}"
    ),
    "regulators-may-be-hot": (
        "the clock fell {after_s:duration} into full share though the die was at {die_c:.0f} °C, as regulators at "
        "their limit make it, and no sensor shows them: {probe}"
    ),
    "part-regulator": "the voltage regulator",
    "part-card-memory": "the card's memory",
    "part-supply": "the power supply",
    "part-battery": "the battery",
    "part-hot-spot": "the hottest point of the chip",
    "part-coolant": "the coolant",
    "of-channel": "{channel}: {why}",
    "of-stage": "{stage}: {why}",
    "ended-while-coming-up": "it was ended while it came up",
    "load-failed": "{what}",
    # What a load could not do as asked (loads)
    "memory-less-than-asked": (
        "{allowed_gib:.2f} GiB of memory under test, not {wanted_gib:.2f}: {reserve_gib:.1f} GiB stay free"
    ),
    "memory-hardly-above-cache": "the memory under test is hardly larger than the cache, which may answer in its place",
    "memory-not-locked": "the memory under test could not be locked against swapping",
    "storage-through-cache": "storage is read back through the system's cache",
    "card-memory-nearly-full": "the card's memory is nearly full: products of order {order:.0f} only",
    # A closed gate, and what else stops a run (rig.gate, rig.runner)
    "is-too-hot": "it is {value_c:.0f} °C while idle, above {limit_c:.0f} °C",
    "will-be-too-hot": "it will settle at {value_c:.0f} °C while idle, above {limit_c:.0f} °C",
    "is-too-far-above-room": "it is {rise_k:.0f} K above the room while idle, more than {limit_k:.0f} K",
    "will-be-too-far-above-room": "it will settle {rise_k:.0f} K above the room while idle, more than {limit_k:.0f} K",
    "no-reading-to-believe": "it gives no reading to be believed",
    "gate-closed": "gate of stage {stage}: {channel}: {why}",
    "workers-gone": "the load is gone: {gone} of {count} workers ended by themselves",
    "workers-idle": "the load is gone: the workers are there, but did no work in {time_s:.0f} s",
    "danger-noted": "a danger was noted: {danger} ({noted})",
    "nobody-present": "nobody answered the question who is present",
    "read-hangs": "a read of {channels} does not come back",
    "record-behind": "the record is {lag_s:.0f} s behind: the disk or stick stalls",
    "record-not-writable": "the record cannot be written ({cause}); what was committed stays",
    "hold-no-power": "there is no reading of the power, so the load stays at {share:.0%} of full duty",
    "hold-no-temperature": "there is no reading of the temperature, so the load stays at {share:.0%} of full duty",
    "hold-power-not-reached": "full load does not bring it to {target:g} W",
    "hold-temperature-not-reached": "full load does not bring it to {target:g} °C",
    "hold-power-above": "it stays above {target:g} W without any load",
    "hold-temperature-above": "it stays above {target:g} °C without any load",
    # Why a run was interrupted (rig.runner, record.outcome_of, runs)
    "space-bar": "the load was ended with the space bar",
    "ended-from-bench-computer": "the load was ended from the bench computer",
    "link-silent": "the link to the bench computer, which the load was to obey, fell silent",
    "from-keyboard": "ended from the keyboard",
    "told-to-end": "the program was told to end (SIGTERM)",
    "terminal-closed": "the terminal was closed",
    "system-slept": "the system slept for {slept_s:.0f} s",
    "went-dark": "the machine under test went dark while this computer went on recording",
    "closed-without-ending": "the record was closed without saying how the run ended",
    "never-closed-no-keeper": "the record was never closed, and does not say where it was written",
    "never-closed": "the record was never closed: power lost, a reset, a hang or a killed program",
    "other-computer": "it was written on another computer, so this one cannot tell which",
    "process-gone": "process {pid} is gone without closing the record",
    "not-restarted": "the system was not restarted",
    "process-silent": "process {pid} is there, but has written nothing for {time_s:.0f} s",
    "restarted": "the system was restarted since, and the record never closed",
    "no-log-left": "no log of that start is left: lost power, a reset, a crash and a hang cannot be told apart",
    "log-ends-asleep": "its log ends where the system went to sleep",
    "log-ends-orderly": "its log ends {time_s:.0f} s later with an orderly shut-down",
    "log-goes-on-orderly": "the system went on for {time_min:.0f} min and was shut down in order",
    "log-goes-on": "its log goes on for {time_s:.0f} s after the last sample",
    "log-ends-with-record": "its log ends with the record, without a shut-down",
    "said-by-importer": "said by the person who imported it; the log ends here",
    "copy-without-log": "a copy without the log that belongs beside it",
    # What keeps a job from being closed (jobs.rules)
    "test-part-inside": "the part fitted for test only is still in the machine: {part}",
    "step-not-ticked": "not ticked: {step} ({id})",
    "danger-stands": "not safe to use: {danger} ({noted})",
    "no-verification": "no verification run after the last change ({change})",
    "its-record-altered": "its record is altered",
    "its-record-damaged": "its record is damaged",
    "its-record-recording": "its record is still being written",
    "its-record-unsealed": "its record is unsealed",
    "verdict-fail": "it failed",
    "verdict-conditional-fail": "it is over a limit, not proven",
    "verdict-not-measured": "a figure was not measured",
    "verdict-none": "it has no verdict",
    "verification-does-not-stand": "the last verification, run {run}, does not stand ({cause})",
    "second-verification-missing": "a second verification run after: {change}; paste settles in the first heat cycles",
}
