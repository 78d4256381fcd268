"""What becomes of an answer that stdout does not take: over real processes, for every command.

Most are forks of one interpreter that has all imported (`tests/forked.py`); those with closed descriptors, where it
matters how an interpreter starts, are fresh ones.

The rule: the answer's exit code stands, silently where the reader closed the pipe (as POSIX programs end there);
what could not be written at all is the program's exit code 5 with one line on stderr; a character that the code page
lacks is replaced.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.forked import Forked, forked
from tests.small_records import PROFILE_TEXT, write_record
from tests.test_contract import SHORT
from verifyrig.commands import COMMANDS

REPO = Path(__file__).resolve().parent.parent
FULL = Path("/dev/full")
posix = pytest.mark.skipif(os.name == "nt", reason="closes file descriptors as a POSIX shell does")

# Each command with the words that make it print an answer on the bench below, and the exit code that is its answer's.
WORDS: dict[str, tuple[list[str], int]] = {
    "setup": (["setup", "--shop", "Invented shop °"], 0),
    "demo": (["demo", "--out", "demo"], 0),
    "channels": (["channels", "--root", "tree"], 0),
    "profile": (["profile", "show", "tiny-build"], 0),
    "job": (["job", "show"], 0),
    "run": (["run", "tiny-build", "--mock", "healthy-air", "--ambient", "22"], 0),
    "runs": (["runs"], 0),
    "import": (["import", "log.csv", "--time", "s", "--channel", "die_temp_c=die:°C", "--stage", "idle=0:5"], 0),
    "metrics": (["metrics", "20260202-080000-test"], 0),
    "compare": (["compare", "20260202-080000-test", "20260202-080002-test"], 1),
    "diagnose": (["diagnose", "20260202-080000-test"], 4),
    "history": (["history", "kernel.log"], 0),
    "report": (["report", "20260202-080000-test"], 0),
    "qa": (["qa", "--profile", "tiny-build"], 1),
    "notices": (["notices"], 0),
    "line": (["line", "show"], 0),
    "rig-check": (["rig-check", "--profile", "tiny-build"], 4),
    "inspect": (["inspect", "20260202-080002-test"], 1),
    "export": (["export", "20260202-080000-test"], 0),
    "dataset": (["dataset", "kept", "--site", "here"], 2),
    "calibrate": (["calibrate", "--help"], 0),
    "bench": (["bench", "--help"], 0),
    "--help": (["--help"], 0),
    "--version": (["--version"], 0),
    "run --help": (["run", "--help"], 0),
    "job open --help": (["job", "open", "--help"], 0),
}


# What a demo tells of its runs is long in the making, and times and figures are in it: there is no usual to hold it to.
STEADY = [name for name in WORDS if name != "demo"]
# One of each way of printing: of argparse, of text, of a file's content, beside another code than 0, beside messages.
PRINTED = [
    "--help",
    "--version",
    "job open --help",
    "job",
    "export",
    "compare",
    "inspect",
    "qa",
    "run",
    "report",
    "demo",
]
# What writes files or tells more than its answer: what is opened first there would get the number of a closed stream.
WRITING = ["setup", "channels", "job", "run", "runs", "import", "report", "qa", "export", "calibrate"]


class Told(NamedTuple):
    """What a command says."""

    stdout: str
    stderr: list[str]


Usual = Callable[[str], Told]


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench folder with a job, three records of which one was altered, a sensor tree and files to read."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "bench.toml").write_text("", encoding="utf-8")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    (folder / "runs").mkdir()
    for number in range(3):
        altered = write_record(folder / "runs", number, unit=f"unit-{number}")
    with closing(sqlite3.connect(altered)) as db:
        db.execute("update sample set die_temp_c = die_temp_c - 8")
        db.commit()
    chip = folder / "tree/sys/class/hwmon/hwmon0"
    chip.mkdir(parents=True)
    (chip / "name").write_text("k10temp\n", encoding="utf-8")
    (chip / "temp1_input").write_text("41000\n", encoding="utf-8")
    (chip / "temp1_label").write_text("Tctl\n", encoding="utf-8")
    (folder / "log.csv").write_text("s,die\n" + "".join(f"{n},{40 + n}\n" for n in range(10)), encoding="utf-8")
    # The demo's own bench folder has its profile already, a short one.
    (folder / "demo/profiles").mkdir(parents=True)
    (folder / "demo/profiles/small-form.toml").write_text(SHORT.replace('"short"', '"small-form"'), encoding="utf-8")
    (folder / "kernel.log").write_text("[    1.000000] Linux version 0.0 (invented)\n", encoding="utf-8")
    done = verifyrig(
        [
            "job",
            "open",
            "--kind",
            "desktop-air",
            "--customer",
            "Ann Invented",
            "--complaint",
            "gets hot → switches off",
        ],
        folder,
    )
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def bench(master: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(master, tmp_path / "bench"))


@pytest.fixture(scope="module", name="forked")
def _forked() -> Forked:
    return forked()


@pytest.fixture(scope="module")
def usual(master: Path, forked: Forked, tmp_path_factory: pytest.TempPathFactory) -> Usual:
    """What a command says where nothing is wrong with its streams."""

    @cache
    def told(name: str) -> Told:
        folder = Path(shutil.copytree(master, tmp_path_factory.mktemp("usual") / "bench"))
        words, code = WORDS[name]
        done = forked.run(words, folder)
        assert done.returncode == code, done.stderr
        return Told(_constant(done.stdout, folder), _constant(done.stderr, folder).splitlines())

    return told


def verifyrig(
    words: list[str], cwd: Path, shell: str = "", *, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    """Run it in a fresh interpreter, as a shell does with the redirections `shell`, such as `>&-`."""
    return subprocess.run(
        ["sh", "-c", f'exec "$@" {shell}', "sh", sys.executable, "-m", "verifyrig", *words],
        cwd=cwd, capture_output=True, stdin=subprocess.DEVNULL, timeout=100,
        env={**os.environ, "PYTHONPATH": str(REPO), "PYTHONIOENCODING": "", **(env or {})},
    )  # fmt: skip


def without_reader(forked: Forked, words: list[str], cwd: Path) -> subprocess.CompletedProcess[bytes]:
    """Run it with a pipe as stdout that nobody reads."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        return forked.run(words, cwd, stdout=writer)
    finally:
        os.close(writer)


