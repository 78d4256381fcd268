"""Objects of the JSON contract that a command makes itself; those of runs, jobs and units stand with their packages."""

from __future__ import annotations

from typing import Any, NotRequired, TypedDict

from verifyrig.core.contract import ErrorObject, LeftOut, Number
from verifyrig.core.integrity import Integrity
from verifyrig.core.interfaces import Quality, Quantity
from verifyrig.core.profile import LoadPattern, StageKind, WorkName
from verifyrig.jobs.contract import FitnessObject
from verifyrig.jobs.fitness_model import FaultHeadline, Status

# Written as a call: `for` is a word of the language.
SuspectObject = TypedDict("SuspectObject", {"cause": str, "probability": float, "for": list[str], "against": list[str]})


class OutcomeObject(TypedDict):
    """What an outcome of the next test would speak for: the cause that is then the most probable."""

    outcome: str
    cause: str
    probability: float


class NextTest(TypedDict):
    """The most informative test; `gain_bits` is what it is expected to give."""

    do: str
    separates: list[str]
    gain_bits: float
    minutes: float
    tools: str
    outcomes: list[OutcomeObject]


class CauseShareObject(TypedDict):
    """How common a cause is before anything is measured: by the table, with so many proved cases, and by both."""

    cause: str
    prior: float
    count: int
    posterior: float


class ExperienceObject(TypedDict):
    """What the shop's own proved cases come to; `used` is false where they are too few, or switched off."""

    used: bool
    on: bool
    cases: int
    least_cases: int
    table_worth_cases: int
    causes: list[CauseShareObject]


class Substitution(TypedDict):
    """What the swap of a part says."""

    part: str
    rating: str
    says: str


class DiagnoseObject(TypedDict):
    """What `diagnose` prints."""

    suspects: list[SuspectObject]
    next_test: NextTest | None
    customer: str
    not_measured: list[str]
    advice: list[str]
    substitutions: list[Substitution]
    experience: NotRequired[ExperienceObject]
    left_out: NotRequired[list[LeftOut]]
    integrity: NotRequired[dict[str, Integrity]]
    picture: NotRequired[str]


class BenchCodeObject(TypedDict):
    """What `bench code` prints: digits, how often they may be tried, and for how long, s."""

    code: str
    tries: int
    lasts_s: float


class BenchPairedObject(TypedDict):
    """What `bench pair` prints."""

    bench_computer: str
    fingerprint: str
    host: str
    port: int


class BenchComputerRow(TypedDict):
    """A bench computer that this machine was paired with."""

    name: str
    host: str
    port: int
    fingerprint: str


class MachineRow(TypedDict):
    """A machine that was paired with this bench computer; `paired` is ISO 8601 in UTC."""

    name: str
    id: str
    paired: str


class BenchKnownObject(TypedDict):
    """What `bench known` prints."""

    bench_computers: list[BenchComputerRow]
    machines: list[MachineRow]


class BenchForgotObject(TypedDict):
    """What `bench forget` prints."""

    forgot: str


class BenchEndedObject(TypedDict):
    """What `bench serve` prints at its end."""

    ended: str


class ChannelObject(TypedDict):
    """One sensor; `channel` is null where no role is assigned, `limit` is the machine's own, in `unit`."""

    channel: str | None
    label: str
    device: str
    source: str
    quantity: Quantity
    unit: str
    value: Number
    quality: Quality
    limit: Number
    moved: NotRequired[bool | None]
    note: NotRequired[str]


class ChannelsObject(TypedDict):
    """What `channels` prints."""

    channels: list[ChannelObject]
    can: list[str]
    cannot: list[str]
    mains: str | None


class HistoryRow(TypedDict):
    """One entry of the system's own log."""

    time: str | None
    id: str
    code: str
    words: str
    speaks_for: str


class HistoryObject(TypedDict):
    """What `history` prints."""

    history: list[HistoryRow]
    notes: list[str]


class ReportObject(TypedDict):
    """What `report` prints."""

    number: str
    files: list[str]
    digest: str
    removed: list[str]
    state: FaultHeadline
    ready: Status
    hand_over: bool
    because: str
    sentence: str
    fitness: FitnessObject
    simulated: bool


class ProfileHead(TypedDict):
    """Which profile it is, and whether it came with the program."""

    name: str
    path: str
    shipped: bool


class ProfileRow(ProfileHead):
    """A profile in the list; `recipe` and `longest_s` are null where it cannot be used."""

    title: str
    recipe: str | None
    longest_s: Number
    usable: bool


