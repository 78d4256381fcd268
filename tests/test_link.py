"""The link of the second computer, each part by itself: clocks, codes, keys, and what comes that should not."""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import sqlite3
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from starlette.websockets import WebSocketDisconnect

from tests.link_hub import SECRET, client_of, following, hello, sent_whole
from tests.small_records import write_record
from tests.two_computers import wait_for
from verifyrig.commands.cli import run as command_line
from verifyrig.core.contract import CauseObject
from verifyrig.core.errors import UsageError
from verifyrig.core.outcome import CauseClass
from verifyrig.link import find, keys
from verifyrig.link.clock_offset import DRIFT_PPM, Exchange, OffsetFilter
from verifyrig.link.clocks import Clocks
from verifyrig.link.keys import BenchComputer, proof
from verifyrig.link.messages import Kind, encode
from verifyrig.link.pairing import PairingSide, WrongCode
from verifyrig.link.probes import ProbeValues
from verifyrig.link.sender import Sender
from verifyrig.record.check import check_record
from verifyrig.record.restart_note import Aftermath, aftermath_path, write_aftermath
from verifyrig.record.signature import (
    SignatureState,
    key_path,
    load_key,
    make_key,
    read_signatures,
    sign_record,
    signatures_path,
)
from verifyrig.record.tail import Tail
from verifyrig.runs.end_of_run import post_mortem_of
from verifyrig.serve.codes import LASTS_S, Codes
from verifyrig.serve.hub import Hub
from verifyrig.serve.mortem import made_of_it
from verifyrig.serve.page import Page
from verifyrig.serve.places import PlaceState
from verifyrig.serve.restored import AWAITED_S
from verifyrig.serve.seen import Seen, read_seen

if TYPE_CHECKING:
    from starlette.testclient import TestClient


# ---- clocks ------------------------------------------------------------------------------------------------------


def test_an_exchange_gives_offset_and_delay_as_the_standard_has_them() -> None:
    # RFC 5905, section 8, with the other clock 2.5 s ahead, 30 ms there, 10 ms back, 5 ms of thinking.
    one = Exchange(t1=100.0, t2=102.53, t3=102.535, t4=100.045)
    assert one.delay_s == pytest.approx(0.040) and one.offset_s == pytest.approx(2.51)
    # The true offset lies within half the delay of it, however the delay divides.
    assert abs(one.offset_s - 2.5) <= one.delay_s / 2


def test_the_stated_offset_holds_the_true_one_whatever_the_way_does() -> None:
    rng = random.Random(5905)
    for _ in range(50):
        true_s, found, own_s = rng.uniform(-1e4, 1e4), OffsetFilter(), rng.uniform(0, 1e5)
        for _ in range(20):
            own_s += 0.25
            there_s, back_s = rng.expovariate(20), rng.expovariate(5)
            found.add(Exchange(own_s, own_s + there_s + true_s, own_s + there_s + true_s, own_s + there_s + back_s))
        offset = found.now(own_s + 1)
        assert offset is not None and abs(offset.offset_s - true_s) <= offset.u95_s + 1e-9
    later = found.now(own_s + 1001)
    assert later is not None and offset is not None and later.u95_s >= offset.u95_s + 1000 * DRIFT_PPM * 1e-6 * 0.999


def test_a_wall_clock_that_somebody_sets_moves_nothing_but_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    now, wall_ahead_s = [50.0], [1.77e9]
    said: list[dict[str, Any]] = []
    own = Clocks(steady_s=lambda: now[0], wall_s=lambda: now[0] + wall_ahead_s[0])
    bench = BenchComputer(machine="m1", name="b", fingerprint="", secret=SECRET, host="")
    sender = Sender(bench, [], said.append, own)

    def beat() -> None:
        now[0] += 0.25
        t2 = now[0] - 0.002 + 900.0  # the bench computer's steady clock began 900 s earlier; 2 ms each way
        sender._take_beat({"t1": now[0] - 0.004, "t2": t2, "t3": t2, "wall_ahead_s": 1.77e9 - 900.0 + 7.0})

    for jump_s in (0.0, 3600.0, -7200.0):
        wall_ahead_s[0] += jump_s
        for _ in range(6):
            beat()
    clocks = [line["clock"] for line in said if "clock" in line]
    assert [round(clock["wall_offset_s"]) for clock in clocks] == [7, -3593, 3607]
    assert all(abs(clock["steady_offset_s"] - 900.0) <= clock["u95_s"] <= 0.0021 for clock in clocks)


