"""One machine's connection on the bench computer: who it is, what it sends, and what it is told."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from functools import partial
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from verifyrig.bench.folder import ID_PATTERN
from verifyrig.core.channels import is_channel
from verifyrig.core.errors import RigError
from verifyrig.core.outcome import Outcome
from verifyrig.core.run_view import RunView
from verifyrig.files.atomic_write import write_whole
from verifyrig.link.keys import PairedMachine, proof, same
from verifyrig.link.messages import TRY_AGAIN, Kind, Malformed, decode, encode
from verifyrig.record.reader import read_head
from verifyrig.record.restart_note import aftermath_path, read_aftermath
from verifyrig.record.shape import is_number
from verifyrig.record.twin import Left, NotTaken, NoTwin, Twin, batch_of_json
from verifyrig.serve.hub import Hub
from verifyrig.serve.places import Place, PlaceState, heard, plain_view
from verifyrig.serve.restored import refill
from verifyrig.serve.seen import Seen
from verifyrig.serve.series import Series
from verifyrig.serve.twin_signatures import counter_sign, keep_signatures

_HELLO_WITHIN_S = 6.0
_SILENT_S = 15.0  # a machine that lives beats, and one that sends an earlier run waits no longer for an answer
_PROBE_EVERY_S = 0.1
_MOST_STRANGERS = 32
_MOST_CHANNELS = 400
_LONGEST_NOTE = 200_000


class Receiver:
    """Serves one connection from its first message to its last."""

    strangers = 0  # connections that have not shown who they are: they may not pile up

    def __init__(self, hub: Hub, socket: WebSocket) -> None:
        self._hub = hub
        self._socket = socket
        self._session = secrets.token_hex(8)
        self._machine: PairedMachine | None = None
        self._place: Place | None = None
        self._twin: Twin | None = None
        self._number = 0
        self._lent: list[str] = []
        self._full = False
        self._beats = False
        self._out: asyncio.Queue[str] = asyncio.Queue(maxsize=256)
        self._rows: asyncio.Queue[dict[str, Any]] = asyncio.Queue(maxsize=4)

    async def serve(self) -> None:
        """Serve until the connection ends, or is silent for long; nothing that comes over it ends the service."""
        await self._socket.accept()
        with contextlib.suppress(WebSocketDisconnect, TimeoutError, RuntimeError):
            self._machine = await self._hello()
            if self._machine is None:
                return
            self._hub.linked[self._session] = (self._machine.machine, self._end)
            try:
                async with asyncio.TaskGroup() as tasks:
                    helpers = [tasks.create_task(work()) for work in (self._speak, self._keep_rows, self._read_probes)]
                    await self._listen()
                    for helper in helpers:
                        helper.cancel()
            except BaseExceptionGroup as group:
                known = group.subgroup((WebSocketDisconnect, RuntimeError, OSError))
                if known is None or len(known.exceptions) != len(group.exceptions):
                    raise
                with contextlib.suppress(RuntimeError):  # where it is not closed already
                    await self._socket.close(1011)
            finally:
                self._leave()

    async def _hello(self) -> PairedMachine | None:
        """Return the machine that shows the key of its pair; None where it does not."""
        if Receiver.strangers >= _MOST_STRANGERS:
            await self._socket.close(TRY_AGAIN)
            return None
        Receiver.strangers += 1
        try:
            nonce, fingerprint = secrets.token_hex(32), self._hub.certificate.fingerprint
            await self._socket.send_text(encode(Kind.CHALLENGE, nonce=nonce))
            async with asyncio.timeout(_HELLO_WITHIN_S):
                hello = decode(await self._socket.receive_text())
            machine = self._hub.known.machine(str(hello.get("machine")))
            told = proof(machine.secret, "machine", nonce, fingerprint) if machine is not None else ""
            if hello["kind"] is not Kind.HELLO or machine is None or not same(hello.get("proof"), told):
                self._hub.places.count("unknown")
                await self._refuse_and_close("this machine is not paired with this bench computer")
                return None
            shown = proof(machine.secret, "bench", nonce, fingerprint)
            await self._socket.send_text(
                encode(Kind.WELCOME, name=self._hub.name, proof=shown, probes=self._hub.stand.offered())
            )
            return machine
        except (Malformed, KeyError):  # KeyError: bytes came in place of text
            self._hub.places.count("malformed")
            await self._refuse_and_close("this is no message of the link")
            return None
        except TimeoutError:  # it may be a slow cable: no refusal, which a machine takes for the last word
            await self._socket.close(TRY_AGAIN)
            return None
        finally:
            Receiver.strangers -= 1

    async def _refuse_and_close(self, why: str) -> None:
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await self._socket.send_text(encode(Kind.REFUSED, why=why))
            await self._socket.close(1008)

    # ---- what comes

    async def _listen(self) -> None:
        while True:
            try:
                async with asyncio.timeout(_SILENT_S):
                    message = decode(await self._socket.receive_text())
            except (Malformed, KeyError):
                self._hub.places.count("malformed")
                continue
            number = message.get("n")
            if number != self._number + 1 or isinstance(number, bool):
                self._hub.places.count("replayed")
                continue
            self._number += 1
            try:
                await self._take(message)
            except (Malformed, KeyError, TypeError, ValueError, asyncio.QueueFull):
                self._hub.places.count("malformed")

    async def _take(self, message: dict[str, Any]) -> None:
        place = self._place
        if place is not None and place.send != self._say:
            raise WebSocketDisconnect(TRY_AGAIN)  # another connection has the run: whoever lives begins anew
        if place is not None and heard(place, self._hub.clocks.steady_s(), self._hub.clocks.wall_s()):
            self._hub.note(place, "word", state=place.state.value, silent_for_s=place.silent_for_s)
            self._hub.announce()
        match message["kind"]:
            case Kind.BEAT:
                self._answer_beat(message)
            case Kind.RUN:
                await self._begin(message)
            case Kind.PROBES:
                self._lend(message)
            case Kind.ROWS if place is not None:
                self._rows.put_nowait(message)  # a machine waits for each answer: more at once is none of ours
            case Kind.VIEW if place is not None:
                self._show(place, plain_view(message.get("view")))
            case Kind.LOAD_ENDED if place is not None:
                self._load_ended(place, message.get("number"))
            case Kind.GONE if place is not None:
                self._set(place, PlaceState.PROGRAM_GONE)
            case Kind.SIGNED if place is not None:
                await self._keep_signatures(place, message.get("text"))
            case Kind.AFTER if place is not None:
                await self._keep_note(place, message)
            case _:
                raise Malformed("not now")

    def _answer_beat(self, message: dict[str, Any]) -> None:
        t2 = self._hub.clocks.steady_s()
        self._beats = True
        t1, ahead_s = message["t1"], message["wall_ahead_s"]
        if not (is_number(t1) and is_number(ahead_s)):
            raise Malformed("a beat without its time")
        own = self._hub.clocks.wall_ahead_s()
        self._say(encode(Kind.BEAT, t1=t1, t2=t2, t3=self._hub.clocks.steady_s(), wall_ahead_s=own))

    async def _begin(self, message: dict[str, Any]) -> None:
        assert self._machine is not None
        run, channels = _run_named(message)
        path = self._hub.twin_path(self._machine.machine, run)
        try:
            twin = await asyncio.to_thread(self._open_twin, run, tuple(channels))
        except RigError as error:
            self._hub.places.count("not-fitting")
            self._refuse(str(error), again=not isinstance(error, NoTwin))
            return
        self._twin = twin
        if twin.closed:  # it may have been sealed by rows of a connection that ended meanwhile
            self._hub.aside(partial(counter_sign, path, run))
        if run not in self._hub.seen:
            self._hub.seen[run] = Seen(path, self._hub.clocks)
        place = self._hub.places.by_run.get(run)
        if place is None:
            place = Place(
                key=run, run=run, machine=self._machine.machine, machine_name=self._machine.name, twin=path,
                channels=tuple(channels), series=Series(tuple(channels)), began_utc_s=self._hub.clocks.wall_s(),
            )  # fmt: skip
            self._hub.places.by_run[run] = place
            if twin.samples:
                await asyncio.to_thread(refill, place)
        self._place = place
        shown = plain_view(message.get("shown"))
        if shown:
            place.shown = shown
            self._hub.note(place, "shown", shown=shown)
        place.samples = twin.samples
        place.heard_s, place.heard_utc_s = self._hub.clocks.steady_s(), self._hub.clocks.wall_s()
        place.send, place.awaited_until_s = self._say, None
        self._set(place, PlaceState.ENDED if twin.closed else PlaceState.RUNNING)
        self._say(encode(Kind.HAVE, samples=twin.samples, closed=twin.closed))

    def _open_twin(self, run: str, channels: tuple[str, ...]) -> Twin:
        """Open the run's twin; one connection at a time has it, the newest."""
        assert self._machine is not None
        with self._hub.opening:
            before = self._hub.twins.get(run)
            if before is not None:
                before.leave()
            twin = Twin(self._hub.twin_path(self._machine.machine, run), run, channels)
            self._hub.twins[run] = twin
        return twin

    async def _keep_rows(self) -> None:
        """Put rows on the medium one message after the other, and acknowledge each only then."""
        while True:
            message = await self._rows.get()
            twin, place = self._twin, self._place
            if twin is None or place is None:
                continue
            try:
                batch = batch_of_json(message)
                behind = max(0, twin.samples + 1 - batch.first)
                new = await asyncio.to_thread(twin.take, batch)
            except Left:
                raise WebSocketDisconnect(TRY_AGAIN) from None
            except (NotTaken, RigError) as error:
                self._hub.places.count("not-fitting")
                self._refuse(str(error), again=isinstance(error, RigError))
                continue
            place.samples = twin.samples
            if new:
                place.series.add(batch.samples[behind:])
                self._hub.note(place, "arrival", samples=twin.samples)
                place.touch()
                self._hub.announce()
            if twin.closed:
                place.came_back = not self._beats  # it is sent by a later run of that machine
                await asyncio.to_thread(_read_end, place)
                self._hub.aside(partial(counter_sign, place.twin, place.run))
                self._set(place, PlaceState.ENDED)
            self._say(encode(Kind.ACK, samples=twin.samples, closed=twin.closed))

    def _show(self, place: Place, view: RunView) -> None:
        urgent = view.get("attention") != place.view.get("attention") if "attention" in view else False
        place.view.update(view)
        place.touch(urgent=urgent)
        self._hub.announce()

    def _load_ended(self, place: Place, number: Any) -> None:
        if number == place.end_number and place.end_asked_s is not None and place.end_took_s is None:
            place.end_took_s = self._hub.clocks.steady_s() - place.end_asked_s
            self._hub.note(place, "load-ended", took_s=place.end_took_s)
            place.touch(urgent=True)
            self._hub.announce()

    async def _keep_signatures(self, place: Place, text: Any) -> None:
        """Keep the machine's signatures beside a sealed twin; those of anything else are not kept."""
        twin = self._twin
        if twin is None or not twin.closed:
            raise Malformed("not whole yet")
        with contextlib.suppress(RigError):
            if not await asyncio.to_thread(keep_signatures, place.twin, place.run, text):
                self._hub.places.count("not-fitting")
        self._say(encode(Kind.ACK, samples=place.samples, closed=True))

    async def _keep_note(self, place: Place, message: dict[str, Any]) -> None:
        """Keep what the machine's own system remembered, once; what is no such note is not kept."""
        text = json.dumps(message["note"])
        path = aftermath_path(place.twin)
        if len(text) < _LONGEST_NOTE and not path.exists():
            await asyncio.to_thread(write_whole, path, text)
            note = read_aftermath(place.twin)
            if note is None or note.run != place.run:
                path.unlink()
                raise Malformed("no note of this run")
        kept = read_aftermath(place.twin)
        if kept is not None:
            place.view["outcome"] = kept.outcome
        place.came_back = True
        self._set(place, PlaceState.ENDED)
        await self._hub.examine(place)
        self._say(encode(Kind.ACK, samples=place.samples, closed=False))

    def _set(self, place: Place, state: PlaceState) -> None:
        if place.state is not state or state is PlaceState.RUNNING:
            place.state = state
            self._hub.note(place, "word", state=state.value, view=place.view)
            place.touch(urgent=True)
            self._hub.announce()

    # ---- probes

    def _lend(self, message: dict[str, Any]) -> None:
        want = message.get("want")
        if not isinstance(want, list) or not all(isinstance(one, str) for one in want):
            raise Malformed("no probes")
        borrower = message.get("borrower", self._session)
        if not isinstance(borrower, str):
            raise Malformed("no borrower")
        why = self._hub.stand.lend(want, borrower, self._session)
        if why:
            self._refuse(why)
            return
        self._lent = want
        self._say(encode(Kind.PROBES, granted=want))

    async def _read_probes(self) -> None:
        """Send what the lent probes read, each value once; one that is silent sends nothing, and grows old there."""
        sent: dict[str, float] = {}
        while True:
            await asyncio.sleep(_PROBE_EVERY_S)
            for channel in self._lent:
                taken = self._hub.stand.read(channel)
                if taken is None:
                    continue
                at_s = self._hub.clocks.steady_s() - taken.age_s
                if at_s - sent.get(channel, -1e9) < _PROBE_EVERY_S / 2:
                    continue
                sent[channel] = at_s
                self._say(encode(Kind.PROBE, at_s=at_s, values={channel: taken.value}))
                if self._place is not None:
                    self._hub.note(self._place, "probe", channel=channel, value=taken.value, age_s=taken.age_s)

    # ---- what goes

    def _refuse(self, why: str, *, again: bool = False) -> None:
        """Refuse a message: for good, or until what is at fault here is mended."""
        self._say(encode(Kind.REFUSED, why=why, again=again))

    def _say(self, text: str) -> None:
        """Send a message soon; a machine that takes none any more loses its connection, and asks anew."""
        try:
            self._out.put_nowait(text)
        except asyncio.QueueFull:
            self._full = True

    async def _speak(self) -> None:
        while (text := await self._out.get()) and not self._full:
            await self._socket.send_text(text)
        raise WebSocketDisconnect(1011)

    def _end(self) -> None:
        """End the connection: its machine asks anew, and is told what it may."""
        self._full = True
        self._say("")

    def _leave(self) -> None:
        self._hub.linked.pop(self._session, None)
        self._hub.stand.give_back(self._session)
        place = self._place
        if place is None or place.send != self._say:
            return
        place.send = None
        if self._twin is not None:  # aside: the disk may take its last rows just now, and other machines wait for beats
            self._hub.aside(self._twin.leave)
        if place.state is PlaceState.RUNNING:
            self._set(place, PlaceState.UNLINKED)
        if place.state is PlaceState.ENDED:
            self._hub.seen.pop(place.run).close()


def _run_named(message: dict[str, Any]) -> tuple[str, list[str]]:
    run, channels = message.get("run"), message.get("channels")
    if not isinstance(run, str) or not ID_PATTERN.fullmatch(run) or not isinstance(channels, list):
        raise Malformed("no run")
    if len(channels) > _MOST_CHANNELS or not all(isinstance(one, str) and is_channel(one) for one in channels):
        raise Malformed("no channels")
    return run, channels


def _read_end(place: Place) -> None:
    """Take from the closed record how the run ended."""
    with contextlib.suppress(RigError):
        facts = read_head(place.twin).facts
        place.view["outcome"] = str(facts.get("outcome", Outcome.COMPLETED))
        place.view["share"] = 0.0
