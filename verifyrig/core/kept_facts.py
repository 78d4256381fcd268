"""What this version writes into the table `run` of a record, by name. What any record says is read by `recorded`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict

from verifyrig.core.ambient import AmbientFact
from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.reason import KeptReason


class MachineFact(TypedDict):
    """What the machine says of itself; None where it does not say it."""

    maker: str | None
    model: str | None
    board: str | None
    firmware: str | None
    processor: str | None
    cores: int | None
    memory_bytes: int | None
    system: str | None
    kernel: str | None
    boot_id: str | None
    governor: str | None
    mains: str | None
    power_limits_w: dict[str, float]


class ChannelFact(TypedDict, total=False):
    """What is known of one channel's sensor; the quantities in the channel's unit, a file's column has fewer."""

    label: str
    device: str
    source: str
    quantity: str
    unit: str
    driver: str
    limit: float | None
    resolution: float | None
    refresh_s: float | None
    expanded_uncertainty: float | None
    correction: float
    correction_slope: float
    correction_at: float
    unreadable: str
    note: str


class BenchComputerFact(TypedDict):
    """Which bench computer saw the run, whether the load obeyed its link, and which probes it lent."""

    name: str
    fingerprint: str
    obeyed: bool
    probes: list[str]


class ImportedFact(TypedDict):
    """Where an imported run comes from, and how its file was read."""

    file: str
    sha256: str
    where: list[str]
    rows_left_out: dict[str, int]
    load_from: str
    times: str
    date_order: str | None
    units: dict[str, str]


class StartFacts(TypedDict, total=False):
    """What a record holds of its run before the first sample; a run of ours and an imported one differ in some."""

    run: str
    tool_version: str
    profile_name: str | None
    recipe: str | None
    purpose: str
    job: str | None
    unit: str | None
    batch: str | None
    rework: str | None
    simulated: bool
    simulated_case: str | None
    started_utc_s: float | None
    utc_known: bool
    period_s: float | None
    ambient: AmbientFact | None
    states: Mapping[str, str]
    machine: MachineFact | dict[str, str]
    channels: Mapping[str, ChannelFact]
    not_armed: list[str]
    not_watched: list[str]
    blind: bool
    refusals: list[str]
    refusal_reasons: list[KeptReason]
    no_load: bool
    bench_computer: BenchComputerFact | None
    stick: Mapping[str, object]
    imported: ImportedFact


class EndFacts(TypedDict, total=False):
    """What a record holds of its run's end."""

    outcome: str
    cause: CauseObject | None
    cause_reasons: list[KeptReason]
    trip: TripObject | None
