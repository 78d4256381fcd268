"""Every die is guarded: limit, gate and forecast of a role hold for each numbered channel, and the worst decides."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.sensor_tree import lay
from tests.silent import Silent
from tests.two_dies import PLAN, second_die
from verifyrig.analysis.results import Forecast
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run as run_command
from verifyrig.core.channels import of_role
from verifyrig.core.heat_sources import HeatedGroup, heated_groups, of_same_part
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Gate, LoadPattern, LoadPlan, Profile, Settle, Stage, StageKind, TripLimit, WorkName
from verifyrig.core.reason import Reason
from verifyrig.plan.text import parse_profile
from verifyrig.record import read_trace
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.assemble import run
from verifyrig.rig.gate import StageGate
from verifyrig.rig.guard import Guard
from verifyrig.rig.load_driver import heating_of
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.observer import TickView
from verifyrig.rig.request import RunRequest
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.runner import Ambient
from verifyrig.rig.stage_forecasts import StageForecasts
from verifyrig.rig.trip import Trip
from verifyrig.terminal.lines import PlainLines
from verifyrig.terminal.panel import panel_lines

LOAD = Stage(name="load", kind=StageKind.LOAD)
IDLE = Stage(name="idle", kind=StageKind.IDLE)
MISSING = Reading(value=None, quality=Quality.MISSING, note="gone")
STEEP = [30.0 + 6.0 * k for k in range(12)]  # 6 K/s
BOTH = HeatedGroup(("die_temp_c", "die_2_temp_c"), every=True)
EITHER = HeatedGroup(("die_temp_c", "die_2_temp_c"), every=False)


def info(channel: str, **more: Any) -> ChannelInfo:
    given = {
        "label": channel, "device": f"k10temp:pci:{channel}", "source": channel, "quantity": "temperature",
        "unit": "°C", "resolution": 0.125, "refresh_s": 1.0,
    }  # fmt: skip
    return ChannelInfo(channel=channel, **{**given, **more})


def dies(**second: Any) -> dict[str, ChannelInfo]:
    return {"die_temp_c": info("die_temp_c"), "die_2_temp_c": info("die_2_temp_c", **second)}


def plan(*limits: TripLimit) -> Profile:
    return Profile(name="p", title="", text="", recipe="", stages=(IDLE, LOAD), trip_limits=limits, stale_after_s=3.0)


def ok(value: float) -> Reading:
    return Reading(value=value)


class Bench2:
    """Two dies under one guard: the first stays at 33 °C, or follows `first`; the second reads what it is fed."""

    def __init__(self, *limits: TripLimit, **second: Any) -> None:
        self.now: dict[str, Reading] = {}
        profile, infos = plan(*limits), dies(**second)
        armed, self.absent = arm(profile, infos)
        self.buffer = RunBuffer()
        self.guard = Guard(self.buffer, armed, profile, infos, lambda channel, now_s: self.now[channel])

    def feed(
        self, seconds: Iterable[Reading | float], *, from_s: float = 0.0, first: Reading | float = 33.0
    ) -> list[Trip]:
        trips = []
        for k, reading in enumerate(seconds):
            pair = {"die_temp_c": first, "die_2_temp_c": reading}
            self.now = {name: ok(value) if isinstance(value, float) else value for name, value in pair.items()}
            self.buffer.add(from_s + k, self.now)
            trip = self.guard.check(from_s + k, LOAD)
            if trip is not None:
                trips.append(trip)
        return trips


# ---- which channels a rule holds for ------------------------------------------------------------------------


def test_a_role_stands_for_all_of_its_kind_by_number_and_a_numbered_channel_for_itself() -> None:
    names = ["gpu_2_temp_c", "die_10_temp_c", "die_temp_c", "die_2_temp_c", "gpu_temp_c", "gpu_memory_temp_c"]
    assert of_role("die_temp_c", names) == ("die_temp_c", "die_2_temp_c", "die_10_temp_c")
    assert of_role("gpu_temp_c", names) == ("gpu_temp_c", "gpu_2_temp_c")
    assert of_role("die_2_temp_c", names) == ("die_2_temp_c",)
    assert of_role("die_3_temp_c", names) == () == of_role("vrm_temp_c", names)


def test_the_power_of_a_die_is_that_of_its_package_and_of_a_card_its_own() -> None:
    def of(device: str, channel: str) -> ChannelInfo:
        return info(channel, device=device)

    chiplets = {
        "die_temp_c": of("k10temp:18.3:temp3", "die_temp_c"),
        "die_2_temp_c": of("k10temp:18.3:temp4", "die_2_temp_c"),
        "package_power_w": of("powercap:rapl:0", "package_power_w"),
    }
    assert of_same_part("die_2_temp_c", "package_power_w", chiplets) == "package_power_w"
    sockets = {
        "die_temp_c": of("coretemp:0:temp1", "die_temp_c"),
        "die_2_temp_c": of("coretemp:1:temp1", "die_2_temp_c"),
        "package_power_w": of("powercap:rapl:0", "package_power_w"),
        "package_2_power_w": of("powercap:rapl:1", "package_2_power_w"),
    }
    assert of_same_part("die_2_temp_c", "package_power_w", sockets) == "package_2_power_w"
    # The first card shows no power; the power of the second is numbered 1 and is not the first one's.
    cards = {
        "gpu_temp_c": of("amdgpu:a:temp1", "gpu_temp_c"),
        "gpu_2_temp_c": of("nvml/b:gpu", "gpu_2_temp_c"),
        "gpu_power_w": of("nvml/b:power", "gpu_power_w"),
    }
    assert of_same_part("gpu_2_temp_c", "gpu_power_w", cards) == "gpu_power_w"
    assert of_same_part("gpu_temp_c", "gpu_power_w", cards) is None


# ---- the guard's rules, each on the second die alone --------------------------------------------------------


@pytest.mark.parametrize(
    ("limit", "second", "rule"),
    [
        (TripLimit(channel="die_temp_c", maximum=90.0), [89.0, 90.0], "max"),
        (TripLimit(channel="die_temp_c", minimum=5.0), [6.0, 4.0], "min"),
        (TripLimit(channel="die_temp_c", maximum=104.0, max_rate_k_per_s=5.0), STEEP, "rate"),
        (TripLimit(channel="die_temp_c", maximum=90.0), [40.0, *[MISSING] * 5], "no-reading"),
        (TripLimit(channel="die_temp_c", maximum=90.0), [40.0, Reading(value=40.0, quality=Quality.STUCK)], "stuck"),
    ],
)  # fmt: skip
def test_each_rule_holds_for_the_second_die(limit: TripLimit, second: list[Any], rule: str) -> None:
    trip = Bench2(limit).feed(second)[0]
    assert (trip.rule, trip.channel) == (rule, "die_2_temp_c")


def test_the_straight_line_of_the_second_die_trips_before_it_crosses() -> None:
    bench = Bench2(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.guard.load_step(0.0, 1.0, steady=False)
    trip = bench.feed([45.0 + 4.0 * k for k in range(12)])[0]
    assert (trip.rule, trip.channel) == ("line", "die_2_temp_c") and trip.value is not None and trip.value < 90.0


def test_the_machines_own_limit_is_each_channels_own() -> None:
    bench = Bench2(TripLimit(channel="die_temp_c", maximum=95.0, below_machine_limit_k=3.0), limit=80.0)
    trip = bench.feed([76.0, 77.0])[0]
    assert (trip.rule, trip.channel, trip.limit) == ("machine-limit", "die_2_temp_c", 77.0)


def test_a_max_above_the_machines_own_limit_is_lowered_to_it() -> None:
    # A part that slows itself at 80 °C never reads more: 95 °C would never trip.
    trip = Bench2(TripLimit(channel="die_temp_c", maximum=95.0), limit=80.0).feed([79.0, 80.0])[0]
    assert (trip.rule, trip.limit) == ("machine-limit", 80.0)


def test_a_stated_limit_above_what_such_parts_bear_is_held_to_the_ceiling_of_its_kind() -> None:
    # 125 °C is no limit of a die: the kernel's table of processors ends at 105 °C (document hwmon/coretemp).
    limit = TripLimit(channel="die_temp_c", below_machine_limit_k=3.0)
    armed, _ = arm(plan(limit), {"die_temp_c": info("die_temp_c", limit=125.0)})
    assert limits_of(armed) == {"die_temp_c": 105.0}


def test_the_tighter_of_a_limit_on_the_role_and_on_the_number_decides() -> None:
    limits = TripLimit(channel="die_temp_c", maximum=90.0), TripLimit(channel="die_2_temp_c", maximum=70.0)
    armed, _ = arm(plan(*limits), dies())
    assert limits_of(armed) == {"die_temp_c": 90.0, "die_2_temp_c": 70.0}
    assert Bench2(*limits).feed([71.0])[0].channel == "die_2_temp_c"
    assert Bench2(*limits).feed([60.0], first=71.0) == []


def test_each_die_that_the_load_heats_must_answer_by_its_own_reading() -> None:
    bench = Bench2(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.feed([33.0] * 5)
    bench.guard.load_step(5.0, 1.0, steady=True, heats=[BOTH])
    trips = bench.feed([33.0] * 12, from_s=5.0, first=60.0)
    assert [(trip.rule, trip.channel) for trip in trips] == [("no-reaction", "die_2_temp_c")]


def test_where_nobody_knows_which_part_carries_the_load_one_of_them_must_answer() -> None:
    bench = Bench2(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.feed([33.0] * 5)
    bench.guard.load_step(5.0, 1.0, steady=True, heats=[EITHER])
    assert bench.feed([33.0] * 12, from_s=5.0, first=60.0) == []
    dull = Bench2(TripLimit(channel="die_temp_c", maximum=90.0))
    dull.feed([33.0] * 5)
    dull.guard.load_step(5.0, 1.0, steady=True, heats=[EITHER])
    assert dull.feed([33.0] * 12, from_s=5.0)[0].rule == "no-reaction"


def test_what_a_load_heats_follows_from_its_work_and_its_workers() -> None:
    machine = {**dies(), "gpu_temp_c": info("gpu_temp_c"), "gpu_2_temp_c": info("gpu_2_temp_c")}
    cards = HeatedGroup(("gpu_temp_c", "gpu_2_temp_c"), every=False)  # one of them is loaded, and which is not known
    assert heated_groups(LoadPlan(work=WorkName.LINEAR_ALGEBRA), machine) == (BOTH,)
    assert heated_groups(LoadPlan(work=WorkName.LINEAR_ALGEBRA, workers=2), machine) == (EITHER,)
    assert heated_groups(LoadPlan(work=WorkName.GPU_LINEAR_ALGEBRA), machine) == (cards,)
    assert heated_groups(LoadPlan(work=WorkName.GPU_AND_PROCESSOR), machine) == (BOTH, cards)


# ---- what is not armed --------------------------------------------------------------------------------------


def test_what_is_not_guarded_is_named_channel_by_channel() -> None:
    memory = {name: info(name) for name in ("memory_temp_c", "memory_2_temp_c", "memory_3_temp_c")}
    memory["memory_2_temp_c"] = info("memory_2_temp_c", unreadable="no permission")
    limits = [
        TripLimit(channel="memory_temp_c", maximum=85.0, optional=True),
        TripLimit(channel="drive_temp_c", below_machine_limit_k=5.0, optional=True),
        TripLimit(channel="vrm_temp_c", maximum=110.0, optional=True),
    ]
    machine = {**memory, "drive_temp_c": info("drive_temp_c")}
    armed, absent = arm(plan(*limits), machine, readable=["memory_temp_c", "drive_temp_c"])
    # Module 2 may not be read, module 3 gives nothing yet, the drive states no limit, regulators are not shown.
    assert absent == ["memory_2_temp_c", "memory_3_temp_c", "drive_temp_c", "vrm_temp_c"]
    assert limits_of(armed) == {"memory_temp_c": 85.0, "memory_3_temp_c": 85.0}


def test_an_optional_channel_that_was_silent_at_the_start_is_guarded_from_its_first_reading() -> None:
    profile = plan(TripLimit(channel="die_temp_c", maximum=90.0, optional=True))
    armed, absent = arm(profile, dies(), readable=["die_temp_c"])
    assert absent == ["die_2_temp_c"]
    now = {"die_temp_c": ok(33.0), "die_2_temp_c": MISSING}
    buffer = RunBuffer()
    guard = Guard(buffer, armed, profile, dies(), lambda channel, now_s: now[channel])
    for t in range(8):
        buffer.add(t, now)
        assert guard.check(t, LOAD) is None
    now["die_2_temp_c"] = ok(91.0)
    buffer.add(8, now)
    trip = guard.check(8, LOAD)
    assert trip is not None and trip.channel == "die_2_temp_c"


# ---- gate, forecast, permit ---------------------------------------------------------------------------------

GATE = Gate(channel="die_temp_c", max_c=50.0)
COOL = Forecast(settles_at_c=40.0, u95_k=1.0, known=True, remaining_s=0.0, slow=False)


def gate_of_both() -> StageGate:
    return StageGate(GATE, ["die_temp_c", "die_2_temp_c"], 3.0, blind=False)


def test_the_gate_closes_on_the_second_die_by_reading_silence_and_forecast() -> None:
    cool: Mapping[str, Reading] = {"die_temp_c": ok(33.0), "die_2_temp_c": ok(34.0)}
    assert gate_of_both().closed_by(0.0, cool, {"die_temp_c": COOL}, None, final=True) is None
    hot = gate_of_both().closed_by(0.0, {**cool, "die_2_temp_c": ok(51.0)}, {}, None, final=False)
    assert hot is not None and (hot.channel, hot.value) == ("die_2_temp_c", 51.0)
    silent = gate_of_both()
    assert silent.closed_by(0.0, {**cool, "die_2_temp_c": MISSING}, {}, None, final=False) is None
    closed = silent.closed_by(4.0, {**cool, "die_2_temp_c": MISSING}, {}, None, final=False)
    assert closed is not None and closed.channel == "die_2_temp_c"
    will = Forecast(settles_at_c=55.0, u95_k=1.0, known=True, remaining_s=0.0, slow=False)
    ahead = gate_of_both().closed_by(0.0, cool, {"die_temp_c": COOL, "die_2_temp_c": will}, None, final=False)
    assert ahead is not None and (ahead.channel, ahead.value) == ("die_2_temp_c", 54.0)  # 55 less its u95


def test_each_die_is_forecast_by_its_own_reading_and_the_worst_is_shown() -> None:
    # Closed form: first-order approach, T = T_end + (T_0 - T_end) exp(-t / tau).
    stage = Stage(name="load", kind=StageKind.LOAD, gate=GATE)
    buffer = RunBuffer()
    forecasts = StageForecasts(buffer, dies(), {"die_temp_c": 90.0, "die_2_temp_c": 90.0})
    forecasts.begin(stage, 0.0)
    for t in range(240):
        share = 1.0 if t >= 20 else 0.0
        grown = 1 - np.exp(-max(0, t - 20) / 40.0)
        readings = {"die_temp_c": ok(30.0 + 20.0 * grown), "die_2_temp_c": ok(30.0 + 45.0 * grown)}
        buffer.add(float(t), readings, ambient_c=22.0, share=share)
        before = len(forecasts.found)
        forecasts.update(float(t))
        assert len(forecasts.found) <= before + 1  # no more than one a sample
    assert forecasts.found["die_temp_c"].settles_at_c == pytest.approx(50.0, abs=3.0)
    assert forecasts.found["die_2_temp_c"].settles_at_c == pytest.approx(75.0, abs=3.0)
    worst = forecasts.worst()
    assert worst is not None and worst[0] == "die_2_temp_c"


def test_a_stage_is_settled_only_when_every_die_is_known_to_be() -> None:
    settle = Settle(channel="die_temp_c", within_k=2.0, slowest_time_constant_s=100.0)
    stage = Stage(name="idle", kind=StageKind.IDLE, settle=settle)
    for second, known in ((ok(31.0), True), (MISSING, False)):
        buffer = RunBuffer()
        forecasts = StageForecasts(buffer, dies(), {})
        forecasts.begin(stage, 0.0)
        for t in range(300):
            buffer.add(float(t), {"die_temp_c": ok(30.0), "die_2_temp_c": second}, ambient_c=22.0)
            forecasts.update(float(t))
        assert forecasts.found["die_temp_c"].known and forecasts.known is known


def permit_after_pulses(limits_c: dict[str, float], rises_k: dict[str, float], infos: Any, work: str) -> Reason | None:
    """Return why a steady load may not start after quarter pulses that lift each channel by so many kelvin."""
    permit, buffer = LoadPermit(limits_c=limits_c, infos=infos), RunBuffer()
    pulse = LoadPlan(work=WorkName(work), pattern=LoadPattern.PULSES, on_s=5, off_s=15, count=4, workers="quarter")
    watts = {name: 100.0 if name.startswith("gpu_") else 30.0 for name in infos if name.endswith("power_w")}
    for t in range(120):
        on = t >= 40 and (t - 40) % 20 < 5
        heat = 1.0 if on else 0.0
        readings = {name: ok(30.0 + rise * heat) for name, rise in rises_k.items()}
        readings |= {name: ok(20.0 + full * heat * (rises_k.get(_temp(name), 1.0) > 0)) for name, full in watts.items()}
        buffer.add(float(t), readings, share=heat, heating=heating_of(pulse, heat), ambient_c=22.0)
    steady = LoadPlan(work=WorkName(work), pattern=LoadPattern.STEADY)
    return permit.why_not(Stage(name="load", kind=StageKind.LOAD, load=steady), False, buffer)


def _temp(power: str) -> str:
    return power.replace("_power_w", "_temp_c")


def test_a_load_does_not_start_where_the_second_die_would_get_too_hot() -> None:
    limits = {"die_temp_c": 90.0, "die_2_temp_c": 90.0}
    machine = {**dies(), "package_power_w": info("package_power_w", device="powercap:rapl:0")}
    cool = permit_after_pulses(limits, {"die_temp_c": 4.0, "die_2_temp_c": 4.0}, machine, "linear-algebra")
    assert cool is None
    hot = permit_after_pulses(limits, {"die_temp_c": 4.0, "die_2_temp_c": 30.0}, machine, "linear-algebra")
    assert hot is not None and str(hot).startswith("die_2_temp_c: ") and "the limit is 90 °C" in str(hot)


def cards() -> dict[str, ChannelInfo]:
    return {
        name: info(name, device=f"nvml/{n}:{name}", limit=300.0 if name.endswith("_w") else None)
        for n, name in enumerate(("gpu_temp_c", "gpu_2_temp_c"))
        for name in (name, name.replace("_temp_c", "_power_w"))
    }


def test_of_several_cards_those_that_the_load_reached_are_forecast_each_alone() -> None:
    limits = {"gpu_temp_c": 87.0, "gpu_2_temp_c": 87.0}
    # The first card is not loaded: its flat reading says nothing of the second, and forbids nothing.
    idle_first = permit_after_pulses(limits, {"gpu_temp_c": 0.0, "gpu_2_temp_c": 4.0}, cards(), "gpu-linear-algebra")
    assert idle_first is None
    hot = permit_after_pulses(limits, {"gpu_temp_c": 0.0, "gpu_2_temp_c": 40.0}, cards(), "gpu-linear-algebra")
    assert hot is not None and (hot.code, hot.values["channel"]) == ("of-channel", "gpu_2_temp_c")


# ---- what a person sees -------------------------------------------------------------------------------------


def view(**more: Any) -> TickView:
    readings = {"ambient_temp_c": ok(22.0), "die_temp_c": ok(33.0), "die_2_temp_c": ok(81.0)}
    given: dict[str, Any] = {
        "t_s": 60.0, "stage_s": 60.0, "stage": LOAD, "share": 1.0, "readings": readings, "forecast": None,
        "margin_k": 9.0, "margin_channel": "die_2_temp_c", "limits_c": {"die_temp_c": 90.0, "die_2_temp_c": 90.0},
        "remaining_s": None,
    }  # fmt: skip
    return TickView(**{**given, **more})


@pytest.mark.parametrize("width", [60, 100])
def test_the_panel_shows_the_die_with_the_least_left_by_name(width: int) -> None:
    profile = parse_profile(PLAN, "p")
    lines = panel_lines(profile, view(), 2, [40.0, 60.0, 81.0], "die_2_temp_c", [], "", width)
    text = "\n".join(line for line, _ in lines)
    assert "9 K left to the trip limit (die 2)" in text
    assert "die 2" in text.replace("(die 2)", "") and "81 °C" in text and "33 °C" not in text
    assert all(len(line) <= width for line, _ in lines)


def test_plain_lines_name_the_die_with_the_least_left() -> None:
    import io

    out = io.StringIO()
    face = PlainLines(out, every_s=1.0)
    face.begin(parse_profile(PLAN, "p"), dies(), [])
    face.tick(view())
    assert "die 2 81 °C, 9 K left to the trip limit (die 2)" in out.getvalue()


@pytest.fixture
def two_ccds(tmp_path: Path, shared_dir: Path) -> Path:
    """The recorded tree of a processor with one Tccd, and a second one beside it, in the way of k10temp."""
    from tests.sensor_tree import lay_listing

    tree = lay_listing(tmp_path / "tree", shared_dir / "sysfs" / "desktop_nvme_k10temp.tsv")
    chips = [path.parent for path in tree.glob("sys/class/hwmon/*/name") if path.read_text().strip() == "k10temp"]
    lay(chips[0], {"temp4_label": "Tccd2", "temp4_input": 104750, "temp1_crit": 95000})
    return tree


def test_channels_lists_each_die_with_its_limit(two_ccds: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(["channels", "--root", str(two_ccds), "--json"]) == 0
    found = {item["channel"]: item for item in json.loads(capsys.readouterr().out)["channels"]}
    assert found["die_temp_c"]["limit"] == 95.0 and found["die_2_temp_c"]["limit"] == 95.0
    assert found["drive_temp_c"]["limit"] == 84.85
    assert run_command(["channels", "--root", str(two_ccds)]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if line.strip().startswith("die 2"))
    assert "105 °C" in line.replace("104.8", "105") and "10 K above its own limit of 95 °C" in line


# ---- whole runs ---------------------------------------------------------------------------------------------


def run_with_second_die(text: str, k_per_w: float, folder: Path) -> tuple[Any, float]:
    with second_die(k_per_w) as kept:
        request = RunRequest(
            profile=parse_profile(text, "two-dies.toml"), purpose="check", mock=("healthy-air", 0),
            ambient=Ambient(value_c=22.0, u95_k=0.5),
        )  # fmt: skip
        done = run(request, Bench(root=folder), Silent())
    return done, kept.hottest_c


def test_a_second_die_without_contact_trips_its_limit_and_goes_no_further(tmp_path: Path) -> None:
    done, hottest_c = run_with_second_die(PLAN, 3.0, tmp_path)
    assert done.end is not None and done.end.outcome == "tripped"
    assert done.end.trip is not None and done.end.trip["channel"] == "die_2_temp_c"
    # As `safe-runs`: no more than 3 K above the limit.
    assert hottest_c <= 73.0
    trace = read_trace(done.record)
    assert trace.facts["not_armed"] == []
    # It is the second die alone that is hot.
    assert np.nanmax(trace.columns["die_temp_c"]) < 60.0


def test_a_full_load_on_it_is_not_started_and_the_reason_names_it(tmp_path: Path) -> None:
    full = PLAN.replace('pattern = "steady", workers = "quarter"', 'pattern = "steady", workers = "all"')
    done, hottest_c = run_with_second_die(full.replace("max = 70.0", "max = 90.0"), 1.2, tmp_path)
    assert done.end is not None and done.end.outcome == "stopped"
    assert "die_2_temp_c: idle and pulses forecast" in done.end.messages[0]
    assert hottest_c < 90.0


def test_the_gate_of_a_run_closes_on_the_second_die(tmp_path: Path) -> None:
    closed = PLAN.replace("max = 60.0", "max = 40.0")
    done, _ = run_with_second_die(closed, 3.0, tmp_path)
    assert done.end is not None and done.end.outcome == "stopped"
    assert "die_2_temp_c" in done.end.messages[0]


def test_a_load_that_holds_a_die_at_a_temperature_holds_the_hottest_one(tmp_path: Path) -> None:
    held = PLAN.replace('pattern = "steady", workers = "quarter"', "hold = { die_temp_c = 60.0 }")
    held = held.replace("max = 70.0", "max = 85.0").replace("max_duration_s = 300", "max_duration_s = 600")
    done, hottest_c = run_with_second_die(held, 1.2, tmp_path)
    assert done.end is not None and done.end.outcome == "completed"
    trace = read_trace(done.record)
    load = trace.stage("load")
    assert load is not None
    second = trace.usable("die_2_temp_c")[trace.within(load)][-120:]
    # A hold keeps within 1.5 K on the mean of two minutes (noise 0.5 K, refresh 2 s).
    assert np.nanmean(second) == pytest.approx(60.0, abs=1.5) and hottest_c < 75.0
    assert np.nanmax(trace.usable("die_temp_c")) < 55.0
