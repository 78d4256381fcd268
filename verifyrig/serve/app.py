"""What the bench computer answers: the page, its live events, the end of a load, pairing, and the machines' link.

Two doors lead here. The secured one (TLS with the self-made certificate) serves everything; the plain one listens on
this computer's loopback alone, for a browser here, and takes no link. From neither can a load be started or raised:
there is no such message.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from verifyrig.bench.folder import ID_PATTERN
from verifyrig.link.keys import PairedMachine, new_id, plain_name, same, write_known
from verifyrig.link.messages import PATH_LINK, PATH_PAIR, TRY_AGAIN, Kind, Malformed, decode, encode
from verifyrig.link.pairing import NO_CODE, WRONG_CODE, PairingSide, WrongCode, plain_code
from verifyrig.serve.hub import Hub
from verifyrig.serve.page import FOLDER, Page
from verifyrig.serve.receiver import Receiver

_COOKIE = "bench-browser"
_PAIRED_FOR_S = 12 * 3600.0
_LONGEST_FORM = 2000
_PAIR_WITHIN_S = 10.0  # two programs talk here: nobody types; whoever says nothing does not stay
_LOCAL = ("localhost", "127.0.0.1", "[::1]")
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with none, a form of this page would have no origin either
    "Cache-Control": "no-store",
}
# A report is a page of its own with its styles in it.
_REPORT_CSP = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'none'"


class Browsers:
    """Browsers that were paired by a code, by their cookie; a restart of the service forgets them."""

    def __init__(self) -> None:
        self._until_s: dict[str, float] = {}

    def add(self) -> str:
        """Return a new browser's cookie."""
        now_s = time.monotonic()
        self._until_s = {token: until for token, until in self._until_s.items() if until > now_s}
        token = secrets.token_urlsafe(32)
        self._until_s[token] = now_s + _PAIRED_FOR_S
        return token

    def knows(self, request: Request) -> bool:
        """Return whether the request comes from a paired browser."""
        return self._until_s.get(request.cookies.get(_COOKIE, ""), 0.0) > time.monotonic()

    def forget(self, request: Request) -> None:
        """Forget the browser that asks."""
        self._until_s.pop(request.cookies.get(_COOKIE, ""), None)


