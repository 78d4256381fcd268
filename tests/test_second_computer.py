"""A machine and its bench computer as real programs, each in a network namespace of its own, over a cable that fails.

What a twin is worth is told by the record's own digests (`record/check.py`): one of a row that was lost, doubled or
swapped does not fit.
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.bad_cable import BENCH_HOST, Cable, why_not
from tests.link_kills import kill_many
from tests.ramp import Ramp, apart_s, written_s
from tests.two_computers import PORT, REPO, Answered, Browser, Computer, Served, two_computers, wait_for
from verifyrig.core.event_kind import EventKind
from verifyrig.core.integrity import Integrity
from verifyrig.record import read_trace
from verifyrig.record.check import check_record, integrity_of
from verifyrig.record.signature import SignatureState, make_key
from verifyrig.runs.probe_times import read_times_s

REASON = why_not()
pytestmark = [
    pytest.mark.skipif(bool(REASON), reason=REASON),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

PROFILE = """
name = "watched"
title = "Invented load that somebody or something ends"

[sampling]
period_s = 0.5

[trip]
die_temp_c = { max = 95.0 }
PLATE
stale_after_s = 2.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 2

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 1, count = 60, workers = "quarter" }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 3
"""
PLATE = "plate_temp_c = { max = 90.0 }"
RUN = ("run", "--mock", "healthy-air", "--bench-computer", BENCH_HOST, "--json")
ONE_AXIS = """
name = "one-axis"
title = "Invented machine whose die and plate rise alike"

[sampling]
period_s = 0.1

[trip]
die_temp_c = { max = 100.0 }
plate_temp_c = { max = 90.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 4

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 1, count = 60, workers = "quarter" }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 1
"""
# Clocks since power-on that lie a day and an hour apart, where the system lets a process have its own.
UP_SINCE_S = 90_000 if subprocess.run(["unshare", "--time", "true"], capture_output=True).returncode == 0 else 0
# 20 ms on a direct cable, and what a displayed value is rounded by: 0.1 °C on 4 K/s.
ONE_AXIS_S = 0.020 + 0.1 / 4 / 2

# One process for all tries: what `verifyrig bench pair` calls.
TRIES = """
import sys
from verifyrig.core.errors import UsageError
from verifyrig.link.pair_command import pair_with
for code in sys.argv[3:]:
    try:
        pair_with(sys.argv[1], int(sys.argv[2]), code, own_name="x")
    except UsageError as error:
        print(error)
