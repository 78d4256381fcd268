"""Text from outside through every command and face: it drives no terminal, forges no line, runs nowhere.

Controls: ECMA-48 (C0, DEL, C1, and the sequences they open). Reading direction: UAX #9. Invisible characters: Unicode
categories Cf, Zl, Zp and what has no glyph. Spreadsheet formulas: common practice, no source.
"""

from __future__ import annotations

import ast
import contextlib
import csv
import io
import json
import os
import re
import shutil
import socket
import sqlite3
import tempfile
import threading
import tomllib
import unicodedata
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.commands import COMMANDS, cli
from verifyrig.core.plain_json import json_text, plain_json
from verifyrig.core.plain_text import plain_block, plain_cell, plain_line, plain_lines

REPO = Path(__file__).resolve().parent.parent
FORGED = "FORGED verdict: pass"
ATOMS = (
    "[bold red]", "[/]", "\x1b[2J", "\x1b[31mred\x1b[0m", "\x1b]0;title\x07", "\x1b]8;;http://x.invalid\x1b\\",
    "\x9b31m", "\x1bP0q\x1b\\", "\x9d0;t\x9c", "\x90q\x9c", "\x07", "\x08", "\x7f", "\x00", "\x0e", "\u202e", "\u2066",
    "\u200f",
    "\u061c", "\u200b", "\u200d", "\u2060", "\ufeff", "\u00ad", "\U000e0041", "\u3164", "\u034f", "\ud800", "\udc9b",
    "\uffff", "\ue000", f"\n{FORGED}", f"\r\n{FORGED}", f"\r{FORGED}", f"\x85{FORGED}", f"\u2028{FORGED}",
    f"\x0b{FORGED}", f"\x1c{FORGED}", "<script>alert(1)</script>", "</style>", "=cmd|' /C calc'!A0", "@SUM(1)", "{0}",
    "%s", "%(x)s", "é", "漢", "🔥", "a", " ",
)  # fmt: skip
# With all of them in one text, and one with what matters most at the front, where labels are cut.
ALL = "".join(ATOMS)
FRONT = f"\x9b2J\x1b]0;x\x07\u202e\u200b\n{FORGED}\ud800"
hostile = st.lists(st.sampled_from(ATOMS) | st.text(max_size=3), min_size=1, max_size=12).map("".join)
# Two sound records, one with hostile words wherever they are free, one with a hostile id and stage, which is refused.
RUNS = ["20260202-080000-test", "20260202-080001-test", "20260202-080002-test", "20260202-080007-test"]


