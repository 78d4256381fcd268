"""Notices reach real receivers on loopback - a folder, a program, HTTP servers that misbehave, a broker - each once its
id is looked at, in order, and nothing is lost by a kill; a run waits for none of them."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import hmac
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.test_contract import SHORT, verifyrig
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.bench.notice_targets import NoticeTarget, NoticeWay, targets_of
from verifyrig.core.errors import BenchError
from verifyrig.notify.contract import NoticeAlarm
from verifyrig.notify.delivery import LONGEST_WAIT_S, deliver, pause_s
from verifyrig.notify.hand_over import alarm_notice, spool_of, targets_allowed
from verifyrig.notify.spool import Spool

HANG_S = 60.0
KEY = "an invented key"
FACTS = {"bench": "bench-1", "batch": "b7", "operator": "A. Invented"}


def alarm(number: int) -> Any:
    said: NoticeAlarm = {
        "code": "trip", "text": f"alarm {number}", "profile": "short", "unit": "=1+1", "batch": "b7", "run": None,
        "metric": None,
    }  # fmt: skip
    return alarm_notice(said, FACTS, notice_id=f"alarm-{number}")


def bench_with(folder: Path, table: str) -> tuple[Bench, tuple[NoticeTarget, ...], Spool]:
    (folder / "bench.toml").write_text(f'[bench]\nid = "bench-1"\n[[notify]]\nid = "one"\n{table}\n', encoding="utf-8")
    (folder / "bench.toml").chmod(0o600)
    (folder / "hook.key").write_text(KEY + "\n", encoding="utf-8")
    (folder / "hook.key").chmod(0o600)
    bench = find_bench(str(folder))
    targets, refused = targets_allowed(bench)
    assert refused == ""
    return bench, targets, spool_of(bench)


def delivered(bench: Bench, targets: tuple[NoticeTarget, ...], spool: Spool, count: int, *, rounds: int = 1) -> bool:
    """Keep `count` alarms and deliver; what is left is tried again at once in each further round."""
    for number in range(count):
        assert spool.put(targets[0], alarm(number), time.time())
    done = [deliver(spool, targets, bench.root, patience_s=0.0, at_once=True) for _ in range(rounds)]
    return done[-1]


# ---- a folder, and a program


def test_a_folder_gets_one_csv_file_each_whole_and_in_order(tmp_path: Path) -> None:
    bench, targets, spool = bench_with(tmp_path, 'by = "folder"\nfolder = "drop"')
    assert not delivered(bench, targets, spool, 3)  # a share that is not mounted is no folder to be made
    head = spool.head("one")
    assert head is not None and head.said == "there is no folder drop" and not (tmp_path / "drop").exists()
    (tmp_path / "drop").mkdir()
    assert deliver(spool, targets, bench.root, patience_s=30.0, at_once=True)
    files = sorted((tmp_path / "drop").iterdir())
    tables = [list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) for path in files]
    assert [table[0]["id"] for table in tables] == ["alarm-0", "alarm-1", "alarm-2"]
    assert [table[0]["number"] for table in tables] == ["1", "2", "3"]
    assert tables[0][0]["unit"] == "'=1+1" and tables[0][0]["bench"] == "bench-1"  # no formula for a spreadsheet


def test_a_program_gets_json_on_its_input_and_is_ended_past_its_time(tmp_path: Path) -> None:
    script = tmp_path / "take.py"
    script.write_text(
        "import pathlib, subprocess, sys, time\n"
        "told, calls = sys.stdin.read(), pathlib.Path('calls')\n"
        "calls.write_text(calls.read_text() + 'x' if calls.exists() else 'x')\n"
        "n = len(calls.read_text())\n"
        "if n == 1: print('no room', file=sys.stderr); sys.exit(3)\n"
        "if n == 2:\n"
        "    child = subprocess.Popen(['sleep', '600'])\n"
        "    pathlib.Path('child').write_text(str(child.pid)); time.sleep(600)\n"
        "with open('taken', 'a') as out: out.write(told + chr(10))\n",
        encoding="utf-8",
    )
    command = json.dumps([sys.executable, str(script)])
    bench, targets, spool = bench_with(tmp_path, f'by = "command"\ncommand = {command}\ntimeout_s = 5')
    spool.put(targets[0], alarm(0), time.time())
    assert not deliver(spool, targets, bench.root, patience_s=0.0)
    said = spool.head("one")
    assert said is not None and said.said.endswith("ended with 3: no room")
    assert not deliver(spool, targets, bench.root, patience_s=0.0, at_once=True)
    said = spool.head("one")
    assert said is not None and said.said.endswith("did not end within 5 s") and said.tries == 2
    _wait(lambda: not _runs(int((tmp_path / "child").read_text())))  # what it started is ended with it
    assert deliver(spool, targets, bench.root, patience_s=0.0, at_once=True)
    (told,) = (tmp_path / "taken").read_text(encoding="utf-8").splitlines()
    assert json.loads(told)["alarm"]["text"] == "alarm 0" and json.loads(told)["number"] == 1


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def _wait(ready: Callable[[], bool]) -> None:
    ends_s = time.monotonic() + HANG_S
    while not ready():
        assert time.monotonic() < ends_s
        time.sleep(0.02)


# ---- a web server


class Receiver(HTTPServer):
    """Answers each request as the next of `answers` says, and keeps what it was sent."""

    def __init__(self, answers: list[str]) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.answers = answers
        self.got: list[tuple[dict[str, str], bytes]] = []
        self.stop = threading.Event()
        threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    @property
    def table(self) -> str:
        url = f"http://127.0.0.1:{self.server_address[1]}/in?line=1"
        return f'by = "webhook"\nurl = "{url}"\nkey_file = "hook.key"\ntimeout_s = 1'


class _Handler(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.got.append((dict(self.headers), body))
        answer = self.server.answers.pop(0) if self.server.answers else "200"
        if answer == "drip":  # a byte now and then: no single read ever times out
            self.wfile.write(b"HTTP/1.1 200 OK\r\nX: ")
            while not self.server.stop.wait(0.05):
                try:
                    self.wfile.write(b"x")
                except OSError:
                    return
        elif answer == "gone":
            self.connection.shutdown(socket.SHUT_RDWR)
        elif answer == "twice":
            self.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok" * 2)
        else:
            self.send_response(int(answer))
            self.send_header("Retry-After", "120")
            self.send_header("Content-Length", "0")
            self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


@pytest.fixture
def receiver() -> Iterator[Callable[[list[str]], Receiver]]:
    started: list[Receiver] = []

    def start(answers: list[str]) -> Receiver:
        started.append(Receiver(answers))
        return started[-1]

    yield start
    for one in started:
        one.stop.set()
        one.shutdown()
        one.server_close()


def test_a_webhook_is_signed_and_its_receiver_can_tell_what_it_had_before(
    tmp_path: Path, receiver: Callable[[list[str]], Receiver]
) -> None:
    # The first notice is received but its answer is lost, so it comes again; then two answers to one request.
    server = receiver(["gone", "200", "twice", "200"])
    bench, targets, spool = bench_with(tmp_path, server.table)
    assert delivered(bench, targets, spool, 3, rounds=2)
    sent = [json.loads(body)["id"] for _, body in server.got]
    assert sent == ["alarm-0", "alarm-0", "alarm-1", "alarm-2"]  # at least once, in order
    assert list(dict.fromkeys(sent)) == [headers["Verifyrig-Notice"] for headers, _ in server.got[1:]]
    for headers, body in server.got:
        # HMAC of RFC 2104 over what the receiver has in hand, by the standard library's one-shot form.
        told = hmac.digest(KEY.encode(), headers["Verifyrig-Time"].encode() + b"." + body, hashlib.sha256).hex()
        assert headers["Verifyrig-Signature"] == f"sha256={told}"
        assert abs(int(headers["Verifyrig-Time"]) - time.time()) < HANG_S
        assert KEY.encode() not in body and "A. Invented" not in body.decode()


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("500", "127.0.0.1 answered 500 Internal Server Error"),
        ("307", "127.0.0.1 answered 307 Temporary Redirect"),  # a signature is meant for one receiver
        ("drip", "127.0.0.1 did not answer within 1 s"),
        ("gone", "127.0.0.1 gave no whole answer"),
    ],
)
def test_a_server_that_fails_or_stalls_keeps_the_notice_waiting(
    tmp_path: Path, receiver: Callable[[list[str]], Receiver], answer: str, said: str
) -> None:
    server = receiver([answer])
    bench, targets, spool = bench_with(tmp_path, server.table)
    assert not delivered(bench, targets, spool, 2)
    head = spool.head("one")
    assert head is not None and head.said.startswith(said) and (head.number, head.tries) == (1, 1)
    assert len(server.got) == 1  # the second does not overtake the first
    assert head.next_utc_s - time.time() > (100 if answer in ("500", "307") else 0) - HANG_S  # Retry-After
    assert deliver(spool, targets, bench.root, patience_s=0.0, at_once=True)


def test_a_key_that_others_may_read_is_not_used(tmp_path: Path, receiver: Callable[[list[str]], Receiver]) -> None:
    server = receiver([])
    bench, targets, spool = bench_with(tmp_path, server.table)
    (tmp_path / "hook.key").chmod(0o644)
    assert not delivered(bench, targets, spool, 1)
    head = spool.head("one")
    assert head is not None and head.said == "others may read hook.key: `chmod 600` it" and server.got == []


# ---- a broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        pytest.skip("there is no mosquitto here")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    pytest.importorskip("paho.mqtt")
    (tmp_path / "broker.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n", encoding="utf-8")
    process = subprocess.Popen([program, "-c", str(tmp_path / "broker.conf")], stderr=subprocess.DEVNULL)
    _wait(lambda: socket.socket().connect_ex(("127.0.0.1", port)) == 0)
    yield port
    process.terminate()
    process.wait(HANG_S)


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_broker_gets_mqtt_5_with_the_id_beside_the_payload(tmp_path: Path, broker: int) -> None:
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    got: list[Any] = []
    ready = threading.Event()
    heard = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    heard.on_subscribe = lambda *_: ready.set()
    heard.on_message = lambda _client, _data, message: got.append(message)
    heard.connect("127.0.0.1", broker)
    heard.subscribe("line/notices", qos=1)
    heard.loop_start()
    try:
        assert ready.wait(HANG_S)
        table = f'by = "mqtt"\nhost = "127.0.0.1"\nport = {broker}\ntopic = "line/notices"\ntimeout_s = 20'
        bench, targets, spool = bench_with(tmp_path, table)
        assert delivered(bench, targets, spool, 3)
        _wait(lambda: len(got) == 3)
    finally:
        heard.disconnect()
        heard.loop_stop()
    assert [json.loads(one.payload)["number"] for one in got] == [1, 2, 3]
    assert [dict(one.properties.UserProperty)["id"] for one in got] == ["alarm-0", "alarm-1", "alarm-2"]
    assert {one.properties.ContentType for one in got} == {"application/json"} and {one.qos for one in got} == {1}


def test_a_broker_that_is_not_there_is_said(tmp_path: Path) -> None:
    pytest.importorskip("paho.mqtt")
    bench, targets, spool = bench_with(tmp_path, 'by = "mqtt"\nhost = "127.0.0.1"\nport = 1\ntopic = "x"')
    assert not delivered(bench, targets, spool, 1)
    head = spool.head("one")
    assert head is not None and head.said == "127.0.0.1 cannot be reached (Connection refused)"


# ---- the spool


_CHILD = """
import pathlib, sys, time
from tests.test_notify import alarm
from verifyrig.bench.notice_targets import NoticeTarget, NoticeWay
from verifyrig.notify.contract import NoticeAlarm
from verifyrig.notify.delivery import deliver
from verifyrig.notify.spool import Spool
root, first = pathlib.Path(sys.argv[1]), int(sys.argv[2])
target = NoticeTarget(id="one", way=NoticeWay.FOLDER, folder="drop")
spool = Spool(root / "notices.sqlite")
def take(target, notice, root):
    with open(root / "taken", "a") as out:
        out.write(notice.id + chr(10))
