"""Connections of one run, one after another and beside one another: what the next finds, what becomes of the last."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest
from starlette.websockets import WebSocket, WebSocketDisconnect

from tests.hanging_disk import HANG_S, HangingDisk
from tests.link_hub import SECRET, following, hello, sent_whole
from tests.small_records import write_record
from tests.two_computers import wait_for
from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RecordError
from verifyrig.link.clocks import Clocks
from verifyrig.link.keys import BenchComputer, PairedMachine
from verifyrig.link.messages import Kind, encode
from verifyrig.link.outbox import Unsent, remember, unsent
from verifyrig.link.sender import Sender
from verifyrig.link.session import NotNow, NotWanted, Session
from verifyrig.record.check import check_record
from verifyrig.record.signature import key_path, make_key, read_signatures
from verifyrig.record.tail import Tail
from verifyrig.record.twin import Left, NotTaken, Twin
from verifyrig.rig.live_record import bring_in, live_folder, put_in_place
from verifyrig.serve.hub import Hub
from verifyrig.serve.places import Place
from verifyrig.serve.receiver import Receiver
from verifyrig.serve.restored import AWAITED_S

if TYPE_CHECKING:
    from starlette.testclient import TestClient


def test_a_connection_that_ends_while_its_rows_go_to_a_slow_disk_holds_nobody_up_and_loses_none(
    hub: Hub, client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = write_record(tmp_path, 0)
    make_key(key_path())
    disk = HangingDisk(monkeypatch)
    run = encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown={})
    with client.websocket_connect("/link") as link:
        hello(link, hub)
        link.send_text(run)
        following(link, Kind.HAVE)
        link.send_text(encode(Kind.ROWS, n=2, **Tail(record).after(0).as_json()))
        disk.wait_until_asked()
    assert client.get("/").status_code == 200
    disk.let_go()
    with client.websocket_connect("/link") as link:
        hello(link, hub)
        link.send_text(run)
        assert following(link, Kind.HAVE) == {
            "kind": "have",
            "samples": len(Tail(record).after(0).samples),
            "closed": True,
        }
    twin = hub.places.by_run[record.stem].twin
    assert check_record(twin).digest == check_record(record).digest
    assert [one.role for one in wait_for(lambda: read_signatures(twin))] == ["counter"]  # nobody was there to do it


def _sender(say: Callable[[dict[str, Any]], None]) -> Sender:
    return Sender(BenchComputer(machine="m1", name="b", fingerprint="", secret=SECRET, host=""), [], say)


class _Line:
    """The machine's end of a connection, as the program that sends sees it; the other side has no sample yet."""

    def __init__(self, sender: Sender, *, seals: bool = True) -> None:
        self._sender, self._seals = sender, seals
        self.rows: list[dict[str, Any]] = []
        self.is_told_gone = False

    async def send(self, kind: Kind, **fields: Any) -> None:
        self.is_told_gone |= kind is Kind.GONE
        if kind is Kind.ROWS:
            self.rows.append(fields)
        self._sender._whole = self._seals and kind is Kind.ROWS
        self._sender._acked.set()


def test_a_look_at_the_record_that_outlives_its_connection_keeps_no_row_from_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = write_record(tmp_path, 0)
    begun, go_on, after = threading.Event(), threading.Event(), Tail.after
    looks: list[threading.Thread] = []

    def slowly(tail: Tail, samples: int) -> Any:
        looks.append(threading.current_thread())
        if len(looks) == 1:
            begun.set()
            assert go_on.wait(HANG_S)
        found = after(tail, samples)
        done.set()
        return found

    async def twice() -> _Line:
        sender = _sender(lambda _said: None)
        sender.obey({"follow": str(record), "run": record.stem})
        sender.run_is_over()
        first, second = _Line(sender), _Line(sender)
        lost = asyncio.create_task(sender._send(cast(Session, first)))
        await asyncio.to_thread(begun.wait, HANG_S)
        lost.cancel()
        await asyncio.gather(lost, return_exceptions=True)
        introduce = sender._introduce

        async def introduced(*given: Any) -> None:
            await introduce(*given)
            done.clear()
            go_on.set()  # the look of the lost connection ends now
            await asyncio.to_thread(done.wait, HANG_S)

        monkeypatch.setattr(sender, "_introduce", introduced)
        await sender._send(cast(Session, second))
        return second

    done = threading.Event()
    monkeypatch.setattr(Tail, "after", slowly)
    sent = asyncio.run(asyncio.wait_for(twice(), HANG_S)).rows
    assert [name for name, rows in sent[0]["tables"].items() if rows] == ["run", "stage", "event", "seal"]


