"""The bench stick's part of the bare command, on a system that only looks like the stick's."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.fake_asker import FakeAsker
from tests.sensor_tree import lay
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context, next_step
from verifyrig.core.errors import UsageError
from verifyrig.jobs.plugged_sticks import MARK, plugged_sticks
from verifyrig.stick import clock
from verifyrig.stick.clock import ClockWord, Trust
from verifyrig.stick.desk import StickDesk
from verifyrig.stick.drivers import SkipList, unknown_chips, wanted, without_driver
from verifyrig.stick.first_minutes import FirstMinutes
from verifyrig.stick.medium import Medium
from verifyrig.system.stick import Stick


def lay_stick(root: Path) -> Path:
    return lay(root, {f"{MARK}": "x", "bench.toml": "", "runs/20260101-000000-aaaa.sqlite": "x"})


def test_a_plugged_stick_that_holds_something_is_offered_by_one_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay(tmp_path, {"media/somebody/CAMERA/bench.toml": "", f"media/somebody/EMPTY/{MARK}": "x"})
    stick = lay_stick(tmp_path / "media/somebody/VERIFYRIG")
    shop = tmp_path / "shop"
    shop.mkdir()
    assert plugged_sticks(Bench(root=shop), tmp_path) == [stick]
    assert plugged_sticks(Bench(root=stick), tmp_path) == []

    monkeypatch.setattr("verifyrig.jobs.plugged_sticks.plugged_sticks", lambda bench: [stick])
    asker = FakeAsker("s", "q")
    next_step.execute(Context(bench=find_bench(str(shop))), asker)
    # What lies there is no record: it is refused by name, and nothing else happens to it.
    assert "eject" in asker.said[-2] + asker.said[-1] + "".join(asker.said)


class Remounts(Medium):
    """Writes down what would be asked of the system."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder / "writers")
        self.asked: list[str] = []

    def remount(self, how: str) -> None:
        self.asked.append(how)


def test_the_partition_is_writable_only_while_somebody_writes(tmp_path: Path) -> None:
    one = Remounts(tmp_path)
    with one.writing(), one.writing():
        assert one.asked == ["rw"] and one.is_being_written
    assert one.asked == ["rw", "ro"] and not one.is_being_written
    other = tmp_path / "writers/1"  # another process, which lives
    other.touch()
    with one.writing():
        pass
    assert one.asked == ["rw", "ro", "rw"], "another process still writes"


def quiet_bench(tmp_path: Path) -> Bench:
    (tmp_path / "bench.toml").write_text("")
    return find_bench(str(tmp_path))


@pytest.mark.parametrize("keep", [True, False], ids=["kept for a job", "dropped"])
def test_the_first_minutes_become_the_jobs_first_records_or_are_gone(keep: bool, tmp_path: Path) -> None:
    bench = quiet_bench(tmp_path)
    loaded: list[bool] = []
    minutes = FirstMinutes(bench, drivers_loaded=lambda: bool(loaded), facts={}, medium=Remounts(tmp_path / "state"))
    minutes.start()
    wait_for(lambda: len(bench.records()) == 1 and samples_of(bench.records()[0]) > 0)
    loaded.append(True)
    wait_for(lambda: len(bench.records()) == 2 and samples_of(bench.records()[1]) > 0)
    kept = minutes.end("job-1", keep=keep)
    assert not minutes.fault
    if not keep:
        assert list((tmp_path / "runs").iterdir()) == []
        return
    from verifyrig.record import read_trace
    from verifyrig.record.check import integrity_of

    traces = [read_trace(path) for path in kept]
    assert all(integrity_of(path)[0] == "sealed" for path in kept)
    assert [path.parent for path in kept] == [bench.runs_dir("job-1")] * 2
    assert [stage.name for trace in traces for stage in trace.stages] == ["start-up", "idle"]
    assert traces[1].facts["follows"] == traces[0].run_id
    assert traces[0].facts["start_up"] is True and traces[1].facts["job"] == "job-1"
    assert all(trace.recorded.outcome == "completed" for trace in traces)


def wait_for(condition: object, hang_s: float = 120.0) -> None:
    import time

    until_s = time.monotonic() + hang_s
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < until_s, "nothing came"
        time.sleep(0.05)


def samples_of(path: Path) -> int:
    import sqlite3
    from contextlib import closing

    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            return int(connection.execute("SELECT count(*) FROM sample").fetchone()[0])
    except sqlite3.Error:
        return 0


def test_what_the_stick_says_of_itself_is_read_as_its_scripts_leave_it(tmp_path: Path) -> None:
    lay(
        tmp_path,
        {
            "boot": "id=abc\nroot=0123456789abcdef0123\nboot=sda2",
            "build.json": json.dumps({"version": "0.1.0", "commit": "1a2b3c4"}),
            "part": "sda3",
            "sys/class/block/sda3/ro": 0,
        },
    )
    stick = Stick(folder=tmp_path, sys=tmp_path / "sys")
    assert stick.build == {"version": "0.1.0", "commit": "1a2b3c4", "root_hash": "0123456789abcdef0123"}
    assert stick.is_plugged_in and not Stick(folder=tmp_path, sys=tmp_path / "none").is_plugged_in
    assert stick.as_fact()["clock"] == {"trust": "unchecked"}


def test_a_clock_before_the_stick_was_made_is_wrong_and_a_typed_time_is_known_as_typed(tmp_path: Path) -> None:
    made_s = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
    assert clock.clock_word(tmp_path, made_s, made_s - 60).trust is Trust.WRONG
    assert clock.clock_word(tmp_path, made_s, made_s + 60).trust is Trust.UNCHECKED
    clock.keep(tmp_path, ClockWord(trust=Trust.TYPED, shifted_s=-3600.0))
    assert clock.clock_word(tmp_path, made_s, 0.0) == ClockWord(trust=Trust.TYPED, shifted_s=-3600.0)


