"""`verifyrig channels`: what is listed, what is believed, what is said. Trees of simulated and of real machines."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mock_hw.bench import SimulatedBench
from mock_hw.tree.load_file import format_load
from tests.nobody import open_folder, python_for_nobody
from tests.sensor_tree import chip, lay, lay_listing, rewrite
from verifyrig.commands.cli import run
from verifyrig.core.channels import is_channel
from verifyrig.core.errors import SafetyRefusal
from verifyrig.core.interfaces import LoadDemand, LoadStatus, Quality
from verifyrig.sensors.bank import Bank, open_bank
from verifyrig.sensors.find import find_sensors, list_channels
from verifyrig.sensors.proof import prove

REPO = Path(__file__).resolve().parent.parent
LISTINGS = ("composite.tsv", "desktop_nvme_k10temp.tsv", "desktop_two_nvme.tsv")


@pytest.fixture
def tree(tmp_path: Path) -> Iterator[Path]:
    """A simulated liquid-cooled machine, a few seconds after its start."""
    root = tmp_path / "machine"
    with SimulatedBench("healthy-liquid", 0, root, probes=("room", "plate", "radiator")) as bench:
        bench.advance_to(5.0)
        yield root


def channels(root: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    """Run the command in this process; return exit code and stdout."""
    code = run(["channels", "--root", str(root), "--bench", str(root.parent), *words])
    return code, capsys.readouterr().out


def listed(root: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    code, out = channels(root, capsys, "--json")
    assert code == 0
    return list(json.loads(out)["channels"])


def test_the_json_has_the_keys_of_the_contract(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out = channels(tree, capsys, "--json")
    answer = json.loads(out)
    assert code == 0
    assert set(answer) == {"schema", "channels", "can", "cannot", "mains"}
    needed = {"channel", "label", "device", "source", "quantity", "unit", "value", "quality", "limit"}
    for item in answer["channels"]:
        assert needed <= set(item) <= needed | {"note"}
        assert item["channel"] is None or is_channel(item["channel"])
        assert item["quality"] in list(Quality)
        assert item["quality"] == "ok" or item["note"], item


def test_the_text_follows_the_path_of_the_heat(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out = channels(tree, capsys)
    places = [line.split()[0] for line in out.splitlines() if line.startswith("  ") and "°C" in line][:5]
    assert places == ["room", "radiator", "coolant", "plate", "die"]
    assert "K left to its own limit" in out
    assert "simulated hardware" in out
    assert out.index("These readings show") < out.index("They cannot show")


def test_a_tree_without_sensors_is_a_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    code, out = channels(tmp_path / "empty", capsys)
    assert code == 0
    assert "No temperature" in out
    assert "load the kernel driver" in out.replace("\n", " ").replace("  ", " ")


@pytest.mark.parametrize("columns", [40, 120])
def test_lines_fit_the_terminal(
    tree: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    _, out = channels(tree, capsys)
    words = {word for line in out.splitlines() for word in line.split() if len(line) > columns}
    assert all(len(line) <= columns or max(map(len, line.split())) > columns - 12 for line in out.splitlines()), words


def test_text_from_outside_cannot_drive_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    label = "\x1b[31mred\x1b[0m\x07\u202eevil"
    lay(tmp_path / "m", chip(0, "x\x1b]0;title\x07", "a/b", temp1_input=30000, temp1_label=label))
    _, out = channels(tmp_path / "m", capsys)
    assert not any(ord(c) < 32 and c != "\n" for c in out)
    assert "\u202e" not in out


def test_a_root_that_is_no_folder_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = run(["channels", "--root", str(tmp_path / "none"), "--json"])
    assert code == 2
    assert json.loads(capsys.readouterr().out)["error"]["where"] == "--root"


def test_a_bench_toml_that_names_a_gone_channel_is_refused(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tree.parent / "bench.toml").write_text('[channel.case_fan_2_speed_rpm]\nsource = "nct6775:gone:fan9"\n')
    code, out = channels(tree, capsys, "--json")
    assert code == 2
    error = json.loads(out)["error"]
    assert "case_fan_2_speed_rpm" in error["where"]
    # The list cannot be shown while the file does not fit, so the sentence itself names what could be meant.
    named = error["mend"].partition("there is now: ")[2].rstrip(".").split(", ")
    (tree.parent / "bench.toml").unlink()
    assert sorted(named) == sorted(item["device"] for item in listed(tree, capsys) if item["quantity"] == "speed")


def test_a_role_may_be_kept_for_boards_of_this_model(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    device = next(item["device"] for item in listed(tree, capsys) if item["label"] == "Fan speed")
    code, out = channels(tree, capsys, "--assign", f"case_fan_2_speed_rpm={device}", "--json")
    assert code == 0
    assert {item["channel"]: item["device"] for item in json.loads(out)["channels"]}["case_fan_2_speed_rpm"] == device
    again = {item["channel"]: item["device"] for item in listed(tree, capsys)}
    assert again["case_fan_2_speed_rpm"] == device
    assert '[board."Simulated hardware Simulated hardware"]' in (tree.parent / "bench.toml").read_text()


@pytest.mark.parametrize("word", ["fan=x", "case_fan_speed_rpm=no:such:fan1", "plate_temp_c", "case_fan_speed_rpm="])
def test_a_role_for_nothing_is_refused_and_nothing_is_written(
    tree: Path, capsys: pytest.CaptureFixture[str], word: str
) -> None:
    assert channels(tree, capsys, "--assign", word)[0] == 2
    assert not (tree.parent / "bench.toml").exists()


def test_an_absent_instrument_is_listed_as_missing_with_its_remedy(
    tree: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tree.parent / "bench.toml").write_text(
        '[[instrument]]\nid = "p"\nurl = "/dev/ttyNoSuch7"\nchannels = { t1 = "exhaust_temp_c" }\n'
    )
    (found,) = [item for item in listed(tree, capsys) if item["channel"] == "exhaust_temp_c"]
    assert (found["quality"], found["value"]) == ("missing", None)
    assert "no such port" in found["note"]


@pytest.mark.parametrize("listing", LISTINGS)
def test_every_channel_of_a_real_tree_is_listed_and_no_sentinel_is_ok(
    listing: str, tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = lay_listing(tmp_path / "m", shared_dir / "sysfs" / listing)
    found = listed(root, capsys)
    inputs = list(root.rglob("temp*_input")) + list(root.rglob("thermal_zone*/temp"))
    real = {os.path.realpath(root / item["source"]) for item in found}
    assert {os.path.realpath(path) for path in inputs} <= real
    assert len({item["device"] for item in found}) == len(found)
    for item in found:
        if item["quantity"] == "temperature" and item["quality"] == "ok":
            assert -30 < item["value"] < 120, item


def test_the_real_sentinels_are_named(tmp_path: Path, shared_dir: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = listed(lay_listing(tmp_path / "m", shared_dir / "sysfs/composite.tsv"), capsys)
    by_label = {(item["label"], item["quantity"]): item for item in found}
    assert by_label["acpitz", "temperature"]["quality"] == "implausible"  # -44 °C
    assert by_label["package-0 long_term limit", "power"]["quality"] == "implausible"  # 4090 W: no limit
    assert by_label["bcm2835_thermal", "temperature"]["channel"] == "die_temp_c"
    assert {item["channel"] for item in found} >= {
        "drive_temp_c",
        "package_power_w",
        "core_clock_mhz",
        "throttle_count",
    }


def test_no_limit_of_a_real_tree_is_a_sentinel(tmp_path: Path, shared_dir: Path) -> None:
    for listing in LISTINGS:
        root = lay_listing(tmp_path / listing, shared_dir / "sysfs" / listing)
        limits = {s.info.limit for s in find_sensors(root) if s.info.limit is not None}
        assert all(60 < limit < 120 for limit in limits)


def spoil(path: Path, how: str) -> None:
    """Make a file fail in the way named, as it can while it is being read."""
    if how == "vanish":
        path.unlink()
    elif how == "empty":
        rewrite(path, "")
    elif how == "words":
        rewrite(path, "<unsupported>\n")
    elif how == "input/output error":
        path.unlink()
        path.symlink_to("/proc/self/mem")  # reading its unmapped start gives EIO
    elif how == "folder":
        path.unlink()
        path.mkdir()
    elif how == "whole chip":
        shutil.rmtree(path.resolve().parent)


@pytest.mark.parametrize("how", ["vanish", "empty", "words", "input/output error", "folder", "whole chip"])
def test_files_that_fail_while_being_read_make_channels_missing_and_nothing_worse(tmp_path: Path, how: str) -> None:
    if how == "input/output error" and not Path("/proc/self/mem").exists():
        pytest.skip("no /proc/self/mem to give an input/output error")
    values = {"temp1_input": 45000, "temp1_label": "Package id 0", "temp2_input": 44000, "temp2_label": "Core 0"}
    other = {"temp1_input": 30000, "temp1_label": "SYSTIN"}
    lay(tmp_path, chip(0, "coretemp", "platform/coretemp.0", **values) | chip(1, "nct6775", "platform/n.0", **other))
    bank = open_bank(tmp_path, {})
    assert all(reading.ok for reading in bank.sample(0.0, load_share=0.0).values())
    path = tmp_path / "sys/class/hwmon/hwmon0/temp1_input"
    spoil(path, how)
    for t_s in (1.0, 2.0):
        readings = bank.sample(t_s, load_share=0.0)
        assert readings["die_temp_c"].quality is Quality.MISSING
        assert readings["die_temp_c"].note
        assert readings["board_temp_c"].ok
        assert readings["core_temp_c"].ok is (how != "whole chip")
        assert bank.reread("die_temp_c", t_s).quality is Quality.MISSING
    bank.close()


def test_what_only_root_may_read_is_missing_with_the_remedy() -> None:
    python = python_for_nobody()
    with open_folder() as folder:
        root = folder / "m"
        zone = "sys/class/powercap/intel-rapl:0"
        lay(root, {f"{zone}/name": "package-0", f"{zone}/energy_uj": 1, "proc/stat": "cpu 1 0 0 1 0 0 0 0 0 0"})
        (root / zone / "energy_uj").chmod(stat.S_IRUSR)
        command = ["-m", "verifyrig", "channels", "--root", str(root), "--bench", str(root), "--json"]
        done = subprocess.run([*python, *command], cwd="/", capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    (power,) = [item for item in json.loads(done.stdout)["channels"] if item["channel"] == "package_power_w"]
    assert (power["quality"], power["value"]) == ("missing", None)
    assert "only root may read it" in power["note"]
    assert "Run as root" in power["note"]


def test_watching_goes_on_until_ctrl_c(tree: Path) -> None:
    command = [sys.executable, "-m", "verifyrig", "channels", "--root", str(tree), "--watch"]
    with subprocess.Popen(command, cwd=REPO, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        heads = 0
        for line in process.stdout:
            heads += "along the thermal" in line  # the line may break there on a narrow terminal
            if heads == 2:
                break
        process.send_signal(signal.SIGINT)
        process.stdout.read()
        assert process.wait(30) == 0


def test_watching_keeps_the_path_of_the_heat_on_the_screen(tree: Path) -> None:
    import pexpect

    words = ["-m", "verifyrig", "channels", "--root", str(tree), "--watch"]
    # A terminal of 24 rows: what stands on it after clearing must fit, or its top scrolls away.
    child = pexpect.spawn(sys.executable, words, dimensions=(24, 80), encoding="utf-8", timeout=60)
    try:
        child.expect(r"\x1b\[2J\x1b\[H(.*?further lines without --watch)\r\n")
        assert isinstance(child.match, re.Match)
        lines = child.match.group(1).split("\r\n")
        assert len(lines) <= 23 and any(line.startswith("  die") for line in lines)
    finally:
        child.close(force=True)


def test_watching_and_json_exclude_each_other(tree: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert channels(tree, capsys, "--watch", "--json")[0] == 2


class PulseLoad:
    """Tells a simulated machine a quarter of the whole as its pulse, and moves its time on."""

    def __init__(self, bench: SimulatedBench) -> None:
        self.bench = bench
        self.now_s = bench.elapsed_s
        self.demand: LoadDemand | None = None
        self.stopped = 0

    def start(self, demand: LoadDemand) -> None:
        self.demand = demand

    def set_share(self, share: float) -> None:
        (self.bench.root / "verifyrig/load").write_text(format_load(share / 4))

    def beat(self) -> None:
        """Nothing to do."""

    def status(self) -> LoadStatus:
        return LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=1, workers_alive=1)

    def stop(self) -> float:
        self.set_share(0.0)
        self.stopped += 1
        return 0.0

    def close(self) -> None:
        """Nothing is held."""

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.bench.advance_to(self.now_s)


def proved(case: str, tmp_path: Path, seed: int = 3) -> tuple[dict[str, Any], PulseLoad]:
    with SimulatedBench(case, seed, tmp_path / "m", probes=("room", "plate")) as bench:
        load = PulseLoad(bench)
        found = [s for s in list_channels(bench.root, {}, now_s=lambda: load.now_s) if s.info.channel]
        bank = Bank(found)
        load.sleep(2.0)
        try:
            return prove(bank, load, now_s=lambda: load.now_s, sleep=load.sleep), load
        finally:
            bank.close()


def test_a_pulse_shows_that_the_die_reacts(tmp_path: Path) -> None:
    moved, load = proved("healthy-air", tmp_path)
    assert moved["die_temp_c"].moved is True
    assert moved["die_temp_c"].change > 1.0
    assert moved["package_power_w"].moved is True
    assert moved["ambient_temp_c"].moved is not False
    assert load.demand is not None
    assert load.demand.workers == "quarter"
    assert load.stopped == 1


def test_a_pulse_shows_that_a_stuck_die_does_not(tmp_path: Path) -> None:
    moved, _ = proved("sensor-stuck", tmp_path, seed=0)  # seed 0: stuck from power-on
    assert moved["die_temp_c"].moved is False
    assert moved["package_power_w"].moved is True


class NoLoad(PulseLoad):
    def __init__(self) -> None:
        self.now_s = 0.0
        self.demand = None

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


def test_a_machine_that_is_hot_at_idle_gets_no_pulse(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "coretemp", "p/c", temp1_input=72000, temp1_label="Package id 0"))
    bank, load = Bank([s for s in list_channels(tmp_path, {}) if s.info.channel]), NoLoad()
    with pytest.raises(SafetyRefusal, match="72 °C while idle"):
        prove(bank, load, now_s=lambda: load.now_s, sleep=load.sleep)
    assert load.demand is None


def test_a_machine_without_any_temperature_gets_no_pulse(tmp_path: Path) -> None:
    lay(tmp_path, chip(0, "nct6775", "p/n", fan1_input=900, fan1_label="CPU Fan"))
    bank, load = Bank([s for s in list_channels(tmp_path, {}) if s.info.channel]), NoLoad()
    with pytest.raises(SafetyRefusal, match="no temperature"):
        prove(bank, load, now_s=lambda: load.now_s, sleep=load.sleep)
    assert load.demand is None


def test_proving_on_a_tree_that_cannot_be_run_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay(tmp_path / "m", chip(0, "coretemp", "p/c", temp1_input=40000, temp1_label="Package id 0"))
    began_s = time.monotonic()
    code, out = channels(tmp_path / "m", capsys, "--prove", "--json")
    assert (code, json.loads(out)["error"]["what"] != "") == (2, True)
    assert time.monotonic() - began_s < 60
