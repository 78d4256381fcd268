"""Rewording every English text changes no decision, exit code, figure or page of another language.

A copy of the program (`reworded`) has each reason and each text of the catalogues in marks and with other vowels, so
that no phrase of it is left to look for. It plays the same simulated runs and the same job once more: apart from marks
and vowels, and from times and ids, every answer must be the same, and every page of another language letter for letter.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.reworded import MARK, reworded_copy, unmarked
from verifyrig.bench.find_profile import shipped_dir
from verifyrig.commands.cli import run
from verifyrig.core.reason import Reason

ROOT = Path(__file__).resolve().parent.parent
ISSUED = "2031-03-14T12:00:00+00:00"
HANG_S = 900
pytestmark = pytest.mark.timeout(HANG_S)
HELD = """
name = "held"
title = "A power that this machine does not reach"

[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 30
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 3, workers = "quarter" }

[[stage]]
name = "held"
kind = "load"
max_duration_s = 60
load = { work = "linear-algebra", hold = { power_w = 900.0 } }

[[threshold]]
metric = "held.die_temp_c.settled"
max = 80.0
"""


class Said(NamedTuple):
    """One command: its words, exit code, object and lines."""

    words: str
    code: int
    data: Any
    lines: str


class Play(NamedTuple):
    """A bench folder with what its commands answered."""

    bench: Path
    said: list[Said]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Play:
    """The play in the English of today."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdin.isatty", lambda: False, raising=False)
        return play(tmp_path_factory.mktemp("plain"))


def play(bench: Path) -> Play:
    """Run what refuses, closes the gate, cannot be held and goes through; then a job that may not be closed, and leaks.

    No reason made meanwhile may hold a text of ours as a value: it would be looked up by its English words.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Reason, "__post_init__", without_texts(Reason.__post_init__))
        return _play(bench)


def without_texts(check: Callable[[Reason], None]) -> Callable[[Reason], None]:
    """Return the check of a reason that refuses a reworded text as a value, too."""

    def checked(why: Reason) -> None:
        check(why)
        assert not any(isinstance(value, str) and MARK in value for value in why.values.values()), why

    return checked


def _play(bench: Path) -> Play:
    (bench / "bench.toml").write_text('[report]\nlanguage = "de"\n')
    (bench / "profiles").mkdir()
    (bench / "profiles" / "held.toml").write_text(HELD)
    refusing = shipped_dir() / "earlier" / "before-climb" / "desktop-air.toml"
    said = [
        command(bench, "run", str(refusing), "--mock", "film-left-on:3"),
        command(bench, "run", "desktop-liquid", "--mock", "coolant-stopped:3"),
        command(bench, "run", "held", "--mock", "healthy-air:3"),
        command(bench, "run", "quick-look", "--mock", "healthy-air:3"),
    ]
    runs = [one.data["run"] for one in said]
    said += [command(bench, "metrics", name) for name in runs]
    said += [command(bench, "inspect", name) for name in runs[:2]]
    said += [
        command(bench, "compare", runs[0], runs[1]),
        command(bench, "compare", runs[2], runs[3]),
        command(bench, "diagnose", runs[0]),
        command(bench, "runs"),
        command(bench, "job", "open", "--complaint", "hot", "--kind", "desktop-air", "--customer", "A. Customer"),
        command(bench, "run", "pulses-only", "--mock", "film-left-on:3"),
        command(bench, "job", "change", "paste-renewed", "--part", "paste"),
        command(bench, "job", "show"),
        command(bench, "job", "close", "--cause", "contact"),
        command(bench, "job", "close", "--cause", "contact", "--override", "as agreed"),
        command(bench, "job", "finding", "leak=seen"),
        command(bench, "job", "show"),
    ]
    return Play(bench, said)


def command(bench: Path, *words: str) -> Said:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run([*words, "--json", "--bench", str(bench)])
    data = json.loads(out.getvalue())
    if words[0] == "runs":
        # Runs of one second are listed by their ids, which are drawn at random.
        data["runs"].sort(key=lambda one: (str(one["profile"]), one["outcome"]))
    # A profile given by its path lies elsewhere in the copy.
    asked = " ".join(Path(word).name for word in words[:2])
    return Said(settled(asked, bench), code, data, err.getvalue())


VOLATILE = {"load_off_s", "digest"}


def settled(value: Any, bench: Path) -> Any:
    """Return an answer without marks, times, ids and places."""
    if isinstance(value, dict):
        kept = {key: one for key, one in value.items() if key not in VOLATILE}
        return {settled(key, bench): settled(one, bench) for key, one in kept.items()}
    if isinstance(value, list):
        return [settled(one, bench) for one in value]
    if isinstance(value, str):
        text = unmarked(value).replace(str(bench), "BENCH").replace(str(shipped_dir()), "PROFILES")
        text = re.sub(r"\b\d{4}-\d\d-\d\d(T[\d:.]+(\+[\d:]+)?)?", "TIME", text)
        return re.sub(r"\b\d{8}-(\d{6}-[a-z0-9]{4}|\d+)\b", "ID", text)
    return value


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the reworded copy."""
    folder = tmp_path_factory.mktemp("program")
    changed = reworded_copy(folder)
    assert {"before", "Now", "The work in full", "power is unknown"} <= changed
    return folder