def test_every_command_is_tried() -> None:
    assert set(COMMANDS) <= set(WORDS)


@posix
@pytest.mark.parametrize("name", WORDS)
def test_where_the_reader_went_away_the_answers_code_stands_silently(
    bench: Path, forked: Forked, usual: Usual, name: str
) -> None:
    words, code = WORDS[name]
    done = without_reader(forked, words, bench)
    assert done.returncode == code
    said = _constant(done.stderr, bench).splitlines()
    assert said == usual(name).stderr if name in STEADY else not [one for one in said if one.startswith("verifyrig")]


@posix
@pytest.mark.parametrize("name", ["compare", "inspect", "channels"])
def test_the_code_stands_for_json_that_nobody_reads_too(bench: Path, forked: Forked, name: str) -> None:
    words, code = WORDS[name]
    assert without_reader(forked, [*words, "--json"], bench).returncode == code


@posix
@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("name", PRINTED)
def test_where_the_answer_cannot_be_written_the_code_is_5_with_one_line(
    bench: Path, forked: Forked, usual: Usual, name: str
) -> None:
    done = forked.run(WORDS[name][0], bench, ">/dev/full")
    assert done.returncode == 5, done.stderr
    said = _constant(done.stderr, bench).splitlines()
    assert name not in STEADY or said[:-1] == usual(name).stderr
    assert said[-1].startswith("verifyrig: stdout: the answer could not be written ("), said


@posix
@pytest.mark.parametrize("name", ["--help", "channels", "inspect", "export", "run", "job"])
def test_a_stdout_that_was_closed_is_told_like_a_full_one(bench: Path, usual: Usual, name: str) -> None:
    done = verifyrig(WORDS[name][0], bench, ">&-")
    assert done.returncode == 5, done.stderr
    said = _constant(done.stderr, bench).splitlines()
    assert said[:-1] == usual(name).stderr
    assert said[-1].startswith("verifyrig: stdout: the answer could not be written ("), said


@posix
@pytest.mark.parametrize("name", STEADY)
def test_what_a_code_page_cannot_show_is_replaced_also_without_stdin(
    bench: Path, forked: Forked, usual: Usual, name: str
) -> None:
    _check_page(bench, forked, usual, name, "ascii", "<&-")


