"""The machine's side of pairing: the code that the bench computer shows is typed here."""

from __future__ import annotations

import asyncio

from verifyrig.core.errors import UsageError
from verifyrig.link.keys import BenchComputer, plain_name
from verifyrig.link.messages import PATH_PAIR, Kind, decode, encode
from verifyrig.link.pairing import NO_CODE, PairingSide, WrongCode, plain_code
from verifyrig.link.session import ANSWER_S, socket_to


def pair_with(host: str, port: int, code: str, *, own_name: str) -> BenchComputer:
    """Pair with the bench computer that shows this code; return what is to be kept.

    Raises:
        UsageError: Nobody answers there, or the code is wrong.
    """
    from websockets.exceptions import WebSocketException

    where = f"{host}:{port}"
    try:
        return asyncio.run(_pair(host, port, plain_code(code), own_name))
    except WrongCode as error:
        shown = str(error) != NO_CODE
        why = "the code is not the one that it shows, or somebody stands between" if shown else "it shows no code now"
        raise UsageError(
            why, where=where, mend="Show a new code on the bench computer: verifyrig bench code."
        ) from error
    except (OSError, TimeoutError, WebSocketException, ValueError) as error:
        raise UsageError(
            f"no bench computer answers there ({type(error).__name__})",
            where=where,
            mend="Start it there with: verifyrig bench serve --listen ADDRESS. Then check the cable and the address.",
        ) from error


async def _pair(host: str, port: int, code: str, own_name: str) -> BenchComputer:
    async with socket_to(host, port, PATH_PAIR) as (socket, fingerprint), asyncio.timeout(ANSWER_S):
        side = PairingSide(code, fingerprint, bench=False)
        await socket.send(encode(Kind.PAIR, message=side.message, name=plain_name(own_name)))
        answer = decode(await socket.recv())
        if answer["kind"] is not Kind.PAIR:
            raise WrongCode(str(answer.get("why", ""))[:200])
        agreed = side.agree(answer.get("message"))
        await socket.send(encode(Kind.PAIR, proof=agreed.own_proof))
        answer = decode(await socket.recv())
        if answer["kind"] is not Kind.PAIRED:
            raise WrongCode(str(answer.get("why", ""))[:200])
        agreed.check(answer.get("proof"))
        return BenchComputer(
            machine=str(answer["machine"])[:64],
            name=plain_name(str(answer["name"])),
            fingerprint=fingerprint,
            secret=agreed.secret,
            host=host,
            port=port,
        )