def by_copy(program: Path, what: str, bench: Path) -> Any:
    """Return what the copy answers to an expression of this module, with `bench` in it."""
    code = (
        f"import json, sys, tests.test_pseudo_locale as t; from pathlib import Path; bench = Path(sys.argv[1]); {what}"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(bench)],
        env={**os.environ, "PYTHONPATH": f"{program}{os.pathsep}{ROOT}"},
        cwd=program, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=HANG_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def pages(bench: Path, language: str = "de") -> list[str]:
    """Return the pages of the job and of each run outside it."""
    (bench / "bench.toml").write_text(f'[report]\nlanguage = "{language}"\n')
    runs = [path.stem for path in sorted((bench / "runs").glob("*.sqlite"))]
    for words in (["report", "--at", ISSUED], *(["report", one, "--at", ISSUED] for one in runs)):
        with contextlib.redirect_stdout(io.StringIO()):
            assert run([*words, "--json", "--bench", str(bench)]) in (0, 4)
    return [path.read_text(encoding="utf-8") for path in sorted(bench.rglob("*.html")) if path.name != "index.html"]


def test_no_decision_exit_code_or_figure_changes(program: Path, plain: Play, tmp_path: Path) -> None:
    answers, german = by_copy(program, "print(json.dumps([t.play(bench).said, t.pages(bench)]))", tmp_path)
    said = [Said(*one) for one in answers]
    for now, then in zip(said, plain.said, strict=True):
        assert (now.words, now.code) == (then.words, then.code)
        assert settled(now.data, tmp_path) == settled(then.data, plain.bench), now.words
    marked = {one.words for one in said if MARK in json.dumps(one.data, ensure_ascii=False)}
    assert {"job close", "job show", "compare ID", "diagnose ID"} <= marked
    assert not any(MARK in page for page in german), re.findall(f".*{MARK}.*", "".join(german))[:3]


@pytest.fixture(scope="module")
def of_copy(program: Path, plain: Play) -> dict[str, list[str]]:
    """The pages that the copy makes of the plain play, by their language."""
    found: dict[str, list[str]] = by_copy(
        program, "print(json.dumps({one: t.pages(bench, one) for one in ('de', 'en')}))", plain.bench
    )
    return found


def test_records_of_before_give_the_same_german_page_whatever_the_english_is(
    of_copy: dict[str, list[str]], plain: Play
) -> None:
    before, after = pages(plain.bench), of_copy["de"]
    for then, now in zip(before, after, strict=True):
        assert now.splitlines() == then.splitlines()
    german = "".join(before)
    assert "Leerlauf und Pulse lassen unter ihr" in german and "volle Last bringt das Gerät nicht auf 900" in german
    assert "Sperre im Abschnitt" in german and "der Abschnitt wurde übersprungen" in german
    for said in ("Kühlmittel tritt aus (leak=seen)", "(Paste erneuert)", "Dürfen wir eine schwere Last fahren"):
        assert said in german, said
    assert "nicht abgehakt: Zustand fotografiert, bevor etwas verändert wurde" in german


def seen(page: str) -> list[str]:
    """Return what a reader sees of a page: its style sheet repeats some texts in escapes, with a digest in the head.

    A number's unit is set closer to it than a word, and a unit that is worded otherwise is none. Where labels stand in
    a picture depends on how wide their words are.
    """
    shown = re.sub(r"<style>.*?</style>|<meta http-equiv[^>]*>", "", page, flags=re.DOTALL)
    shown = re.sub(r"<svg.*?</svg>", lambda found: re.sub(r"<(\w+)[^>]*>", r"<\1>", found[0]), shown, flags=re.DOTALL)
    return shown.replace("\u202f", " ").splitlines()


def test_the_english_page_is_the_same_but_for_its_words(of_copy: dict[str, list[str]], plain: Play) -> None:
    before, after = pages(plain.bench, "en"), of_copy["en"]
    for then, now in zip(before, after, strict=True):
        assert now.count(MARK) > 20
        assert [pair for pair in zip(seen(unmarked(now)), seen(then), strict=True) if pair[0] != pair[1]] == []
