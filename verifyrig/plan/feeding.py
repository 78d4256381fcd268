"""Whether the stages of a profile can give the figures that its thresholds ask for. Pure.

A threshold that no run can ever feed makes every verdict "not measured". What a machine lacks is another matter:
that the run says itself.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from verifyrig.core.channels import GPU_LIMITS, base_name, is_channel, quantity_of
from verifyrig.core.heat_sources import CARD, heated_by
from verifyrig.core.pattern import LEAST_KEPT_LOAD_S, pattern_duration_s
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.files.toml_table import Faults

__all__ = ["check_fed"]

_OF_A_LOAD = ("throttle_share", "work_rate_kept_share", "compute_errors")
_OF_OUR_LOAD = ("work_rate_kept_share", "compute_errors")
_OF_A_STEADY_STATE = ("settled", "rise", "time_constant")
# The steepest rise is taken over so long; before a step so much idle time is needed (`analysis.fingerprint`).
_RATE_S, _BEFORE_STEP_S = 10.0, 20.0
_READINGS = 5
_SHARES = ("busy_share", "gpu_busy_share", *GPU_LIMITS)
_PATH = ("die", "plate", "coolant", "radiator", "room")
_CARDS_PATH = ("hotspot", "chip", "room")
_RESISTANCE = re.compile(r"(?P<card>gpu_)?thermal_resistance(_(?P<hot>[a-z0-9_]+?)_to_(?P<cold>[a-z0-9_]+))?")
_IMPEDANCE = re.compile(r"(?P<card>gpu_)?thermal_impedance_\d+s")


class _Unfed(NamedTuple):
    """Why a stage cannot give a figure, and what to write instead."""

    what: str
    mend: str


def check_fed(profile: Profile, faults: Faults) -> None:
    """Note each threshold whose figure its own stage cannot give; nothing while other things are wrong."""
    if faults.found:
        return
    for n, threshold in enumerate(profile.thresholds, start=1):
        stage_name, _, figure = threshold.metric.partition(".")
        stage = profile.stage(stage_name)
        unfed = _unfed(figure, stage, profile) if stage is not None else None
        if unfed is not None:
            faults.add(f"threshold[{n}]", f"no run can give {threshold.metric}: {unfed.what}", unfed.mend)


def _unfed(figure: str, stage: Stage, profile: Profile) -> _Unfed | None:
    channel, dot, of_channel = figure.rpartition(".")
    if dot:
        return _unfed_channel(channel, of_channel, stage, profile)
    if figure in _OF_A_LOAD:
        return _unfed_by_load(figure, stage, profile)
    resistance, impedance = _RESISTANCE.fullmatch(figure), _IMPEDANCE.fullmatch(figure)
    if resistance is not None:
        return _unfed_resistance(resistance, stage, profile)
    return _unfed_impedance(bool(impedance["card"]), stage, profile) if impedance is not None else None


def _unfed_channel(channel: str, figure: str, stage: Stage, profile: Profile) -> _Unfed | None:
    if figure in _OF_A_STEADY_STATE:
        return _unsteady(stage, profile)
    if figure == "rate" and shortest_s(stage) < _RATE_S:
        return _too_short(stage, _RATE_S)
    if is_channel(channel) and quantity_of(channel) == "share" and base_name(channel) not in _SHARES:
        return _Unfed(f"{channel} has no figure of its own", "Take the threshold out.")
    if base_name(channel) in GPU_LIMITS and not _heats_card(stage.load):
        return _Unfed(f'stage "{stage.name}" puts no load on the card', "Name a stage that does.")
    return None


def _unfed_by_load(figure: str, stage: Stage, profile: Profile) -> _Unfed | None:
    if stage.load is None:
        return _Unfed(f'stage "{stage.name}" has no load', "Name a load stage.")
    if figure in _OF_OUR_LOAD and stage.load.work == WorkName.EXTERNAL:
        return _Unfed("nobody counts the work of a load from outside", "Take the threshold out.")
    needed_s = LEAST_KEPT_LOAD_S + 2 * profile.period_s
    if figure == "work_rate_kept_share" and _shortest_at_one_share_s(stage, stage.load) < needed_s:
        return _too_short(stage, needed_s)
    return None


def _unfed_resistance(asked: re.Match[str], stage: Stage, profile: Profile) -> _Unfed | None:
    path = _CARDS_PATH if asked["card"] else _PATH
    if stage.kind is StageKind.COOLDOWN:
        return _Unfed("a cooldown has no steady flow of heat", "Name an idle or a load stage.")
    if asked["hot"] is not None and not _is_downhill(asked["hot"], asked["cold"], path):
        return _Unfed(f"the path of its heat is {' → '.join(path)}", "Name two of its places, the hotter one first.")
    if asked["card"] and not _is_card_loaded(stage, profile):
        return _Unfed(f'stage "{stage.name}" puts no load on the card', "Name a stage that does.")
    return _unsteady(stage, profile)


def _is_downhill(hot: str, cold: str, path: tuple[str, ...]) -> bool:
    return hot in path and cold in path and path.index(hot) < path.index(cold)


def _unfed_impedance(card: bool, stage: Stage, profile: Profile) -> _Unfed | None:
    if stage.kind is StageKind.IDLE:
        return _Unfed("an idle stage has no step of power", "Name a load or a cooldown stage.")
    if card and not _is_card_loaded(stage, profile):
        return _Unfed(f'stage "{stage.name}" follows no load on the card', "Name a stage that does.")
    before_s = sum(shortest_s(earlier) for earlier in profile.stages[: profile.stages.index(stage)])
    if stage.kind is StageKind.LOAD and before_s < _BEFORE_STEP_S:
        return _Unfed(
            f'the step of stage "{stage.name}" needs {_BEFORE_STEP_S:g} s before it, and may have {before_s:g} s',
            "Write a longer min_duration_s for what comes before it.",
        )
    return None


def _unsteady(stage: Stage, profile: Profile) -> _Unfed | None:
    if stage.load is not None and stage.load.pattern == LoadPattern.PULSES and (stage.load.count or 0) > 1:
        return _Unfed("pulses never settle", "Name a stage with a steady load, or ask for the peak.")
    needed_s = _READINGS * profile.period_s
    return _too_short(stage, needed_s) if shortest_s(stage) < needed_s else None


def _too_short(stage: Stage, needed_s: float) -> _Unfed:
    return _Unfed(
        f'it needs {needed_s:g} s, and stage "{stage.name}" may be over after {shortest_s(stage):g} s',
        f"Write min_duration_s = {needed_s:g} or more, and a longer stage where its end comes before.",
    )


def shortest_s(stage: Stage) -> float:
    """Return after what time the stage may be over at the earliest, s, where nothing goes wrong."""
    pattern_s = pattern_duration_s(stage.load) if stage.load is not None else float("inf")
    longest_s = min(pattern_s, float("inf") if stage.max_duration_s is None else stage.max_duration_s)
    return min(longest_s, stage.min_duration_s) if stage.settle is not None else longest_s


def _shortest_at_one_share_s(stage: Stage, load: LoadPlan) -> float:
    """Return from begin to end of what is done under the highest share of the load, s."""
    if load.pattern == LoadPattern.PULSES:
        return pattern_duration_s(load) - (load.off_s or 0.0)
    if load.pattern == LoadPattern.STEPS and load.step_s is not None:
        top = [n for n, share in enumerate(load.shares) if share == max(load.shares)]
        return (top[-1] + 1 - top[0]) * load.step_s
    return shortest_s(stage)


def _heats_card(load: LoadPlan | None) -> bool:
    return load is not None and CARD.temp in heated_by(load.work)


def _is_card_loaded(stage: Stage, profile: Profile) -> bool:
    """Return whether the stage's own load heats the card, or the one that it follows; at idle any of the profile."""
    if stage.kind is StageKind.IDLE:
        return any(_heats_card(one.load) for one in profile.stages)
    before = [one.load for one in profile.stages[: profile.stages.index(stage) + 1] if one.load is not None]
    return bool(before) and _heats_card(before[-1])
