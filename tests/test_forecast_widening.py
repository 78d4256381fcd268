"""The rules by which the forecast of a stage is widened, warned of and started anew, on forecasts that are given."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.test_stage_forecaster import IDLE_S, RULE, rows, steady
from verifyrig.analysis import Forecast, StageForecaster, stage_forecaster
from verifyrig.analysis.forecast import DEFAULT_SETTLE
from verifyrig.analysis.samples import prepare
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Settle
from verifyrig.core.reason import Reason, reason


class Given:
    """Forecasts in place of those from the model, and what the model was asked with."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *answers: Forecast, peaks: bool = True) -> None:
        self.answers = list(answers)
        self.started_from: list[object] = []
        self.told: list[tuple[object, ...]] = []
        self.prepared: list[tuple[object, ...]] = []
        self._peaks = peaks
        monkeypatch.setattr(stage_forecaster, "forecast_from", self.answer)
        monkeypatch.setattr(stage_forecaster, "prepare", self.prepare)

    def prepare(self, *arguments: object) -> object:
        self.prepared.append(arguments)
        return prepare(*arguments)  # type: ignore[arg-type]

    def answer(self, samples: object, rule: Settle, *more: object) -> object:
        *facts, started_from = more
        self.started_from.append(started_from)
        self.told.append((rule, *facts))
        posterior = SimpleNamespace(peaks=f"machines {len(self.told)}") if self._peaks else None
        return SimpleNamespace(forecast=self.answers.pop(0), posterior=posterior)


def at(settles_at_c: float, u95_k: float, remaining_s: float = 50.0, why: tuple[Reason, ...] = ()) -> Forecast:
    known = u95_k <= RULE.within_k
    return Forecast(
        settles_at_c=settles_at_c, u95_k=u95_k, known=known, remaining_s=remaining_s, slow=False, why=why
    )  # fmt: skip


def asked_at(stage: StageForecaster, *elapsed_s: int) -> list[Forecast]:
    whole = np.array(rows("steady", IDLE_S + max(elapsed_s) + 1))
    found = [stage.forecast(whole[: IDLE_S + elapsed + 1], IDLE_S) for elapsed in elapsed_s]
    assert all(one is not None for one in found)
    return [one for one in found if one is not None]


def test_u95_grows_by_the_factor_that_an_earlier_forecast_missed_by(monkeypatch: pytest.MonkeyPatch) -> None:
    # 6 K off with 2 K stated is three times as far as was said: 1.5 K become 4.5 K.
    Given(monkeypatch, at(40.0, 2.0), at(46.0, 1.5))
    first, second = asked_at(StageForecaster(RULE), 100, 120)
    assert (first.settles_at_c, first.u95_k) == (40.0, 2.0)
    assert (second.settles_at_c, second.known, second.remaining_s) == (46.0, False, 50.0)
    assert second.u95_k == pytest.approx(4.5)


