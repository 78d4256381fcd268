"""Objects of the JSON contract made of finished runs: `run`, `import`, `metrics`, `runs`, `inspect`, `compare`."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from verifyrig.core.contract import CauseObject, Number, TripObject
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.metrology.verdict import Verdict


class StageObject(TypedDict):
    """A stage as it was run; `end_s` and `ended` are null while it is open."""

    name: str
    kind: StageKind
    start_s: Number
    end_s: Number
    ended: StageEnd | None


class MetricObject(TypedDict):
    """A figure in `unit`; null with a `note` where it was not measured; `settled`: whether what is behind it was."""

    value: float | list[Number] | None
    unit: str
    u95: Number
    note: NotRequired[str]
    settled: NotRequired[bool]


class ExposureObject(TypedDict):
    """What the run asked of the machine; each null where its readings are lacking."""

    near_limit_s: Number
    degree_minutes: Number
    energy_j: Number


class ClimbObject(TypedDict):
    """How a climb ended.

    Where it did not reach its full share, the forecast is that of full share, for the temperature that comes nearest to
    its limit; else it is null, for the stage's own figures show it.
    """

    stage: str
    share: Number
    full_share: Number
    reached: bool
    channel: str | None
    full_c: Number
    full_u95_k: Number
    why: str | None


class Bounds(TypedDict, total=False):
    """The limits of a threshold, in the metric's unit."""

    min: float
    max: float


class BoundsAndNote(Bounds, total=False):
    """The same with what a reader must know."""

    note: str


class ThresholdObject(BoundsAndNote):
    """A threshold of the profile, judged."""

    metric: str
    value: Number
    u95: Number
    verdict: Verdict


class BudgetLine(TypedDict):
    """One line of an uncertainty budget; `contribution` in the metric's unit; `rectangular`: it lies within a bound."""

    name: str
    standard_uncertainty: Number
    sensitivity: Number
    contribution: Number
    dof: Number
    rectangular: bool


class ContradictionObject(TypedDict):
    """Two readings of a stage of which one must be wrong; `warmer` is `typed` for a room that was typed."""

    stage: str
    colder: str
    warmer: str
    difference_k: Number
    u95_k: Number
    text: str


class RowsLeftOut(TypedDict):
    """Rows of a log that were not taken; `first_row` as a spreadsheet numbers rows."""

    why: str
    rows: int
    first_row: int


class GapObject(TypedDict):
    """Where a log has no row for more than three usual steps, s after its first row."""

    from_s: float
    to_s: float


class ImportedObject(TypedDict):
    """How a log was read: its times, the units that it or the command line names, and what is not in the record."""

    file: str
    rows: int
    rows_left_out: list[RowsLeftOut]
    cells_without_name: int
    gaps: list[GapObject]
    readings_missing: dict[str, int]
    readings_implausible: dict[str, int]
    times: str
    date_order: str | None
    load_from: str
    stages_contradicted: dict[str, float]
    units: dict[str, str]
    units_assumed: list[str]


class RunObject(TypedDict):
    """What `run`, `import` and `metrics` print; `budget` with `metrics --budget`, `imported` with `import`."""

    run: str
    record: str
    profile: str | None
    recipe: str | None
    purpose: str
    job: str | None
    unit: str | None
    simulated: bool
    outcome: Outcome
    cause: CauseObject | None
    trip: TripObject | None
    not_armed: list[str]
    not_watched: list[str]
    advice: list[str]
    climbs: list[ClimbObject]
    exposure: ExposureObject
    stages: list[StageObject]
    metrics: dict[str, MetricObject]
    thresholds: list[ThresholdObject]
    verdict: Verdict
    integrity: Integrity
    contradictions: list[ContradictionObject]
    budget: NotRequired[dict[str, list[BudgetLine]]]
    imported: NotRequired[ImportedObject]


class Noted(TypedDict, total=False):
    """What a reader must know beside the row; `damage` where the record cannot be read."""

    note: str
    damage: str


class RunRow(Noted):
    """A run in the list of `runs`."""

    run: str
    record: str
    job: str | None
    unit: str | None
    profile: str | None
    purpose: str | None
    outcome: Outcome
    cause: CauseObject | None
    started: str | None
    verdict: Verdict
    simulated: bool
    sealed: bool
    integrity: Integrity


class Refused(TypedDict):
    """A record that was not taken over."""

    record: str
    why: str


class CollectedObject(TypedDict):
    """What `runs --collect` took over: paths, and how many entries of each job."""

    taken: list[str]
    had: list[str]
    refused: list[Refused]
    jobs: dict[str, int]
    notes: list[str]


class RunsObject(TypedDict):
    """What `runs` prints."""

    runs: list[RunRow]
    collected: NotRequired[CollectedObject]


class PairObject(TypedDict):
    """How the times of two records lie to one another, s."""

    first: str
    second: str
    offset_s: float
    edges: int
    spread_s: Number
    how: str
    file: str | None


class PairedObject(TypedDict):
    """What `runs --pair` prints."""

    pair: PairObject


class AlteredObject(TypedDict):
    """Where a record differs from its digests."""

    row: int | None
    what: str


class SignatureObject(TypedDict):
    """A signature beside a record."""

    role: str
    fingerprint: str
    public_key: str
    signed: str
    state: str


class DieAtCut(TypedDict):
    """The die when the record ends, °C; how old its last reading was, s."""

    last: float
    estimate: float
    low: float
    high: float
    age_s: float


# Written as a call: `for` is a word of the language.
PostMortemObject = TypedDict(
    "PostMortemObject",
    {
        "verdict": str,
        "sentence": str,
        "for": list[str],
        "against": list[str],
        "shares": dict[str, float],
        "die_at_cut_c": DieAtCut | None,
        "power_w": Number,
        "load_s": Number,
        "restart_s": Number,
        "pattern": NotRequired[str],
    },
)


class InspectObject(TypedDict):
    """What `inspect` prints; `printed` with `--printed`, `post_mortem` where the run was interrupted."""

    run: str
    whole: bool
    sealed: bool
    altered: AlteredObject | None
    digest: str | None
    outcome: str | None
    cause: CauseObject | None
    last_sample_s: Number
    largest_lag_s: Number
    damage: str | None
    integrity: Integrity
    signatures: list[SignatureObject]
    notes: list[str]
    printed: NotRequired[bool]
    post_mortem: NotRequired[PostMortemObject]


class ComparedStage(TypedDict):
    """Whether one stage may be compared; `before` where the run before never ran it for safety."""

    comparable: bool
    why: list[str]
    before: NotRequired[str]


class DifferenceObject(TypedDict):
    """One metric before and after, in its unit."""

    before: Number
    after: Number
    difference: Number
    u95: Number
    significant: bool | None


class BothIntegrities(TypedDict):
    """What the two records of a comparison are good for."""

    before: Integrity
    after: Integrity


class BothExposures(TypedDict):
    """What both runs asked of the machine."""

    before: ExposureObject
    after: ExposureObject


class CompareObject(TypedDict):
    """What `compare` prints."""

    before: str
    after: str
    stages: dict[str, ComparedStage]
    comparable: bool
    metrics: dict[str, DifferenceObject]
    exposure: NotRequired[BothExposures]
    integrity: NotRequired[BothIntegrities]