def test_a_time_is_read_as_people_type_it() -> None:
    now = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
    assert clock.parse_time("14:05", now) == datetime(2026, 3, 1, 14, 5, tzinfo=UTC)
    assert clock.parse_time("02.03.2026 14:05", now) == datetime(2026, 3, 2, 14, 5, tzinfo=UTC)
    with pytest.raises(UsageError):
        clock.parse_time("five past two", now)


def test_a_driver_that_hung_this_board_is_skipped_on_it_and_on_no_other(tmp_path: Path) -> None:
    SkipList(tmp_path, "board-a").begin("it87")  # the machine stops here
    assert SkipList(tmp_path, "board-b").take_in_last() == ""
    assert SkipList(tmp_path, "board-a").take_in_last() == "it87"
    assert SkipList(tmp_path, "board-a").names() == ["it87"]
    assert SkipList(tmp_path, "board-b").names() == []
    assert SkipList(tmp_path, "board-a").take_in_last() == ""  # told once


def test_drivers_come_sensors_first_each_once_and_no_watchdog_among_them() -> None:
    names = wanted(["e1000e", "i2c-i801", "iTCO_wdt"], ["coretemp"])
    assert "coretemp" not in names and "iTCO_wdt" not in names
    assert names.index("nct6775") < names.index("e1000e") and names.count("i2c_i801") == 1


def test_a_chip_that_no_driver_knows_is_named(tmp_path: Path) -> None:
    # As drivers/hwmon/nct6775-platform.c and drivers/hwmon/it87.c of Linux print it.
    log = (
        "[  3.1] nct6775: unsupported chip ID: 0xd590\n[  3.2] it87: Unsupported chip (DEVID=0x8689)\n[ 4.0] it87: x\n"
    )
    assert [text.split(" that")[0] for text in unknown_chips(log)] == [
        "nct6775 found a chip 0xd590",
        "it87 found a chip 0x8689",
    ]
    device = "sys/bus/pci/devices/0000:00:1f.4"
    lay(tmp_path, {f"{device}/class": "0x0c0500", f"{device}/vendor": "0x8086", f"{device}/device": "0xa323"})
    assert without_driver(tmp_path) == ["no driver here for PCI device 8086:a323 (SMBus)"]
    (tmp_path / device / "driver").mkdir()
    assert without_driver(tmp_path) == []


def test_the_first_screen_says_what_it_runs_from_asks_once_and_offers_the_first_minutes_to_the_job(
    tmp_path: Path,
) -> None:
    state = lay(
        tmp_path / "state",
        {
            "boot": "id=abc\nroot=0123456789abcdef0123456789",
            "build.json": json.dumps({"version": "0.1.0", "commit": "1a2b3c4", "built": "2026-03-01"}),
            "data.text": "the stick was not let go of in order last time",
            "part": "sda3",
            "drivers.json": json.dumps({"missing": ["nct6775 found a chip 0xd590 that it does not know"]}),
            "sys/class/block/sda3/ro": 0,
        },
    )
    (tmp_path / "bench").mkdir()
    bench = quiet_bench(tmp_path / "bench")
    asker = FakeAsker("3", "2", "", "y")
    stick = Stick(folder=state, sys=state / "sys", bench=bench.root)
    desk = StickDesk(stick, bench, asker, Remounts(tmp_path / "writers"))
    desk.begin()
    first = " ".join(asker.said)
    assert "0.1.0 (1a2b3c4, 2026-03-01), root 0123456789abcdef" in first and "not let go of in order" in first
    assert max(map(len, desk.greeting())) < 80, "a graphics driver that takes over cuts off what stands further right"
    assert (state / "up").exists(), "the other drivers come after the first screen"
    assert 'keyboard = "de"' in (bench.root / "stick.toml").read_text()
    assert find_bench(str(bench.root)).config["report"]["language"] == "de"
    assert desk.clock_word().trust is Trust.CONFIRMED
    wait_for(lambda: len(bench.records()) == 2 and samples_of(bench.records()[1]) > 0)
    lines = " ".join(desk.lines())
    assert "Recording the idle machine" in lines and "0xd590" in lines and "Leave the stick in" in lines
    desk.before_run("job-1")
    assert len(bench.records("job-1")) == 2 and "Nothing is open on the stick" in " ".join(desk.lines())

    again = FakeAsker("")
    StickDesk(stick, bench, again, Remounts(tmp_path / "writers")).begin()
    assert len(again.asked) == 1, "keyboard and language are asked once, the clock at each start"
    (state / "sys/class/block/sda3/ro").unlink()
    (state / "sys/class/block/sda3").rmdir()
    assert "THE STICK IS AWAY" in " ".join(desk.lines())


def test_once_the_machine_was_told_to_go_off_nothing_is_offered_any_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asker = FakeAsker()
    order: list[str] = []
    monkeypatch.setattr("verifyrig.stick.desk.subprocess.run", lambda words, check: order.append(words[0]))
    monkeypatch.setattr("verifyrig.stick.desk.time.sleep", lambda time_s: order.append(f"{time_s:.0f} s"))
    stick = Stick(folder=tmp_path, sys=tmp_path / "sys", bench=tmp_path)
    StickDesk(stick, quiet_bench(tmp_path), asker, Remounts(tmp_path / "writers")).switch_off()
    assert order == ["sync", "poweroff", "60 s"], "it waits until it is ended with the machine"
    assert "then pull the stick" in asker.said[0] and "power button" in asker.said[-1]