def test_u95_grows_by_no_more_than_the_kelvins_that_an_earlier_forecast_missed_by(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A card behind fans that come and go stated 61.7 ± 0.8 °C; a factor of seven made ± 344 K of the ± 30 K after it.
    Given(monkeypatch, at(62.0, 0.5), at(58.0, 30.0))
    assert asked_at(StageForecaster(RULE), 100, 120)[-1].u95_k == pytest.approx(np.hypot(30.0, 4.0))


def test_the_worst_of_the_earlier_misses_counts_and_a_widened_one_is_held_against_as_it_was_first_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    Given(monkeypatch, at(40.0, 2.0), at(46.0, 1.5), at(44.0, 0.5))
    # 4 K of 2 K, and 2 K of 1.5 K: twice.
    assert asked_at(StageForecaster(RULE), 100, 120, 140)[-1].u95_k == pytest.approx(1.0)


@pytest.mark.parametrize("settles_at_c", [42.0, 38.0, 41.0])
def test_a_miss_within_what_was_said_widens_nothing(monkeypatch: pytest.MonkeyPatch, settles_at_c: float) -> None:
    Given(monkeypatch, at(40.0, 2.0), at(settles_at_c, 0.5))
    assert asked_at(StageForecaster(RULE), 100, 120)[-1] == at(settles_at_c, 0.5)


@pytest.mark.parametrize(
    ("u95_k", "known", "remaining_s"),
    # Twice as wide; the rule allows 1 K, and what lies on a limit lies within it.
    [(0.3, True, 0.0), (0.5, True, 0.0), (0.51, False, 77.0)],
)
def test_what_is_known_is_decided_anew_after_widening(
    monkeypatch: pytest.MonkeyPatch, u95_k: float, known: bool, remaining_s: float
) -> None:
    Given(monkeypatch, at(40.0, 2.0), at(44.0, u95_k, remaining_s=77.0))
    found = asked_at(StageForecaster(RULE), 100, 120)[-1]
    assert (found.known, found.remaining_s) == (known, remaining_s)


def test_what_was_known_and_is_no_longer_is_asked_again_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    Given(monkeypatch, at(40.0, 2.0), at(44.0, 0.8, remaining_s=0.0))
    assert asked_at(StageForecaster(RULE), 100, 120)[-1].remaining_s == 30.0


@pytest.mark.parametrize(("first_s", "widened"), [(40, True), (39, False)])
def test_only_forecasts_after_two_fifths_of_the_stage_count(
    monkeypatch: pytest.MonkeyPatch, first_s: int, widened: bool
) -> None:
    Given(monkeypatch, at(40.0, 2.0), at(46.0, 1.5))
    assert (asked_at(StageForecaster(RULE), first_s, 100)[-1].u95_k > 1.5) is widened


@pytest.mark.parametrize(("limit_c", "warned"), [(None, False), (45.9, True), (46.0, True), (46.1, False)])
def test_a_forecast_at_or_above_the_limit_says_so(
    monkeypatch: pytest.MonkeyPatch, limit_c: float | None, warned: bool
) -> None:
    unknown = reason("room-unknown")
    Given(monkeypatch, at(46.0, 1.5, why=(unknown,)))
    (found,) = asked_at(StageForecaster(RULE, limit_c=limit_c), 100)
    assert found.why[0] == unknown and len(found.why) == 1 + warned
    if warned:
        assert found.why[1].code == "would-pass-limit" and found.why[1].values == {"limit_c": limit_c}
    assert found.settles_at_c == 46.0


def test_the_search_starts_from_the_machines_found_before_and_anew_each_time_the_stage_has_doubled(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = Given(monkeypatch, *[at(40.0, 2.0)] * 6)
    asked_at(StageForecaster(RULE), 100, 120, 199, 200, 399, 400)
    assert given.started_from == [None, "machines 1", "machines 2", None, "machines 4", None]


def test_without_machines_found_the_search_starts_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch, at(40.0, 2.0), at(40.0, 2.0), peaks=False)
    asked_at(StageForecaster(RULE), 100, 120)
    assert given.started_from == [None, None]


@pytest.mark.parametrize(
    ("channel", "part"), [("die_temp_c", DIE), ("gpu_temp_c", CARD), ("coolant_temp_c", DIE), (None, DIE)]
)
def test_what_is_known_of_the_sensor_reaches_the_model(
    monkeypatch: pytest.MonkeyPatch, channel: str | None, part: HeatSource
) -> None:
    given = Given(monkeypatch, at(40.0, 2.0))
    info = ChannelInfo(
        channel=channel, label="l", device="d", source="s", quantity="temperature", unit="°C",
        resolution=0.25, refresh_s=2.0, limit=95.0,
    )  # fmt: skip
    asked_at(StageForecaster(None, info), 100)
    assert given.told == [(DEFAULT_SETTLE, 0.25, 2.0, 95.0)] and given.prepared[0][7] is part


def test_without_a_known_sensor_nothing_is_said_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch, at(40.0, 2.0))
    asked_at(StageForecaster(RULE), 100)
    assert given.told == [(RULE, None, None, None)] and given.prepared[0][7] is DIE


