"""The program beside a run that sends its record to the bench computer; the run never waits for it.

It is started by `link.follow`, reads orders from stdin and says on stdout what came, both one JSON object a line. It
follows the record's file, so what it sends is on the machine's own medium before; when the run's program dies it sends
what there is and says so.

    stdin, first line: {"bench_computer": {...}, "want": [CHANNEL], "borrower": ID, "had": BOOL}
    then: {"follow": PATH, "run": ID, "shown": {...}} · {"view": {...}} · {"load_ended": N} · {"closed": true}
    stdout: {"linked": {"name", "granted": [...]}} · {"lost": true, "why": WHY} · {"refused": WHY, "not_lent": BOOL}
        {"beat": true} · {"end_load": N} · {"probe": {"values", "age_s"}} · {"clock": {...}}
        {"sent": SAMPLES, "closed": BOOL}
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from verifyrig.core.errors import RigError
from verifyrig.core.outcome import Outcome
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.link.clock_offset import Exchange, OffsetFilter
from verifyrig.link.clocks import Clocks
from verifyrig.link.keys import BenchComputer
from verifyrig.link.messages import BEAT_EVERY_S, RECONNECT_AFTER_S, Kind, Malformed
from verifyrig.link.outbox import Unsent, forget, unsent
from verifyrig.link.session import ANSWER_S, NotNow, NotWanted, Session, session_with
from verifyrig.record.outcome_of import system_state
from verifyrig.record.reader import read_head
from verifyrig.record.restart_note import aftermath_path, read_aftermath
from verifyrig.record.signature import signatures_path
from verifyrig.record.tail import Tail

_LOOK_AFTER_S = (0.015, 0.05, 0.15)  # after a sample was taken, until the medium has it
_LOOK_EVERY_S = 0.5
_WAITS_S = (0.2, 0.5, 1.0, 2.0)
_AFTER_THE_RUN_S = 30.0
_CLOCK_EVERY_S = 60.0
_WALL_JUMP_S = 1.0

Say = Callable[[dict[str, Any]], None]


class Silent(Exception):
    """The bench computer answers no beat any more."""


class NotLent(NotWanted):
    """The bench computer does not lend what this run wants."""


class Sender:
    """Keeps one run's record sent, over as many connections as it takes.

    Args:
        want: Probes of the bench computer that the run wants.
        borrower: Who borrows them; the same for all connections of a run, also of another program that sends it.
        had: Whether the run had them already.
    """

    def __init__(
        self,
        bench_computer: BenchComputer,
        want: list[str],
        say: Say,
        clocks: Clocks | None = None,
        *,
        borrower: str = "",
        had: bool = False,
    ) -> None:
        self._bench_computer = bench_computer
        self._want = want
        self._borrower, self._had = borrower, had
        self._tries = 0  # since rows were last acknowledged
        self._say = say
        self._clocks = clocks or Clocks()
        self._tail: Tail | None = None
        self._run: dict[str, Any] = {}
        self._view: dict[str, Any] | None = None  # what changed since the last was sent
        self._shows: dict[str, Any] = {}
        self._ended: asyncio.Queue[int] = asyncio.Queue()
        self._wake = asyncio.Event()
        self._over_s: float | None = None  # when the run's program closed its end
        self._closed = False
        self._whole = False
        self._done = False  # whole there, and signed as it is here
        self._told_gone = False
        self._acked = asyncio.Event()
        self._have = 0
        self._offset = OffsetFilter()
        self._clock_said: tuple[float, float, float] | None = None
        self._heard_s = 0.0

    # ---- what the run says

    def obey(self, order: dict[str, Any]) -> None:
        """Follow one line of the run."""
        if "follow" in order:
            self._run = {"run": order["run"], "shown": order.get("shown", {})}
            self._tail = Tail(Path(order["follow"]))
        if "view" in order:
            self._view = {**(self._view or {}), **order["view"]}
            self._shows |= self._view
        if "load_ended" in order:
            self._ended.put_nowait(int(order["load_ended"]))
        self._closed = self._closed or bool(order.get("closed"))
        self._wake.set()

    def run_is_over(self) -> None:
        """The run's program closed its end, or died."""
        self._over_s = time.monotonic()
        self._wake.set()

    # ---- the link

    async def keep_linked(self) -> None:
        """Connect, and connect again, until all is sent, or the run is over and nobody answers for long."""
        from websockets.exceptions import WebSocketException

        while not self._is_done():
            why = ""
            try:
                async with session_with(self._bench_computer) as session:
                    await self._talk(session)
            except NotWanted as error:
                self._say({"refused": str(error), "not_lent": isinstance(error, NotLent)})
                return
            except (NotNow, RigError) as error:  # RigError: the record cannot be read just now
                why = str(error)
            except (OSError, TimeoutError, WebSocketException, Malformed, Silent):
                pass
            if self._is_done():
                return
            self._say({"lost": True, "why": why})
            await asyncio.sleep(_WAITS_S[min(self._tries, len(_WAITS_S) - 1)])
            self._tries += 1

    def _is_done(self) -> bool:
        if self._over_s is None:
            return False
        return self._done or self._tail is None or time.monotonic() - self._over_s > _AFTER_THE_RUN_S

    async def _talk(self, session: Session) -> None:
        granted = await self._borrow(session) if self._want else []
        self._offset.clear()
        self._heard_s = time.monotonic()
        self._say({"linked": {"name": session.name, "granted": granted, "probes": session.probes}})
        try:
            async with asyncio.TaskGroup() as tasks:
                hearing = tasks.create_task(self._hear(session))
                beating = tasks.create_task(self._beat(session))
                ending = tasks.create_task(self._say_ends(session))
                await self._send(session)
                for helper in (hearing, beating, ending):
                    helper.cancel()
        except BaseExceptionGroup as group:
            raise _first(group) from group

    async def _borrow(self, session: Session) -> list[str]:
        """Borrow the probes; a refusal is the last word only where they were never lent to this run."""
        try:
            answer = await session.ask(Kind.PROBES, Kind.PROBES, want=self._want, borrower=self._borrower)
        except NotWanted as error:
            raise (NotNow if self._had else NotLent)(str(error)) from error
        self._had = True
        return [str(one) for one in answer.get("granted", [])]

    async def _beat(self, session: Session) -> None:
        while True:
            await session.send(Kind.BEAT, t1=self._clocks.steady_s(), wall_ahead_s=self._clocks.wall_ahead_s())
            await asyncio.sleep(BEAT_EVERY_S)
            if time.monotonic() - self._heard_s > RECONNECT_AFTER_S:
                raise Silent

    async def _say_ends(self, session: Session) -> None:
        """Say at once that the load is off: whoever wanted it waits for that, and not for rows."""
        while True:
            await session.send(Kind.LOAD_ENDED, number=await self._ended.get())

    async def _hear(self, session: Session) -> None:
        while True:
            message = await session.receive()
            match message["kind"]:
                case Kind.BEAT:
                    self._take_beat(message)
                case Kind.ACK | Kind.HAVE:
                    if message["kind"] is Kind.ACK:
                        self._tries = 0
                    self._have = int(message["samples"])
                    self._whole = bool(message.get("closed"))
                    self._acked.set()
                case Kind.END_LOAD:
                    self._say({"end_load": int(message["number"])})
                case Kind.PROBE:
                    self._take_probe(message)

    def _take_beat(self, message: dict[str, Any]) -> None:
        self._heard_s = time.monotonic()
        self._say({"beat": True})
        own_s = self._clocks.steady_s()
        t1, t2, t3 = (float(message[key]) for key in ("t1", "t2", "t3"))
        self._offset.add(Exchange(t1, t2, t3, own_s))
        offset = self._offset.now(own_s)
        if offset is None:
            return
        wall_s = offset.offset_s + float(message["wall_ahead_s"]) - self._clocks.wall_ahead_s()
        now_s = time.monotonic()
        said = self._clock_said
        if said is None or abs(said[1] - wall_s) > _WALL_JUMP_S or now_s - said[0] > _CLOCK_EVERY_S:
            # The first exchanges of a connection are its worst: they wait for the processor as much as for the wire.
            if said is None and len(self._offset) < 4:
                return
            self._clock_said = (now_s, wall_s, offset.u95_s)
            self._say({"clock": {"wall_offset_s": wall_s, "steady_offset_s": offset.offset_s, "u95_s": offset.u95_s}})

    def _take_probe(self, message: dict[str, Any]) -> None:
        """Hand on a reading with its age: by both clocks where their offset is known, else as fresh as it can be."""
        own_s = self._clocks.steady_s()
        offset = self._offset.now(own_s)
        if offset is None or not isinstance(message.get("values"), dict):
            return
        age_s = max(0.0, own_s - (float(message["at_s"]) - offset.offset_s))
        self._say({"probe": {"values": message["values"], "age_s": age_s}})

    # ---- the record

    async def _send(self, session: Session) -> None:
        """Send until the record is whole there, or for as long as the connection lasts."""
        known = False
        while not self._is_done():
            self._wake.clear()
            if self._tail is not None and not known:
                self._tail = Tail(self._tail.path)  # a look of the connection before may still be at work on its own
                await self._introduce(session, self._tail)
                known = True
            view, self._view = self._view, None
            if view is not None:
                await session.send(Kind.VIEW, view=view)
            if known and self._tail is not None:
                await self._send_rows(session, self._tail, expected=view is not None)
            if self._whole and (self._closed or self._over_s is not None) and not self._done:
                await self._send_signatures(session, self._run["run"])
            if self._over_s is not None and not self._closed and known and not self._told_gone:
                await session.send(Kind.GONE)
                self._told_gone = True
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), _LOOK_EVERY_S)

    async def _introduce(self, session: Session, tail: Tail) -> None:
        self._view = dict(self._shows)
        self._told_gone = False
        self._acked.clear()
        await session.send(Kind.RUN, channels=list(tail.channels()), **self._run)
        async with asyncio.timeout(ANSWER_S):
            await self._acked.wait()

    async def _send_signatures(self, session: Session, run: str) -> None:
        """Send what signs the record, if anything does: it is signed once it is closed, before the run's last word."""
        assert self._tail is not None
        text = signatures_text(self._tail.path)
        if text:
            self._acked.clear()
            await session.send(Kind.SIGNED, text=text)
            async with asyncio.timeout(ANSWER_S):
                await self._acked.wait()
        forget(run)
        self._done = True

    async def _send_rows(self, session: Session, tail: Tail, *, expected: bool) -> None:
        """Send what is new; a sample that was just taken is looked for until the medium has it."""
        for wait_s in _LOOK_AFTER_S if expected else (0.0,):
            await asyncio.sleep(wait_s)
            found = False
            # Aside: a long record takes its time to be read, and the end of a load must not wait for it.
            while not (batch := await asyncio.to_thread(tail.after, self._have)).empty:
                found = True
                self._acked.clear()
                await session.send(Kind.ROWS, **batch.as_json())
                async with asyncio.timeout(ANSWER_S):
                    await self._acked.wait()
                self._say({"sent": self._have, "closed": self._whole})
                if self._whole:
                    return
                if not batch.more:
                    break
            if found:
                return


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    inner = group.exceptions[0]
    return _first(inner) if isinstance(inner, BaseExceptionGroup) else inner