@posix
@pytest.mark.parametrize("name", ["job", "metrics", "export"])
@pytest.mark.parametrize("page", ["latin-1", "cp1252"])
def test_so_it_is_in_other_code_pages(bench: Path, forked: Forked, usual: Usual, name: str, page: str) -> None:
    _check_page(bench, forked, usual, name, page)


def _check_page(bench: Path, forked: Forked, usual: Usual, name: str, page: str, shell: str = "") -> None:
    words, code = WORDS[name]
    done = forked.run(words, bench, shell, env={"PYTHONIOENCODING": page})
    assert done.returncode == code, done.stderr
    written = "utf-8" if name == "export" else page  # a file's content, and files are UTF-8
    told = usual(name).stdout.encode(written, "replace").decode(written)
    assert _constant(done.stdout, bench, written) == told
    done.stderr.decode(page)


@posix
@pytest.mark.parametrize("name", ["job", "metrics", "channels"])
def test_json_loses_nothing_in_any_code_page(bench: Path, forked: Forked, name: str) -> None:
    words = [*WORDS[name][0], "--json"]
    whole = json.loads(forked.run(words, bench).stdout.decode("utf-8"))
    assert json.loads(forked.run(words, bench, env={"PYTHONIOENCODING": "ascii"}).stdout.decode("ascii")) == whole
    assert json.loads(forked.run(words, bench, env={"PYTHONIOENCODING": "cp1252"}).stdout.decode("cp1252")) == whole


@posix
@pytest.mark.parametrize("name", WRITING)
def test_closed_stdin_and_stderr_change_no_answer(bench: Path, forked: Forked, usual: Usual, name: str) -> None:
    words, code = WORDS[name]
    done = forked.run(words, bench, "<&- 2>&-")
    assert done.returncode == code
    assert _constant(done.stdout, bench) == usual(name).stdout


@posix
@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("name", ["channels", "compare", "inspect", "run"])
def test_a_full_stderr_changes_no_answer(bench: Path, forked: Forked, usual: Usual, name: str) -> None:
    words, code = WORDS[name]
    done = forked.run(words, bench, "2>/dev/full")
    assert done.returncode == code
    assert _constant(done.stdout, bench) == usual(name).stdout


@posix
def test_an_error_keeps_its_code_and_stays_off_stdout_where_stderr_is_closed(bench: Path) -> None:
    words = ["inspect", "nothing-of-that-name"]
    assert verifyrig(words, bench).returncode == 2
    for shell in (">&-", ">/dev/full", "2>&-", "<&-", ">&- 2>&- <&-"):
        done = verifyrig(words, bench, shell)
        assert (done.returncode, done.stdout) == (2, b""), shell
    done = verifyrig([*words, "--json"], bench, "2>&-")
    assert done.returncode == 2
    assert set(json.loads(done.stdout)) == {"schema", "error"}
    assert verifyrig([*words, "--json"], bench, ">/dev/full").returncode == 5


@posix
def test_a_record_is_written_whole_where_all_three_streams_are_closed(bench: Path) -> None:
    # Whatever opens first would get the number of a closed stream, and take what is printed there.
    before = set((bench / "jobs").rglob("*.sqlite"))
    done = verifyrig(WORDS["run"][0], bench, ">&- 2>&- <&-")
    assert done.returncode == 5
    (record,) = set((bench / "jobs").rglob("*.sqlite")) - before
    assert verifyrig(["inspect", str(record)], bench).returncode == 0


@posix
def test_files_stay_utf8_under_another_code_page(bench: Path, forked: Forked) -> None:
    assert forked.run(["report"], bench, env={"PYTHONIOENCODING": "ascii"}).returncode in (0, 2)
    assert forked.run(WORDS["run"][0], bench, env={"PYTHONIOENCODING": "cp1252"}).returncode == 0
    assert forked.run(["report"], bench, env={"PYTHONIOENCODING": "ascii"}).returncode == 0
    pages = [path.read_bytes().decode("utf-8") for path in (bench / "reports").glob("*.html")]
    assert any("°C" in page and "→" in page for page in pages)


def _constant(data: bytes, folder: Path, page: str = "utf-8") -> str:
    """Return the text without what differs from one run to the next: ids, times, the folder."""
    text = data.decode(page).replace(str(folder), "BENCH")
    text = re.sub(r"\d{8}-\d{6}-[a-z0-9]{4}", "RUN", text)
    return re.sub(r"\d{2} [A-Z][a-z]{2} \d{2}:\d{2}", "TIME", text)
