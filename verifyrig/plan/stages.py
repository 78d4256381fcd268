"""Reads the stages of a profile and their loads from TOML tables."""

from __future__ import annotations

import re
from typing import Any

from verifyrig.core.channels import is_channel, is_temperature
from verifyrig.core.profile import Gate, Hold, LoadPattern, LoadPlan, Settle, Stage, StageKind, WorkName
from verifyrig.files.toml_table import TomlTable, shown
from verifyrig.plan.checks import check_stage

WORKS = tuple(WorkName)
PATTERNS = tuple(LoadPattern)
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
_KINDS = tuple(StageKind)
_WORKER_WORDS = ("all", "quarter", "in-turn")


def number_or(value: float | None, default: float) -> float:
    """Return the value, or the default where it is absent or at fault."""
    return default if value is None else value


def id_name(table: TomlTable, what: str) -> str:
    """Return the table's `name`, of small letters, digits and '-'; empty where it is at fault."""
    name = required_text(table, "name", f"{what} is a short word that nothing else in its place bears.")
    if name and not _NAME.fullmatch(name):
        table.fault(
            f"name is {shown(name)}, and must be of small letters, digits and '-'", 'Write it like "desktop-air".'
        )
        return ""
    return name


def required_text(table: TomlTable, key: str, mend: str) -> str:
    """Return a text that must be there; empty where it is not."""
    if not table.has(key):
        table.fault(f"{key} is missing", mend)
    return table.text(key, mend=mend, longest=2000) or ""


def known_channel(table: TomlTable, name: str, key: str) -> str:
    """Return the name, and note a fault where the contract knows no such channel."""
    if not is_channel(name):
        table.fault(f"{key} names {shown(name)}, which is no channel", "`verifyrig channels` lists the channels.")
    return name


def _temperature(table: TomlTable) -> str:
    name = required_text(table, "channel", 'Name a channel, such as "die_temp_c".')
    if name and is_temperature(known_channel(table, name, "channel")):
        return name
    if name and is_channel(name):
        table.fault(f"channel is {shown(name)}, and must be a temperature", 'Name one such as "die_temp_c".')
    return name


def read_stages(table: TomlTable) -> tuple[Stage, ...]:
    """Return the stages in order; none where the file has none, which is a fault."""
    parts = table.tables("stage", mend="Write [[stage]].")
    if not parts:
        table.fault("it has no stage", "Write at least one [[stage]] with name, kind and max_duration_s.")
    return tuple(_stage(part) for part in parts)


def _stage(part: TomlTable) -> Stage:
    if not part.has("kind"):
        part.fault("kind is missing", f"Write one of {', '.join(_KINDS)}.")
    known_kind = part.choice("kind", _KINDS)
    faults_before = len(part.faults.found)
    load = _load(part)
    load_is_sound = len(part.faults.found) == faults_before
    shortest = "Write the stage's shortest time in seconds."
    stage = Stage(
        name=id_name(part, "A stage's name"),
        kind=StageKind(known_kind or StageKind.IDLE),
        min_duration_s=number_or(part.number("min_duration_s", mend=shortest, above=0), 0.0),
        max_duration_s=part.number("max_duration_s", mend="Write the stage's longest time in seconds.", above=0),
        settle=_settle(part),
        gate=_gate(part),
        load=load,
    )
    part.done()
    if known_kind is not None:
        check_stage(stage, part, load_is_sound=load_is_sound)
    return stage


def _settle(part: TomlTable) -> Settle | None:
    table = part.table("settle", mend="Write { channel, within_k, slowest_time_constant_s }.")
    if table is None:
        return None
    settle = Settle(
        channel=_temperature(table),
        within_k=_required_number(table, "within_k", "Write how well the settled value must be known, in K."),
        slowest_time_constant_s=_required_number(
            table, "slowest_time_constant_s", "Write the slowest time constant that may still hide, in seconds."
        ),
    )
    table.done()
    return settle


def _required_number(table: TomlTable, key: str, mend: str) -> float:
    if not table.has(key):
        table.fault(f"{key} is missing", mend)
    return number_or(table.number(key, mend=mend, above=0), 1.0)


def _gate(part: TomlTable) -> Gate | None:
    table = part.table("gate", mend="Write { channel, max, max_rise_k }.")
    if table is None:
        return None
    gate = Gate(
        channel=_temperature(table),
        max_c=table.number("max", mend="Write a temperature in °C."),
        max_rise_k=table.number("max_rise_k", mend="Write a rise over the room in K.", above=0),
    )
    if not (table.has("max") or table.has("max_rise_k")):
        table.fault("it has neither max nor max_rise_k", "Write at least one of them.")
    table.done()
    return gate