def test_whoever_lives_of_two_connections_of_one_run_is_the_one_that_is_heard(
    hub: Hub, client: TestClient, tmp_path: Path
) -> None:
    record = write_record(tmp_path, 0, close=False)
    run = encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown={})
    batch = Tail(record).after(0)
    with client.websocket_connect("/link") as living:
        hello(living, hub)
        living.send_text(run)
        following(living, Kind.HAVE)
        with client.websocket_connect("/link") as late:  # what hung in a cable arrives
            hello(late, hub)
            late.send_text(run)
            following(late, Kind.HAVE)
            living.send_text(encode(Kind.ROWS, n=2, **batch.as_json()))  # would be acknowledged, and go nowhere
            with pytest.raises(WebSocketDisconnect):
                following(living, Kind.ACK)
    with client.websocket_connect("/link") as anew:
        hello(anew, hub)
        anew.send_text(run)
        following(anew, Kind.HAVE)
        anew.send_text(encode(Kind.ROWS, n=2, **batch.as_json()))
        assert following(anew, Kind.ACK)["samples"] == len(batch.samples)
        assert hub.places.by_run[record.stem].send is not None  # it can be ended, and counts as dark when silent


def test_two_connections_that_come_while_the_disk_hangs_find_what_it_takes_at_last(
    hub: Hub, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = write_record(tmp_path, 0, close=False)
    batch, channels = Tail(record).after(0), Tail(record).channels()
    receivers = [Receiver(hub, cast(WebSocket, None)) for _ in range(3)]
    for receiver in receivers:
        receiver._machine = PairedMachine(machine="m1", name="left", secret=SECRET, paired="2026-01-01")
    disk = HangingDisk(monkeypatch)
    with ThreadPoolExecutor(3) as pool:
        first = receivers[0]._open_twin(record.stem, channels)
        taking = pool.submit(first.take, batch)
        disk.wait_until_asked()
        coming = [pool.submit(one._open_twin, record.stem, channels) for one in receivers[1:]]
        wait(coming, 0.3)
        disk.let_go()
        twins = [one.result(HANG_S) for one in coming]
        assert taking.result(HANG_S) == len(batch.samples)
    newest = hub.twins[record.stem]
    assert [twin.samples for twin in twins] == [len(batch.samples)] * 2
    assert newest in twins and newest.take(batch) == 0
    for twin in {first, *twins} - {newest}:
        with pytest.raises(Left):
            twin.take(batch)
    newest.leave()


@pytest.mark.parametrize(
    ("fault", "again"),
    [(RecordError("the disk is full", where="x", mend="Make room."), True), (NotTaken("a sample is missing"), False)],
)
def test_a_fault_of_the_bench_computers_disk_is_no_last_word(
    hub: Hub,
    client: TestClient,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    fault: Exception,
    again: bool,
) -> None:
    def take(_twin: Twin, _batch: Any) -> int:
        raise fault

    record = write_record(tmp_path, 0)
    monkeypatch.setattr(Twin, "take", take)
    with client.websocket_connect("/link") as link:
        hello(link, hub)
        link.send_text(encode(Kind.RUN, n=1, run=record.stem, channels=list(Tail(record).channels()), shown={}))
        following(link, Kind.HAVE)
        link.send_text(encode(Kind.ROWS, n=2, **Tail(record).after(0).as_json()))
        refused = following(link, Kind.REFUSED)
    assert refused["again"] is again and refused["why"].startswith(str(fault)[:10])


def test_a_machine_tries_again_until_it_is_refused_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    ends: list[Exception] = [
        NotNow("the disk is full"), RecordError("away", where="r.sqlite", mend="Plug it in."), NotWanted("forgotten"),
    ]  # fmt: skip

    @contextlib.asynccontextmanager
    async def session(_bench: BenchComputer) -> AsyncIterator[Session]:
        raise ends.pop(0)
        yield

    monkeypatch.setattr("verifyrig.link.sender.session_with", session)
    said: list[dict[str, Any]] = []
    asyncio.run(asyncio.wait_for(_sender(said.append).keep_linked(), HANG_S))
    assert [next(iter(line)) for line in said] == ["lost", "lost", "refused"]
    assert said[0]["why"] == "the disk is full" and "away" in said[1]["why"] and said[2]["refused"] == "forgotten"


def test_a_machine_that_is_silent_does_not_keep_its_connection(
    hub: Hub, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifyrig.serve.receiver._SILENT_S", 0.05)
    with client.websocket_connect("/link") as link:
        assert hello(link, hub)["kind"] == "welcome"
        with pytest.raises(WebSocketDisconnect):
            link.receive_text()
    assert not hub.linked


def test_a_probe_goes_over_to_the_newest_connection_of_its_run(hub: Hub, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub.stand, "_sensors", {"plate_temp_c": None})
    plate = ["plate_temp_c"]
    assert hub.stand.lend(plate, "one run", "its connection") == ""
    assert hub.stand.lend(plate, "another run", "a") == "the probe plate_temp_c is lent to another run"
    assert hub.stand.lend(plate, "one run", "its next connection") == ""
    hub.stand.give_back("its connection")
    assert hub.stand.lend(plate, "another run", "a") == "the probe plate_temp_c is lent to another run"
    hub.stand.give_back("its next connection")
    assert hub.stand.lend(plate, "another run", "a") == ""


def test_each_connection_hears_that_the_runs_program_is_gone(tmp_path: Path) -> None:
    record = write_record(tmp_path, 0, close=False)

    async def told() -> list[bool]:
        sender = _sender(lambda _said: None)
        sender.obey({"follow": str(record), "run": record.stem})
        sender.run_is_over()
        lines = [_Line(sender, seals=False), _Line(sender, seals=False)]
        for line in lines:
            sending = asyncio.create_task(sender._send(cast(Session, line)))
            async with asyncio.timeout(HANG_S):
                while not line.is_told_gone and len(line.rows) < 4:
                    await asyncio.sleep(0.01)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)
        return [line.is_told_gone for line in lines]

    assert asyncio.run(told()) == [True, True]


def test_runs_are_awaited_from_when_the_service_has_read_all_of_them(
    hub: Hub, client: TestClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(2):
        record = write_record(tmp_path, n, close=False)
        with client.websocket_connect("/link") as link:
            sent_whole(link, hub, record)
        hub.seen[record.stem].flush()
    read_s = [0.0]
    clocks = Clocks(steady_s=lambda: time.monotonic() + read_s[0], wall_s=time.time)

    def slowly(_place: Place) -> None:
        read_s[0] += 10.0

    monkeypatch.setattr("verifyrig.serve.restored.refill", slowly)
    again = Hub(hub.bench, hub.certificate, clocks)
    again.restore()
    assert len(again.places.by_run) == 2 and again.places.look(clocks.steady_s()) == []
    assert len(again.places.look(clocks.steady_s() + AWAITED_S + 0.1)) == 2


def test_what_is_still_to_be_sent_is_found_where_it_was_put(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(Bench, "is_shared", True)
    bench = Bench(root=tmp_path / "bench")
    live_folder().mkdir(parents=True)
    record = write_record(live_folder(), 0, facts={"bench_folder": str(bench.root)})
    remember(Unsent(record.stem, record, "f"))
    put_in_place(bench, None, record, keep=True)  # the cable was out when the run ended
    bring_in(bench)  # the next run begins
    assert not record.exists()
    assert [(left.run, left.record) for left in unsent("f")] == [(record.stem, bench.runs_dir(None) / record.name)]
