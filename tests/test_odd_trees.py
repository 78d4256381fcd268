"""Channels of trees as machines have them: what cannot be is no reading, and what is promised can be kept."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.sensor_tree import chip, lay, lay_listing, rewrite
from verifyrig.commands.cli import run
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.sensors import cpufreq, powercap, throttle
from verifyrig.sensors.answerable import answerable
from verifyrig.sensors.quality import ChannelJudge, Implausible
from verifyrig.sensors.step_watch import StepWatch

CPU = "sys/devices/system/cpu"


def listed(root: Path, capsys: pytest.CaptureFixture[str], bench: Path) -> dict[str, Any]:
    bench.mkdir(exist_ok=True)
    assert run(["channels", "--root", str(root), "--bench", str(bench), "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def entry(data: dict[str, Any], key: str, value: str) -> dict[str, Any]:
    return next(dict(item) for item in data["channels"] if item[key] == value)


# ---- clocks


def clocks(root: Path, *shown_khz: int, least_khz: int | None = 800_000) -> cpufreq.MeanClock:
    files: dict[str, object] = {}
    for n, khz in enumerate(shown_khz):
        files[f"{CPU}/cpu{n}/cpufreq/scaling_cur_freq"] = khz
        if least_khz is not None:
            files[f"{CPU}/cpu{n}/cpufreq/cpuinfo_min_freq"] = least_khz
    (sensor,) = cpufreq.find(lay(root, files))
    return sensor


def test_a_clock_of_8_mhz_is_in_no_mean(tmp_path: Path) -> None:
    sensor = clocks(tmp_path, 1_700_000, 8_000, 1_700_000, 1_700_000)
    assert sensor.read().value == 1700.0
    assert "1 of 4 processors show a clock that cannot be" in sensor.info.note
    # A core that really rests at its lowest clock counts.
    assert clocks(tmp_path / "b", 800_000, 1_600_000).read().value == 1200.0


def test_where_most_clocks_cannot_be_there_is_no_mean(tmp_path: Path) -> None:
    sensor = clocks(tmp_path, 8_000, 8_000, 8_000, 1_700_000)
    with pytest.raises(Implausible, match="3 of 4 processors"):
        sensor.read()
    reading = ChannelJudge(sensor.info, stale_after_s=3.0).judge(1.0, _taken(sensor), StepWatch())
    assert reading.quality is Quality.IMPLAUSIBLE and reading.value is None


def test_without_a_stated_lowest_clock_less_than_100_mhz_is_none(tmp_path: Path) -> None:
    sensor = clocks(tmp_path, 8_000, 600_000, 1_000_000, least_khz=None)
    assert sensor.read().value == 800.0


def _taken(sensor: Any) -> Any:
    try:
        return sensor.read()
    except SensorError as error:
        return error


# ---- energy counters


def test_an_energy_counter_that_stands_is_stuck_whatever_its_domain(tmp_path: Path) -> None:
    base = "sys/class/powercap/intel-rapl:0:0"
    lay(tmp_path, {f"{base}/name": "core", f"{base}/energy_uj": 118_821_284_256, f"{base}/max_energy_range_uj": 2**38})
    now = [0.0]
    (sensor,) = powercap.find(tmp_path, now_s=lambda: now[0])
    judge = ChannelJudge(sensor.info, stale_after_s=3.0)
    now[0] = 1.0
    reading = judge.judge(1.0, sensor.read(), StepWatch())
    assert reading.quality is Quality.STUCK and "stands still" in reading.note
    rewrite(tmp_path / base / "energy_uj", "118823284256\n")
    now[0] = 2.0
    assert judge.judge(2.0, sensor.read(), StepWatch()) == Reading(value=2.0)


# ---- throttle counters


def test_counts_of_before_are_told_and_only_growth_counts(tmp_path: Path) -> None:
    counts: dict[str, object] = {
        f"{CPU}/cpu0/thermal_throttle/core_throttle_count": 10_084,
        f"{CPU}/cpu1/thermal_throttle/core_throttle_count": 523,
        f"{CPU}/cpu0/topology/core_id": 0,
        f"{CPU}/cpu1/topology/core_id": 1,
    }
    (sensor,) = throttle.find(lay(tmp_path, counts))
    assert sensor.read().value == 0.0
    assert sensor.info.note == (
        "10607 stood there before, counted since the system started: only what comes from now on counts"
    )
    fresh: dict[str, object] = {name: 0 if "count" in name else value for name, value in counts.items()}
    (sensor,) = throttle.find(lay(tmp_path / "fresh", fresh))
    assert sensor.info.note == ""


def test_a_real_tree_says_so_to_a_person_and_to_scripts(
    tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = lay_listing(tmp_path / "tree", shared_dir / "sysfs/composite.tsv")
    data = listed(root, capsys, tmp_path / "bench")
    count = entry(data, "channel", "throttle_count")
    assert count["value"] == 0.0 and "10607 stood there before" in count["note"]
    core = next(item for item in data["channels"] if item["label"] == "core" and item["quantity"] == "power")
    assert core["quality"] == "stuck"
    assert run(["channels", "--root", str(root), "--bench", str(tmp_path / "bench")]) == 0
    assert "only what comes from now on counts" in " ".join(capsys.readouterr().out.split())


# ---- a zone colder than the room


def with_room(tmp_path: Path, zone: str, zone_mc: int, **more: object) -> Path:
    files: dict[str, object] = {
        "sys/class/thermal/thermal_zone0/type": zone,
        "sys/class/thermal/thermal_zone0/temp": zone_mc,
        **chip(0, "w1_slave_temp", "w1_bus_master1/28-00000a", temp1_input=22_000, temp1_label="room probe"),
        **more,
    }
    return lay(tmp_path / "tree", files)


@pytest.mark.parametrize("zone", ["acpitz", "x86_pkg_temp"])
def test_a_zone_of_12_4_degrees_in_a_room_of_22_is_not_believed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], zone: str
) -> None:
    data = listed(with_room(tmp_path, zone, 12_400), capsys, tmp_path / "bench")
    found = entry(data, "label", zone)
    assert found["quality"] == "implausible" and "below the room (22.0 °C)" in found["note"]
    assert entry(data, "channel", "ambient_temp_c")["quality"] == "ok"
    # Alone it would be the die: then there is none.
    assert "how hot the die gets, while idle and under load" not in data["can"]


def test_a_zone_at_the_room_is_believed_and_several_below_it_doubt_the_room(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = listed(with_room(tmp_path, "acpitz", 20_000), capsys, tmp_path / "bench")
    assert entry(data, "label", "acpitz")["quality"] == "ok"
    from_cold = chip(1, "jc42", "i2c-0/0-0018", temp1_input=9_000)
    data = listed(with_room(tmp_path / "cold", "acpitz", 12_400, **from_cold), capsys, tmp_path / "bench")
    assert entry(data, "label", "acpitz")["quality"] == "ok"
    room = entry(data, "channel", "ambient_temp_c")
    assert room["quality"] == "implausible" and "came in from the cold" in room["note"]


# ---- what is promised


def told(*names: str, limited: tuple[str, ...] = ()) -> tuple[list[str], dict[str, str]]:
    can, cannot = answerable({name: Reading(value=40.0) for name in names}, limited)
    return can, dict(clause.split(": ", 1) for clause in cannot if ": " in clause)


LIMIT = "how far the die is from its own limit"
GAP = "contact and cooler apart, from the kelvin between die and plate"
HOT = "how hot the die gets, while idle and under load"


def test_how_far_from_its_limit_is_promised_only_of_a_die_that_states_one() -> None:
    can, cannot = told("die_temp_c")
    assert HOT in can and cannot[LIMIT].startswith("this machine states no limit of its die")
    can, cannot = told("die_temp_c", "die_2_temp_c", limited=("die_2_temp_c",))
    assert LIMIT in can and LIMIT not in cannot
    # A limit of what is not read is none.
    assert LIMIT in told("die_temp_c", limited=("die_2_temp_c",))[1]


def test_what_is_missing_is_what_is_named() -> None:
    _, cannot = told("plate_temp_c")
    assert cannot[GAP] == "no die temperature: load the kernel driver (coretemp, k10temp)"
    assert "lay a probe on the plate" not in cannot[HOT] and "lay one" not in cannot[GAP]
    assert cannot[LIMIT].startswith("no die temperature")
    _, cannot = told("die_temp_c")
    assert cannot[GAP].startswith("no probe on the plate: lay one")
    _, cannot = told("ambient_temp_c")
    assert cannot[GAP].startswith("no die temperature") and "no probe on the plate" in cannot[GAP]
    assert cannot[HOT].endswith("or lay a probe on the plate")
    _, cannot = told("die_temp_c", "ambient_temp_c")
    assert cannot["the thermal resistance from die to room in K/W"].startswith("no package power")
    assert cannot["contact and cooler apart, from the first seconds after a power step"].startswith("no package power")


def test_the_command_knows_which_dies_state_a_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bare = chip(0, "coretemp", "platform/coretemp.0", temp1_input=40_000, temp1_label="Package id 0")
    data = listed(lay(tmp_path / "bare", bare), capsys, tmp_path / "bench")
    assert any(clause.startswith(LIMIT) for clause in data["cannot"])
    stated = chip(
        0, "coretemp", "platform/coretemp.0", temp1_input=40_000, temp1_label="Package id 0", temp1_crit=100_000
    )
    assert LIMIT in listed(lay(tmp_path / "stated", stated), capsys, tmp_path / "bench")["can"]