def _load(part: TomlTable) -> LoadPlan | None:
    table = part.table("load", mend='Write { work = "linear-algebra", pattern = "steady", share = 1.0 }.')
    if table is None:
        return None
    if not table.has("work"):
        table.fault("work is missing", f"Write one of {', '.join(WORKS)}.")
    plan = LoadPlan(
        work=WorkName(table.choice("work", WORKS) or WorkName.LINEAR_ALGEBRA),
        pattern=LoadPattern(table.choice("pattern", PATTERNS) or LoadPattern.STEADY),
        share=number_or(table.number("share", mend="Write a share of 1, such as 0.5.", above=0, maximum=1), 1.0),
        workers=_workers(table),
        on_s=table.number("on_s", mend="Write the length of one pulse in seconds.", above=0),
        off_s=table.number("off_s", mend="Write the pause after each pulse in seconds.", above=0),
        count=table.whole("count", mend="Write how many pulses.", maximum=10_000),
        shares=_shares(table),
        step_s=table.number("step_s", mend="Write the length of one step in seconds.", above=0),
        hold=_hold(table),
        memory_share=number_or(
            table.number("memory_share", mend="Write a share of the free memory, such as 0.5.", above=0, maximum=0.9),
            0.5,
        ),
    )
    if not table.has("pattern") or table.values["pattern"] in PATTERNS:
        _check_pattern(table, plan)
    table.done()
    return plan


def _shares(table: TomlTable) -> tuple[float, ...]:
    shares = table.numbers("shares", mend="Write a list of shares, such as [0.25, 0.5, 1.0].")
    for share in shares:
        if not 0 <= share <= 1:
            table.fault(f"shares holds {share:g}, and each must lie from 0 to 1", "Write 0.5 for half.")
    return shares


def _workers(table: TomlTable) -> str | int | tuple[int, ...]:
    value: Any = table.take("workers")
    if value is None:
        return "all"
    if isinstance(value, str) and value in _WORKER_WORDS:
        return value
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 4096:
        return value
    if isinstance(value, list) and value and all(type(core) is int and 0 <= core < 4096 for core in value):
        return tuple(value)
    table.fault(
        f"workers is {shown(value)}, and must be one of {', '.join(_WORKER_WORDS)}, a number or a list of cores",
        'Write "all", 4 or [0, 1].',
    )
    return "all"


def _hold(table: TomlTable) -> Hold | None:
    part = table.table("hold", mend="Write { power_w = 95.0 } or { die_temp_c = 80.0 }.")
    if part is None:
        return None
    hold = Hold(
        power_w=part.number("power_w", mend="Write a power in W.", above=0),
        die_temp_c=part.number("die_temp_c", mend="Write a temperature in °C.", above=0, maximum=150),
        gpu_power_w=part.number("gpu_power_w", mend="Write a power in W.", above=0),
        gpu_temp_c=part.number("gpu_temp_c", mend="Write a temperature in °C.", above=0, maximum=150),
    )
    if len(part.values) != 1:
        part.fault(f"it has {len(part.values)} targets, and must have exactly one", "Keep the one to steer to.")
    part.done()
    return hold


_NEEDS: dict[LoadPattern, tuple[str, ...]] = {
    LoadPattern.STEADY: (),
    LoadPattern.PULSES: ("on_s", "off_s", "count"),
    LoadPattern.STEPS: ("shares", "step_s"),
    LoadPattern.CLIMB: (),
}


def _check_pattern(table: TomlTable, plan: LoadPlan) -> None:
    for key in _NEEDS[plan.pattern]:
        if not table.has(key):
            table.fault(f"{key} is missing", f'The pattern "{plan.pattern}" needs {", ".join(_NEEDS[plan.pattern])}.')
    for pattern, keys in _NEEDS.items():
        for key in keys:
            if pattern != plan.pattern and table.has(key):
                table.fault(
                    f'{key} does not go with pattern "{plan.pattern}"', f'Leave it out, or write pattern = "{pattern}".'
                )
    if plan.pattern == LoadPattern.CLIMB and (plan.workers != "all" or plan.work == WorkName.EXTERNAL):
        table.fault(
            'pattern "climb" goes with all workers of a load of this program\'s own only',
            'Leave workers out, or write pattern = "steady".',
        )
    if plan.hold is None:
        return
    if plan.pattern not in (LoadPattern.STEADY, LoadPattern.CLIMB):
        table.fault(f'hold does not go with pattern "{plan.pattern}"', 'Write pattern = "steady" or "climb".')
    if plan.pattern == LoadPattern.CLIMB and plan.hold.die_temp_c is None and plan.hold.gpu_temp_c is None:
        table.fault(
            'pattern "climb" goes with a held temperature only', 'Hold a temperature, or write pattern = "steady".'
        )
    if table.has("share"):
        table.fault("share and hold contradict one another", "Keep one of them: hold steers the share.")
