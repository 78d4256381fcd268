"""The settled value of a stage: what its u95 is worth where neighbouring samples are alike, and how the room enters."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import metrics_of
from verifyrig.analysis import settled as settled_module
from verifyrig.analysis.results import Forecast
from verifyrig.analysis.settled import Settled, settle_rule, settled_value
from verifyrig.core.ceilings import COLDEST_READING_C, HOTTEST_READING_C
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Settle, Stage, StageKind, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace

LONG_S = 2400.0  # longer than five of the slowest time constants that a stage without a profile is held to (400 s)
LEVEL_C = 60.0
SIGMA_K = 0.5


def flat_trace(die_c: FloatArray, **facts: object) -> Trace:
    """A long stage of load after an idle minute; the die is given, all else stands still."""
    t = np.arange(0.0, 60.0 + len(die_c))
    on = t >= 60.0
    columns = {
        "die_temp_c": np.concatenate([np.full(60, 30.0), die_c]),
        "package_power_w": np.where(on, 100.0, 15.0),
        "load_share": on.astype(float),
    }
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"purpose": "check", "outcome": "completed", "simulated": True, **facts},
        profile=None,
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=60.0, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=60.0, end_s=float(t[-1]), ended=StageEnd.TIME),
        ),
        t_s=t,
        utc_s=t + 1.9e9,
        columns=columns,
        events=(Event(t_s=60.0, kind="load", detail={"share": 1.0}),),
    )


def alike(r: float, seed: int, n: int = int(LONG_S)) -> FloatArray:
    """Noise of standard deviation `SIGMA_K` in which each sample keeps the share `r` of the one before (AR(1))."""
    rng = np.random.default_rng(seed)
    fresh = rng.standard_normal(n) * SIGMA_K * math.sqrt(1 - r * r)
    noise = np.empty(n)
    noise[0] = rng.standard_normal() * SIGMA_K
    for k in range(1, n):
        noise[k] = r * noise[k - 1] + fresh[k]
    return LEVEL_C + noise


def settled(die_c: FloatArray) -> Settled:
    trace = flat_trace(np.asarray(die_c, dtype=np.float64))
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, "die_temp_c")
    assert isinstance(found, Settled)
    return found


def test_the_mean_of_samples_that_are_alike_is_as_uncertain_as_the_theory_of_time_series_says() -> None:
    # Variance of the mean of a first-order autoregression: sigma^2 / n * (1 + r) / (1 - r) for large n (G. E. P. Box,
    # G. M. Jenkins, Time Series Analysis, from memory). The last 300 s count. What still seems to move adds a little.
    r, n = 0.9, 300
    theory_k = SIGMA_K / math.sqrt(n) * math.sqrt((1 + r) / (1 - r))
    stated_k = np.median([settled(alike(r, seed)).u_k for seed in range(25)])
    assert 0.75 * theory_k < stated_k < 2.5 * theory_k


def test_the_truth_lies_within_two_of_the_stated_uncertainties_where_samples_are_alike() -> None:
    inside = [abs(found.value_c - LEVEL_C) <= 2 * found.u_k for found in (settled(alike(0.9, s)) for s in range(60))]
    # 95 % is meant; below 83 % would come once in 1 000 draws of 60 (binomial).
    assert np.mean(inside) >= 0.83


def test_samples_that_know_nothing_of_each_other_are_not_called_more_uncertain() -> None:
    stated_k = np.median([settled(alike(0.0, seed)).u_k for seed in range(25)])
    assert stated_k == pytest.approx(SIGMA_K / math.sqrt(300), rel=0.35)


def test_a_long_stage_that_still_climbs_has_not_settled() -> None:
    n = int(LONG_S)
    climbing = LEVEL_C + 0.01 * np.arange(n) + 0.05 * np.random.default_rng(1).standard_normal(n)
    found = settled(climbing)
    # Half an hour at this pace would be 18 K.
    assert (found.known, found.extrapolated) == (False, True) and found.u_k > 4.0


def test_a_long_stage_is_known_and_a_short_one_is_forecast() -> None:
    long, short = settled(alike(0.0, 1)), settled(alike(0.0, 1, n=30))
    assert (long.known, long.extrapolated, long.why) == (True, False, ())
    assert short.extrapolated and short.why[0] == reason("extrapolated-not-settled")


@pytest.mark.parametrize(("n", "why"), [(4, reason("few-readings", count=4)), (0, reason("no-reading"))])
def test_too_few_readings_settle_nothing(n: int, why: Reason) -> None:
    die_c = np.full(int(LONG_S), math.nan)
    die_c[:n] = LEVEL_C
    trace = flat_trace(die_c)
    stage = trace.stage("load")
    assert stage is not None
    # The sample at the stage's first moment belongs to it.
    found = settled_value(trace, stage, "die_temp_c")
    assert found == why


# ---- the flat end in closed form


def found_in(trace: Trace, channel: str = "die_temp_c") -> Settled:
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, channel)
    assert isinstance(found, Settled)
    return found


def to_and_fro(n: int, sigma_k: float = SIGMA_K) -> FloatArray:
    """Readings that lie above and below by turns: no slope, and neighbours are anything but alike."""
    return np.asarray(LEVEL_C + sigma_k * (-1.0) ** np.arange(n), dtype=np.float64)


def u_of_mean(n: int, sigma_k: float = SIGMA_K) -> float:
    """Standard deviation of the mean of n readings ± sigma, JCGM 100:2008, 4.2.3."""
    return sigma_k * math.sqrt(n / (n - 1)) / math.sqrt(n)


def test_five_of_the_slowest_time_constants_are_long_and_a_second_less_is_not() -> None:
    assert not settled(to_and_fro(2001)).extrapolated
    assert settled(to_and_fro(2000)).extrapolated


def test_the_last_three_quarters_of_a_time_constant_are_averaged() -> None:
    # 0.75 x 400 s: the reading 300 s before the last is the first that counts, 301 in all.
    values = to_and_fro(2401)
    values[:-301] = 20.0
    found = settled(values)
    assert found.value_c == pytest.approx(LEVEL_C, abs=0.003)
    assert found.u_k == pytest.approx(u_of_mean(301), rel=1e-3)
    values[-301:-150] += 0.1
    assert settled(values).value_c == pytest.approx(LEVEL_C + 0.1 * 151 / 301, abs=0.003)


def with_rule(trace: Trace, settle: Settle) -> Trace:
    stage = Stage(name="load", kind=StageKind.LOAD, load=LoadPlan(work=WorkName.LINEAR_ALGEBRA), settle=settle)
    return replace(trace, profile=Profile(name="p", title="", text="", recipe="r", stages=(stage,), thresholds=()))


def test_a_profile_with_a_quick_rule_averages_two_minutes_at_least() -> None:
    values = to_and_fro(601)
    values[:-121] = 20.0
    quick = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=100.0)
    found = found_in(with_rule(flat_trace(values), quick))
    assert found.value_c == pytest.approx(LEVEL_C, abs=0.01) and not found.extrapolated
    assert found.u_k == pytest.approx(u_of_mean(121), rel=1e-3)


def test_the_rule_is_the_profiles_or_one_kelvin_and_400_seconds() -> None:
    trace = flat_trace(to_and_fro(601))
    stage = trace.stage("load")
    assert stage is not None
    assert settle_rule(trace, stage) == Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
    own = Settle(channel="coolant_temp_c", within_k=0.5, slowest_time_constant_s=900.0)
    assert settle_rule(with_rule(trace, own), stage) == own


@pytest.mark.parametrize(("in_u_of_slope", "counts"), [(1.5, False), (2.5, True)])
def test_a_slope_counts_from_twice_its_own_uncertainty_on(in_u_of_slope: float, counts: bool) -> None:
    # JCGM 100:2008, H.3: u of a slope is s / sqrt(sum of squares of t); for n readings a second apart n (n^2 - 1) / 12.
    n, sigma_k = 301, 0.2
    u_slope = sigma_k * math.sqrt(n / (n - 2)) / math.sqrt(n * (n * n - 1) / 12)
    slope = in_u_of_slope * u_slope
    found = settled(to_and_fro(2401, sigma_k) + slope * np.arange(2401.0))
    # A quarter of the 2400 s further, as two standard uncertainties: a mode of which less than four time constants were
    # seen would show more.
    still_k = slope * 600.0 / 2
    assert found.u_k == pytest.approx(math.hypot(u_of_mean(n, sigma_k), still_k if counts else 0.0), rel=0.03)


def test_a_falling_slope_counts_as_a_rising_one_does() -> None:
    slope = 0.0006  # within 400 s less than a quarter of the kelvin that is allowed
    rising, falling = (settled(LEVEL_C + sign * slope * np.arange(2401, dtype=np.float64)) for sign in (1, -1))
    assert falling.u_k == pytest.approx(rising.u_k) and falling.u_k == pytest.approx(slope * 600.0 / 2, rel=0.05)
    assert not falling.extrapolated and falling.known and rising.known


@pytest.mark.parametrize(("slope", "flat"), [(0.00060, True), (0.00065, False), (-0.00065, False)])
def test_what_moves_by_a_quarter_of_what_is_allowed_within_one_time_constant_is_not_flat(
    slope: float, flat: bool
) -> None:
    assert settled(LEVEL_C + slope * np.arange(2401.0)).extrapolated is not flat


def test_samples_that_are_all_alike_are_worth_no_more_than_their_hundredth_part() -> None:
    # One cosine over the window: no slope, neighbours alike by more than 0.98, which is as far as it is followed:
    # sqrt((1 + 0.98) / (1 - 0.98)) = sqrt(99).
    t = np.arange(2401.0)
    values = LEVEL_C + np.cos(2 * math.pi * (t - t[-1]) / 300.0)
    assert settled(values).u_k == pytest.approx(math.sqrt(0.5) / math.sqrt(301) * math.sqrt(99), rel=0.01)


def test_a_load_in_pulses_settles_nowhere_and_an_idle_stage_has_no_pulses() -> None:
    trace = flat_trace(to_and_fro(2401))
    on_off = [Event(t_s=t, kind="load", detail={"share": s}) for t, s in ((60.0, 1.0), (90.0, 0.0), (120.0, 1.0))]
    pulsed = replace(trace, events=tuple(on_off))
    stage = pulsed.stage("load")
    assert stage is not None
    assert settled_value(pulsed, stage, "die_temp_c") == reason("pulsed")
    assert isinstance(settled_value(pulsed, replace(stage, kind=StageKind.COOLDOWN), "die_temp_c"), Settled)


def test_five_readings_are_enough_to_be_told_that_the_stage_is_too_short() -> None:
    trace = flat_trace(np.full(5, LEVEL_C))
    stage = trace.stage("load")
    assert stage is not None
    assert settled_value(trace, stage, "die_temp_c") == reason("stage-too-short")


@pytest.mark.parametrize(("silent_s", "told"), [(30, True), (31, False), (300, False)])
def test_a_sensor_that_fell_silent_before_the_end_tells_nothing_of_the_end(silent_s: int, told: bool) -> None:
    die_c = np.full(600, LEVEL_C)
    die_c[-silent_s:] = math.nan
    trace = flat_trace(die_c)
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, "die_temp_c")
    if told:
        assert isinstance(found, Settled) and math.isfinite(found.value_c)
    else:
        assert found == reason("no-reading-at-its-end")


def thinned(trace: Trace, every_s: float) -> Trace:
    """The same run by a logger that writes every few minutes, its last sample among them."""
    kept = np.flatnonzero((trace.t_s[-1] - trace.t_s) % every_s == 0.0)
    columns = {name: column[kept] for name, column in trace.columns.items()}
    return replace(trace, t_s=trace.t_s[kept], utc_s=trace.utc_s[kept], columns=columns)


def test_of_a_logger_that_writes_every_few_minutes_the_last_five_readings_are_averaged() -> None:
    values = np.full(2401, 20.0)
    values[-801:] = LEVEL_C  # five readings 200 s apart
    values[-1] = LEVEL_C + 1.0
    trace = thinned(flat_trace(values), 200.0)
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, "die_temp_c")
    assert isinstance(found, Settled) and found.value_c == pytest.approx(LEVEL_C + 0.2) and not found.extrapolated


def test_a_slope_that_a_slow_logger_shows_counts_over_the_whole_stage() -> None:
    # 0.0005 K/s: within 400 s a fifth of the kelvin that is allowed. A quarter of the 2400 s further, halved.
    trace = thinned(flat_trace(LEVEL_C + 0.0005 * np.arange(2401.0)), 300.0)
    spread = 0.0005 * 300.0 * math.sqrt(2.5)  # standard deviation of five readings one step apart: sqrt(5 x 6 / 12)
    found = found_in(trace)
    assert not found.extrapolated and found.u_k > 0.0005 * 600.0 / 2
    assert found.value_c == pytest.approx(LEVEL_C + 0.0005 * 1800.0) and found.u_k < 0.15 + 5 * spread
    assert math.sqrt(found.u_k**2 - mean_u(trace) ** 2) == pytest.approx(0.0005 * 600.0 / 2, rel=1e-6)


def mean_u(trace: Trace) -> float:
    """u of the mean of the last five readings, widened for their likeness as the module does."""
    late = trace.columns["die_temp_c"][-5:]
    return float(np.std(late, ddof=1) / math.sqrt(5)) * settled_module._correlation_factor(late)


@pytest.mark.parametrize(("readings", "why"), [(4, reason("few-readings", count=4)), (5, None)])
def test_after_the_last_step_of_the_load_five_readings_are_the_least(readings: int, why: Reason | None) -> None:
    step_s = 60.0 + 3000.0 - 600.0 * (readings - 1) - 1.0
    trace = flat_trace(np.full(3001, LEVEL_C))
    events = (*trace.events, Event(t_s=step_s, kind="load", detail={"share": 0.5}))
    share = np.where(trace.t_s >= step_s, 0.5, trace.columns["load_share"])
    trace = thinned(replace(trace, events=events, columns={**trace.columns, "load_share": share}), 600.0)
    rule = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=100.0)
    trace = with_rule(trace, rule)
    stage = trace.stage("load")
    assert stage is not None
    found = settled_value(trace, stage, "die_temp_c")
    assert found == why if why is not None else isinstance(found, Settled) and not found.extrapolated


def test_a_tenth_of_a_very_long_stage_is_averaged() -> None:
    values = to_and_fro(6001)
    values[:-601] = 20.0
    found = settled(values)
    assert found.value_c == pytest.approx(LEVEL_C, abs=0.002) and found.u_k == pytest.approx(u_of_mean(601), rel=1e-3)


@pytest.mark.parametrize(("slope", "flat"), [(0.0012, True), (0.0013, False)])
def test_what_is_allowed_follows_the_rule(slope: float, flat: bool) -> None:
    # A quarter of two kelvin within 400 s.
    wide = Settle(channel="die_temp_c", within_k=2.0, slowest_time_constant_s=400.0)
    assert found_in(with_rule(flat_trace(LEVEL_C + slope * np.arange(2401.0)), wide)).extrapolated is not flat


def test_a_creep_that_may_go_on_for_long_is_flat_and_not_known() -> None:
    # 0.0006 K/s over 8000 s: within a quarter of that time 1.2 K more, and one is allowed.
    found = settled(LEVEL_C + 0.0006 * np.arange(8001.0))
    assert (found.extrapolated, found.known) == (False, False)


def test_too_few_readings_are_a_short_stage_whatever_they_read() -> None:
    trace = flat_trace(np.full(5, 20.0))
    assert settled_value(trace, trace.stages[1], "die_temp_c") == reason("stage-too-short")


@pytest.mark.parametrize(("silent_s", "why"), [(30, "stage-too-short"), (31, "no-reading-at-its-end")])
def test_half_a_minute_of_silence_is_no_silence(silent_s: int, why: str) -> None:
    """Three readings after a step are too few; then the sensor falls silent."""
    die_c = np.full(43 + silent_s, math.nan)
    die_c[:43] = LEVEL_C
    trace = flat_trace(die_c)
    share = np.where(trace.t_s >= 100.0, 0.5, trace.columns["load_share"])
    events = (*trace.events, Event(t_s=100.0, kind="load", detail={"share": 0.5}))
    trace = replace(trace, events=events, columns={**trace.columns, "load_share": share})
    assert settled_value(trace, trace.stages[1], "die_temp_c") == reason(why)


@pytest.mark.parametrize(
    ("settles_at_c", "u95_k", "told"),
    [
        (COLDEST_READING_C + 5.0, 5.0, True),
        (COLDEST_READING_C + 5.0, 5.5, False),
        (HOTTEST_READING_C - 5.0, 5.0, True),
        (HOTTEST_READING_C - 5.0, 5.5, False),
        (math.nan, 1.0, False),
    ],
)
def test_an_end_that_may_lie_beyond_all_that_a_sensor_shows_is_none(
    monkeypatch: pytest.MonkeyPatch, settles_at_c: float, u95_k: float, told: bool
) -> None:
    asked = KnownEnds(monkeypatch, known=True)
    asked.answer = replace(asked.answer, settles_at_c=settles_at_c, u95_k=u95_k)
    trace = flat_trace(to_and_fro(300))
    found = settled_value(trace, trace.stages[1], "die_temp_c")
    assert isinstance(found, Settled) if told else found == reason("cannot-tell-settled")


@pytest.mark.parametrize(
    ("kind", "start_s", "end_s", "from_s"),
    [
        # The present load began at 900 s: ten minutes before are 300 s on.
        (StageKind.LOAD, 0.0, 500.0, 500.0),
        (StageKind.COOLDOWN, 0.0, 500.0, 500.0),
        (StageKind.IDLE, 0.0, 500.0, 300.0),
        (StageKind.LOAD, 300.0, 500.0, 300.0),  # it began then, so the machine stood somewhere
        (StageKind.LOAD, 0.0, 900.0, 300.0),  # it goes over into the present one
        (StageKind.LOAD, 0.0, 899.5, 300.0),
        (StageKind.LOAD, 0.0, 899.2, 900.0),
        (StageKind.LOAD, 0.0, 300.0, 300.0),
        (StageKind.LOAD, 0.0, 200.0, 300.0),
        (StageKind.LOAD, 0.0, None, 300.0),
    ],
)
def test_history_is_ten_minutes_and_does_not_begin_amid_a_load(
    kind: StageKind, start_s: float, end_s: float | None, from_s: float
) -> None:
    trace = flat_trace(to_and_fro(1200))
    before = StageSpan(name="before", kind=kind, start_s=start_s, end_s=end_s, ended=StageEnd.TIME)
    trace = replace(trace, stages=(before, replace(trace.stages[1], start_s=900.0)))
    assert trace.t_s[settled_module.history_from(trace, 900.0)] == from_s


# ---- the end that is forecast


class KnownEnds:
    """A forecast by hand in place of the model's, and what it was asked with."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, known: bool) -> None:
        self.answer = Forecast(
            settles_at_c=61.0, u95_k=3.0, known=known, remaining_s=0.0, slow=False, why=(reason("room-unknown"),)
        )
        self.arguments: tuple[Any, ...] = ()
        self.named: dict[str, Any] = {}
        monkeypatch.setattr(settled_module, "forecast", self.ask)
        monkeypatch.setattr(settled_module, "forecast_from_own_answers", self.ask)

    def ask(self, *arguments: Any, **named: Any) -> Forecast:
        self.arguments, self.named = arguments, named
        return self.answer