def test_a_probe_that_hung_on_its_way_is_no_news(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("verifyrig.link.probes.boot_time_s", lambda: now[0])
    values = ProbeValues()
    values.take({"plate_temp_c": 40.0}, age_s=0.1)
    values.take({"plate_temp_c": 99.0}, age_s=5.0)  # older, though it came later
    values.take({"plate_temp_c": "hot"}, age_s=0.0)
    now[0] += 2.0
    taken = values.newest("plate_temp_c")
    assert taken is not None and (taken.value, round(taken.age_s, 6)) == (40.0, 2.1)


# ---- codes and keys ----------------------------------------------------------------------------------------------


def test_a_code_has_three_tries_and_five_minutes() -> None:
    now = [0.0]
    codes = Codes(lambda: now[0])
    assert codes.take_try() is None
    digits = codes.new()
    assert [codes.take_try() for _ in range(4)] == [digits, digits, digits, None]
    codes.new()
    now[0] += LASTS_S + 1
    assert codes.take_try() is None


def test_whoever_stands_between_with_another_certificate_is_found_out() -> None:
    machine, bench = PairingSide("482137", "shown by another", bench=False), PairingSide("482137", "own", bench=True)
    theirs, ours = bench.agree(machine.message), machine.agree(bench.message)
    with pytest.raises(WrongCode):
        theirs.check(ours.own_proof)
    right = PairingSide("482137", "own", bench=False)
    again = PairingSide("482137", "own", bench=True)
    theirs, ours = again.agree(right.message), right.agree(again.message)
    theirs.check(ours.own_proof)
    ours.check(theirs.own_proof)
    assert theirs.secret == ours.secret and len(ours.secret) == 64


def test_keys_are_their_owners_alone(hub: Hub) -> None:
    modes = {path.name: path.stat().st_mode & 0o777 for path in keys.link_folder().glob("*.*")}
    assert set(modes) == {"known.json", "key.pem", "certificate.pem"} and set(modes.values()) == {0o600}


@pytest.mark.parametrize(
    ("host", "speaks_from", "allowed"),
    [
        ("169.254.19.2", "169.254.19.1", True),
        ("fe80::1%eth0", "fe80::2", True),
        ("127.0.0.1", "127.0.0.1", True),
        ("169.254.19.2", "10.0.0.7", False),  # no cable: it would leave by the shop's network
        ("169.254.19.2", "", False),
        ("10.0.0.2", "10.0.0.7", False),
        ("bench.example", "169.254.19.1", False),
    ],
)
def test_only_the_direct_cable_counts_as_one(
    host: str, speaks_from: str, allowed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(find, "_own_address_towards", lambda _host, _port: speaks_from)
    with contextlib.nullcontext() if allowed else pytest.raises(UsageError, match="not reached over a direct cable"):
        find.check_direct(host, 8519)


def test_on_the_stick_nothing_but_the_direct_cable_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    known = BenchComputer(machine="m1", name="shop", fingerprint="ab" * 32, secret=SECRET, host="192.0.2.9")
    keys.write_known(keys.Known(bench_computers=(known,)))
    (tmp_path / "bench.toml").write_text("[bench_computer]\nlink_local_only = false\n")
    monkeypatch.setattr("verifyrig.system.stick.this_stick", lambda: object())
    for words in (
        ["run", "quick-look", "--mock", "healthy-air", "--bench-computer", "shop"],
        ["bench", "pair", "192.0.2.9", "--code", "123456"],
        ["bench", "serve", "--listen", "192.0.2.9"],
    ):
        assert command_line([*words, "--bench", str(tmp_path)]) == 2
        assert "direct cable" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "a b", "host:0", "host:99999", "host:x", "http://host", "[::1]:y"])
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        keys.address_of(text)


def test_addresses_have_a_port() -> None:
    told = ("bench", "10.0.0.2:99", "[fe80::1%eth0]:7", "fe80::1")
    assert [keys.address_of(one) for one in told] == [
        ("bench", 8519), ("10.0.0.2", 99), ("fe80::1%eth0", 7), ("fe80::1", 8519)]  # fmt: skip


# ---- what comes over the link ------------------------------------------------------------------------------------


