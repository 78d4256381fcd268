"""A line: orders in, labels scanned, parts compared, holds, limits that changed, and the trail: who, when, why."""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from tests.small_records import PROFILE_TEXT, write_record
from tests.test_contract import SHORT, verifyrig
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context
from verifyrig.commands.unit_asked import ask_about_unit, check_ordered_parts
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.line.limits import changed_limits, limits_of
from verifyrig.line.orders import Order, new_orders, read_orders
from verifyrig.line.parts import PartState, check_parts, parse_parts
from verifyrig.line.trail import TrailAltered, TrailKind, append_entries, read_trail, trail_path
from verifyrig.line.units import UnitQuestion, UnitToMeasure, question_of
from verifyrig.plan.text import parse_profile
from verifyrig.runs.units_seen import SeenUnit, units_seen
from verifyrig.system.machine import resolve_root
from verifyrig.system.parts import parts_of

ORDERS = "order,unit,batch,profile,parts\nA1,0001,w1,short,\nA1,0002,w1,short,memory=32 GiB\n"
SETTINGS = '[shop]\nname = "Invented"\noperator = "Op"\n[line]\nlabel = "SN(?P<unit>[0-9]{4})"\n'


def said(*words: str, cwd: Path, code: int = 0) -> dict[str, Any]:
    done = verifyrig(*words, "--json", cwd=cwd)
    assert done.returncode == code, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "short.toml").write_text(SHORT, encoding="utf-8")
    (tmp_path / "orders.csv").write_text(ORDERS, encoding="utf-8")
    return tmp_path


# ---- the trail


