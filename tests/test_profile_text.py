"""The profile's grammar is the one that the design fixes by example; each refusal names file, key path and remedy."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from verifyrig.core.errors import ProfileError
from verifyrig.core.pattern import pattern_duration_s
from verifyrig.core.profile import Stage, StageKind
from verifyrig.plan.text import parse_profile, profile_faults, recipe_digest

REPO = Path(__file__).resolve().parent.parent

# Written after the design's example, with every key that it shows.
EXAMPLE = """
name = "desktop-liquid"
title = "Desktop with a closed liquid cooler"
reference_ambient_c = 25.0

[sampling]
period_s = 1.0

[requires]
channels = ["die_temp_c"]
one_of = [["ambient_temp_c", "inlet_temp_c"]]

[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0, max_rate_k_per_s = 5.0 }
pump_speed_rpm = { min = 300.0, in = ["load"], optional = true }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
min_duration_s = 120
max_duration_s = 1200
settle = { channel = "die_temp_c", within_k = 1.0, slowest_time_constant_s = 400 }
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 55, count = 4, workers = "quarter" }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 1.0, workers = "all" }
min_duration_s = 300
max_duration_s = 1800
settle = { channel = "die_temp_c", within_k = 1.0, slowest_time_constant_s = 400 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 600

[[threshold]]
metric = "load.thermal_resistance"
max = 0.45
why = "what a sound cooler does"

[[caution]]
text = "The plate is hot."
"""


def with_change(old: str, new: str) -> str:
    assert EXAMPLE.count(old) >= 1, old
    return EXAMPLE.replace(old, new, 1)


def test_the_example_is_read_as_it_is_meant() -> None:
    profile = parse_profile(EXAMPLE, "desktop-liquid.toml")
    idle, pulses, load, cooldown = profile.stages
    assert idle.gate is not None and (idle.gate.max_c, idle.gate.max_rise_k) == (50.0, 25.0)
    assert idle.settle is not None and idle.settle.slowest_time_constant_s == 400.0
    assert pulses.load is not None
    assert (pulses.load.on_s, pulses.load.off_s, pulses.load.count, pulses.load.workers) == (5, 55, 4, "quarter")
    assert load.kind is StageKind.LOAD and (load.min_duration_s, load.max_duration_s) == (300.0, 1800.0)
    assert cooldown.load is None
    die, pump = profile.trip_limits
    assert (die.maximum, die.below_machine_limit_k, die.max_rate_k_per_s, die.optional) == (95.0, 3.0, 5.0, False)
    assert (pump.minimum, pump.stages, pump.optional) == (300.0, ("load",), True)
    assert profile.requires_one_of == (("ambient_temp_c", "inlet_temp_c"),)
    assert profile.cautions == ("The plate is hot.",)
    assert profile.text == EXAMPLE


def test_the_sentence_of_a_refusal_names_file_key_and_remedy() -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(with_change("min_duration_s = 120", "min_duration_s = -30"), "desktop-air.toml")
    assert str(caught.value) == (
        "desktop-air.toml, stage[1]: min_duration_s is -30, and must be above 0. "
        "Write the stage's shortest time in seconds."
    )


# (what is changed, into what, where the fault is, words that must be in it)
REFUSED = [
    ("reference_ambient_c", "reference_ambient", "p.toml", "reference_ambient_c?"),
    ("max_duration_s = 600", "max_duraton_s = 600", "p.toml, stage[4]", "max_duration_s?"),
    ("max_duration_s = 600", "", "p.toml, stage[4]", "no end"),
    ("max_duration_s = 1800", "", "p.toml, stage[3]", "no end"),
    ("max_duration_s = 1800", "max_duration_s = 100", "p.toml, stage[3]", "min_duration_s is 300"),
    ("max_duration_s = 1800", 'max_duration_s = "30 min"', "p.toml, stage[3]", "must be a number"),
    ("max_duration_s = 1800", "max_duration_s = inf", "p.toml, stage[3]", "must be a number"),
    ("max_duration_s = 1800", "max_duration_s = true", "p.toml, stage[3]", "must be a number"),
    ("period_s = 1.0", "period_s = nan", "p.toml, sampling", "must be a number"),
    ("period_s = 1.0", f"period_s = 1{'0' * 400}", "p.toml, sampling", "must be a number"),
    ("period_s = 1.0", "period_s = 4.0", "p.toml, trip", "stale_after_s is 3"),
    ("max = 95.0", "max = 95.0, min = 99.0", "p.toml, trip.die_temp_c", "min is 99 and max is 95"),
    (
        "{ max = 95.0, below_machine_limit_k = 3.0, max_rate_k_per_s = 5.0 }",
        "{}",
        "p.toml, trip.die_temp_c",
        "no limit",
    ),
    ("min = 300.0", "max_rate_k_per_s = 3.0", "p.toml, trip.pump_speed_rpm", "temperatures only"),
    ('in = ["load"]', 'in = ["lod"]', "p.toml, trip.pump_speed_rpm", "load?"),
    ("pump_speed_rpm", "pump_rpm", "p.toml, trip", "no channel"),
    ('channels = ["die_temp_c"]', 'channels = ["cpu_temp"]', "p.toml, requires", "no channel"),
    ('[["ambient_temp_c", "inlet_temp_c"]]', '["ambient_temp_c"]', "p.toml, requires", "list of lists"),
    ('settle = { channel = "die_temp_c"', 'settle = { channel = "dye_temp"', "p.toml, stage[1].settle", "no channel"),
    ('gate = { channel = "die_temp_c"', 'gate = { channel = "rail_12v_v"', "p.toml, stage[1].gate", "a temperature"),
    (", max = 50.0, max_rise_k = 25.0", "", "p.toml, stage[1].gate", "neither max nor max_rise_k"),
    ("max = 50.0", "max = 96.0", "p.toml, stage[1].gate", "trip limit of die_temp_c is 95"),
    ("within_k = 1.0, ", "", "p.toml, stage[1].settle", "within_k is missing"),
    ("on_s = 5, ", "", "p.toml, stage[2].load", "on_s is missing"),
    ("count = 4", "count = 4.5", "p.toml, stage[2].load", "whole number"),
    ('pattern = "pulses"', 'pattern = "steady"', "p.toml, stage[2].load", "does not go with"),
    ('pattern = "pulses"', 'pattern = "square"', "p.toml, stage[2].load", "steady, pulses, steps"),
    ("share = 1.0", "share = 1.5", "p.toml, stage[3].load", "at most 1"),
    ('workers = "all"', 'workers = "most"', "p.toml, stage[3].load", "all, quarter, in-turn"),
    ('share = 1.0, workers = "all"', "hold = {}", "p.toml, stage[3].load.hold", "exactly one"),
    (
        'share = 1.0, workers = "all"',
        "share = 1.0, hold = { power_w = 90 }",
        "p.toml, stage[3].load",
        "share and hold",
    ),
    ('share = 1.0, workers = "all"', "hold = { die_temp_c = 96 }", "p.toml, stage[3].load.hold", "trip limit"),
    ('work = "linear-algebra"', 'work = "linear-algbra"', "p.toml, stage[2].load", "linear-algebra?"),
    ('kind = "cooldown"', 'kind = "cool"', "p.toml, stage[4]", "cooldown?"),
    ('kind = "cooldown"', 'kind = "load"', "p.toml, stage[4]", "no load"),
    ('name = "pulses"\nkind = "load"', 'name = "pulses"\nkind = "idle"', "p.toml, stage[2]", "has no load"),
    ('name = "pulses"\nkind = "load"', 'name = "pulses"\nkind = "cooldown"', "p.toml, stage[2]", "has no load"),
    ('name = "pulses"', 'name = "idle"', "p.toml, stage[2]", "there twice"),
    ('name = "pulses"', 'name = "my pulses"', "p.toml, stage[2]", "small letters"),
    ('name = "pulses"', 'name = "cooldown"', "p.toml, stage[2]", "name of its own"),
    ("load.thermal_resistance", "loads.thermal_resistance", "p.toml, threshold[1]", "load?"),
    ("load.thermal_resistance", "load.thermal_resistanse", "p.toml, threshold[1]", "thermal_resistance?"),
    ("load.thermal_resistance", "load.cpu_temp.peak", "p.toml, threshold[1]", "no channel"),
    ("load.thermal_resistance", "load.die_temp_c.mean", "p.toml, threshold[1]", "which it has not"),
    ("max = 0.45", "", "p.toml, threshold[1]", "neither min nor max"),
    ("max = 0.45", "max = 0.45\nmin = 0.5", "p.toml, threshold[1]", "below the max"),
    (
        'metric = "load.thermal_resistance"\nmax = 0.45',
        'metric = "load.die_temp_c.peak"\nmax = 97.0',
        "p.toml, threshold[1]",
        "above the trip limit",
    ),
    (
        'metric = "load.thermal_resistance"\nmax = 0.45',
        'metric = "load.pump_speed_rpm.min"\nmin = 200.0',
        "p.toml, threshold[1]",
        "below the trip limit",
    ),
    ("[[caution]]\ntext", "[[caution]]\ntxt", "p.toml, caution[1]", "text?"),
    ('name = "desktop-liquid"', 'name = "../desktop"', "p.toml", "small letters"),
    ('name = "desktop-liquid"', "", "p.toml", "name is missing"),
    ("reference_ambient_c = 25.0", "blind_load_s = 31", "p.toml", "at most 30"),
    ("reference_ambient_c = 25.0", 'on_conditional = "maybe"', "p.toml", "ask, repeat, reject"),
    ("die_temp_c = { max = 95.0, below_machine_limit_k = 3.0, max_rate_k_per_s = 5.0 }", "", "p.toml, trip", "no temp"),
]


@pytest.mark.parametrize(("old", "new", "where", "words"), REFUSED, ids=[f"{row[1][:40]!r}" for row in REFUSED])
def test_what_cannot_be_meant_is_refused_with_its_place(old: str, new: str, where: str, words: str) -> None:
    faults = profile_faults(with_change(old, new), "p.toml")
    assert where in [fault.where for fault in faults]
    assert any(words in str(fault) for fault in faults if fault.where == where), [str(fault) for fault in faults]
    assert all(fault.mend and not fault.what.endswith(".") for fault in faults)


def test_a_single_slip_gives_a_single_fault() -> None:
    for old, new in (
        ("on_s = 5, ", ""),
        ("max_duration_s = 600", "max_duraton_s = 600\nmax_duration_s = 600"),
        ("min_duration_s = 300", "min_duration_s = 3000"),
        ('pattern = "pulses"', 'pattern = "pulse"'),
    ):
        faults = profile_faults(with_change(old, new), "p.toml")
        assert len(faults) == 1, [str(fault) for fault in faults]


def test_all_faults_of_a_file_are_found_at_once() -> None:
    text = with_change("max = 95.0", "max = 950000.0, mx = 1").replace("within_k = 1.0", "within_k = 0")
    text = text.replace("max_duration_s = 600", "").replace("load.thermal", "lod.thermal")
    places = [fault.where.removeprefix("p.toml, ") for fault in profile_faults(text, "p.toml")]
    slips = ["stage[1].settle", "stage[3].settle", "stage[4]", "trip.die_temp_c", "threshold[1]"]
    assert places == [*slips, "trip.die_temp_c"]  # the last: a limit of 950 000 °C


@pytest.mark.parametrize(
    ("text", "words"),
    [("name = ", "not valid TOML"), ("a = " + "[" * 3000 + "]" * 3000, "nested"), ("", "no stage")],
)
def test_text_that_is_no_profile_at_all_is_refused(text: str, words: str) -> None:
    assert any(words in str(fault) for fault in profile_faults(text, "p.toml"))


def test_steps_are_a_pattern_with_an_end_of_their_own() -> None:
    steps = 'load = { work = "mixed", pattern = "steps", shares = [0.25, 0.5, 1.0], step_s = 120 }'
    start = EXAMPLE.index("load = { work", EXAMPLE.index('name = "load"'))
    end = EXAMPLE.index("[[stage]]", start)
    profile = parse_profile(EXAMPLE[:start] + steps + "\n\n" + EXAMPLE[end:], "p.toml")
    stage = profile.stage("load")
    assert stage is not None and stage.load is not None and stage.load.shares == (0.25, 0.5, 1.0)
    faults = profile_faults(EXAMPLE[:start] + steps.replace("0.5", "5") + "\n\n" + EXAMPLE[end:], "p.toml")
    assert [fault.where for fault in faults] == ["p.toml, stage[3].load"]


def test_the_recipe_is_of_stages_and_loads_alone() -> None:
    recipe = parse_profile(EXAMPLE, "a").recipe
    for old, new in (
        ("max = 0.45", "max = 0.60"),
        ("max = 95.0", "max = 90.0"),
        ("max = 50.0", "max = 48.0"),
        ('name = "desktop-liquid"', 'name = "other"'),
        ("on_s = 5", "on_s = 5.0"),
        ('share = 1.0, workers = "all"', 'workers = "all"'),
    ):
        assert parse_profile(with_change(old, new), "a").recipe == recipe, new
    for old, new in (
        ("count = 4", "count = 5"),
        ('share = 1.0, workers = "all"', 'share = 0.9, workers = "all"'),
        ("max_duration_s = 1800", "max_duration_s = 1801"),
        ("within_k = 1.0", "within_k = 0.5"),
    ):
        assert parse_profile(with_change(old, new), "a").recipe != recipe, new
    assert recipe_digest(()) != recipe and len(recipe) == 16


def longest_s(stage: Stage) -> float:
    pattern_s = pattern_duration_s(stage.load) if stage.load is not None else math.inf
    return min(stage.max_duration_s or math.inf, pattern_s)


SHIPPED = sorted((REPO / "profiles").glob("*.toml"))


@pytest.mark.parametrize("path", SHIPPED, ids=[path.stem for path in SHIPPED])
def test_shipped_profiles_are_sound_and_give_their_reasons(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    profile = parse_profile(text, path.name)
    assert profile.name == path.stem and profile.cautions
    assert all(threshold.why for threshold in profile.thresholds)
    assert all(limit.why for limit in profile.trip_limits)
    for line in (line for line in text.splitlines() if "blind_load_s" in line):
        assert "#" in line


def test_the_seven_profiles_are_shipped_and_desktops_share_one_recipe() -> None:
    known = {path.stem: parse_profile(path.read_text(encoding="utf-8"), path.name) for path in SHIPPED}
    wanted = {"quick-look", "desktop-air", "desktop-liquid", "small-form", "laptop", "soak", "pulses-only"}
    assert wanted <= set(known)
    assert known["desktop-air"].recipe == known["desktop-liquid"].recipe == known["small-form"].recipe
    assert known["quick-look"].blind_load_s == 20
    assert sum(longest_s(stage) for stage in known["quick-look"].stages) == 180


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.lists(st.integers(), max_size=2)
)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_junk_in_any_place_gives_faults_and_never_a_traceback(data: st.DataObject) -> None:
    tree = tomllib.loads(EXAMPLE)
    node: object = tree
    while True:
        if isinstance(node, dict):
            key = data.draw(st.sampled_from(sorted(node)))
            if isinstance(node[key], dict | list) and data.draw(st.booleans()):
                node = node[key]
                continue
            value = data.draw(JUNK)
            if value is None:
                del node[key]
            else:
                node[key] = value
        elif isinstance(node, list) and node and isinstance(node[0], dict):
            node = data.draw(st.sampled_from(node))
            continue
        break
    text = tomli_w.dumps(tree)
    faults = profile_faults(text, "p.toml")
    assert all(isinstance(fault, ProfileError) and fault.where.startswith("p.toml") for fault in faults)
    if not faults:
        parse_profile(text, "p.toml")
