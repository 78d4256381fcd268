"""A profile: staged plan with trip limits and thresholds. Plain data; `profile_text` reads it from TOML."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class StageKind(StrEnum):
    """What a stage does to the machine."""

    IDLE = "idle"
    LOAD = "load"
    COOLDOWN = "cooldown"


class Purpose(StrEnum):
    """What a run is for."""

    BASELINE = "baseline"
    CHECK = "check"
    VERIFICATION = "verification"
    BUILD = "build"


class WorkName(StrEnum):
    """What a load computes; `loads.works.choice` makes the work of each, `external` is somebody else's."""

    LINEAR_ALGEBRA = "linear-algebra"
    TRANSFORM = "transform"
    DIGEST = "digest"
    MARCH = "march"
    STORAGE = "storage"
    MIXED = "mixed"
    GPU_LINEAR_ALGEBRA = "gpu-linear-algebra"
    GPU_AND_PROCESSOR = "gpu-and-processor"
    EXTERNAL = "external"


class LoadPattern(StrEnum):
    """How a load's share goes over time."""

    STEADY = "steady"
    PULSES = "pulses"
    STEPS = "steps"
    CLIMB = "climb"  # up to its share as far as is known to be safe (analysis.climb)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settle:
    """Ends a stage when the settled value of `channel` is known within `within_k` (95 %).

    Attributes:
        slowest_time_constant_s: Bound on the slowest mode that may still hide, s.
    """

    channel: str
    within_k: float
    slowest_time_constant_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Closed by any sample or forecast above it; no load follows a closed gate.

    Attributes:
        max_c: Highest temperature, °C, or None.
        max_rise_k: Highest rise over ambient, K, or None.
    """

    channel: str
    max_c: float | None = None
    max_rise_k: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A target that the duty is steered to: package power, W, or die temperature, °C; exactly one is set."""

    power_w: float | None = None
    die_temp_c: float | None = None
    gpu_power_w: float | None = None
    gpu_temp_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPlan:
    """What load a stage runs, and in what pattern over time.

    Attributes:
        pattern: `steady`, `pulses` (on_s, off_s, count), `steps` (shares, step_s) or `climb`.
        share: Duty share while on, 0 to 1; of a climb, the full share that it goes up to.
        workers: `all`, `quarter`, `in-turn`, a number of workers, or core numbers.
        on_s, off_s: Length of one pulse and of the pause after it, s.
        shares: Duty shares of the steps, in order; each lasts `step_s`.
        hold: Target to steer to, in place of a fixed share.
        memory_share: Share of free memory for works that fill memory.
    """

    work: WorkName
    pattern: LoadPattern = LoadPattern.STEADY
    share: float = 1.0
    workers: str | int | tuple[int, ...] = "all"
    on_s: float | None = None
    off_s: float | None = None
    count: int | None = None
    shares: tuple[float, ...] = ()
    step_s: float | None = None
    hold: Hold | None = None
    memory_share: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One part of a run. A load stage has a `load`; every stage has an end (`max_duration_s` or a pattern).

    The least time of a climb counts from its full share.
    """

    name: str
    kind: StageKind
    min_duration_s: float = 0.0
    max_duration_s: float | None = None
    settle: Settle | None = None
    gate: Gate | None = None
    load: LoadPlan | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TripLimit:
    """Crossing it ends the load at once.

    Attributes:
        minimum, maximum: Limits in the channel's unit, or None.
        below_machine_limit_k: Distance to keep below the machine's own limit, K; the lower limit applies.
        max_rate_k_per_s: Steepest rise over 10 s, K/s.
        stages: Stage kinds or names where it is armed; empty means everywhere.
        optional: Whether a machine without the channel may be run (the report lists it as not armed).
    """

    channel: str
    minimum: float | None = None
    maximum: float | None = None
    below_machine_limit_k: float | None = None
    max_rate_k_per_s: float | None = None
    stages: tuple[str, ...] = ()
    optional: bool = False
    why: str = ""

    def armed_in(self, stage: Stage) -> bool:
        """Return whether the limit guards this stage."""
        return not self.stages or stage.name in self.stages or stage.kind.value in self.stages


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """Acceptance limit on a metric, in the metric's unit; at least one of minimum, maximum is set."""

    metric: str
    minimum: float | None = None
    maximum: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A staged plan.

    Attributes:
        text: The TOML text as read, kept whole in every record.
        recipe: Digest of stages and loads alone; runs compare by it.
        requires: Channels that must exist.
        requires_one_of: Groups of which one channel must exist (or `--ambient` for the ambient group).
        blind_load_s: Longest load without any temperature reading, s, at most 30; None forbids it.
        on_conditional: `repeat`, `ask` or `reject`: what a conditional verdict obliges to.
        ask_presence_every_s: Ask again who is present after this time, s; None asks once.
    """

    name: str
    title: str
    text: str
    recipe: str
    stages: tuple[Stage, ...]
    reference_ambient_c: float = 25.0
    period_s: float = 1.0
    requires: tuple[str, ...] = ()
    requires_one_of: tuple[tuple[str, ...], ...] = ()
    trip_limits: tuple[TripLimit, ...] = ()
    stale_after_s: float = 3.0
    blind_load_s: float | None = None
    thresholds: tuple[Threshold, ...] = ()
    cautions: tuple[str, ...] = ()
    on_conditional: str = "ask"
    ask_presence_every_s: float | None = None
    origin: str = field(default="", compare=False)

    def stage(self, name: str) -> Stage | None:
        """Return the stage of that name, or None."""
        return next((stage for stage in self.stages if stage.name == name), None)