"""


class Stand:
    """The two computers as the tests use them."""

    def __init__(self, machine: Computer, served: Served, cable: Cable) -> None:
        self.machine, self.served, self.cable = machine, served, cable
        self.cookie = ""
        self.runs: list[subprocess.Popen[str]] = []
        self.browser = Browser(served.computer, PORT + 1)

    def page(self, method: str = "GET", path: str = "/", cookie: str | None = None, **fields: str) -> Answered:
        return self.browser.ask(method, path, self.cookie if cookie is None else cookie, **fields)

    def pair_browser(self) -> None:
        if not self.cookie:
            self.cookie = self.page("POST", "/unlock", "", code=self.served.new_code()).cookie

    def run(self, profile: str, *words: str) -> subprocess.Popen[str]:
        self.runs.append(self.machine.start(*RUN[:1], profile, *RUN[1:], *words))
        return self.runs[-1]

    def words(self) -> list[str]:
        return re.findall(r"<strong>([A-Z ]+)</strong>", self.page().body)

    def close(self) -> None:
        """Leave nothing running, also of a test that failed."""
        self.browser.close()
        for run in self.runs:
            if run.returncode is None:
                run.kill()
                run.communicate()


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stand]:
    with two_computers(tmp_path_factory.mktemp("two")) as (machine, served, cable):
        paired = machine.run("bench", "pair", BENCH_HOST, "--code", served.code, "--name", "left", "--json")
        assert paired.returncode == 0, paired.stderr
        (machine.bench / "bench.toml").write_text("[bench_computer]\nlink_local_only = true\n")  # it is a direct cable
        make_key(machine.folder / "config" / "verifyrig" / "signing-key.pem")
        make_key(served.computer.folder / "config" / "verifyrig" / "signing-key.pem")
        (machine.bench / "profiles").mkdir()
        for name, plate in (("watched", ""), ("probed", PLATE)):
            text = PROFILE.replace("PLATE", plate).replace('"watched"', f'"{name}"')
            (machine.bench / "profiles" / f"{name}.toml").write_text(text)
        stand = Stand(machine, served, cable)
        with contextlib.closing(stand):
            yield stand


def _ended(process: subprocess.Popen[str]) -> dict[str, Any]:
    out, err = process.communicate(timeout=100)
    assert out, err
    found: dict[str, Any] = json.loads(out)
    assert "error" not in found, err
    return found


def _whole_twin(stand: Stand, run: str) -> Path:
    """Return the twin of a run once it is sealed, and is the record to the last digest."""
    wait_for(lambda: run in stand.served.twins())
    twin = stand.served.twins()[run]
    wait_for(lambda: integrity_of(twin)[0] is Integrity.SEALED)
    record = next(path for path in stand.machine.records() if path.stem == run)
    assert check_record(twin).digest == check_record(record).digest
    wait_for(lambda: len(check_record(twin).signatures) == 2)  # the machine's own, and a counter-signature
    signed = {one.signature.role: one for one in check_record(twin).signatures}
    assert {one.state for one in signed.values()} == {SignatureState.FITS}
    assert signed["bench"].signature == check_record(record).signatures[0].signature
    return twin


def _acts(record: Path) -> list[str]:
    return [event.detail["act"] for event in read_trace(record).events if event.kind == EventKind.BENCH_COMPUTER]


def test_a_wrong_code_pairs_nobody_and_is_void_after_three_tries(stand: Stand) -> None:
    code = stand.served.new_code()
    wrong = f"{(int(code) + 1) % 1_000_000:06d}"
    kept = stand.served.computer.folder / "config" / "verifyrig" / "link" / "known.json"
    before = kept.read_bytes()
    tries = stand.machine.start(BENCH_HOST, str(PORT), *[wrong] * 3, code, program=(sys.executable, "-c", TRIES))
    said, faults = tries.communicate(timeout=100)
    assert said.count("the code is not the one") == 3 and said.count("shows no code now") == 1, said + faults
    assert kept.read_bytes() == before


def test_over_a_bad_cable_the_twin_is_the_record(stand: Stand) -> None:
    try:
        stand.cable.delay_s, stand.cable.dropped, stand.cable.swapped = 0.15, 0.3, 0.2  # 300 ms there and back
        run = stand.run("watched", "--speed", "1")  # far longer than it takes to link
        wait_for(lambda: stand.served.twins())
        stand.cable.cut = True
        with pytest.raises(subprocess.TimeoutExpired):
            run.wait(3)
        stand.cable.cut = False
        run.terminate()
        found = _ended(run)
    finally:
        stand.cable.as_new()
    twin = _whole_twin(stand, found["run"])
    assert found["outcome"] == "interrupted" and "linked" in _acts(twin)


def _ended_from_the_page(stand: Stand, run: subprocess.Popen[str]) -> dict[str, Any]:
    """End the load of the one run that is linked, from the page; return its answer."""
    ends = r'action="(/places/[^"]+/end)"'
    assert re.findall(ends, stand.page().body) == []  # nobody is paired: nothing can be ended
    stand.pair_browser()
    path = wait_for(lambda: re.findall(rf'{ends}><button class="end" aria-disabled="false"', stand.page().body))[0]
    assert stand.page("POST", path, "bench-browser=guessed").status == 403
    assert stand.page("POST", path).status == 204
    found = _ended(run)
    assert (found["outcome"], found["cause"]["class"]) == ("interrupted", "operator")
    assert found["cause"]["why"] == ["the load was ended from the bench computer"]
    assert re.search(r"off after \d+ ms", stand.page().body)
    return found


@contextlib.contextmanager
def _probe(stand: Stand, *shows: str) -> Iterator[None]:
    """A thermometer on the bench computer, which is started anew with it, at a port that nobody was told."""
    bench = stand.served.computer
    thermometer = bench.start(
        "thermometer", "--url", "socket://127.0.0.1:8530", *shows, program=(sys.executable, "-m", "mock_hw")
    )
    try:
        (bench.bench / "bench.toml").write_text(
            '[[instrument]]\nid = "lent"\nurl = "socket://127.0.0.1:8530"\nchannels = { t1 = "plate_temp_c" }\n'
        )
        stand.served.kill()
        stand.served.port += 10
        stand.served.start()
        stand.cookie = ""
        yield
    finally:
        thermometer.kill()
        thermometer.communicate()


def test_a_silent_link_ends_what_obeys_it_or_is_guarded_over_it_and_the_page_ends_the_rest(stand: Stand) -> None:
    with _probe(stand, "--constant", "31.5", "--period", "0.3"):
        auto = ("--bench-computer", "auto")  # found by its announcement: it is where it was not before
        runs = {
            "obeys": stand.run("watched", "--speed", "1", "--obey-link", *auto),
            "guarded": stand.run("probed", "--speed", "1", "--bench-probe", "plate_temp_c", *auto),
            "neither": stand.run("watched", "--speed", "1", *auto),
        }
        wait_for(lambda: stand.words().count("LOAD ON") == 3)
        stand.cable.cut = True
        wait_for(lambda: stand.words().count("WENT DARK") == 3)
        ended = {name: _ended(runs[name]) for name in ("obeys", "guarded")}
        assert runs["neither"].poll() is None
        stand.served.kill()
        stand.served.start()
        assert stand.words().count("WENT DARK") == 3  # at once, from what it kept
        none = stand.machine.run("run", "quick-look", "--mock", "healthy-air", *auto, "--json")
        assert none.returncode == 2 and none.stderr.count("\n") == 1, none.stderr
        assert "no bench computer that this machine was paired with is found" in none.stderr
        stand.cable.as_new()
        wait_for(lambda: "LOAD ON" in stand.words())
        ended["neither"] = _ended_from_the_page(stand, runs["neither"])
    assert ended["obeys"]["outcome"] == "stopped"
    assert (ended["guarded"]["outcome"], ended["guarded"]["trip"]["rule"]) == ("tripped", "no-reading")
    assert ended["guarded"]["trip"]["channel"] == "plate_temp_c"
    stopped = read_trace(stand.machine.bench / "runs" / f"{ended['obeys']['run']}.sqlite").facts
    assert [why["code"] for why in stopped["stopped_reasons"]] == ["link-silent"]
    # What the two had not sent when they ended, they send with the next run.
    nothing = stand.run("quick-look", "--speed", "max", *auto)
    _ended(nothing)
    for found in ended.values():
        _whole_twin(stand, found["run"])


def test_a_probe_that_guards_nothing_is_lent_again_after_a_cut(stand: Stand) -> None:
    with _probe(stand, "--constant", "31.5", "--period", "0.3"):
        words = ("--speed", "1", "--bench-computer", "auto", "--bench-probe", "plate_temp_c")
        run = stand.run("watched", *words)
        wait_for(lambda: "LOAD ON" in stand.words())
        other = stand.machine.run("run", "watched", *RUN[1:3], *words, "--json")
        assert other.returncode == 2 and other.stderr.count("\n") == 1, other.stderr
        assert "the probe plate_temp_c is lent to another run. Name a probe that is free" in other.stderr
        stand.cable.cut = True
        wait_for(lambda: "WENT DARK" in stand.words())
        wait_for(lambda: "lost" in _acts(max(stand.machine.records())))  # the bench computer does not notice
        stand.cable.as_new()
        wait_for(lambda: "LOAD ON" in stand.words())
        wait_for(lambda: "back" in _acts(max(stand.machine.records())))
        run.terminate()
        twin = _whole_twin(stand, _ended(run)["run"])
    assert [act for act in _acts(twin) if act != "clock"] == ["linked", "lost", "back"]


def test_probe_and_machine_stand_on_one_axis_whatever_their_clocks_say_and_the_probe_trips(
    stand: Stand, tmp_path: Path
) -> None:
    machine = stand.machine
    set_by = tmp_path / "set-by"
    path = f"{REPO / 'tests' / 'set_clock'}:{REPO}"
    env = {**machine.env, "PYTHONPATH": path, "CLOCK_SET_BY": str(set_by)}
    (machine.bench / "profiles" / "one-axis.toml").write_text(ONE_AXIS)
    ramp = Ramp(tmp_path / "root")
    ramp.start()
    machine.env, before, machine.up_since_s = env, machine.env, UP_SINCE_S
    try:
        with _probe(stand, "--follow", str(ramp.plate), "--period", "0.1"):
            words = ("--root", str(tmp_path / "root"), "--bench-computer", "auto", "--bench-probe", "plate_temp_c")
            run = machine.start("run", "one-axis", *words, "--json")
            wait_for(lambda: "IDLE" in stand.words())
            set_by.write_text("3600")
            wait_for(lambda: "LOAD ON" in stand.words())
            set_by.write_text("-3600")
            time.sleep(2.0)  # what is measured after the last setting
            ramp.plate_c = 96.0
            found = _ended(run)
    finally:
        machine.env, machine.up_since_s = before, 0
        ramp.stop()
    assert (found["outcome"], found["trip"]["channel"], found["trip"]["stage"]) == ("tripped", "plate_temp_c", "pulses")
    trace = read_trace(_whole_twin(stand, found["run"]))
    read_s = read_times_s(trace, "plate_temp_c")
    assert read_s is not None and read_times_s(trace, "die_temp_c") is None
    die_s, plate_s = (written_s(trace.columns[name]) for name in ("die_temp_c", "plate_temp_c"))
    apart = apart_s(plate_s - read_s, die_s - trace.t_s)[trace.columns["plate_temp_c"] < 80]
    clocks = [e.detail for e in trace.events if e.kind == EventKind.BENCH_COMPUTER and e.detail["act"] == "clock"]
    assert len(apart) > 40 and abs(float(np.median(apart))) <= ONE_AXIS_S + max(c["u95_s"] for c in clocks)
    # On a busy machine the first setting may come before the first look at the clocks.
    assert {-3600, 3600} <= {round(clock["wall_offset_s"], -2) for clock in clocks} <= {-3600, 0, 3600}
    assert all(abs(clock["steady_offset_s"] + UP_SINCE_S) < 5 for clock in clocks)


def test_killing_either_side_loses_doubles_and_swaps_nothing(tmp_path: Path) -> None:
    done = kill_many(tmp_path, kills=3, seed=19)  # the long form is the benchmark `serve`
    assert done["faults"] == [] and done["acknowledged"] > 0, done