def hidden_in(text: str) -> set[str]:
    """Return the characters that act or hide; a joiner within a word that is spelt with it is a letter's form."""
    hidden = {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")}
    return hidden - set("\u200c\u200d")


def is_harmless(text: str) -> bool:
    """Whether nothing in a text acts or hides, and no line of our own making is forged."""
    return not hidden_in(text) and not any(line.startswith(FORGED) for line in text.split("\n"))


def name_of(text: str) -> str:
    """Return the text as a file system takes it for a name: no slash, no NUL, of 60 bytes at most."""
    cut = text.replace("/", "").replace("\0", "").encode("utf-8", "surrogatepass")[:60]
    return os.fsdecode(cut.decode("utf-8", "ignore").encode()) + "\udcff"


def word_of(text: str) -> str:
    """Return the text as the system hands it over as a word: no NUL, and only surrogates for a byte (PEP 383)."""
    return re.sub("[\0\ud800-\udc7f\udd00-\udfff]", "", text)


def toml(text: str) -> str:
    """Return the text as TOML can hold it: without lone surrogates."""
    return text.encode("utf-8", "replace").decode()


def write_toml(path: Path, data: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(tomli_w.dumps(data).encode("utf-8"))


def lay_bench(root: Path, text: str) -> None:
    """Lay a bench folder in which every text that can come from outside is `text`."""
    said = toml(text)
    shop = {"name": said, "operator": said, "address": said}
    write_toml(root / "bench.toml", {"shop": shop, "report": {"terms": said}, "rig_check": {"golden": [said]}})
    profile = {**tomllib.loads(PROFILE_TEXT), "name": "hostile", "title": said, "caution": [{"text": said}]}
    profile["threshold"] = [{**one, "why": said} for one in profile["threshold"]]
    write_toml(root / "profiles" / "hostile.toml", profile)
    (root / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    write_toml(root / "profiles" / "broken.toml", {"name": 3, said: 4, "stage": [{"name": said, "kind": said}]})
    _lay_job(root / "jobs" / "j1", said)
    (root / "runs").mkdir(exist_ok=True)
    facts = {
        "batch": text, "unit": text, "machine": {"model": text, "board": text}, "operator": text,
        "states": {"panel": text}, "not_armed": [text], "attestation": {"by": text, "answers": {text: text}},
    }  # fmt: skip
    for number in range(2):
        write_record(root / "runs", number, facts=facts, unit=text)
        write_record(root / "jobs/j1/runs", number + 3, facts={**facts, "job": "j1", "purpose": "check"}, unit=text)
    _tamper(write_record(root / "runs", 2, facts={**facts, "profile_name": text}, unit=text), text)
    renamed = write_record(root / "runs", 7, unit=text)
    with closing(sqlite3.connect(renamed)) as db:
        db.execute("update run set value = ? where key = 'run'", (json.dumps(said),))
        db.execute("update stage set ended = ?, kind = ?", (said, said))
        db.commit()
    chip = root / "tree/sys/class/hwmon/hwmon0"
    chip.mkdir(parents=True)
    for name, content in (("name", text), ("temp1_input", "41000\n"), ("temp1_label", text), ("temp2_input", text)):
        (chip / name).write_bytes(content.encode("utf-8", "surrogatepass"))
    (root / "log.csv").write_text(f"s,die,{said}\n0,40,{said}\n1,41,{said}\n", encoding="utf-8", newline="")
    (root / name_of(text)).mkdir(exist_ok=True)
    shutil.copy(root / "log.csv", root / name_of(text) / f"{name_of(text)}.csv")
    _lay_stick(root / name_of(text), text)


def _lay_job(folder: Path, said: str) -> None:
    code, _, err = said_by(["job", "open", "--id", "j1", "--bench", str(folder.parent.parent), *_flags(said)])
    assert code == 0, err
    bench = ["--job", "j1", "--bench", str(folder.parent.parent)]
    assert said_by(["job", "finding", f"note={said}", "--by", said, *bench])[0] in (0, 2)
    change = ["--part", said, "--note", said, "--lot", said, "--price", said, "--before", said, "--after", said]
    assert said_by(["job", "change", "part-replaced", *change, "--by", said, *bench])[0] in (0, 2)


def _flags(said: str) -> list[str]:
    names = ("complaint", "customer", "contact", "ticket", "maker", "model", "serial", "price-ceiling", "accessories")
    return [f"--{name}={said}" for name in names] + [
        f"--answer=what={said}",
        f"--answer=recent-changes={said}",
        f"--by={said}",
    ]


def _tamper(record: Path, text: str) -> None:
    """Put the text wherever a record holds free words."""
    said = text.encode("utf-8", "replace").decode()
    with closing(sqlite3.connect(record)) as db:
        db.execute("update run set value = ? where key = 'cause'", (json.dumps({"class": "operator", "why": [said]}),))
        db.execute("insert into event values (5.0, ?, ?)", (said, json.dumps({said: said})))
        db.execute("insert into reading_quality values ('die_temp_c', 1.0, 2.0, 'implausible', ?)", (said,))
        db.commit()


def _lay_stick(stick: Path, text: str) -> None:
    """Lay a bench of another computer below a folder whose name is hostile too."""
    write_record(stick / "runs", 5, unit=text)
    _tamper(write_record(stick / "runs", 6, unit=text), text)
    (stick / "runs" / f"{name_of(text)}.sqlite").write_bytes(b"no record")
    (stick / "jobs" / name_of(text)).mkdir(parents=True)
    (stick / "jobs" / name_of(text) / "job.toml").write_text("x", encoding="utf-8")


def said_by(words: list[str]) -> tuple[int, str, str]:
    """Run a command line in this process; return its exit code, stdout and stderr, in which surrogates are kept."""
    kept = io.BytesIO(), io.BytesIO()
    out, err = (io.TextIOWrapper(one, encoding="utf-8", errors="surrogatepass", newline="") for one in kept)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.run(words)
        out.flush()
        err.flush()
    told = [one.getvalue().decode("utf-8", "surrogatepass") for one in kept]
    return code, told[0], told[1]


def command_lines(root: Path, text: str) -> list[list[str]]:
    """Return every command with what it can be asked on that bench, and with hostile words of its own."""
    name, stick = name_of(text), root / name_of(text)
    word, arg = word_of(text), f"{word_of(text)}x"
    csv_path = str(stick / f"{name}.csv")
    outs = [f"--out={root / name}" for name in ("qa.html", "qa.csv", "qa.xml")]
    read = ["--time", "s", "--channel", "die_temp_c=die:°C", "--stage", "idle=0:1"]
    return [
        ["setup", "--shop", arg], ["setup", "--language", arg], ["demo", "--case", arg],
        ["bench", "known"], ["bench", "forget", arg],
        ["channels", "--root", str(root / "tree")], ["channels", "--root", arg],
        ["profile", "list"], ["profile", "show", "hostile"], ["profile", "show", arg],
        ["profile", "check", str(root / "profiles/broken.toml"), f"{name}.toml", str(root / "profiles/hostile.toml")],
        ["job", "show"], ["job", "list"], ["job", "finding", f"{word}=x"], ["job", "finding", f"note={word}"],
        ["job", "change", "cleaned", "--note", word], ["job", "close", "--cause", "airflow"],
        ["job", "open", "--answer", arg], ["job", "show", "--job", arg], ["job", "open", "--file", csv_path],
        ["job", "handover", "--to", word],
        ["run", "hostile", "--mock", "healthy-air", "--ambient", "22", "--unit", arg[:50], "--state", f"panel={word}"],
        ["run", arg], ["run", "--mock", arg], ["run", "hostile", "--ambient", arg], ["run", "--job", arg],
        ["runs"], ["runs", "--collect", str(stick)], ["runs", "--collect", arg],
        ["import", csv_path, *read], ["import", csv_path, "--time", arg, *read[2:]], ["import", name, *read],
        ["import", csv_path, "--time", "s", "--channel", f"die_temp_c={word}", "--stage", f"{word}=0:1"],
        *([command, run] for command in ("metrics", "inspect", "diagnose", "report") for run in RUNS),
        ["metrics", arg], ["inspect", str(stick / "runs" / f"{name}.sqlite")], ["diagnose"], ["diagnose", arg],
        ["compare", RUNS[0], RUNS[1]], ["compare", RUNS[0], RUNS[2]], ["compare", RUNS[0], RUNS[3]],
        ["compare", arg, RUNS[2]], ["compare"],
        ["report", "j1"], ["report", RUNS[0], "--at", arg], ["report", "j1", "--out", str(root / f"{name}.html")],
        ["history", csv_path], ["history", name], ["qa", "--profile", "tiny-build"], ["qa", "--profile", arg],
        ["qa", "--profile", "hostile", *RUNS, *outs],
        ["qa", "--profile", "tiny-build", "--batch", arg], ["rig-check", "--profile", "tiny-build"],
        ["dataset", str(root / "kept"), "--site", arg], ["dataset", str(root / "kept"), "--site", "here"],
        ["rig-check", arg, "--profile", "hostile"],
        ["line", "orders", csv_path], ["line", "hold", arg[:90], "--why", arg, "--by", arg], ["line", "show"],
        ["line", "limits", "hostile", "--why", arg], ["line", "limits", arg], ["line", "release", arg, "--why", arg],
        ["line", "watch", "--profile", "hostile", "--once"], ["run", "--scan", arg[:90], "--mock", "healthy-air"],
        ["notices"], ["notices", "--again", RUNS[0]], ["notices", "--again", arg], ["notices", "--give-up", arg],
        ["export", RUNS[2]], ["export", RUNS[0], "--out", str(root / f"{name}.csv")], ["export", arg],
        ["calibrate", arg], ["calibrate", "--channel", arg], [arg], ["--bench", arg],
    ]  # fmt: skip


# These have what they need on that bench: an error would hide what they print.
ANSWERED = {
    ("channels", "--root"), ("profile", "list"), ("profile", "show"), ("job", "list"), ("job", "show"),
    ("run", "hostile"), ("runs", "--collect"),
    *((command, run) for command in ("metrics", "inspect", "report") for run in RUNS[:3]),
    ("report", "j1"), ("qa", "--profile"), ("rig-check", "--profile"), ("export", RUNS[0]),
}  # fmt: skip


def test_every_command_is_asked() -> None:
    assert set(COMMANDS) <= {words[0] for words in command_lines(Path("x"), "x")}


# Labels are cut in text alone.
@pytest.mark.parametrize(
    ("text", "mode"), [(ALL, "text"), (FRONT, "text"), (ALL, "json")], ids=["all", "front", "json"]
)
def test_no_command_prints_or_writes_what_acts_hides_or_forges(text: str, mode: str) -> None:
    ask_everything(text, [] if mode == "text" else ["--json"])


@settings(
    max_examples=1, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(hostile)
def test_nor_does_any_with_texts_drawn_at_random(text: str) -> None:
    ask_everything(text, [])


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few records are figured out here rather than in processes started for them: no text depends on that."""
    monkeypatch.setattr("verifyrig.qa.index.compute._FEWEST_FOR_A_POOL", 1000)


def ask_everything(text: str, more: list[str]) -> None:
    """Ask every command on a bench of that text, and judge all that it prints and writes."""
    # What a command writes beside the caller lies in the folder too, not in the checkout.
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        root = Path(folder) / "bench"
        root.mkdir()
        lay_bench(root, text)
        for words in command_lines(root, text):
            asked = [*words, "--bench", str(root), *more] if "--bench" not in words else [*words, *more]
            code, out, err = said_by(asked)
            assert code in (0, 1, 2, 3, 4), (asked, err)
            assert code != 2 or tuple(words[:2]) not in ANSWERED or any(word_of(text) in one for one in words), err
            # A CSV on stdout is a file's content: its lines end as RFC 4180 says.
            out = out.replace("\r\n", "\n") if words[0] == "export" else out
            assert is_harmless(out), (asked, out)
            assert is_harmless(err), (asked, err)
            if more and "--help" not in out:
                assert json.loads(out)["schema"] == 1
        check_files(root)


def check_files(root: Path) -> None:
    """Pages, tables and test results that were written hold nothing that acts either."""
    for page in [*root.glob("*.html"), *(root / "reports").glob("*.html")]:
        text = page.read_text(encoding="utf-8")
        assert is_harmless(text.replace("\n", " ")), page
        assert "<script" not in text
    for table in (root / "qa.csv", *root.glob("*[!g].csv")):
        with table.open(encoding="utf-8-sig", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert all(is_harmless(cell) for cell in cells)
        assert not [c for c in cells if c[:1] in ("=", "+", "@", "|", "%") or (c[:1] == "-" and not _is_number(c))]
    assert all(is_harmless(text) for text in ElementTree.parse(root / "qa.xml").getroot().itertext())


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


@pytest.fixture
def port() -> Iterator[str]:
    """A port on which a serial instrument says hostile lines, each with a reading in it or none."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        stop = threading.Event()

        def serve() -> None:
            with contextlib.suppress(OSError):
                while not stop.is_set():
                    connection, _ = server.accept()
                    with connection, contextlib.suppress(OSError):
                        while not stop.wait(0.02):
                            for atom in (FRONT, ALL, "T1=\x1b[31m22.5\x1b[0m", "\x9b2J FAULT", "t1: ERR\u202e"):
                                connection.sendall(atom.encode("utf-8", "surrogatepass") + b"\r\n")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        stop.set()
        server.shutdown(socket.SHUT_RDWR)
    thread.join(10)


def test_lines_of_a_serial_instrument_act_nowhere(tmp_path: Path, port: str) -> None:
    instrument = {"id": "probe", "url": port, "protocol": "text", "channels": {"t1": "plate_temp_c"}}
    write_toml(tmp_path / "bench.toml", {"instrument": [instrument]})
    (tmp_path / "tree/sys").mkdir(parents=True)
    for more in ([], ["--json"]):
        code, out, err = said_by(["channels", "--root", str(tmp_path / "tree"), "--bench", str(tmp_path), *more])
        assert code == 0
        assert "plate" in out
        assert is_harmless(out) and is_harmless(err)


def test_the_live_panel_and_the_plain_lines_show_hostile_texts_as_texts() -> None:
    from dataclasses import replace

    from rich.console import Console

    from tests import report_inputs
    from verifyrig.core.interfaces import Reading
    from verifyrig.rig.observer import TickView
    from verifyrig.terminal.lines import PlainLines
    from verifyrig.terminal.panel import LivePanel

    plan = report_inputs.profile()
    stages = tuple(replace(stage, name=ALL) for stage in plan.stages)
    plan = replace(plan, name=FRONT, title=ALL, stages=stages, cautions=(ALL,))
    view = TickView(
        t_s=40.0, stage=stages[1], stage_s=40.0, remaining_s=None, share=1.0,
        readings={"die_temp_c": Reading(value=50.0)}, limits_c={}, margin_k=20.0, forecast=None,
    )  # fmt: skip
    drawn, lined = io.StringIO(), io.StringIO()
    panel, lines = LivePanel(), PlainLines(lined, every_s=1.0)
    panel._console = Console(file=drawn, force_terminal=False, width=100, markup=False, highlight=False)
    for face in (panel, lines):
        face.begin(plan, {}, [ALL])
        face.stage(stages[1], 1, 0.0)
        face.tick(view)
        face.say(ALL, loud=True)
        face.end()
    panel._console.print(panel._draw(view))
    assert "[bold red]" in drawn.getvalue() and "[bold red]" in lined.getvalue()
    assert is_harmless(lined.getvalue())
    assert not hidden_in(drawn.getvalue())  # its own wrapping may begin a line anywhere


# ---- the one way out


@given(hostile)
def test_plain_text_is_harmless_and_stays_itself(text: str) -> None:
    assert is_harmless("x" + plain_line(text)) and "\n" not in plain_line(text)
    assert is_harmless("x" + plain_lines([text])) and "\n" not in plain_lines([text])
    assert is_harmless("x" + plain_block(text).replace("\n", " "))
    assert plain_line(plain_line(text)) == plain_line(text)
    assert len(plain_line(text, 12)) <= 12
    assert not plain_cell(text).startswith(("=", "+", "-", "@", "|", "%"))


@pytest.mark.parametrize(
    "text",
    # Names as people have them; the joiners in the Persian and the Sinhala word belong to the spelling.
    [
        "Zoë Müller-Łukasz", "می\u200cخواهم", "ශ\u0dca\u200dර\u0dd3", "山田 太郎", "אבג 12", "O’Neill & Sons",
        "22 °C → 3 Ω",
    ],
)  # fmt: skip
def test_names_of_people_stay_as_they_are(text: str) -> None:
    assert plain_line(text) == text
    assert plain_block(text) == text


def test_what_was_there_is_shown_or_replaced() -> None:
    assert plain_line("a\x1b[31mb") == "a\ufffd[31mb"
    assert plain_line("x\u202egpj.exe") == "x[U+202E]gpj.exe"
    assert plain_line("ad\u200bmin\u200d") == "admin"
    assert plain_line("two\n  lines\t\tand more") == "two lines and more"
    assert plain_lines(["  kept in\nplace", "next"]) == "  kept in place\nnext"


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | hostile | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(hostile, inner, max_size=3) | st.tuples(inner, inner),
    max_leaves=8,
)


@given(values)
def test_json_text_is_valid_harmless_and_loses_nothing(value: Any) -> None:
    for ascii_only in (False, True):
        text = json_text(value, ascii_only=ascii_only)
        assert is_harmless(text)
        read = json.loads(text, parse_constant=pytest.fail)
        assert read == plain_json(value)
        assert not re.search("[\ud800-\udfff]", json.dumps(read, ensure_ascii=False))


def test_endless_numbers_are_null_in_json() -> None:
    import numpy as np

    found = plain_json(
        {"a": 10**5000, "b": float("inf"), "c": np.array([1.5, np.nan]), "d": {np.float64(2.0)}, 3: np.int64(4)}
    )
    assert found == {"a": None, "b": None, "c": [1.5, None], "d": [2.0], "3": 4}


# ---- that it stays the one way


def _calls(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func)
        elif isinstance(node, ast.Attribute):
            yield ast.unparse(node)


def test_nothing_is_printed_and_no_text_is_cleaned_beside_the_one_way() -> None:
    own = {
        "print": {"files/streams.py", "commands/printing.py", "terminal/lines.py", "commands/channels.py"},
        "sys.stdout.write": set(),
        "sys.stderr.write": set(),
        "unicodedata.category": {"core/plain_text.py"},
        "json.dump": set(),
    }
    for path in (REPO / "verifyrig").rglob("*.py"):
        name = path.relative_to(REPO / "verifyrig").as_posix()
        calls = set(_calls(ast.parse(path.read_text(encoding="utf-8"))))
        if name.startswith("loads/"):
            continue  # programs of their own: what they print is read by the program that started them
        for call, places in own.items():
            assert call not in calls or name in places, f"{name} calls {call}"
