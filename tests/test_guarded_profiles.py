"""No profile that passes `profile check` runs unguarded: as it is written, and on the machine at hand."""

from __future__ import annotations

import json
import math
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from mock_hw.bench import SimulatedBench
from tests.silent import Silent
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run as run_command
from verifyrig.core.ceilings import ceiling_c
from verifyrig.core.channels import TEMPERATURES
from verifyrig.core.errors import ProfileError, SensorError
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import LoadPattern, LoadPlan, WorkName
from verifyrig.plan.text import parse_profile, profile_faults
from verifyrig.record import read_trace
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunDone, RunRequest
from verifyrig.rig.runner import Ambient

REPO = Path(__file__).resolve().parent.parent

SOUND = """
name = "shop"
title = "A shop's own"
reference_ambient_c = 25.0

[sampling]
period_s = 1.0

[trip]
die_temp_c = { max = 90.0 }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 20

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 15, count = 4, workers = "quarter" }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", workers = "all" }
max_duration_s = 60
"""


def changed(*changes: tuple[str, str]) -> str:
    text = SOUND
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


DIE = "die_temp_c = { max = 90.0 }"
PULSE = "on_s = 5, off_s = 15, count = 4"
HEAD = "reference_ambient_c = 25.0"
SLOW = [("stale_after_s = 3.0", "stale_after_s = 60"), ("period_s = 1.0", "period_s = 10")]
STEADY = 'pattern = "steady", workers = "all"'

# (changes to a sound profile, where the fault is, words that must be in it)
REFUSED: list[tuple[list[tuple[str, str]], str, str]] = [
    ([(DIE, 'die_temp_c = { max = 90.0, in = ["pulses"] }')], "trip", 'stage "load"'),
    ([(DIE, 'die_temp_c = { max = 90.0, in = ["idle"] }')], "trip", 'add "pulses"'),
    ([(DIE, "die_temp_c = { max_rate_k_per_s = 5.0 }")], "trip", "die_temp_c = { max = 95 }"),
    ([(DIE, "die_2_temp_c = { max = 90.0 }")], "trip", "no temperature limit on die_temp_c"),
    ([(DIE, "vrm_temp_c = { max = 110.0 }")], "trip", "no temperature limit on die_temp_c"),
    ([(DIE, "gpu_temp_c = { max = 85.0 }")], "trip", "no temperature limit on die_temp_c"),
    ([('linear-algebra", pattern = "steady"', 'gpu-and-processor", pattern = "steady"')], "trip", "gpu_"),
    ([("max = 90.0", "max = 950")], "trip.die_temp_c", "Write max = 105 or less"),
    ([("max = 90.0", "max = 1e308")], "trip.die_temp_c", "max is 1e+308"),
    ([(DIE, DIE + "\nvrm_temp_c = { max = 150.0, optional = true }")], "trip.vrm_temp_c", "above 120 °C"),
    ([(DIE, DIE + "\ncoolant_temp_c = { max = 90.0 }")], "trip.coolant_temp_c", "above 65 °C"),
    (SLOW, "trip", "stale_after_s is 60"),
    (SLOW, "sampling", "period_s is 10"),
    ([(PULSE, "on_s = 100000, off_s = 15, count = 4")], "stage[2].load", "on_s is 100000"),
    ([("max_duration_s = 60", "max_duration_s = 100000")], "stage[3]", "ask_presence_every_s"),
    # Blind loads: where no limit is written, all of them together must fit.
    ([(HEAD, "blind_load_s = 20"), (DIE, "")], "trip", 'stage "pulses" heats'),
    (
        [(HEAD, "blind_load_s = 20"), (DIE, ""), (STEADY, 'pattern = "pulses", on_s = 10, off_s = 5, count = 1')],
        "trip",
        "no temperature limit on die_temp_c",
    ),
    ([('linear-algebra", pattern = "steady"', 'storage", pattern = "steady"')], "trip", "drive_temp_c"),
    # From outside: a probe on the thermal path, not the room's.
    (
        [('algebra", pattern = "steady"', 'algebra", pattern = "steady"'), (DIE, "ambient_temp_c = { max = 40.0 }")],
        "trip",
        "die_temp_c",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "where", "words"), REFUSED, ids=[row[0][-1][1][:40] + row[1] for row in REFUSED])
def test_what_would_heat_unguarded_is_refused_with_the_line_to_change(
    changes: list[tuple[str, str]], where: str, words: str
) -> None:
    faults = profile_faults(changed(*changes), "shop.toml")
    found = [str(fault) for fault in faults if fault.where == f"shop.toml, {where}"]
    assert any(words in sentence for sentence in found), [str(fault) for fault in faults]


