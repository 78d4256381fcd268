"""One course of a die out of all its sensors: its level and slope from the package, its course from all of them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.forecast_elsewhere import RULE, climbed
from tests.fakes import die_info
from verifyrig.analysis.compress import compress
from verifyrig.analysis.die_course import die_course, joined_covariance
from verifyrig.analysis.settled import Settled, settled_value
from verifyrig.analysis.stage_forecaster import StageForecaster
from verifyrig.core.heat_sources import cores_of
from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Stage, StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.stage_forecasts import StageForecasts

IDLE_S, N, NOISE_K = 120, 420, 0.4
T_S = np.arange(1.0, N + 1)
SHARE = np.where(T_S <= IDLE_S, 0.0, 1.0)
# One lump of 80 s in closed form, leakage left out: 20 and 120 W.
TRUE_C = 30.0 + 40.0 * -np.expm1(-np.maximum(0.0, T_S - IDLE_S) / 80.0)
POWER_W = 20.0 + 100.0 * SHARE
CHIP = "platform/coretemp.0:"


def noisy(seed: int, count: int = 1) -> FloatArray:
    return np.asarray(NOISE_K * np.random.default_rng(seed).standard_normal((N, count)))


def sensors_of(seed: int, count: int = 6) -> tuple[FloatArray, FloatArray]:
    """Return a package and its cores, which stay below it as they draw, and lie off by something of their own."""
    dice = np.random.default_rng(seed + 1000)
    below, off = dice.uniform(0.0, 0.06, count), dice.uniform(-1.0, 1.0, count)
    die = TRUE_C + noisy(seed)[:, 0]
    return die, TRUE_C[:, None] - POWER_W[:, None] * below + off + noisy(seed + 500, count)


def course_of(die: FloatArray, cores: FloatArray) -> tuple[FloatArray, int]:
    return die_course(T_S, die, cores, POWER_W, SHARE)


def within_load(course: FloatArray) -> FloatArray:
    """Return how far a course lies off the true one under load, less its mean, K: its level is the package's own."""
    off = (course - TRUE_C)[IDLE_S + 15 :]
    return np.asarray(off - off.mean())


def test_seven_sensors_are_less_noisy_than_one_by_the_root_of_seven() -> None:
    """Standard deviation of a mean, GUM 4.2.3 (JCGM 100:2008): s over the root of n."""
    spread = []
    for seed in range(8):
        course, sensors = course_of(*sensors_of(seed))
        assert sensors == 7
        spread.append(np.std(within_load(course)))
    assert float(np.mean(spread)) == pytest.approx(NOISE_K / np.sqrt(7), rel=0.05)


def test_the_level_of_each_load_is_the_package_s_own() -> None:
    die, cores = sensors_of(3)
    course, _ = course_of(die, cores)
    for share in (0.0, 1.0):
        assert np.mean((course - die)[share == SHARE]) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("slope", [0.95, 1.05])
def test_a_core_s_own_slope_does_not_count(slope: float) -> None:
    """Taken as they are, six cores of such a slope would put the course 1.7 K off over 40 K."""
    rises_k = []
    for seed in range(8):
        die, cores = sensors_of(seed)
        course, sensors = course_of(die, cores + (slope - 1.0) * TRUE_C[:, None])
        assert sensors == 7
        rises_k.append(np.polyfit(TRUE_C[IDLE_S:], course[IDLE_S:], 1)[0] - 1.0)
    assert float(np.mean(rises_k)) == pytest.approx(0.0, abs=0.004)