@pytest.mark.parametrize(
    ("known", "ended", "channel", "counts"),
    [
        (True, "time", "die_temp_c", True),
        (False, "time", "die_temp_c", False),
        (False, "settled", "die_temp_c", True),  # the rule that ended the stage saw its own forecasts too
        (False, "settled", "die_2_temp_c", False),  # which was of another channel
        (True, "time", "die_2_temp_c", True),
    ],
)
def test_a_forecast_end_is_known_by_itself_or_by_the_rule_that_ended_the_stage(
    monkeypatch: pytest.MonkeyPatch, known: bool, ended: str, channel: str, counts: bool
) -> None:
    KnownEnds(monkeypatch, known=known)
    trace = flat_trace(to_and_fro(300))
    trace = replace(
        trace,
        columns={**trace.columns, "die_2_temp_c": trace.columns["die_temp_c"]},
        stages=(trace.stages[0], replace(trace.stages[1], ended=StageEnd(ended))),
    )
    found = found_in(trace, channel)
    # Half of the expanded uncertainty: coverage factor 2.
    assert (found.value_c, found.u_k, found.known, found.extrapolated) == (61.0, 1.5, counts, True)
    code = "extrapolated" if counts else "extrapolated-not-settled"
    assert found.why == (reason(code), reason("room-unknown"))