class ProfilesObject(TypedDict):
    """What `profile list` prints."""

    profiles: list[ProfileRow]


class SettleObject(TypedDict):
    """What ends a stage once its settled value is known."""

    channel: str
    within_k: float
    slowest_time_constant_s: float


class GateObject(TypedDict):
    """What closes the way to any load."""

    channel: str
    max_c: float | None
    max_rise_k: float | None


class HoldObject(TypedDict):
    """The target that a load is steered to; one of them is set."""

    power_w: float | None
    die_temp_c: float | None
    gpu_power_w: float | None
    gpu_temp_c: float | None


class LoadObject(TypedDict):
    """The load of a stage."""

    work: WorkName
    pattern: LoadPattern
    share: float
    workers: str | int | list[int]
    on_s: float | None
    off_s: float | None
    count: int | None
    shares: list[float]
    step_s: float | None
    hold: HoldObject | None
    memory_share: float


class PlannedStage(TypedDict):
    """One stage of a profile."""

    name: str
    kind: StageKind
    min_duration_s: float
    max_duration_s: float | None
    settle: SettleObject | None
    gate: GateObject | None
    load: LoadObject | None


class TripLimitObject(TypedDict):
    """A limit that ends the load; an empty `stages` means every stage."""

    channel: str
    minimum: float | None
    maximum: float | None
    below_machine_limit_k: float | None
    max_rate_k_per_s: float | None
    stages: list[str]
    optional: bool
    why: str


class LimitOfMetric(TypedDict):
    """A threshold: what a metric of the run must keep to."""

    metric: str
    minimum: float | None
    maximum: float | None
    why: str


class WholeProfile(TypedDict):
    """A profile as plain data."""

    name: str
    title: str
    recipe: str
    stages: list[PlannedStage]
    reference_ambient_c: float
    period_s: float
    requires: list[str]
    requires_one_of: list[list[str]]
    trip_limits: list[TripLimitObject]
    stale_after_s: float
    blind_load_s: float | None
    thresholds: list[LimitOfMetric]
    cautions: list[str]
    on_conditional: str
    ask_presence_every_s: float | None
    origin: str


class ProfileObject(TypedDict):
    """What `profile show` prints."""

    profile: WholeProfile


class CheckedFile(TypedDict):
    """A profile file and its faults."""

    file: str
    faults: list[ErrorObject]


class CheckedObject(TypedDict):
    """What `profile check` prints; `error` is the first fault."""

    files: list[CheckedFile]
    error: NotRequired[ErrorObject]


class SigningKey(TypedDict):
    """The key that records of this computer are signed with."""

    file: str
    public_key: str
    fingerprint: str


class SetupObject(TypedDict):
    """What `setup` prints; `settings` is bench.toml as it now reads."""

    file: NotRequired[str]
    settings: NotRequired[dict[str, Any]]
    signing_key: NotRequired[SigningKey]


class DemoObject(TypedDict):
    """What `demo` prints."""

    job: str
    runs: list[str]
    report: str
    simulated: bool


class ExportObject(TypedDict):
    """What `export` prints where the table goes to a file."""

    run: str
    out: str
    rows: int


class RefusedRun(TypedDict):
    """A record that cannot be used, and why."""

    run: str
    why: str


class SamplesObject(TypedDict):
    """Runs whose samples were written, and those whose were there already."""

    place: str
    written: int
    unchanged: int


class DatasetObject(TypedDict):
    """What `dataset` prints: files below the place, runs in them, and runs of customers' jobs, which stay at home."""

    place: str
    written: list[str]
    unchanged: list[str]
    removed: list[str]
    runs: int
    customers: int
    refused: list[RefusedRun]
    samples: NotRequired[SamplesObject]


class CalibrateObject(TypedDict):
    """What `calibrate` prints; `written` is bench.toml, null where nothing was written.

    The other keys are what stands there now for the channel: K, °C, dates in ISO 8601.
    """

    written: str | None
    channel: NotRequired[str]
    correction: NotRequired[float]
    correction_slope: NotRequired[float]
    correction_at: NotRequired[float]
    expanded_uncertainty: NotRequired[float]
    calibrated: NotRequired[str]
    due: NotRequired[str]
    reference: NotRequired[str]
    points_reference_c: NotRequired[list[float]]
    points_reading_c: NotRequired[list[float]]
    points_residual_k: NotRequired[list[float]]
    matched_to: NotRequired[str]


class VersionObject(TypedDict):
    """What `--version` prints."""

    version: str


class ErrorAnswer(TypedDict):
    """What stands on stdout with exit code 2 or 5."""

    error: ErrorObject
