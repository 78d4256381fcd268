"""`verifyrig profile`: list, show, check; looked up as a path, in the bench, then among the shipped ones."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from verifyrig.bench.find_profile import find_profile, list_profiles, shipped_dir
from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run
from verifyrig.core.errors import ProfileError

SHIPPED = {"quick-look", "desktop-air", "desktop-liquid", "small-form", "laptop", "soak", "pulses-only"}


def as_json(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, Any]:
    code = run([*words, "--json"])
    out = capsys.readouterr().out
    data = json.loads(out)
    assert data["schema"] == 1
    return code, data


def test_list_names_shipped_profiles_and_the_shops_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "profiles"
    own.mkdir()
    text = (shipped_dir() / "desktop-air.toml").read_text(encoding="utf-8")
    (own / "desktop-air.toml").write_text(text.replace("Desktop with an air cooler", "Ours"), encoding="utf-8")
    (own / "broken.toml").write_text("name = ", encoding="utf-8")
    code, data = as_json(capsys, "profile", "list", "--bench", str(tmp_path))
    rows = {row["name"]: row for row in data["profiles"]}
    assert code == 0 and set(rows) >= SHIPPED | {"broken"}
    assert rows["desktop-air"]["title"] == "Ours" and rows["desktop-air"]["shipped"] is False
    assert rows["broken"]["usable"] is False and rows["laptop"]["usable"] is True


def test_a_path_comes_before_the_bench_and_the_bench_before_the_shipped_ones(tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    assert find_profile("laptop", bench).name == "laptop"
    bench.profiles_dir.mkdir()
    text = (shipped_dir() / "laptop.toml").read_text(encoding="utf-8")
    (bench.profiles_dir / "laptop.toml").write_text(text.replace("held at one", "ours, at one"), encoding="utf-8")
    assert "ours" in find_profile("laptop", bench).title
    elsewhere = tmp_path / "laptop.toml"
    elsewhere.write_text(text.replace("held at one", "that file, at one"), encoding="utf-8")
    assert "that file" in find_profile(str(elsewhere), bench).title


@pytest.mark.parametrize("name", ["desktop-airr", "../profiles/desktop-air", "no\x1b[31mthing", "", "x" * 5000, "a\0b"])
def test_a_profile_that_is_not_there_is_said_in_one_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(ProfileError) as caught:
        find_profile(name, Bench(root=tmp_path))
    assert str(caught.value).isprintable() and len(str(caught.value)) < 800


def test_a_near_name_is_offered(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"Did you mean desktop-air\?"):
        find_profile("desktop-aire", Bench(root=tmp_path))


def test_show_says_what_ends_the_load_and_what_is_accepted(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "show", "desktop-liquid"]) == 0
    out = capsys.readouterr().out
    assert "die_temp_c is above 95 or within 3 K of the machine's own limit" in out
    assert "2 pulses of 5 s with 25 s idle" in out and "5 pulses of 5 s" in out
    assert "climbing towards 100% as far as is known to be safe" in out
    assert "load.thermal_resistance at most 0.45" in out
    code, data = as_json(capsys, "profile", "show", "desktop-liquid")
    assert code == 0 and data["profile"]["recipe"] in out


def test_check_names_every_fault_of_every_file_and_ends_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (shipped_dir() / "desktop-air.toml").read_text(encoding="utf-8")
    bad = tmp_path / "bad.toml"
    bad.write_text(text.replace("min_duration_s = 120", "min_duration_s = -30").replace("max = 0.45", "mx = 0.45"))
    good = shipped_dir() / "laptop.toml"
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    code, data = as_json(capsys, "profile", "check", str(bad), str(good), str(binary), str(tmp_path / "gone.toml"))
    files = data["files"]
    assert code == 2 and set(data["error"]) == {"what", "where", "mend"}
    assert [len(row["faults"]) for row in files] == [3, 0, 1, 1]
    assert run(["profile", "check", str(bad)]) == 2
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("bad.toml, stage[1]: min_duration_s is -30, and must be above 0.")


def test_the_shipped_profiles_pass_their_own_check(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", "check", *(str(file.path) for file in list_profiles(Bench(root=Path("/nonexistent"))))]) == 0
    assert capsys.readouterr().out.count("no fault") >= len(SHIPPED)


@pytest.mark.parametrize("words", [["show"], ["check"], ["list", "x"], ["show", "a", "b"], ["burn"], []])
def test_wrong_words_end_with_2_and_one_sentence(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["profile", *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_check_takes_a_name_as_run_does(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = tmp_path / "profiles" / "of-the-shop.toml"
    own.parent.mkdir()
    own.write_text('name = "of-the-shop"\ntitle = 3\n', encoding="utf-8")
    names = ("desktop-air", "of-the-shop", "none-such")
    code, data = as_json(capsys, "profile", "check", *names, "--bench", str(tmp_path))
    assert code == 2
    assert [bool(row["faults"]) for row in data["files"]] == [False, True, True]
    assert data["files"][1]["faults"][0]["where"].startswith("of-the-shop.toml")
    assert data["files"][2]["faults"][0]["what"] == "no such profile"
