"""A profile asks for nothing that its own stages cannot give, and the shipped ones can be passed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from verifyrig.analysis import compare, judge_thresholds, metrics_of
from verifyrig.commands.cli import run
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import share_at
from verifyrig.core.profile import LoadPattern, Profile
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict
from verifyrig.plan.feeding import shortest_s
from verifyrig.plan.text import parse_profile, profile_faults

SHIPPED = sorted((Path(__file__).resolve().parent.parent / "profiles").glob("*.toml"))
ON_GRAPHICS = "graphics.toml"


def shipped(name: str) -> str:
    return next(path for path in SHIPPED if path.name == name).read_text(encoding="utf-8")


def asking(metric: str, name: str = "desktop-air.toml", limit: str = "max = 1.0") -> str:
    return shipped(name) + f'\n[[threshold]]\nmetric = "{metric}"\n{limit}\nwhy = "Invented."\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (asking("idle.throttle_share"), 'stage "idle" has no load'),
        (asking("cooldown.compute_errors"), 'stage "cooldown" has no load'),
        (asking("cooldown.thermal_resistance"), "no steady flow of heat"),
        (asking("idle.thermal_impedance_5s"), "no step of power"),
        (asking("pulses.die_temp_c.settled"), "pulses never settle"),
        (asking("pulses.thermal_resistance"), "pulses never settle"),
        (asking("load.gpu_thermal_resistance"), "no load on the card"),
        (asking("load.gpu_thermal_impedance_5s"), "no load on the card"),
        (asking("load.gpu_heat_limited_share.mean"), "no load on the card"),
        (asking("processor-pulses.gpu_thermal_impedance_5s", "graphics-and-processor.toml"), "no load on the card"),
        (asking("load.thermal_resistance_plate_to_die"), "die → plate → coolant"),
        (asking("load.thermal_resistance_die_to_fins"), "die → plate → coolant"),
        (asking("load.pump_duty_share.mean"), "no figure of its own"),
        (asking("load.compute_errors", "outside-probe.toml"), "nobody counts"),
        (asking("load.work_rate_kept_share", "outside-probe.toml"), "nobody counts"),
        (
            shipped(ON_GRAPHICS).replace("min_duration_s = 60\n", "min_duration_s = 12\n"),
            'it needs 21 s, and stage "load" may be over after 12 s',
        ),
        (shipped("quick-look.toml").replace("idle.die_temp_c.peak", "pulses.work_rate_kept_share"), None),
        (asking("cooldown.die_temp_c.rate"), None),
        (asking("load.core_clock_mhz.min"), None),
        (asking("load.busy_share.mean"), None),
        (asking("load.thermal_resistance_plate_to_room"), None),
        (asking("idle.thermal_resistance"), None),
        (asking("cooldown.thermal_impedance_60s"), None),
        (asking("load.gpu_thermal_resistance_hotspot_to_chip", ON_GRAPHICS), None),
        (asking("cooldown.gpu_thermal_impedance_60s", ON_GRAPHICS), None),
    ],
)
def test_a_threshold_that_no_run_can_feed_is_named_with_its_reason(text: str, words: str | None) -> None:
    found = profile_faults(text, "p.toml")
    if words is None:
        assert found == []
    else:
        assert len(found) == 1 and "p.toml, threshold[" in found[0].where and words in found[0].what and found[0].mend


def test_a_step_needs_a_rest_that_is_certain_to_lie_before_it() -> None:
    text = asking("pulses.thermal_impedance_5s").replace("min_duration_s = 120\n", "min_duration_s = 5\n", 1)
    (fault,) = profile_faults(text, "p.toml")
    assert "needs 20 s before it, and may have 5 s" in fault.what
    assert profile_faults(asking("pulses.thermal_impedance_5s"), "p.toml") == []


def test_check_ends_with_2_and_a_recorded_profile_is_still_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "p.toml"
    path.write_text(asking("idle.throttle_share"), "utf-8")
    assert run(["profile", "check", str(path)]) == 2
    assert "no run can give idle.throttle_share" in capsys.readouterr().out
    assert parse_profile(asking("idle.throttle_share"), "p.toml", recorded=True).name == "desktop-air"


# ---- a sound machine passes every shipped profile


def sound_run(profile: Profile, step_s: float = 10.0) -> Trace:
    """The run of a sound machine that shows every channel the thresholds name; each stage is as short as it may be.

    A load that climbs stays `step_s` at each share below its full one.
    """
    times, shares, working, spans, ambient = [], [], [], [], 22.0
    events: list[Event] = []
    start_s = 0.0
    for stage in profile.stages:
        # A stage with a settling rule ends where its value is known: here after ten time constants of the machine.
        length_s = max(shortest_s(stage), 89.0 if stage.settle is not None else 0.0)
        climb_s = 3 * step_s if stage.load and stage.load.pattern == LoadPattern.CLIMB else 0.0
        length_s += climb_s
        t = np.arange(0.0, length_s, profile.period_s)
        share = np.array([climbed(s, step_s) if climb_s else share_at(stage.load, s) if stage.load else 0.0 for s in t])
        ended = StageEnd.SETTLED if stage.settle is not None else StageEnd.TIME
        spans.append(
            StageSpan(name=stage.name, kind=stage.kind, start_s=start_s, end_s=start_s + length_s - 1e-6, ended=ended)
        )
        told = 0.0 if not events else float(events[-1].detail["share"])
        for at, now in zip(t.tolist(), share.tolist(), strict=True):
            if now != told:
                events.append(Event(t_s=start_s + at, kind="load", detail={"share": now}))
                told = now
        times.append(start_s + t)
        shares.append(share)
        working.append(np.full(len(t), stage.load is not None))
        start_s += length_s
    t_s, share, ours = np.concatenate(times), np.concatenate(shares), np.concatenate(working)
    columns = {
        "load_share": share,
        "ambient_temp_c": np.full_like(t_s, ambient),
        "inlet_temp_c": np.full_like(t_s, ambient),
    }
    for part, power in (("die_temp_c", "package_power_w"), ("gpu_temp_c", "gpu_power_w")):
        columns[power] = 15.0 + 60.0 * share
        columns[part] = warmed(t_s, columns[power], ambient, profile.period_s)
    columns["work_rate_per_s"] = np.where(ours, 200.0 * share, np.nan)
    columns["compute_errors"] = np.where(ours, 0.0, np.nan)
    columns["rail_12v_v"] = 12.05 - 0.1 * share
    noise = np.random.default_rng(1)
    for name in ("die_temp_c", "gpu_temp_c", "package_power_w", "gpu_power_w", "work_rate_per_s"):
        columns[name] = columns[name] * (1 + 0.002 * noise.standard_normal(len(t_s)))
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"outcome": "completed", "purpose": "check"},
        profile=profile,
        stages=tuple(spans),
        t_s=t_s,
        utc_s=t_s + 1.9e9,
        columns=columns,
        events=tuple(events),
    )


def climbed(t_s: float, step_s: float) -> float:
    """Return the share of a load that climbs in four steps."""
    return min(1.0, 0.25 * (1 + t_s // step_s))


def warmed(t_s: FloatArray, power_w: FloatArray, ambient_c: float, period_s: float) -> FloatArray:
    """Return a part that goes with one time constant of 9 s to 0.3 K/W above the room: a lumped body, closed form."""
    keep = float(np.exp(-period_s / 9.0))
    temp_c, found = ambient_c + 0.3 * power_w[0], []
    for watts in power_w.tolist():
        temp_c = ambient_c + 0.3 * watts + (temp_c - ambient_c - 0.3 * watts) * keep
        found.append(temp_c)
    return np.array(found)


@pytest.mark.parametrize("path", SHIPPED, ids=[path.stem for path in SHIPPED])
def test_a_sound_machine_passes_every_limit_of_a_shipped_profile(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert profile_faults(text, path.name) == []
    trace = sound_run(parse_profile(text, path.name))
    results = judge_thresholds(trace, metrics_of(trace))
    assert {result.metric: (result.verdict, [str(why) for why in result.why]) for result in results} == {
        result.metric: (Verdict.PASS, []) for result in results
    }


def test_two_climbs_are_compared_by_what_they_did_at_full_share() -> None:
    # The slow one stays at each lesser share for a minute: its mean power over the whole stage is far lower.
    plan = parse_profile(shipped("desktop-air.toml"), "desktop-air.toml")
    found = compare(sound_run(plan), sound_run(plan, step_s=60.0))
    assert found.stages["load"].comparable, [str(why) for why in found.stages["load"].why]
    watts = found.metrics["load.package_power_w.mean"]
    assert watts.before == pytest.approx(75.0, rel=0.01) and watts.after == pytest.approx(75.0, rel=0.01)
    for name in ("load.die_temp_c.settled", "load.thermal_resistance", "load.thermal_impedance_60s"):
        assert found.metrics[name].significant is False, name
