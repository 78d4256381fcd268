"""Which questions of the bench the readings of a machine can answer, and which not. Pure.

Common practice, no source: which quantity answers which question of the bench.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
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
        lacking: What is in the way where it has no answer, and the remedy, one sentence.
    """

    question: str
    needs: tuple[tuple[str, ...], ...]
    lacking: str


_DIE = ("die_temp_c",)
_FAR_END = ("radiator_temp_c", "coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c")

QUESTIONS: tuple[BenchQuestion, ...] = (
    BenchQuestion(
        question="how hot the die gets, while idle and under load, and how far that is from its limit",
        needs=(_DIE,),
        lacking="no die temperature: load the kernel driver (coretemp, k10temp), or lay a probe on the plate",
    ),
    BenchQuestion(
        question="how much of the temperature is the room's",
        needs=(("die_temp_c", "plate_temp_c", "exhaust_temp_c", "vrm_temp_c", "gpu_temp_c"), AMBIENT_CHANNELS),
        lacking="no probe in the room or at the air inlet: connect one, or type the room with --ambient",
    ),
    BenchQuestion(
        question="the thermal resistance from die to room in K/W",
        needs=(_DIE, AMBIENT_CHANNELS, ("package_power_w",)),
        lacking="it takes die, room and package power together",
    ),
    BenchQuestion(
        question="contact and cooler apart, from the first seconds after a power step",
        needs=(_DIE, ("package_power_w",)),
        lacking="it takes the die and the package power",
    ),
    BenchQuestion(
        question="contact and cooler apart, from the kelvin between die and plate",
        needs=(_DIE, ("plate_temp_c",)),
        lacking="no probe on the plate: lay one beside the processor on the metal of the cooler",
    ),
    BenchQuestion(
        question="whether the heat reaches the radiator",
        needs=(("die_temp_c", "plate_temp_c"), _FAR_END),
        lacking="no temperature of coolant, hoses or radiator: lay a probe on the radiator's inlet pipe",
    ),
    BenchQuestion(
        question="whether the processor's fan turns, and how fast",
        needs=(("cpu_fan_speed_rpm",),),
        lacking="no fan speed with a known role: load the board's kernel driver, or name the fan in bench.toml",
    ),
    BenchQuestion(
        question="whether the pump turns",
        needs=(("pump_speed_rpm",),),
        lacking="no pump speed with a known role; an air cooler has none",
    ),
    BenchQuestion(
        question="whether the processor slows itself down because of heat",
        needs=(("throttle_count",),),
        lacking="no throttle counters (some makes have none): falling clock and work rate under load have to do",
    ),
    BenchQuestion(
        question="whether the clock falls under load",
        needs=(("core_clock_mhz",),),
        lacking="no clock: the system shows no cpufreq here",
    ),
    BenchQuestion(
        question="whether the supply's rails sag under load",
        needs=(("rail_12v_v",),),
        lacking="no 12 V reading to believe: measure it with a meter at a free connector of the supply",
    ),
    BenchQuestion(
        question="whether the board's regulators run hot",
        needs=(("vrm_temp_c",),),
        lacking="no temperature of the regulators: lay a probe on their heat sink",
    ),
)

_FLOW = (
    "whether coolant flows: a pump that turns does not prove it;"
    " a radiator that stays cold while the die is hot says that it does not"
)
_WHILE_IDLE = "whether a coarse reading that stands while idle is stuck: `verifyrig channels --prove` makes it move"


def answerable(readings: Mapping[str, Reading]) -> tuple[list[str], list[str]]:
    """Return what can be determined and what cannot, each as a clause; the latter with what it would take.

    Args:
        readings: By channel; only `ok` ones count.
    """
    have = {base_name(channel) for channel, reading in readings.items() if reading.ok}
    can = [question.question for question in QUESTIONS if _is_answered(question, have)]
    cannot = [f"{question.question}: {question.lacking}" for question in QUESTIONS if not _is_answered(question, have)]
    if "pump_speed_rpm" in have or have & set(_FAR_END):
        cannot.append(_FLOW)
    if have & {"die_temp_c", "core_temp_c", "plate_temp_c"}:
        cannot.append(_WHILE_IDLE)
    return can, cannot


def _is_answered(question: BenchQuestion, have: Set[str]) -> bool:
    return all(have & set(group) for group in question.needs)