def test_the_fan_s_duty_is_looked_back_upon_as_far_as_all_else(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch, at(40.0, 2.0))
    whole = np.array(rows("steady", 2500))
    StageForecaster(RULE).forecast(whole, 2400, whole[:, 0] / 1e4)
    t_s, duty = given.prepared[0][0], given.prepared[0][9]
    assert isinstance(t_s, np.ndarray) and isinstance(duty, np.ndarray)
    assert 1800 < len(t_s) < 2000 and duty.tolist() == (t_s / 1e4).tolist()


def test_half_an_hour_before_the_stage_is_looked_back_upon_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    given = Given(monkeypatch, at(40.0, 2.0))
    idle = [(float(t), 30.0, 15.0, 900.0, 24.0, 0.0) for t in range(2500)]
    load = [(float(t), steady(t - 2500.0), 100.0, 900.0, 24.0, 1.0) for t in range(2500, 2600)]
    assert StageForecaster(RULE).forecast(np.array(idle + load), 2500) is not None
    t_s = given.prepared[0][0]
    assert isinstance(t_s, np.ndarray) and (t_s[0], t_s[-1]) == (700.0, 2599.0)


def test_before_the_first_sample_of_the_stage_there_is_no_forecast() -> None:
    assert StageForecaster(RULE).forecast(np.array(rows("steady", IDLE_S)), IDLE_S) is None


@pytest.mark.parametrize(("before", "answered"), [(0.0, False), (0.08, True), (0.12, True)])
def test_samples_that_still_tell_of_the_load_before_are_not_answered_from(
    monkeypatch: pytest.MonkeyPatch, before: float, answered: bool
) -> None:
    # The share creeps up in steps that are no edge of the load: its last edge lies before the stage.
    given = Given(monkeypatch, at(40.0, 2.0))
    share = [1.0] * 30 + [before] * 30 + [min(0.08, before + 0.04)] * 10 + [0.08] * 60
    whole = np.array([(float(t), 40.0 + t / 100, 20.0, 900.0, 24.0, s) for t, s in enumerate(share)])
    assert (StageForecaster(RULE).forecast(whole, 60) is not None) is answered
    assert len(given.told) == answered


def test_a_run_that_begins_with_the_stage_has_no_load_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    Given(monkeypatch, at(40.0, 2.0))
    assert StageForecaster(RULE).forecast(np.array(rows("steady", IDLE_S)), 0) is not None


@pytest.mark.parametrize(
    ("share", "answered"),
    [
        ([0.0] * 60 + [0.04] * 60 + [0.08], False),  # the last sample decides
        ([0.0] * 59 + [0.5] + [0.54] * 60 + [0.58], False),  # the last edge is the last sample before the stage
        ([1.0] * 59 + [0.0] + [0.0] * 61, True),  # the load ended just before the stage, which is another matter
    ],
)
def test_the_newest_sample_is_held_against_the_last_before_the_stage(
    monkeypatch: pytest.MonkeyPatch, share: list[float], answered: bool
) -> None:
    Given(monkeypatch, at(40.0, 2.0))
    whole = np.array([(float(t), 40.0 + t / 100, 20.0, 900.0, 24.0, s) for t, s in enumerate(share)])
    assert (StageForecaster(RULE).forecast(whole, 60) is not None) is answered


def test_a_single_sample_before_the_stage_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    Given(monkeypatch, at(40.0, 2.0))
    share = [0.0] + [0.04] * 60 + [0.08]
    whole = np.array([(float(t), 40.0 + t / 100, 20.0, 900.0, 24.0, s) for t, s in enumerate(share)])
    assert StageForecaster(RULE).forecast(whole, 1) is None


def test_what_the_model_has_no_answer_to_gets_no_forecast(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stage_forecaster, "forecast_from", lambda *_: None)
    assert StageForecaster(RULE).forecast(np.array(rows("steady", IDLE_S + 100)), IDLE_S) is None