def test_a_proof_is_good_for_one_connection(hub: Hub, client: TestClient) -> None:
    with client.websocket_connect("/link") as link:
        nonce = json.loads(link.receive_text())["nonce"]
        heard = encode(Kind.HELLO, machine="m1", proof=proof(SECRET, "machine", nonce, hub.certificate.fingerprint))
        link.send_text(heard)
        assert json.loads(link.receive_text())["kind"] == "welcome"
    with client.websocket_connect("/link") as link:
        link.receive_text()
        link.send_text(heard)
        assert json.loads(link.receive_text())["kind"] == "refused"
        with pytest.raises(WebSocketDisconnect):
            link.receive_text()
    with client.websocket_connect("/link") as link:
        assert hello(link, hub, "22" * 32)["kind"] == "refused"
    assert hub.places.refused["unknown"] == 2


def odd_messages(rng: random.Random, n: int) -> Iterator[str | bytes]:
    """Yield what no machine of ours sends."""
    good = encode(Kind.ROWS, n=3, first=1, samples=[[0.0, 1.77e9, 40.0]], tables={"run": [[1, "run", '"x"']]})
    kinds: list[Any] = [*Kind, "start-load", "raise", "", None, 7]
    for _ in range(n):
        cut = rng.randrange(len(good))
        yield rng.choice(
            (
                rng.randbytes(rng.randrange(1, 60)),
                rng.randbytes(20).decode("latin-1"),
                good[:cut],
                good[:cut] + rng.choice('{}[]",:9xé') + good[cut + 1 :],
                "[" * rng.randrange(1, 3000),
                json.dumps({"kind": rng.choice(kinds), "n": rng.choice((0, -1, "2", 1e9, True, None))}),
                json.dumps({"kind": "run", "n": 1, "run": "../../up", "channels": ["die_temp_c"]}),
                '{"kind":"beat","n":1,"t1":NaN}',
            )
        )


def test_odd_messages_are_refused_and_counted_and_the_run_goes_on(hub: Hub, client: TestClient, tmp_path: Path) -> None:
    rng, n = random.Random(8), 300
    record = write_record(tmp_path, 0)
    for text in odd_messages(rng, 40):  # from strangers
        with client.websocket_connect("/link") as link:
            link.receive_text()
            link.send_bytes(text) if isinstance(text, bytes) else link.send_text(text)
            assert json.loads(link.receive_text())["kind"] == "refused"
    strangers = sum(hub.places.refused.values())
    assert strangers == 40
    batch = Tail(record).after(0)
    with client.websocket_connect("/link") as link:
        assert hello(link, hub)["kind"] == "welcome"
        link.send_text(encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown={}))
        assert following(link, Kind.HAVE)["samples"] == 0
        rows = encode(Kind.ROWS, n=2, **batch.as_json())
        for text in odd_messages(rng, n):
            link.send_bytes(text) if isinstance(text, bytes) else link.send_text(text)
        link.send_text(rows)
        assert following(link, Kind.ACK) == {"kind": "ack", "samples": len(batch.samples), "closed": True}
        link.send_text(rows)  # replayed
        link.send_text(encode(Kind.BEAT, n=3, t1=1.0, wall_ahead_s=0.0))
        assert following(link, Kind.BEAT)["t1"] == 1.0
    counted = sum(hub.places.refused.values()) - strangers
    assert counted == n + 1 and hub.places.by_run[record.stem].state is PlaceState.ENDED


def test_a_machine_that_came_back_tells_what_its_system_remembered(
    hub: Hub, client: TestClient, tmp_path: Path
) -> None:
    record = write_record(tmp_path, 0, close=False)
    cause: CauseObject = {"class": CauseClass.POWER_OFF, "why": []}
    note = Aftermath(
        run=record.stem, seen_utc_s=1.78e9, outcome="interrupted", cause=cause,
        restarted_utc_s=1.78e9,
    )  # fmt: skip
    assert write_aftermath(record, note)
    told = json.loads(aftermath_path(record).read_text())
    with client.websocket_connect("/link") as link:
        hello(link, hub)
        link.send_text(encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown={}))
        following(link, Kind.HAVE)
        link.send_text(encode(Kind.ROWS, n=2, **Tail(record).after(0).as_json()))
        assert not following(link, Kind.ACK)["closed"]
        place = hub.places.by_run[record.stem]
        assert "Waits for the machine to come back" in made_of_it(place.twin)[-1]
        link.send_text(encode(Kind.AFTER, n=3, note={**told, "run": "20260202-080000-else"}))
        link.send_text(encode(Kind.AFTER, n=4, note=told))
        following(link, Kind.ACK)
        assert hub.places.refused["malformed"] == 1
        assert place.came_back and not any("Waits" in line for line in place.mortem)
        assert place.view["outcome"] == "interrupted"
        found = post_mortem_of(record)
        assert found is not None and str(found.conclusion)[1:] in " ".join(place.mortem)