async def deliver(bench_computer: BenchComputer, left: Unsent) -> None:
    """Send an earlier record as far as there is something to send; forget it once nothing more will come.

    Raises:
        NotNow, NotWanted, OSError, RigError, WebSocketException: It cannot be sent now.
    """
    tail = Tail(left.record)
    if read_head(left.record, system_state()).facts["outcome"] == Outcome.RUNNING:
        return  # another run of this computer, with a sender of its own
    async with session_with(bench_computer) as session:
        have = await session.ask(Kind.RUN, Kind.HAVE, run=left.run, channels=list(tail.channels()), shown={})
        while not have.get("closed") and not (batch := tail.after(int(have["samples"]))).empty:
            have = await session.ask(Kind.ROWS, Kind.ACK, **batch.as_json())
        text = signatures_text(left.record)
        if have.get("closed") and text:
            have = await session.ask(Kind.SIGNED, Kind.ACK, text=text)
        if read_aftermath(left.record) is not None:
            note = json.loads(read_text(aftermath_path(left.record), FileKind.NOTE, inside=left.record.parent))
            have = await session.ask(Kind.AFTER, Kind.ACK, note=note)
    forget(left.run)


def signatures_text(record: Path) -> str:
    """Return the signatures that lie beside a record as text; empty where there are none."""
    path = signatures_path(record)
    with contextlib.suppress(OSError, ValueError):
        return read_text(path, FileKind.NOTE, inside=path.parent) if path.exists() else ""
    return ""