OUTSIDE = """
name = "outside"
title = "A load of the machine's own"

[trip]
plate_temp_c = { max = 75.0, optional = true }
stale_after_s = 10.0

[[stage]]
name = "load"
kind = "load"
load = { work = "external", pattern = "steady" }
max_duration_s = 600
"""


def test_a_load_from_outside_is_guarded_by_a_probe_on_the_path_of_its_heat() -> None:
    assert profile_faults(OUTSIDE, "o.toml") == []
    for probe in ("ambient_temp_c = { max = 40.0 }", "board_temp_c = { max = 70.0 }", "rail_12v_v = { min = 11.0 }"):
        (fault,) = profile_faults(OUTSIDE.replace("plate_temp_c = { max = 75.0, optional = true }", probe), "o.toml")
        assert fault.where == "o.toml, trip" and "path of its heat" in fault.what
    (late,) = profile_faults(OUTSIDE.replace("stale_after_s = 10.0", "stale_after_s = 11.0"), "o.toml")
    assert "stale_after_s is 11" in late.what


def test_a_sound_profile_and_its_blind_form_pass() -> None:
    assert profile_faults(SOUND, "shop.toml") == []
    load_at = SOUND.index('[[stage]]\nname = "load"')
    blind = SOUND[:load_at].replace(HEAD, "blind_load_s = 20").replace(DIE, "")
    assert profile_faults(blind, "shop.toml") == []


@pytest.mark.parametrize("path", sorted((REPO / "profiles").glob("*.toml")), ids=lambda path: path.stem)
def test_every_shipped_profile_is_guarded(path: Path) -> None:
    assert profile_faults(path.read_text(encoding="utf-8"), path.name) == []


def test_check_ends_with_2_and_names_the_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "shop.toml"
    file.write_text(changed(("max = 90.0", "max = 950")), encoding="utf-8")
    assert run_command(["profile", "check", str(file)]) == 2
    assert run_command(["run", str(file), "--mock", "healthy-air", "--yes", "--bench", str(tmp_path), "--json"]) == 2
    error = json.loads(capsys.readouterr().out.splitlines()[-1])["error"]
    assert error["where"] == "shop.toml, trip.die_temp_c" and error["mend"] == "Write max = 105 or less."
    assert not list(tmp_path.glob("runs/*"))


def test_every_temperature_of_the_contract_has_a_ceiling_and_numbered_ones_share_it() -> None:
    ceilings = {channel: ceiling_c(channel) for channel in TEMPERATURES}
    assert None not in ceilings.values()
    # Kernel document hwmon/coretemp: TjMax of its table lies from 85 to 105 °C.
    assert ceilings["die_temp_c"] == 105.0 == ceiling_c("die_2_temp_c")
    # Data sheet TPS40425: a controller of regulators shuts at 125 °C by default; below that a limit may lie.
    assert 110.0 <= (ceilings["vrm_temp_c"] or math.nan) < 125.0
    assert ceiling_c("rail_12v_v") is None


# Common practice, no source: what needs nobody's answer is a pulse of 5 s on a quarter with a rest twice as long.
@pytest.mark.parametrize(
    ("on_s", "off_s", "gentle"), [(5, 15, True), (5, 10, True), (12, 48, False), (5, 1, False), (100000, 200000, False)]
)
def test_a_pulse_needs_nobodys_answer_only_where_it_is_short_and_pauses(
    on_s: float, off_s: float, gentle: bool
) -> None:
    plan = LoadPlan(
        work=WorkName.LINEAR_ALGEBRA, pattern=LoadPattern.PULSES, on_s=on_s, off_s=off_s, count=3, workers="quarter"
    )
    assert is_gentle(plan) is gentle


def test_a_record_of_a_profile_that_would_be_refused_today_is_still_read() -> None:
    text = changed(("max = 90.0", "max = 950"))
    with pytest.raises(ProfileError):
        parse_profile(text, "shop.toml")
    assert parse_profile(text, "shop.toml", recorded=True).name == "shop"


# ---- on the machine at hand ---------------------------------------------------------------------------------


class _Lacking(SimulatedBench):
    """A machine whose die sensors lack some of their files."""

    def __init__(self, *words: Any, lacks: tuple[str, ...], **named: Any) -> None:
        super().__init__(*words, **named)
        files = [*self.root.glob("sys/devices/platform/coretemp.0/hwmon/*/temp*_*")]
        files += self.root.glob("sys/devices/virtual/thermal/thermal_zone0/temp")
        for path in (path for path in files if path.name.endswith(lacks)):
            path.unlink()


