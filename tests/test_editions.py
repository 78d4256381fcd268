"""Shipped profiles that were changed: what was begun with an earlier edition is finished with it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from verifyrig.bench.find_profile import find_profile, list_profiles, shipped_dir
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run
from verifyrig.core.errors import ProfileError
from verifyrig.core.profile import LoadPattern
from verifyrig.plan.text import parse_profile

# As records of runs hold them that were made before the loads climbed.
RECIPES_THEN = {
    "desktop-air": "478aae81ec947fb2",
    "desktop-liquid": "478aae81ec947fb2",
    "small-form": "478aae81ec947fb2",
    "laptop": "69e058f4b259dc21",
    "graphics": "cc46fbd7629fdc40",
    "graphics-and-processor": "46dd8e46a9dff079",
    "build": "a26df978fe67f9c7",
}


def edition(name: str, folder: str = "before-climb") -> str:
    return (shipped_dir() / "earlier" / folder / f"{name}.toml").read_text(encoding="utf-8")


def as_json(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> tuple[int, Any]:
    code = run([*words, "--bench", str(bench), "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("name", RECIPES_THEN)
def test_an_earlier_edition_has_the_recipe_that_records_of_then_hold(name: str, tmp_path: Path) -> None:
    bench, then = Bench(root=tmp_path), RECIPES_THEN[name]
    assert parse_profile(edition(name), "p.toml").recipe == then
    now = find_profile(name, bench)
    assert now.recipe != then and any(s.load and s.load.pattern == LoadPattern.CLIMB for s in now.stages)
    found = find_profile(name, bench, ["of something else", then])
    assert (found.name, found.recipe) == (name, then)
    # The newest recipe that any edition has decides.
    assert find_profile(name, bench, [now.recipe, then]).recipe == now.recipe
    assert find_profile(name, bench, ["of something else"]).recipe == now.recipe


def test_no_list_shows_an_earlier_edition_and_a_name_that_is_gone_is_known_to_its_own_runs_only(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    assert not [file for file in list_profiles(bench) if "earlier" in str(file.path) or "climb" in file.name]
    gone = parse_profile(edition("desktop-climb", "first-climb"), "p.toml")
    assert find_profile("desktop-climb", bench, [gone.recipe]).recipe == gone.recipe
    for recipes in ([], ["of something else"]):
        with pytest.raises(ProfileError, match="no such profile"):
            find_profile("desktop-climb", bench, recipes)


def test_a_shops_own_profile_and_a_path_are_taken_as_they_are(tmp_path: Path) -> None:
    bench, own = Bench(root=tmp_path), tmp_path / "profiles"
    own.mkdir()
    text = (shipped_dir() / "desktop-air.toml").read_text(encoding="utf-8")
    (own / "desktop-air.toml").write_text(text.replace("max_duration_s = 600", "max_duration_s = 590"), "utf-8")
    then = [RECIPES_THEN["desktop-air"]]
    assert find_profile("desktop-air", bench, then).stages[3].max_duration_s == 590
    shipped = shipped_dir() / "desktop-air.toml"
    assert find_profile(str(shipped), Bench(root=tmp_path / "b"), then).recipe == parse_profile(text, "p").recipe


def test_a_job_begun_with_an_earlier_edition_is_finished_with_it_and_compared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    then = tmp_path / "desktop-air.toml"
    then.write_text(edition("desktop-air"), "utf-8")
    assert (
        run(["job", "open", "--complaint", "hot", "--kind", "desktop-air", "--id", "j-1", "--bench", str(tmp_path)])
        == 0
    )
    mock = ("--mock", "healthy-air:3")
    capsys.readouterr()
    _, before = as_json(capsys, tmp_path, "run", str(then), *mock)
    assert before["recipe"] == RECIPES_THEN["desktop-air"] and before["purpose"] == "baseline"
    assert run(["job", "change", "cleaned", "--bench", str(tmp_path)]) == 0
    capsys.readouterr()
    # Nothing is said of the plan, and then the other cooler's plan by its name.
    _, after = as_json(capsys, tmp_path, "run", *mock)
    assert (after["profile"], after["recipe"], after["purpose"]) == ("desktop-air", before["recipe"], "verification")
    _, compared = as_json(capsys, tmp_path, "compare")
    assert compared["stages"]["pulses"]["comparable"] is True
    # Elsewhere the plan is as it is now.
    _, other = as_json(capsys, tmp_path, "run", "desktop-air", *mock, "--without-job", "--no-load")
    assert other["recipe"] != before["recipe"]


def test_a_batch_measured_with_an_earlier_edition_is_judged_by_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    then = tmp_path / "build.toml"
    then.write_text(edition("build"), "utf-8")
    for n, plan in ((1, str(then)), (2, str(then)), (3, "build")):
        batch = "week-15" if plan == "build" else "week-14"
        as_json(
            capsys,
            tmp_path,
            "run",
            plan,
            "--mock",
            f"fan-stopped:{n}",
            "--unit",
            f"u-{n}",
            "--batch",
            batch,
            "--as",
            "build",
        )
    for batch, units in (("week-14", {"u-1", "u-2"}), ("week-15", {"u-3"})):
        _, found = as_json(capsys, tmp_path, "qa", "--profile", "build", "--batch", batch)
        assert not [one for one in found["left_out"] if "recipe" in one["why"]], found["left_out"]
        assert found["units"] + len(found["left_out"]) == len(units)