def test_the_forecast_is_given_ten_minutes_of_what_was_before_and_all_that_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = KnownEnds(monkeypatch, known=True)
    n = 900  # idle for 900 s, then 300 s of load
    trace = flat_trace(to_and_fro(300 + n - 60))
    columns = {**trace.columns, "cpu_fan_speed_rpm": np.full(len(trace.t_s), 900.0)}
    sensor = {"resolution": 0.5, "refresh_s": 2.0, "limit": 95.0}
    trace = replace(
        trace,
        columns=columns,
        facts={**trace.facts, "channels": {"die_temp_c": sensor}},
        stages=(
            replace(trace.stages[0], end_s=float(n)),
            replace(trace.stages[1], start_s=float(n)),
        ),
        events=(Event(t_s=float(n), kind="load", detail={"share": 1.0}),),
    )
    found_in(trace)
    t_s, temp_c = asked.arguments
    assert (t_s[0], t_s[-1]) == (n - 600.0, trace.t_s[-1]) and len(temp_c) == len(t_s)
    assert set(asked.named["fan_rpm"]) == {900.0} and len(asked.named["power_w"]) == len(t_s)
    assert set(asked.named["load_share"]) == {1.0} and asked.named["load_on_s"] == n
    assert (asked.named["resolution_k"], asked.named["refresh_s"], asked.named["limit_c"]) == (0.5, 2.0, 95.0)


