"""Real is told from simulated by where a root leads to, and not by how it is spelt."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from mock_hw.bench import SimulatedBench
from verifyrig.bench.folder import find_bench
from verifyrig.commands import Context
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.commands.run_request import request_from
from verifyrig.core.errors import RigError

REPO = Path(__file__).resolve().parent.parent

# A short blind load that nobody needs to answer for: the machine that runs the tests may show no temperature.
GENTLE = """
name = "gentle"
title = "A short load that nobody needs to answer for"
blind_load_s = 30

[sampling]
period_s = 0.2

[trip]
die_temp_c = { max = 90.0, optional = true }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.4

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 0.6, off_s = 1.2, count = 1, share = 0.25, workers = 1 }
"""

HEAVY = """
name = "heavy"
title = "A load before which people are asked"
blind_load_s = 30

[trip]
die_temp_c = { max = 90.0, optional = true }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 1.0, workers = "all" }
max_duration_s = 20
"""


def roots_that_lead_home(folder: Path) -> dict[str, str]:
    """Return spellings of the root of this system, by what they are."""
    (folder / "link").symlink_to("/")
    (folder / "far" / "down").mkdir(parents=True)
    (folder / "far" / "link").symlink_to("../link/proc/..")
    up = "/".join([".."] * len(folder.parts))
    return {
        "double slash": "//",
        "folder and dots": "/tmp/..",
        "dots from deep": f"{folder}/far/down/../../{up}",
        "relative": os.path.relpath("/"),
        "link": str(folder / "link"),
        "link to a link": str(folder / "far" / "link"),
        "the process's own root": "/proc/self/root",
        "the root by the parent's entry": f"/proc/{os.getppid()}/root/.",
    }


ROOTS = (
    "double slash",
    "folder and dots",
    "dots from deep",
    "relative",
    "link",
    "link to a link",
    "the process's own root",
    "the root by the parent's entry",
)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for text, name in ((GENTLE, "gentle.toml"), (HEAVY, "heavy.toml")):
        (tmp_path / name).write_text(text)
    (tmp_path / "bench.toml").write_text("")
    return tmp_path


def asked_before(bench: Path, *words: str) -> Any:
    """Return why the heavy load must not start, as nobody is there who answers; or the error that says so."""
    parser, _ = command_parser("run")
    args = parser.parse_args([str(bench / "heavy.toml"), "--yes", "--json", "--bench", str(bench), *words])
    try:
        return list(request_from(args, Context(bench=find_bench(str(bench)), json=True)).refusals)
    except RigError as error:
        # It shows the line with the time until which answers hold, which moves on meanwhile.
        return re.sub(r"\d{4}-\d\d-\d\dT[\d:]+", "", str(error))


@pytest.mark.skipif(sys.platform != "linux", reason="/proc of Linux")
@pytest.mark.parametrize("root", ROOTS)
def test_a_root_that_ends_at_the_system_is_asked_for_like_the_system(root: str, bench: Path) -> None:
    here = asked_before(bench)
    assert here  # nobody answered: the machine itself gets no heavy load
    assert asked_before(bench, "--root", roots_that_lead_home(bench)[root]) == here


def test_a_tree_of_another_machine_asks_nobody(bench: Path) -> None:
    with SimulatedBench("healthy-air", 0, bench / "tree"):
        assert asked_before(bench, "--root", str(bench / "tree")) == []


@pytest.mark.usefixtures("machine_for_itself")
@pytest.mark.skipif(sys.platform != "linux", reason="/proc of Linux")
@pytest.mark.parametrize("root", ["folder and dots", "link", "the process's own root"])
def test_a_run_on_the_system_by_another_path_is_recorded_as_real(
    root: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = roots_that_lead_home(bench)[root]
    run(["run", str(bench / "gentle.toml"), "--yes", "--json", "--bench", str(bench), "--root", path])
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert answer["outcome"] == "completed", err
    assert answer["simulated"] is False
    assert "Simulated hardware" not in err


def test_a_run_on_a_tree_is_recorded_as_simulated(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SimulatedBench("healthy-air", 0, bench / "tree"):
        words = ["--root", str(bench / "tree" / "sys" / "..")]
        run(["run", str(bench / "gentle.toml"), "--yes", "--json", "--bench", str(bench), *words])
    out, err = capsys.readouterr()
    assert json.loads(out)["simulated"] is True, err
    assert "Simulated hardware: no real load is started." in err


@pytest.mark.skipif(sys.platform != "linux", reason="/proc of Linux")
@pytest.mark.parametrize("root", ROOTS)
def test_a_list_of_channels_says_whose_they_are(root: str, bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(["channels", "--root", roots_that_lead_home(bench)[root], "--bench", str(bench)])
    assert "simulated hardware" not in capsys.readouterr().out


def test_the_system_under_another_mount_point_is_the_system(bench: Path) -> None:
    unshare, mount = shutil.which("unshare"), shutil.which("mount")
    if unshare is None or mount is None:
        pytest.skip("no unshare or mount here")
    (bench / "again").mkdir()
    ask = (
        "import sys; from pathlib import Path; from verifyrig.system.machine import is_live; "
        "print(is_live(Path(sys.argv[1])))"
    )
    script = f'{mount} --rbind / "$0" || exit 99; exec {sys.executable} -c "$1" "$0"'
    words = [unshare, "--user", "--map-root-user", "--mount", "sh", "-c", script, str(bench / "again"), ask]
    done = subprocess.run(
        words, capture_output=True, text=True, timeout=60, env={**os.environ, "PYTHONPATH": str(REPO)}, check=False
    )
    if done.returncode != 0:
        pytest.skip(f"no mount namespace here: {done.stderr.strip()[:200]}")
    assert done.stdout.strip() == "True"


@pytest.mark.parametrize("command", ["run", "channels"])
@pytest.mark.parametrize("root", ["no-such-folder", "bench.toml", "turning", "no\0name"])
def test_a_root_that_is_no_folder_is_told_in_one_line(
    command: str, root: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "turning").symlink_to("turning")
    words = [str(bench / "gentle.toml")] if command == "run" else []
    code = run([command, *words, "--root", str(bench / root), "--json", "--bench", str(bench)])
    error = json.loads(capsys.readouterr().out)["error"]
    assert (code, error["mend"]) == (2, "Name a folder that holds sys and proc.")


@pytest.mark.parametrize(
    ("supplies", "expected"),
    [
        ({}, None),
        ({"BAT0": ("Battery", None)}, None),
        ({"AC": ("Mains", "1"), "BAT0": ("Battery", None)}, "on"),
        ({"AC": ("Mains", "0"), "BAT0": ("Battery", None)}, "off"),
        ({"AC": ("Mains", "0"), "ucsi": ("USB", "1")}, "on"),
    ],
)
def test_where_the_power_comes_from_is_told(
    supplies: dict[str, tuple[str, str | None]], expected: str | None, tmp_path: Path
) -> None:
    # Linux, Documentation/ABI/testing/sysfs-class-power: type and online of each supply.
    for name, (kind, online) in supplies.items():
        folder = tmp_path / "sys/class/power_supply" / name
        folder.mkdir(parents=True)
        (folder / "type").write_text(kind + "\n")
        if online is not None:
            (folder / "online").write_text(online + "\n")
    from verifyrig.system.mains import mains_of

    assert mains_of(tmp_path) == expected
