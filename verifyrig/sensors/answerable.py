"""Which questions of the bench the readings of a machine can answer, and which not. Pure.

Common practice, no source: which quantity answers which question of the bench.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Set
from dataclasses import dataclass

from verifyrig.core.ambient import AMBIENT_CHANNELS
from verifyrig.core.channels import base_name
from verifyrig.core.interfaces import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchQuestion:
    """One question of the bench.

    Attributes:
        question: What is asked, as a clause.
        needs: Groups of channels; of each group one is enough.
        lacking: For each group, what is in the way where none of it is read, and the remedy, a clause.
    """

    question: str
    needs: tuple[tuple[str, ...], ...]
    lacking: tuple[str, ...]


_DIE, _PLATE = ("die_temp_c",), ("plate_temp_c",)
# No channel: whether the machine states the limit of its die.
_DIE_LIMIT = ("die limit",)
_NO_DIE = "no die temperature: load the kernel driver (coretemp, k10temp)"
_NO_AMBIENT = "no probe in the room or at the air inlet: connect one, or type the room with --ambient"
_NO_POWER = "no package power: some makes have no counter, and some systems let only root read it"
_FAR_END = ("radiator_temp_c", "coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c")

QUESTIONS: tuple[BenchQuestion, ...] = (
    BenchQuestion(
        question="how hot the die gets, while idle and under load",
        needs=(_DIE,),
        lacking=(_NO_DIE,),
    ),
    BenchQuestion(
        question="how far the die is from its own limit",
        needs=(_DIE, _DIE_LIMIT),
        lacking=(_NO_DIE, "this machine states no limit of its die: the maker's data sheet has to do"),
    ),
    BenchQuestion(
        question="how much of the temperature is the room's",
        needs=(("die_temp_c", "plate_temp_c", "exhaust_temp_c", "vrm_temp_c", "gpu_temp_c"), AMBIENT_CHANNELS),
        lacking=("no temperature of the machine itself", _NO_AMBIENT),
    ),
    BenchQuestion(
        question="the thermal resistance from die to room in K/W",
        needs=(_DIE, AMBIENT_CHANNELS, ("package_power_w",)),
        lacking=(_NO_DIE, _NO_AMBIENT, _NO_POWER),
    ),
    BenchQuestion(
        question="contact and cooler apart, from the first seconds after a power step",
        needs=(_DIE, ("package_power_w",)),
        lacking=(_NO_DIE, _NO_POWER),
    ),
    BenchQuestion(
        question="contact and cooler apart, from the kelvin between die and plate",
        needs=(_DIE, _PLATE),
        lacking=(_NO_DIE, "no probe on the plate: lay one beside the processor on the metal of the cooler"),
    ),
    BenchQuestion(
        question="whether the heat reaches the radiator",
        needs=(("die_temp_c", "plate_temp_c"), _FAR_END),
        lacking=(
            _NO_DIE,
            "no temperature of coolant, hoses or radiator: lay a probe on the radiator's inlet pipe",
        ),
    ),
    BenchQuestion(
        question="whether the processor's fan turns, and how fast",
        needs=(("cpu_fan_speed_rpm",),),
        lacking=("no fan speed with a known role: load the board's kernel driver, or name the fan in bench.toml",),
    ),
    BenchQuestion(
        question="whether the pump turns",
        needs=(("pump_speed_rpm",),),
        lacking=("no pump speed with a known role; an air cooler has none",),
    ),
    BenchQuestion(
        question="whether the processor slows itself down because of heat",
        needs=(("throttle_count",),),
        lacking=("no throttle counters (some makes have none): falling clock and work rate under load have to do",),
    ),
    BenchQuestion(
        question="whether the clock falls under load",
        needs=(("core_clock_mhz",),),
        lacking=("no clock: the system shows no cpufreq here",),
    ),
    BenchQuestion(
        question="whether the supply's rails sag under load",
        needs=(("rail_12v_v",),),
        lacking=("no 12 V reading to believe: measure it with a meter at a free connector of the supply",),
    ),
    BenchQuestion(
        question="whether the board's regulators run hot",
        needs=(("vrm_temp_c",),),
        lacking=("no temperature of the regulators: lay a probe on their heat sink",),
    ),
)

_FLOW = (
    "whether coolant flows: a pump that turns does not prove it;"
    " a radiator that stays cold while the die is hot says that it does not"
)
_WHILE_IDLE = "whether a coarse reading that stands while idle is stuck: `verifyrig channels --prove` makes it move"


def answerable(readings: Mapping[str, Reading], limited: Collection[str] = ()) -> tuple[list[str], list[str]]:
    """Return what can be determined and what cannot, each as a clause; the latter with what it would take.

    Args:
        readings: By channel; only `ok` ones count.
        limited: Channels whose own limit the machine states.
    """
    have = {base_name(channel) for channel, reading in readings.items() if reading.ok}
    if any(base_name(name) in _DIE and name in readings and readings[name].ok for name in limited):
        have |= set(_DIE_LIMIT)
    can = [question.question for question in QUESTIONS if not _lacks(question, have)]
    cannot = [f"{question.question}: {'; '.join(lacks)}" for question in QUESTIONS if (lacks := _lacks(question, have))]
    if "pump_speed_rpm" in have or have & set(_FAR_END):
        cannot.append(_FLOW)
    if have & {"die_temp_c", "core_temp_c", "plate_temp_c"}:
        cannot.append(_WHILE_IDLE)
    return can, cannot


def _lacks(question: BenchQuestion, have: Set[str]) -> list[str]:
    """Return what is missing of what a question needs, in the order of its groups; empty where it has an answer."""
    missing = [what for group, what in zip(question.needs, question.lacking, strict=True) if not have & set(group)]
    if missing and missing[0] == _NO_DIE:
        if _DIE_LIMIT in question.needs:
            return missing[:1]  # whether a die that is not there states a limit does not matter
        if question.needs == (_DIE,) and not have & set(_PLATE):
            return [f"{_NO_DIE}, or lay a probe on the plate"]
    return missing