async def _deliver_earlier(bench_computer: BenchComputer, own_run: Callable[[], str]) -> None:
    from websockets.exceptions import WebSocketException

    for left in unsent(bench_computer.fingerprint):
        if left.run == own_run():
            continue
        if not left.record.exists():
            forget(left.run)
            continue
        with contextlib.suppress(OSError, TimeoutError, WebSocketException, RigError, NotNow, NotWanted, Malformed):
            await deliver(bench_computer, left)


async def _main(first: dict[str, Any], lines: asyncio.StreamReader, say: Say) -> None:
    bench_computer = BenchComputer(**first["bench_computer"])
    want, borrower = [str(one) for one in first.get("want", [])], str(first.get("borrower", ""))
    sender = Sender(bench_computer, want, say, borrower=borrower, had=bool(first.get("had")))
    run = ""

    async def listen() -> None:
        nonlocal run
        while line := await lines.readline():
            order = json.loads(line)
            run = order.get("run", run)
            sender.obey(order)
        sender.run_is_over()

    earlier = asyncio.create_task(_deliver_earlier(bench_computer, lambda: run))
    listening = asyncio.create_task(listen())
    await sender.keep_linked()
    listening.cancel()
    with contextlib.suppress(TimeoutError, asyncio.CancelledError):
        await asyncio.wait_for(earlier, ANSWER_S)


def main() -> None:
    """Run until all is sent."""
    stdout = sys.stdout

    def say(line: dict[str, Any]) -> None:
        with contextlib.suppress(OSError, ValueError):  # the run's program is gone: the record is sent all the same
            stdout.write(json.dumps(line) + "\n")
            stdout.flush()

    async def read_and_send() -> None:
        reader = asyncio.StreamReader(limit=1 << 20)
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        await _main(json.loads(await reader.readline()), reader, say)

    asyncio.run(read_and_send())


if __name__ == "__main__":
    main()