def test_whoever_says_nothing_does_not_stay(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verifyrig.serve.app._PAIR_WITHIN_S", 0.05)
    monkeypatch.setattr("verifyrig.serve.receiver._HELLO_WITHIN_S", 0.05)
    with client.websocket_connect("/pair") as link, pytest.raises(WebSocketDisconnect) as slow_code:
        link.receive_text()
    with client.websocket_connect("/link") as link, pytest.raises(WebSocketDisconnect) as slow_hello:
        assert json.loads(link.receive_text())["kind"] == "challenge"
        link.receive_text()
    # A refusal is a machine's last word, and over a slow cable an answer takes its time: it is to try again.
    assert slow_code.value.code == slow_hello.value.code == 1013


def test_signatures_come_with_a_twin_and_those_of_something_else_do_not(
    hub: Hub, client: TestClient, tmp_path: Path
) -> None:
    record = write_record(tmp_path, 0)
    digest = check_record(record).digest
    make_key(key_path())
    sign_record(record, load_key(key_path()), run=record.stem, digest="0" * 64, now=datetime.now(UTC))
    wrong = signatures_path(record).read_text()
    signatures_path(record).unlink()
    sign_record(record, load_key(key_path()), run=record.stem, digest=str(digest), now=datetime.now(UTC))
    own = signatures_path(record).read_text()
    with client.websocket_connect("/link") as link:
        sent_whole(link, hub, record)
        wait_for(lambda: read_signatures(hub.places.by_run[record.stem].twin))
        for n, text in enumerate((wrong, own.replace('"bench"', '"counter"'), "{", None, own, own), start=3):
            link.send_text(encode(Kind.SIGNED, n=n, text=text))
            following(link, Kind.ACK)
        found = check_record(hub.places.by_run[record.stem].twin).signatures
    assert [(one.signature.role, one.state) for one in found] == [
        ("counter", SignatureState.FITS), ("bench", SignatureState.FITS)]  # fmt: skip
    assert hub.places.refused["not-fitting"] == 4


def test_a_service_that_began_anew_shows_what_was_dark_at_once_and_awaits_the_rest(
    hub: Hub, client: TestClient, tmp_path: Path
) -> None:
    records = [write_record(tmp_path, n, close=n == 2) for n in range(3)]
    for record in records:
        with client.websocket_connect("/link") as link:
            sent_whole(link, hub, record, device="Tower", customer="Q. Invented")
            if record is records[0]:
                hub.places.by_run[record.stem].heard_s -= 5.0
                (dark,) = hub.places.look(hub.clocks.steady_s())
                hub.note(dark, "word", state=dark.state.value, view=dark.view)
    for seen in hub.seen.values():
        seen.flush()

    async def anew() -> Hub:
        again = Hub(hub.bench, hub.certificate)
        again.restore()
        await again.examine(again.places.by_run[records[0].stem])
        return again

    again = asyncio.run(anew())
    assert [(place.run, place.state) for place in again.places.newest()] == [
        (records[0].stem, PlaceState.DARK), (records[1].stem, PlaceState.UNLINKED)]  # fmt: skip
    first, second = again.places.newest()
    assert first.mortem and first.machine_name == "left" and first.shown["customer"] == "Q. Invented"
    assert first.samples == len(first.series.t_s) > 0
    assert again.places.look(again.clocks.steady_s()) == []
    assert again.places.look(again.clocks.steady_s() + AWAITED_S + 0.1) == [second]


def test_a_forgotten_machine_is_cut_off_and_a_page_that_lost_its_pairing_ends(hub: Hub, client: TestClient) -> None:
    assert client.portal is not None
    with client.websocket_connect("/link") as link:
        assert hello(link, hub)["kind"] == "welcome"
        client.portal.call(hub.end_forgotten)
        link.send_text(encode(Kind.BEAT, n=1, t1=1.0, wall_ahead_s=0.0))
        assert following(link, Kind.BEAT)["t1"] == 1.0  # it is still known
        keys.write_known(hub.known.without("left"))
        client.portal.call(hub.end_forgotten)
        with pytest.raises(WebSocketDisconnect):
            link.receive_text()
    paired = [True, True, True, False]

    async def read() -> list[str]:
        return [event async for event in Page(hub, still_paired=lambda: paired.pop(0), wall=False).live()]

    assert asyncio.run(asyncio.wait_for(read(), 60.0)) and paired == []


def test_whoever_notes_what_was_seen_does_not_wait_for_the_disk(hub: Hub, tmp_path: Path) -> None:
    seen = Seen(tmp_path / "r.sqlite", Clocks())
    seen.note("word", state="running")
    seen.flush()
    with contextlib.closing(sqlite3.connect(tmp_path / "r.seen", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        began_s = time.monotonic()
        for n in range(100):
            seen.note("arrival", samples=n)
        assert time.monotonic() - began_s < 4.0  # SQLite waits 5 s for a lock
        other.execute("ROLLBACK")
    for _ in range(20):
        seen.flush()
        if len(found := read_seen(tmp_path / "r.sqlite", "arrival")) == 100:
            break
    assert [moment.detail["samples"] for moment in found] == list(range(100))
    seen.close()


def test_without_the_extra_both_sides_say_what_is_lacking_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "zeroconf", None)  # what an absent library looks like to an import
    monkeypatch.setitem(sys.modules, "spake2", None)
    (tmp_path / "bench.toml").touch()
    for words in (["bench", "serve"], ["run", "quick-look", "--mock", "healthy-air", "--bench-computer", "auto"]):
        assert command_line([*words, "--bench", str(tmp_path)]) == 2
        told = capsys.readouterr()
        assert told.out == "" and told.err == (
            "verifyrig[serve]: a second computer needs libraries that are not installed (zeroconf, spake2). "
            "Install them on both computers: pip install 'verifyrig[serve]'.\n"
        )


# ---- the page ----------------------------------------------------------------------------------------------------


def test_names_are_hidden_and_nothing_can_be_done_unless_paired(hub: Hub, client: TestClient, tmp_path: Path) -> None:
    record = write_record(tmp_path, 0)
    shown = {"job": "20260202-1", "customer": "Q. Invented", "ticket": "D-0001", "device": "<b>Tower</b>"}
    hub.bench.reports_dir.mkdir()
    (hub.bench.reports_dir / "20260202-1.html").write_text("the report")
    with client.websocket_connect("/link") as link:
        hello(link, hub)
        link.send_text(encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown=shown))
        following(link, Kind.HAVE)
        end = f"/places/{record.stem}/end"
        masked = client.get("/").text
        assert "Q. Invented" not in masked and "D-0001" not in masked and end not in masked
        assert "&lt;b&gt;Tower" in masked and "customer&#39;s name hidden" in masked
        assert client.post(end).status_code == 403
        assert client.get("/reports/20260202-1.html").status_code == 404
        wrong = client.post("/unlock", data={"code": "1"})
        assert wrong.status_code == 403 and client.post(end).status_code == 403
        code = hub.codes.new()
        assert client.post("/unlock", data={"code": code}, headers={"origin": "https://evil"}).status_code == 403
        assert client.post("/unlock", data={"code": f"{code[:3]} {code[3:]}"}).status_code == 200
        plain = client.get("/").text
        assert "Q. Invented" in plain and "D-0001" in plain and end in plain
        assert client.get("/reports/20260202-1.html").text == "the report"
        for odd in ("../bench.toml", "..%2fjob.html", "20260202-1.css"):
            assert client.get(f"/reports/{odd}").status_code == 404
        assert client.post(end, headers={"x-bench": "1"}).status_code == 204
        assert following(link, Kind.END_LOAD)["number"] == 1


def test_another_name_leads_no_browser_to_the_page_of_the_loopback(hub: Hub) -> None:
    with client_of(hub, "http://evil.example:8520") as elsewhere:
        assert elsewhere.get("/").status_code == 421
    with client_of(hub, "http://localhost:8520") as here:
        assert here.get("/").status_code == 200
        assert here.post("/local/code").status_code == 403
        assert here.post("/local/code", headers={"x-local-key": "local"}).status_code == 200