def wandering(cores: FloatArray) -> FloatArray:
    return np.where(T_S // 60 % 2 == 0, 1.5, -1.5)[:, None] + cores


@pytest.mark.parametrize(
    "changed",
    [
        lambda core: np.full_like(core, 55.0),
        lambda core: 0.7 * core,
        wandering,
        lambda core: 70.0 - 35.0 * np.exp(-T_S[:, None] / 150.0),
        lambda core: np.where(T_S[:, None] % 5 == 0, np.nan, core),
    ],
    ids=["stands", "moves too little", "work comes and goes", "another, slower place", "often unread"],
)
def test_a_core_that_shows_something_else_is_left_out(changed) -> None:  # type: ignore[no-untyped-def]
    die, cores = sensors_of(5)
    course, sensors = course_of(die, np.column_stack((changed(cores[:, :1]), cores[:, 1:])))
    assert sensors == 6
    without, _ = course_of(die, cores[:, 1:])
    assert course.tolist() == pytest.approx(without.tolist())
    alone, sensors = course_of(die, changed(cores[:, :1]))
    assert sensors == 1 and alone.tolist() == die.tolist()


def test_a_package_that_stands_is_joined_by_nobody() -> None:
    _, cores = sensors_of(6)
    course, sensors = course_of(np.full(N, 44.0), cores)
    assert sensors == 1 and set(course.tolist()) == {44.0}


def test_what_the_package_did_not_read_stays_unread_and_a_core_s_gap_costs_its_sample_only() -> None:
    die, cores = sensors_of(7)
    die[200:206], cores[300, 2] = np.nan, np.nan
    course, sensors = course_of(die, cores)
    assert sensors == 7
    assert np.array_equal(np.isnan(course), np.isnan(die))
    assert course[300] == die[300] and course[301] != die[301]


def test_where_a_share_is_steered_no_course_is_left_to_join() -> None:
    die, cores = sensors_of(8)
    steered = np.where(T_S <= IDLE_S, 0.0, 0.5 + 0.01 * (T_S // 5 % 7))
    assert die_course(T_S, die, cores, POWER_W, steered).sensors == 1
    assert die_course(T_S, die, cores[:, :0], POWER_W, SHARE).sensors == 1
    assert die_course(T_S, np.full(N, np.nan), cores, POWER_W, SHARE).sensors == 1


def test_the_steps_of_a_course_lie_off_by_what_their_covariance_says() -> None:
    """Against 300 courses with their noise drawn anew: the steps' own covariance, of level and slopes too."""
    count, errors = 5, []
    none = compress(T_S, TRUE_C, POWER_W, np.full(N, 22.0), None, SHARE)
    assert none is not None
    for seed in range(300):
        die, cores = sensors_of(seed, count)
        course, _ = course_of(die, cores)
        data = compress(T_S, course, POWER_W, np.full(N, 22.0), None, SHARE)
        assert data is not None
        errors.append(data.temp_c - none.temp_c)
    course_k = NOISE_K / np.sqrt(count + 1)
    stated = np.diag(course_k**2 / none.count) + joined_covariance(none, course_k, NOISE_K, none.count)
    found = np.cov(np.array(errors).T)
    assert np.diag(found).tolist() == pytest.approx(np.diag(stated).tolist(), rel=0.35)
    # The mean of all steps under load: without level and slopes it would be stated less than half as uncertain.
    loaded = (none.part > 0) / np.count_nonzero(none.part > 0)
    assert loaded @ found @ loaded == pytest.approx(loaded @ stated @ loaded, rel=0.25)
    assert loaded @ stated @ loaded > 4 * (loaded**2 @ (course_k**2 / none.count))


def test_cores_are_those_of_the_same_chip_where_it_shows_one_die() -> None:
    one = {"die_temp_c": CHIP + "temp1", "core_temp_c": CHIP + "temp2", "core_2_temp_c": CHIP + "temp3"}
    other = {"die_2_temp_c": "platform/coretemp.1:temp1", "core_3_temp_c": "platform/coretemp.1:temp2"}
    assert cores_of("die_temp_c", one | other) == ("core_temp_c", "core_2_temp_c")
    assert cores_of("die_2_temp_c", one | other) == ("core_3_temp_c",)
    assert cores_of("die_temp_c", one | {"die_2_temp_c": CHIP + "temp4"}) == ()
    assert cores_of("core_temp_c", one) == cores_of("gpu_temp_c", one) == cores_of("die_3_temp_c", one) == ()
    assert cores_of("die_temp_c", {"die_temp_c": "", "core_temp_c": ""}) == ()


def test_a_stage_s_forecast_reads_the_cores_of_its_die() -> None:
    infos = {
        name: ChannelInfo(channel=name, label="", device=CHIP + name, source="", quantity="temperature", unit="°C")
        for name in ("die_temp_c", "core_temp_c")
    }
    buffer = RunBuffer()
    forecasts = StageForecasts(buffer, infos, {})
    forecasts.begin(Stage(name="idle", kind=StageKind.IDLE, settle=RULE), 0.0)
    for t_s in range(3):
        buffer.add(float(t_s), {"die_temp_c": Reading(value=40.0), "core_temp_c": Reading(value=39.0)}, ambient_c=22.0)
    rows, _, _ = forecasts._samples("die_temp_c")
    assert rows[:, 6:].tolist() == [[39.0]] * 3


def run_of(columns: dict[str, FloatArray], devices: dict[str, str]) -> Trace:
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"purpose": "check", "outcome": "completed", "simulated": True, "channels": {
            name: {"device": device, "resolution": 1.0, "refresh_s": 2.0} for name, device in devices.items()
        }},
        profile=None,
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=182.0, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=182.0, end_s=332.0, ended=StageEnd.TIME),
        ),
        t_s=columns["t"],
        utc_s=columns["t"] + 1.9e9,
        columns={name: values for name, values in columns.items() if name != "t"},
        events=(),
    )  # fmt: skip


# Machines of other benchmarks' structure: a radiator in three passes or fins in pieces, fans that follow water or case,
# and cores with slopes and lags of their own. Looked at before; `forecast-elsewhere` has the figures of others.
_ELSEWHERE = (("sound", 6502), ("sound", 6503), ("warm", 6501), ("warm", 6502), ("warm", 6503))


def test_on_another_structure_cores_make_the_end_surer_and_it_holds() -> None:
    held, ratios = 0, []
    for case, seed in _ELSEWHERE:
        run = climbed(case, seed)
        assert run is not None and run.rows.shape[1] >= 10
        rows = run.rows[run.rows[:, 0] <= 332]
        alone, joined = (StageForecaster(RULE, die_info()).forecast(some, 182) for some in (rows[:, :6], rows))
        assert alone is not None and joined is not None
        held += abs(joined.settles_at_c - run.end_c) <= joined.u95_k
        ratios.append(joined.u95_k / alone.u95_k)
    assert held >= 4
    assert np.exp(np.mean(np.log(ratios))) < 0.9


def test_a_settled_value_reads_the_cores_of_its_die_and_no_others() -> None:
    run = climbed("warm", 6502)
    assert run is not None
    rows = run.rows[run.rows[:, 0] <= 332]
    names = ("t", "die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "ambient_temp_c", "load_share")
    cores = {f"core_{n}_temp_c" if n > 1 else "core_temp_c": rows[:, 5 + n] for n in range(1, rows.shape[1] - 5)}
    columns = {**dict(zip(names, rows.T, strict=False)), **cores}
    found = []
    for chip in (CHIP, "elsewhere:"):
        trace = run_of(columns, {"die_temp_c": CHIP + "temp1"} | {name: chip + name for name in cores})
        settled = settled_value(trace, trace.stages[1], "die_temp_c")
        assert isinstance(settled, Settled)
        found.append(settled.u_k)
    assert found[0] < 0.85 * found[1]