STATES_NO_LIMIT = ("_crit", "_max")
SHOWS_NO_DIE = ("_input", "temp")
BELOW_ONLY = changed((DIE, "die_temp_c = { below_machine_limit_k = 3.0 }"))


def on_machine(text: str, folder: Path, *lacks: str, **more: Any) -> RunDone:
    """Run a plan, as it is, on a typical machine that lacks some files."""
    request = RunRequest(
        profile=parse_profile(text, "shop.toml", recorded=True),
        purpose="check",
        mock=("healthy-air", 0),
        ambient=Ambient(value_c=22.0, u95_k=0.5),
        **more,
    )
    with mock.patch("mock_hw.bench.SimulatedBench", partial(_Lacking, lacks=lacks)):
        return run(request, Bench(root=folder), Silent())


def test_a_distance_to_a_limit_that_the_machine_does_not_state_is_refused_before_heat(tmp_path: Path) -> None:
    assert profile_faults(BELOW_ONLY, "shop.toml") == []
    with pytest.raises(ProfileError) as refused:
        on_machine(BELOW_ONLY, tmp_path, *STATES_NO_LIMIT)
    assert refused.value.exit_code == 2
    assert refused.value.where == "profile shop, trip.die_temp_c"
    assert "states no limit of its own for die_temp_c" in refused.value.what
    assert "die_temp_c = { max = 95, below_machine_limit_k = 3 }" in refused.value.mend
    optional = BELOW_ONLY.replace("3.0 }", "3.0, optional = true }")
    with pytest.raises(ProfileError):
        on_machine(optional, tmp_path, *STATES_NO_LIMIT)
    assert not list(tmp_path.glob("runs/*"))


def test_the_same_profile_runs_guarded_where_the_machine_states_its_limit(tmp_path: Path) -> None:
    done = on_machine(BELOW_ONLY, tmp_path)
    assert done.end is not None and done.end.outcome == "completed"
    assert read_trace(done.record).facts["not_armed"] == []


def test_a_run_checks_again_whatever_the_profile_was_read_by(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="above 105 °C guards nothing"):
        on_machine(changed(("max = 90.0", "max = 950")), tmp_path)
    assert not list(tmp_path.glob("runs/*"))


def test_a_limit_on_another_part_does_not_stand_for_that_of_a_die_which_shows_nothing(tmp_path: Path) -> None:
    text = changed((DIE, "die_temp_c = { max = 90.0, optional = true }\nvrm_temp_c = { max = 110.0 }"))
    with pytest.raises(SensorError, match=r"die_temp_c.* does not load without one"):
        on_machine(text, tmp_path, *SHOWS_NO_DIE)
    assert not list(tmp_path.glob("runs/*"))


def test_blind_loads_of_all_stages_together_last_no_longer_than_the_profile_allows(tmp_path: Path) -> None:
    more = """
[[stage]]
name = "again"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 15, count = 4, workers = "quarter" }
"""
    text = changed((HEAD, "blind_load_s = 30"), (DIE, "die_temp_c = { max = 90.0, optional = true }"))
    text = text[: text.index('[[stage]]\nname = "load"')] + more + more.replace("again", "once-more")
    done = on_machine(text, tmp_path, *SHOWS_NO_DIE, may_load_blind=lambda: True)
    trace = read_trace(done.record)
    steps = [(event.t_s, event.detail["share"]) for event in trace.events if event.kind == "load"]
    on_s = sum(steps[i + 1][0] - t_s for i, (t_s, share) in enumerate(steps[:-1]) if share > 0)
    assert trace.facts["blind"] and on_s == pytest.approx(30.0)
    assert [stage.ended for stage in trace.stages] == ["time", "time", "time", "skipped"]


def test_a_load_that_is_left_out_needs_no_guard(tmp_path: Path) -> None:
    text = changed((DIE, "die_temp_c = { max = 90.0, optional = true }"))
    pulses_at, load_at = text.index('[[stage]]\nname = "pulses"'), text.index('[[stage]]\nname = "load"')
    heavy = text[:pulses_at] + text[load_at:]
    with pytest.raises(SensorError):
        on_machine(heavy, tmp_path, *SHOWS_NO_DIE)
    done = on_machine(heavy, tmp_path, *SHOWS_NO_DIE, no_load=True)
    assert done.end is not None and not read_trace(done.record).facts["blind"]
