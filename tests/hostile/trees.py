"""Kernel folders whose files hold what no kernel writes; one in some is run on, with a load that is a file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from tests.hostile.values import numbers, texts
from tests.hostile.watch import Place
from tests.sensor_tree import chip, lay

RUN = """
name = "two-seconds"
title = "Invented"
reference_ambient_c = 25.0
[sampling]
period_s = 0.2
[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0 }
stale_after_s = 1.0
[[stage]]
name = "load"
kind = "load"
[stage.load]
work = "linear-algebra"
pattern = "pulses"
on_s = 0.2
off_s = 0.2
count = 2
share = 1.0
workers = "quarter"
"""
TREE: dict[str, object] = {
    **chip(
        0,
        "k10temp",
        "pci0/0000:00:18.3",
        temp1_input=41000,
        temp1_label="Tctl",
        temp1_crit=95000,
        temp3_input=40000,
        temp3_label="Tccd1",
    ),
    **chip(
        1,
        "nct6775",
        "platform/nct6775.656",
        fan1_input=900,
        fan2_input=1200,
        pwm1=120,
        in0_input=1200,
        temp1_input=30000,
    ),
    "sys/class/thermal/thermal_zone0/type": "x86_pkg_temp",
    "sys/class/thermal/thermal_zone0/temp": 42000,
    "sys/class/thermal/thermal_zone0/trip_point_0_type": "critical",
    "sys/class/thermal/thermal_zone0/trip_point_0_temp": 100000,
    "sys/class/powercap/intel-rapl:0/name": "package-0",
    "sys/class/powercap/intel-rapl:0/energy_uj": 123456,
    "sys/class/powercap/intel-rapl:0/max_energy_range_uj": 262143328850,
    "sys/class/powercap/intel-rapl:0/constraint_0_power_limit_uw": 65000000,
    "sys/devices/system/cpu/cpu0/cpufreq/scaling_cur_freq": 3600000,
    "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor": "performance",
    "sys/devices/system/cpu/cpu0/thermal_throttle/core_throttle_count": 0,
    "sys/devices/system/cpu/cpu0/topology/core_id": 0,
    "sys/devices/system/cpu/online": "0-3",
    "sys/class/dmi/id/sys_vendor": "Example",
    "sys/class/dmi/id/product_name": "One",
    "proc/stat": "cpu  1 2 3 4 5 6 7 8 9 10\ncpu0 1 2 3 4 5 6 7 8 9 10",
    "proc/uptime": "100.0 50.0",
    "proc/cpuinfo": "model name : Example",
    "proc/meminfo": "MemTotal: 16000000 kB",
    "verifyrig/load": " " * 63,
}
_FILES = [name for name in TREE if "class/hwmon" not in name and not name.endswith("/device")]
_edits = st.one_of(
    st.tuples(st.just("text"), st.sampled_from(_FILES), st.one_of(numbers.map(str), texts, st.integers().map(str))),
    st.tuples(st.just("bytes"), st.sampled_from(_FILES), st.binary(max_size=30)),
    st.tuples(st.sampled_from(("pipe", "folder", "link", "ring", "gone")), st.sampled_from(_FILES), st.none()),
)
INPUTS = st.tuples(
    st.lists(_edits, min_size=1, max_size=4),
    st.sampled_from((("channels",), ("channels",), ("channels",), ("history",), ("run",))),
)


def attack(recipe: Any, place: Place) -> None:
    """Lay the tree, change its files, and list or run it."""
    edits, command = recipe
    root = lay(place.out / "root", TREE)
    for kind, name, value in edits:
        _edit(root / name, kind, value)
    if command == ("run",):
        (place.out / "two-seconds.toml").write_text(RUN, encoding="utf-8")
        place.call("run", "two-seconds.toml", "--root", str(root), "--ambient", "22", "--json", "--yes")
    else:
        place.call(*command, "--root" if command[0] == "channels" else str(root / "proc/uptime"), *_root(command, root))


def _root(command: tuple[str, ...], root: Path) -> list[str]:
    return [str(root), "--json"] if command[0] == "channels" else ["--json"]


def _edit(path: Path, kind: str, value: Any) -> None:
    if path.is_dir() or not os.path.lexists(path):
        return
    if kind in ("text", "bytes"):
        data = value if isinstance(value, bytes) else value.encode("utf-8", "replace") + b"\n"
        if path.is_file():
            path.write_bytes(data)
        return
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind in ("link", "ring"):
        path.symlink_to("/etc/passwd" if kind == "link" else path.name)