def test_what_is_not_read_is_not_given(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = KnownEnds(monkeypatch, known=True)
    trace = flat_trace(to_and_fro(300))
    found_in(replace(trace, columns={"die_temp_c": trace.columns["die_temp_c"]}))
    assert (asked.named["power_w"], asked.named["fan_rpm"]) == (None, None)
    # Without a column of the share the kinds of the stages tell where there was a load.
    assert list(asked.named["load_share"]) == [0.0] * 60 + [1.0] * 300
    assert (asked.named["resolution_k"], asked.named["limit_c"]) == (None, None)


@pytest.mark.parametrize("ambient_c", [None, 22.0])
def test_what_no_power_of_its_own_heats_is_forecast_from_its_own_answers_to_the_load(
    monkeypatch: pytest.MonkeyPatch, ambient_c: float | None
) -> None:
    asked = KnownEnds(monkeypatch, known=True)
    trace = flat_trace(to_and_fro(300))
    room = {} if ambient_c is None else {"ambient_temp_c": np.full(len(trace.t_s), ambient_c)}
    trace = replace(
        trace,
        columns={**trace.columns, "coolant_temp_c": trace.columns["die_temp_c"], **room},
        facts={**trace.facts, "channels": {"coolant_temp_c": {"resolution": 0.5, "refresh_s": 2.0}}},
    )
    found_in(trace, "coolant_temp_c")
    t_s, values, share, *rest = asked.arguments
    assert len(t_s) == len(values) == len(share) == 360 and list(share) == [0.0] * 60 + [1.0] * 300
    assert rest == [ambient_c, settle_rule(trace, trace.stages[1]), 0.5, 2.0]


# ---- the room's uncertainty


def ambient_figures(u95_k: float | None, value_c: float = 22.0) -> tuple[float, float, float]:
    """Return u95 of rise and of the resistance, and the rise, with a room typed in."""
    metrics = metrics_of(flat_trace(alike(0.0, 3), ambient={"value_c": value_c, "u95_k": u95_k}))
    rise, resistance = metrics["load.die_temp_c.rise"], metrics["load.thermal_resistance"]
    assert isinstance(rise.value, float) and rise.u95 is not None and resistance.u95 is not None
    return rise.u95, resistance.u95, rise.value


@pytest.mark.parametrize("room_u95_k", [2.0, 5.0])
def test_the_rooms_uncertainty_enters_the_rise_in_full(room_u95_k: float) -> None:
    # JCGM 100:2008, 5.1.2: of a difference the squares of both uncertainties add up.
    sure, unsure = ambient_figures(1e-3), ambient_figures(room_u95_k)
    assert sure[2] == pytest.approx(LEVEL_C - 22.0, abs=0.2)
    assert math.sqrt(unsure[0] ** 2 - sure[0] ** 2) == pytest.approx(room_u95_k, rel=0.1)


def test_the_rooms_uncertainty_enters_the_resistance_divided_by_the_power() -> None:
    sure, unsure = ambient_figures(1e-3), ambient_figures(5.0)
    assert math.sqrt(unsure[1] ** 2 - sure[1] ** 2) == pytest.approx(5.0 / 100.0, rel=0.1)


def test_a_room_of_unknown_uncertainty_is_not_taken_for_a_sure_one() -> None:
    assert ambient_figures(None)[0] > ambient_figures(1e-3)[0] + 0.1