def test_each_change_of_the_trail_is_found(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    append_entries(bench, "A", [(TrailKind.HOLD, {"unit": f"u{n}", "batch": None, "why": "é"}) for n in range(3)])
    append_entries(bench, "B", [(TrailKind.RELEASE, {"unit": "u1", "batch": None, "why": "ok"})])
    whole = trail_path(bench).read_bytes()
    assert [(one.seq, one.by) for one in read_trail(bench)] == [(1, "A"), (2, "A"), (3, "A"), (4, "B")]
    lines = whole.splitlines(keepends=True)
    spoilt = {
        "a name": whole.replace(b'"by": "A"', b'"by": "C"', 1),
        "an entry taken out": lines[0] + lines[2] + lines[3],
        "the first one taken out": b"".join(lines[1:]),
        "two in another order": lines[0] + lines[2] + lines[1] + lines[3],
        "one twice": whole + lines[3],
        "a key more": whole.replace(b'{"seq": 2', b'{"x": 1, "seq": 2'),
        "no JSON": lines[0] + b"\n",
    }
    for what, data in spoilt.items():
        trail_path(bench).write_bytes(data)
        with pytest.raises(TrailAltered):
            pytest.fail(f"{what}: {read_trail(bench)}")


def test_half_a_last_line_was_never_acknowledged_and_is_written_over(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    append_entries(bench, "A", [(TrailKind.HOLD, {"unit": "u0"})])
    whole = trail_path(bench).read_bytes()
    trail_path(bench).write_bytes(whole + whole[: len(whole) // 2])
    assert len(read_trail(bench)) == 1
    append_entries(bench, "A", [(TrailKind.HOLD, {"unit": "u1"})])
    assert [one.data["unit"] for one in read_trail(bench)] == ["u0", "u1"]
    assert trail_path(bench).read_bytes().startswith(whole)


_WRITER = """
import pathlib, sys
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Context
from verifyrig.commands.unit_asked import ask_about_unit, check_ordered_parts
from verifyrig.line.trail import TrailKind, append_entries
bench = Bench(root=pathlib.Path(sys.argv[1]))
for n in range(100_000):
    append_entries(bench, sys.argv[2], [(TrailKind.HOLD, {"unit": str(n)})])
    print(n, flush=True)
"""


def test_two_writers_that_are_killed_leave_one_whole_trail(tmp_path: Path) -> None:
    children = [
        subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(tmp_path), name], stdout=subprocess.PIPE, text=True,
            cwd=Path(__file__).resolve().parent.parent,
        )
        for name in ("A", "B")
    ]  # fmt: skip
    told = {}
    for name, child in zip("AB", children, strict=True):
        with child:
            assert child.stdout is not None
            for line in child.stdout:
                told[name] = int(line)
                if told[name] >= 12:
                    os.kill(child.pid, signal.SIGKILL)
                    break
            told[name] = max([told[name], *map(int, child.stdout.read().split())])
    for name in "AB":
        own = [int(one.data["unit"]) for one in read_trail(Bench(root=tmp_path)) if one.by == name]
        assert own == list(range(len(own))) and len(own) > told[name]


# ---- orders and parts


def test_orders_come_in_whole_or_not_at_all_and_every_fault_is_named(tmp_path: Path) -> None:
    def known(name: str) -> None:
        if name != "short":
            raise UsageError("there is none", where=name, mend="x")

    good = tmp_path / "good.csv"
    good.write_text("﻿unit;order;profile;more\n0001;A1;short;x\n0002;A1;short;y\n", encoding="utf-8")
    orders = read_orders(good, known)
    assert orders == [Order(order="A1", unit=f"000{n}", profile="short") for n in (1, 2)]
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "order,unit,batch,profile,parts\nA1,,w1,short,\nA1,0002,w1,none,\nA1,0003,w1,short,cooler=big\n"
        "A1,0004,w1,short,memory=much\nA1,0005,w1,short,\nA2,0005,w1,short,\n",
        encoding="utf-8",
    )
    with pytest.raises(ImportFault) as told:
        read_orders(bad, known)
    for words in (
        "row 2: unit is empty", "row 3: profile 'none'", "row 4: 'cooler=big' is no part", "row 5: 'much' is no size",
        "unit '0005' stands in 2 rows",
    ):  # fmt: skip
        assert words in str(told.value)
    assert new_orders(orders, orders[:1]) == orders[1:]
    with pytest.raises(UsageError, match=r"ordered otherwise already: 0001 \(order A0\)"):
        new_orders(orders, [Order(order="A0", unit="0001", profile="short")])


TOLD = {
    "processor": ["Invented 9 7X 12-Core Processor"], "board": ["X10"], "memory": [str(31.2 * 2**30)],
    "drive": ["Invented SSD 1TB", "Invented SSD 1TB"],
}  # fmt: skip


@pytest.mark.parametrize(
    ("expected", "states"),
    [
        ("processor=invented 9  7x; board=X10; memory=32 GiB", "fits fits fits"),
        ("board=X1", "differs"),  # no whole word
        ("memory=16 GiB; memory=64 GB", "differs differs"),
        ("memory=24 GB", "differs"),
        ("drive=Invented SSD 1TB; drive=Invented SSD 1TB; drive=Invented SSD 1TB", "fits fits differs"),
        ("graphics=10de:2684; cores=12", "not-told not-told"),
    ],
)
def test_parts_fit_differ_or_are_not_told(expected: str, states: str) -> None:
    assert [one.state for one in check_parts(parse_parts(expected), TOLD)] == [PartState(s) for s in states.split()]


def test_the_machines_own_tables_name_its_parts(tmp_path: Path) -> None:
    for path, text in {
        "sys/class/dmi/id/board_name": "X1", "proc/cpuinfo": "model name\t: Invented 9", "proc/meminfo":
        "MemTotal:       16000000 kB", "sys/block/nvme0n1/device/model": "Invented SSD  ", "sys/block/sda/removable":
        "1", "sys/block/sda/device/model": "Stick", "sys/block/loop0/device/model": "no", "sys/class/drm/card0/device/"
        "vendor": "0x10de", "sys/class/drm/card0/device/device": "0x2684", "sys/class/drm/card0-DP-1/status": "x",
    }.items():  # fmt: skip
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_text(text + "\n", encoding="utf-8")
    found = parts_of(resolve_root(tmp_path))
    assert (found["board"], found["processor"], found["drive"]) == (["X1"], ["Invented 9"], ["Invented SSD"])
    assert (found["graphics"], found["memory"]) == (["10de:2684"], [str(16_000_000 * 1024)])


# ---- who a unit is


def seen(number: int, unit: str, board: str | None = None, **more: Any) -> SeenUnit:
    told: dict[str, Any] = {"batch": "w1", "recipe": "r", "completed": True, "rework": "", "states": (), **more}
    return SeenUnit(run=f"run-{number}", unit=unit, board=board, started_utc_s=float(number), **told)


@pytest.mark.parametrize(
    ("now", "before", "asked"),
    [
        ({"unit": "u1"}, [], None),
        ({"unit": "u1"}, [seen(1, "u1")], UnitQuestion.AGAIN),
        ({"unit": "u1", "rework": "paste"}, [seen(1, "u1", "b1")], None),
        ({"unit": "u1"}, [seen(1, "u1", completed=False)], None),
        ({"unit": "u1"}, [seen(1, "u1", recipe="other")], None),
        ({"unit": "u1"}, [seen(1, "u1", batch="w0")], None),  # another machine of another batch
        ({"unit": "u1", "states": ("remount",)}, [seen(1, "u1")], None),
        ({"unit": "gold"}, [seen(1, "gold")], None),
        ({"unit": "u1", "board": "b2"}, [seen(1, "u1", "b1")], UnitQuestion.OTHER_BOARD),
        ({"unit": "gold", "board": "b2"}, [seen(1, "gold", "b1")], UnitQuestion.OTHER_BOARD),
        ({"unit": "u1", "board": "b2"}, [seen(1, "u1", "b1"), seen(2, "u1", "b2", rework="board")], UnitQuestion.AGAIN),
        ({"unit": "u2", "board": "b1"}, [seen(1, "u1", "b1")], UnitQuestion.OTHER_NAME),
        ({"unit": "u4", "board": "b1"}, [seen(n, f"u{n}", "b1") for n in (1, 2, 3)], None),  # one serial for all
        ({"unit": "u2", "board": None}, [seen(1, "u1", "b1")], None),
    ],
)
def test_what_is_asked_of_a_unit(now: dict[str, Any], before: list[SeenUnit], asked: UnitQuestion | None) -> None:
    unit = UnitToMeasure(**{"batch": "w1", "board": None, "recipe": "r", "rework": None, **now})
    found = question_of(unit, before, {"gold"})
    assert (found[0] if found else None) == asked


def test_earlier_units_are_read_once_and_customers_never(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(2):
        write_record(tmp_path / "runs", number, unit=f"u{number}", facts={"batch": "w1", "board": "b", "rework": None})
    write_record(tmp_path / "jobs/j1/runs", 2, unit="theirs", facts={"job": "j1"})
    (tmp_path / "runs" / "20260202-090000-test.sqlite").write_bytes(b"no record")
    bench = Bench(root=tmp_path)
    first = units_seen(bench)
    assert [(one.unit, one.batch, one.board, one.completed) for one in first] == [
        ("u0", "w1", "b", True), ("u1", "w1", "b", True)
    ]  # fmt: skip
    monkeypatch.setattr("verifyrig.runs.units_seen._read", lambda path: ([], False))
    assert units_seen(bench) == first


# ---- limits


def test_every_limit_that_changed_is_named_with_old_and_new() -> None:
    before = limits_of(parse_profile(PROFILE_TEXT, origin="a.toml"))
    text = PROFILE_TEXT.replace("max = 75.0", "max = 80.0").replace(
        "max = 95.0", "max = 95.0, below_machine_limit_k = 3"
    )
    assert changed_limits(before, limits_of(parse_profile(text, origin="a.toml"))) == [
        {"limit": "threshold load.die_temp_c.peak max", "old": 75.0, "new": 80.0},
        {"limit": "trip die_temp_c below_machine_limit_k", "old": None, "new": 3.0},
    ]
    assert changed_limits(before, before) == []


# ---- as its user has it


def test_a_line_from_orders_to_the_last_unit(bench: Path) -> None:
    first = said("line", "orders", "orders.csv", cwd=bench)
    assert (first["taken"], first["missing"]) == (2, ["w1/0001", "w1/0002"])
    assert said("line", "orders", "orders.csv", cwd=bench)["taken"] == 0
    run = ("run", "--mock", "healthy-air", "--scan")
    for label, words in (("1", "no label of a unit"), ("SN0009", "no order names unit")):
        assert words in said(*run, label, cwd=bench, code=2)["error"]["what"]
    assert "no terminal" in said(*run, cwd=bench, code=2)["error"]["what"]
    made = said(*run, "SN0001", cwd=bench)
    assert (made["unit"], made["profile"], made["purpose"]) == ("0001", "short", "build")
    again = said(*run, "SN0001", cwd=bench, code=2)["error"]
    assert "measured to its end already" in again["what"] and "--rework" in again["mend"]
    said(*run, "SN0001", "--rework", "paste", cwd=bench)
    said("line", "hold", "0002", "--batch", "w1", "--why", "fan loose", "--by", "QA", cwd=bench)
    assert "on hold: fan loose (QA)" in said(*run, "SN0002", cwd=bench, code=2)["error"]["what"]
    held = said("line", "show", cwd=bench)
    assert [one["state"] for one in held["units"]] == ["measured", "held"] and held["missing"] == ["w1/0002"]
    assert "not on hold" in said("line", "release", "0001", "--why", "x", cwd=bench, code=2)["error"]["what"]
    assert "no reason" in said("line", "release", "0002", "--batch", "w1", cwd=bench, code=2)["error"]["what"]
    said("line", "release", "0002", "--batch", "w1", "--why", "fixed", cwd=bench)
    assert said("line", "limits", "short", cwd=bench, code=4)["recorded"] is False
    assert said("line", "limits", "short", "--why", "first batch", cwd=bench)["recorded"] is True
    (bench / "profiles" / "short.toml").write_text(SHORT.replace("max = 80.0", "max = 90.0"), encoding="utf-8")
    batch = said("qa", "--profile", "short", cwd=bench, code=4)
    assert any("limits of short changed and nobody said why" in note for note in batch["notes"])
    changed = said("line", "limits", "short", "--why", "golden units", cwd=bench)["changed"]
    assert changed == [{"limit": "threshold pulses.die_temp_c.peak max", "old": 80.0, "new": 90.0}]
    entries = read_trail(Bench(root=bench))
    kinds = ["order", "order", "hold", "release", "limits", "limits"]
    assert [str(one.kind) for one in entries] == kinds and entries[2].by == "QA" and entries[3].by == "Op"
    trail = trail_path(Bench(root=bench))
    trail.write_bytes(trail.read_bytes().replace(b"fan loose", b"fan fine!"))
    assert "not as it was written" in said("line", "show", cwd=bench, code=1)["error"]["what"]


def test_a_machine_with_other_parts_is_refused_until_somebody_says_why(bench: Path) -> None:
    said("line", "orders", "orders.csv", cwd=bench)
    (bench / "tree/proc").mkdir(parents=True)
    (bench / "tree/proc/meminfo").write_text("MemTotal:       16000000 kB\n", encoding="utf-8")
    context, root = Context(bench=find_bench(str(bench)), json=True), resolve_root(bench / "tree")
    words = argparse.Namespace(unit="0002", batch="w1", other_parts=None, by=None, by_itself=False)
    with pytest.raises(UsageError) as told:
        check_ordered_parts(words, context, root)
    assert told.value.what == "not the parts of order A1: memory is 15.3 GiB, ordered 32 GiB"
    assert "--other-parts" in told.value.mend
    words.other_parts = "half ordered later"
    check_ordered_parts(words, context, root)
    (entry,) = [one for one in read_trail(Bench(root=bench)) if one.kind is TrailKind.PARTS]
    assert (entry.by, entry.data["why"], entry.data["differs"][0]["part"]) == ("Op", "half ordered later", "memory")


@pytest.mark.parametrize(
    ("answers", "answered"),
    [
        (["s", "", "board-7"], ("u1", "board-7")),
        (["e"], ("u0", None)),
        (["o", "1", " SN0003 "], ("0003", None)),  # the first is no label of the form that bench.toml gives
    ],
)
def test_at_a_terminal_a_person_says_which_unit_it_is(
    bench: Path, answers: list[str], answered: tuple[str, str | None]
) -> None:
    unit = UnitToMeasure(unit="u1", batch="w1", board="b", recipe="r", rework=None)
    context = Context(bench=find_bench(str(bench)))
    found = ask_about_unit(FakeAsker(*answers), context, unit, UnitQuestion.OTHER_NAME, seen(1, "u0", "b"))
    assert (found.unit, found.rework) == answered
    with pytest.raises(KeyboardInterrupt):
        ask_about_unit(FakeAsker("n"), context, unit, UnitQuestion.AGAIN, seen(1, "u1"))