class Doors:
    """The answers, for both doors.

    Args:
        hub: What the bench computer knows.
        local_key: Whoever shows it may ask for codes: another command of the same user.
    """

    def __init__(self, hub: Hub, local_key: str) -> None:
        self._hub = hub
        self._local_key = local_key
        self._browsers = Browsers()

    def secured(self) -> Starlette:
        """Return the application behind TLS."""
        routes = [*self._page_routes(), WebSocketRoute(PATH_LINK, self._link), WebSocketRoute(PATH_PAIR, self._pair)]
        return self._with_headers(Starlette(routes=routes), local=False)

    def plain(self) -> Starlette:
        """Return the application of the loopback."""
        routes = [*self._page_routes(), Route("/local/code", self._new_code, methods=["POST"])]
        return self._with_headers(Starlette(routes=routes), local=True)

    def _page_routes(self) -> list[Route]:
        return [
            Route("/", self._whole),
            Route("/live", self._live),
            Route("/bench.css", lambda _request: FileResponse(FOLDER / "bench.css", media_type="text/css")),
            Route("/bench.js", lambda _request: FileResponse(FOLDER / "bench.js", media_type="text/javascript")),
            Route("/unlock", self._unlock, methods=["POST"]),
            Route("/lock", self._lock, methods=["POST"]),
            Route("/places/{run}/end", self._end_load, methods=["POST"]),
            Route("/reports/{name}", self._report),
        ]

    def _with_headers(self, app: Starlette, *, local: bool) -> Starlette:
        async def dispatch(request: Request, call: Callable[[Request], Awaitable[Response]]) -> Response:
            host = request.headers.get("host", "")
            # Another page's name must not lead a browser here (names that are bound to the loopback afterwards).
            if local and host.rpartition(":")[0] not in _LOCAL and host not in _LOCAL:
                return Response(status_code=421)
            origin = request.headers.get("origin")
            if request.method == "POST" and origin is not None and origin.partition("//")[2] != host:
                return Response(status_code=403)
            response = await call(request)
            for name, value in _HEADERS.items():
                response.headers.setdefault(name, value)
            return response

        app.add_middleware(BaseHTTPMiddleware, dispatch=dispatch)
        return app

    # ---- the page

    def _page(self, request: Request) -> Page:
        return Page(self._hub, still_paired=lambda: self._browsers.knows(request), wall="wall" in request.query_params)

    async def _whole(self, request: Request) -> Response:
        return HTMLResponse(self._page(request).whole())

    async def _live(self, request: Request) -> Response:
        return StreamingResponse(self._page(request).live(), media_type="text/event-stream")

    async def _report(self, request: Request) -> Response:
        name = request.path_params["name"]
        job, _, ending = name.rpartition(".")
        if not self._browsers.knows(request) or ending != "html" or not ID_PATTERN.fullmatch(job):
            return Response(status_code=404)
        path = self._hub.bench.reports_dir / name
        if path.is_symlink() or not path.is_file():
            return Response(status_code=404)
        return FileResponse(path, media_type="text/html", headers={"Content-Security-Policy": _REPORT_CSP})

    async def _end_load(self, request: Request) -> Response:
        """End a run's load; nothing else can be asked of a run."""
        if not self._browsers.knows(request):
            return Response(status_code=403)
        place = self._hub.places.by_run.get(request.path_params["run"])
        if place is None or place.send is None:
            return Response(status_code=409)
        place.end_number += 1
        place.end_asked_s, place.end_took_s = self._hub.clocks.steady_s(), None
        place.send(encode(Kind.END_LOAD, number=place.end_number))
        self._hub.note(place, "end-load", number=place.end_number)
        place.touch(urgent=True)
        self._hub.announce()
        if request.headers.get("x-bench"):
            return Response(status_code=204)
        return RedirectResponse("/", status_code=303)

    async def _unlock(self, request: Request) -> Response:
        """Pair a browser by the code that is shown."""
        body = (await request.body())[:_LONGEST_FORM]
        typed = plain_code(parse_qs(body.decode("utf-8", "replace")).get("code", [""])[0])
        code = self._hub.codes.take_try()
        if code is None or not same(typed, code):
            self._hub.codes.wrong += 1
            self._hub.places.count("wrong-code")
            why = "There is no code now: show one with `verifyrig bench code`." if code is None else "Wrong code."
            return HTMLResponse(self._page(request).whole(why), status_code=403)
        self._hub.codes.used()
        response = RedirectResponse("/", status_code=303)
        response.set_cookie(
            _COOKIE, self._browsers.add(), max_age=int(_PAIRED_FOR_S), httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        return response

    async def _lock(self, request: Request) -> Response:
        self._browsers.forget(request)
        return RedirectResponse("/", status_code=303)

    async def _new_code(self, request: Request) -> Response:
        if not same(request.headers.get("x-local-key"), self._local_key):
            return Response(status_code=403)
        return JSONResponse({"code": self._hub.codes.new()})

    # ---- machines

    async def _link(self, socket: WebSocket) -> None:
        await Receiver(self._hub, socket).serve()

    async def _pair(self, socket: WebSocket) -> None:
        """Pair a machine; a try counts from the moment at which it can learn whether its code was right."""
        await socket.accept()
        try:
            async with asyncio.timeout(_PAIR_WITHIN_S):
                await self._pair_with(socket)
        except TimeoutError:  # it may be a slow cable: the code is not wrong
            with contextlib.suppress(WebSocketDisconnect, RuntimeError):
                await socket.close(TRY_AGAIN)

    async def _pair_with(self, socket: WebSocket) -> None:
        try:
            first = decode(await socket.receive_text())
            code = self._hub.codes.take_try()
            if first["kind"] is not Kind.PAIR or code is None:
                raise WrongCode(NO_CODE)
            side = PairingSide(code, self._hub.certificate.fingerprint, bench=True)
            agreed = side.agree(first.get("message"))
            await socket.send_text(encode(Kind.PAIR, message=side.message))
            agreed.check(decode(await socket.receive_text()).get("proof"))
            self._hub.codes.used()
            name = plain_name(str(first.get("name", "")))
            machine = PairedMachine(
                machine=new_id(),
                name=name,
                secret=agreed.secret,
                paired=datetime.now(UTC).isoformat(timespec="seconds"),
            )
            write_known(self._hub.known.with_machine(machine))
            await socket.send_text(
                encode(Kind.PAIRED, proof=agreed.own_proof, machine=machine.machine, name=self._hub.name)
            )
        except WrongCode as error:
            self._hub.codes.wrong += 1
            self._hub.places.count("wrong-code")
            await _close(socket, str(error) or WRONG_CODE)
        except (Malformed, KeyError):
            self._hub.places.count("malformed")
            await _close(socket, "this is no message of the link")
        except (WebSocketDisconnect, RuntimeError):
            return


async def _close(socket: WebSocket, why: str) -> None:
    try:
        await socket.send_text(encode(Kind.REFUSED, why=why))
        await socket.close(1008)
    except (WebSocketDisconnect, RuntimeError):
        return
