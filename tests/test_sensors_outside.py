"""Measuring another machine from outside: the bench computer's own sensors are not its."""

from __future__ import annotations

from pathlib import Path

import pytest

from mock_hw.bench import SimulatedBench
from verifyrig.core.probe_only import is_from_outside
from verifyrig.plan.text import parse_profile
from verifyrig.sensors.bank import open_bank

PROFILES = Path(__file__).resolve().parent.parent / "profiles"


@pytest.mark.parametrize("path", sorted(PROFILES.glob("*.toml")), ids=lambda path: path.stem)
def test_only_the_profile_for_probes_measures_from_outside(path: Path) -> None:
    profile = parse_profile(path.read_text(encoding="utf-8"), origin=path.name)
    assert is_from_outside(profile) is (path.stem == "outside-probe")


def test_an_external_load_on_this_machine_keeps_its_own_sensors() -> None:
    text = (PROFILES / "outside-probe.toml").read_text(encoding="utf-8")
    own = text.replace("[requires]", '[requires]\nchannels = ["die_temp_c"]')
    assert not is_from_outside(parse_profile(own, origin="own.toml"))


def test_from_outside_only_probes_and_what_the_bench_names_are_sampled(tmp_path: Path) -> None:
    with SimulatedBench("healthy-air", 0, tmp_path / "m", probes=("room", "plate")) as bench:
        config = {"channel": {"vrm_temp_c": {"source": "VRM"}}}
        bank = open_bank(bench.root, config, outside_only=True)
        assert list(bank.infos) == ["ambient_temp_c", "plate_temp_c", "vrm_temp_c"]
        bank.close()