for number in range(first, 10_000):
    spool.put(target, alarm(number), time.time())
    print(number, flush=True)
    if number % 3 == 0:
        deliver(spool, [target], root, patience_s=5.0, ways={NoticeWay.FOLDER: take})
"""


def test_kills_lose_nothing_and_change_no_order(tmp_path: Path) -> None:
    first, acknowledged = 0, -1
    for kill in range(3):
        child = subprocess.Popen(
            [sys.executable, "-c", _CHILD, str(tmp_path), str(first)],
            stdout=subprocess.PIPE, text=True, cwd=Path(__file__).resolve().parent.parent,
        )  # fmt: skip
        with child:
            assert child.stdout is not None
            for line in child.stdout:
                acknowledged = int(line)
                if acknowledged >= first + 7 + 4 * kill:
                    os.kill(child.pid, signal.SIGKILL)
                    break
            acknowledged = max([acknowledged, *map(int, child.stdout.read().split())])
        first = acknowledged + 1
    target, spool = NoticeTarget(id="one", way=NoticeWay.FOLDER), Spool(tmp_path / "notices.sqlite")
    taken = (tmp_path / "taken").read_text(encoding="utf-8").split()
    while (left := spool.head("one")) is not None:
        taken.append(left.id)
        spool.taken(left)
    once = list(dict.fromkeys(taken))
    # One that was being put when the kill came is there or not; a restart then puts its number again.
    assert once == [f"alarm-{n}" for n in range(len(once))] and len(once) > acknowledged
    assert taken == sorted(taken, key=lambda name: int(name.partition("-")[2]))  # twice perhaps, never out of order
    assert spool.counts(target.id) == (0, 0)


def test_a_full_spool_leaves_out_and_counts_and_the_number_shows_the_gap(tmp_path: Path) -> None:
    target = NoticeTarget(id="one", way=NoticeWay.FOLDER, most_kept=2)
    other = NoticeTarget(id="two", way=NoticeWay.FOLDER)
    spool = Spool(tmp_path / "notices.sqlite")
    assert [spool.put(target, alarm(n), 0.0) for n in range(4)] == [True, True, False, False]
    assert spool.put(other, alarm(9), 0.0)
    assert spool.counts("one") == (2, 2) and spool.counts("two") == (1, 0)
    head = spool.head("one")
    assert head is not None
    spool.taken(head)
    assert spool.put(target, alarm(5), 0.0)
    seen = []
    while (head := spool.head("one")) is not None:
        seen.append(head.number)
        spool.taken(head)
    assert seen == [2, 5]


def test_pauses_double_to_a_quarter_of_an_hour() -> None:
    assert [pause_s(n) for n in (1, 2, 3, 10, 11, 500)] == [1, 2, 4, 512, LONGEST_WAIT_S, LONGEST_WAIT_S]
    assert pause_s(1, 120.0) == 120 and pause_s(1, 1e9) == LONGEST_WAIT_S


def test_one_target_that_fails_holds_up_no_other(tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    table = 'by = "folder"\nfolder = "nowhere"\n[[notify]]\nid = "two"\nby = "folder"\nfolder = "drop"'
    bench, targets, spool = bench_with(tmp_path, table)
    for target in targets:
        spool.put(target, alarm(1), time.time())
    assert not deliver(spool, targets, bench.root, patience_s=0.0)
    assert spool.counts("one")[0] == 1 and spool.counts("two")[0] == 0 and len(list((tmp_path / "drop").iterdir())) == 1


# ---- from the run


def test_a_run_hands_itself_over_and_an_unwilling_target_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "drop").mkdir()
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "short.toml").write_text(SHORT, encoding="utf-8")
    _, _, spool = bench_with(
        tmp_path,
        'by = "folder"\nfolder = "drop"\n[[notify]]\nid = "two"\nby = "command"\ncommand = ["/no/such/program"]\n'
        'events = ["alarm"]\n',
    )
    words = ["run", "short", "--mock", "healthy-air", "--unit", "u1", "--by", "A. Invented"]
    assert verifyrig(*words, cwd=tmp_path).returncode == 0
    _wait(lambda: len(list((tmp_path / "drop").glob("[0-9]*.csv"))) == 1)
    (file,) = (tmp_path / "drop").glob("[0-9]*.csv")
    text = file.read_text(encoding="utf-8")
    (row,) = csv.DictReader(text.splitlines())
    assert (row["event"], row["unit"], row["outcome"], row["verdict"]) == ("run", "u1", "completed", "pass")
    assert (row["metric"], row["metric_unit"]) == ("pulses.die_temp_c.peak", "°C") and float(row["value"]) < 80
    assert "Invented" not in text
    assert spool.counts("two") == (0, 0)  # it wanted no runs
    done = verifyrig("run", "short", "--mock", "coolant-stopped", "--unit", "u2", cwd=tmp_path)
    assert done.returncode == 3
    _wait(lambda: len(list((tmp_path / "drop").glob("[0-9]*.csv"))) == 3)
    last = [
        list(csv.DictReader(p.read_text(encoding="utf-8").splitlines())) for p in sorted((tmp_path / "drop").iterdir())
    ]
    assert [rows[0]["event"] for rows in last] == ["run", "alarm", "run"] and last[1][0]["alarm"] == "gate"
    _wait(lambda: (head := spool.head("two")) is not None and head.tries > 0)
    listed = json.loads(verifyrig("notices", "--json", cwd=tmp_path).stdout)["targets"]
    assert [one["waiting"] for one in listed] == [0, 1]
    assert listed[1]["said"] == "/no/such/program cannot be started (No such file or directory)"
    verifyrig("notices", "--give-up", "two", cwd=tmp_path)
    _wait(lambda: spool.counts("two") == (0, 0))


def test_a_run_whose_program_was_killed_is_told_of_at_the_next_start(tmp_path: Path) -> None:
    _, _, spool = bench_with(tmp_path, 'by = "folder"\nfolder = "later"')
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "short.toml").write_text(SHORT, encoding="utf-8")
    words = ["run", "short", "--mock", "healthy-air", "--speed", "20", "--unit", "u1"]
    child = subprocess.Popen(
        [sys.executable, "-m", "verifyrig", *words], cwd=tmp_path, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent)},
    )  # fmt: skip
    with child:
        _wait(lambda: any(samples_in(path) > 2 for path in (tmp_path / "runs").glob("*.sqlite")))
        child.kill()
    assert spool.head("one") is None
    assert verifyrig("runs", cwd=tmp_path).returncode == 0
    head = spool.head("one")
    assert head is not None
    told = json.loads(head.body)["run"]
    assert (told["unit"], told["outcome"], told["verdict"]) == ("u1", "interrupted", "not-measured")
    verifyrig("notices", "--give-up", "one", cwd=tmp_path)
    assert verifyrig("runs", cwd=tmp_path).returncode == 0 and spool.head("one") is None  # once


def samples_in(record: Path) -> int:
    try:
        with contextlib.closing(sqlite3.connect(f"file:{record}?mode=ro", uri=True)) as db:
            return int(db.execute("SELECT count(*) FROM sample").fetchone()[0])
    except sqlite3.Error:
        return 0


def test_bench_toml_says_what_is_wrong_with_a_target_and_never_holds_a_key(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(
        '[[notify]]\nid = "a b"\nby = "webhook"\nurl = "ftp://x"\nkey = "secret"\n'
        '[[notify]]\nid = "m"\nby = "mqtt"\nhost = "h"\ntopic = "a/#"\n[[notify]]\nid = "m"\nby = "pigeon"\n',
        encoding="utf-8",
    )
    with pytest.raises(BenchError) as told:
        find_bench(str(tmp_path))
    for word in (
        "notify[1]",
        "no id",
        "http",
        "'key'",
        "key_file",
        "notify[2]",
        "+ or #",
        "notify[3]",
        "twice",
        "pigeon",
    ):
        assert word in str(told.value), word


def test_a_bench_toml_of_somebody_else_sends_nothing(tmp_path: Path) -> None:
    bench, _, _ = bench_with(tmp_path, 'by = "folder"\nfolder = "drop"')
    (tmp_path / "bench.toml").chmod(0o666)
    assert targets_of(bench.config)
    targets, refused = targets_allowed(bench)
    assert targets == () and "others may write to it" in refused
