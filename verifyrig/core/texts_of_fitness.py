"""English sentences of why a machine stays on the bench, or is not yet proven (`jobs.fitness`), by their codes.

A number whose format is `duration` is a time in seconds, said as people say it.
"""

from __future__ import annotations

TEXTS_OF_FITNESS: dict[str, str] = {
    "fitness-danger": "not safe to use: {text} ({noted})",
    "fitness-open": "the job is not closed",
    "fitness-obstacle": "{text}",
    "fitness-no-job": "no job stands behind these records: nobody has closed it",
    "fitness-record-altered": "record {run} was altered after it was written",
    "fitness-record-damaged": "record {run} is damaged",
    "fitness-record-unsealed": "record {run} was never sealed, and proves nothing: measure again",
    "fitness-no-run": "nothing was measured",
    "fitness-not-measured-again": "the machine was changed, and has not been measured again",
    "fitness-broke-off": "run {run} was interrupted before its end",
    "fitness-no-verdict": "run {run} has no verdict: no limit was set, or a figure is missing",
    "fitness-fault-seen": "run {run} shows a fault, and nothing that stays was done about it",
    "fitness-fault-remains": "run {run} shows the fault still",
    "fitness-rejected": "run {run} keeps its limit within the uncertainty only, which its plan refuses",
    "fitness-conditional": "the limit is kept, but by less than we can measure apart",
    "fitness-no-change": "no change is recorded between the two runs, so we cannot say why it is better",
    "fitness-not-comparable": "the two runs differ in their conditions, so the gap between them proves nothing",
    "fitness-part-not-loaded": "{part} was not under load, and the complaint is about it",
    "fitness-part-not-loaded-way": (
        "{part} was not under load, and the complaint is about it: a run with plan {plan} takes at most "
        "{time_s:duration}"
    ),
    "fitness-clean-use": (
        "{had_s:duration} without the fault, and as rarely as it came it takes {needed_s:duration}: "
        "{more_s:duration} more"
    ),
    "fitness-clean-use-of-part": (
        "{had_s:duration} with {part} under load and without the fault, and as rarely as it came it takes "
        "{needed_s:duration}: {more_s:duration} more"
    ),
    "fitness-stretch": (
        "the longest load in one stretch was {had_s:duration}, and the fault came after {needed_s:duration}"
    ),
    "fitness-unclear": "“{words}” does not say how rarely it came, so we cannot say how long a test must be",
    "part-processor": "the processor",
    "part-graphics": "the graphics card",
    "part-memory": "the memory",
    "part-storage": "the drive",
}
