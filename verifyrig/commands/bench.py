"""`verifyrig bench`: the second computer on the bench - serve on it, pair machines with it, see who is known."""

from __future__ import annotations

import argparse
import json
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import ExitCode, UsageError
from verifyrig.core.plain_text import plain_line, plain_lines

if TYPE_CHECKING:
    from verifyrig.commands.contract import (
        BenchCodeObject,
        BenchEndedObject,
        BenchForgotObject,
        BenchKnownObject,
        BenchPairedObject,
    )
    from verifyrig.serve.service import Listening

LOOPBACK = "127.0.0.1"
_PORT = 8519  # link.keys.DEFAULT_PORT, which is not loaded for --help


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands of `bench`."""
    acts = parser.add_subparsers(dest="act", required=True, metavar="ACT")
    serve = acts.add_parser("serve", help="on the bench computer: take runs of others, keep them, show all places")
    serve.add_argument("--listen", metavar="ADDRESS", default=LOOPBACK, help="where machines and phones reach it "
                       "(else this computer alone)")  # fmt: skip
    serve.add_argument("--port", type=int, default=_PORT, metavar="N", help=f"(default {_PORT})")
    serve.add_argument("--page-port", type=int, default=None, metavar="N", help="of the page on this computer itself")
    acts.add_parser("code", help="on the bench computer: show a new code to pair a machine or a browser with")
    pair = acts.add_parser("pair", help="on the machine: pair it with the bench computer that shows a code")
    pair.add_argument("address", metavar="HOST[:PORT]")
    pair.add_argument("--code", metavar="DIGITS", help="the code (else it is asked for)")
    pair.add_argument("--name", metavar="NAME", help="what the bench computer calls this machine (else its host name)")
    acts.add_parser("known", help="who this computer is paired with")
    forget = acts.add_parser("forget", help="forget a machine or bench computer: its key is void at once")
    forget.add_argument("name", metavar="NAME")
    for one in (*acts.choices.values(),):
        one.add_argument("--bench", metavar="DIR", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        one.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Do what the subcommand says."""
    from verifyrig.link.extra import TO_SEND, TO_SERVE, check_installed
    from verifyrig.system.stick import this_stick

    if args.act == "serve" and this_stick() is not None:
        raise UsageError(
            "a bench stick serves nobody: nothing listens on a customer's machine", where="bench serve",
            mend="Serve on the bench computer; the stick sends its runs there over the direct cable.",
        )  # fmt: skip
    check_installed(TO_SERVE if args.act == "serve" else TO_SEND)
    match args.act:
        case "serve":
            return _serve(args, context)
        case "code":
            return _code()
        case "pair":
            return _pair(args, context)
        case "forget":
            return _forget(args.name)
    return _known()


def _serve(args: argparse.Namespace, context: Context) -> Answer:
    from verifyrig.commands.linked_run import cable_alone
    from verifyrig.files.streams import tell
    from verifyrig.link.find import is_direct
    from verifyrig.link.keys import grouped
    from verifyrig.serve.codes import LASTS_S, TRIES, spoken
    from verifyrig.serve.service import serve

    for option, port in (("--port", args.port), ("--page-port", args.page_port)):
        if port is not None and not 0 <= port < 65536:
            raise UsageError(f"{port} is no port", where=option, mend="Write 1 to 65535.")
    if cable_alone(context) and not is_direct(args.listen):
        raise UsageError(
            "this is no link-local address, and only the direct cable is allowed here", where=f"--listen {args.listen}",
            mend="Listen on the cable's address (169.254.x.x), or take link_local_only out of bench.toml.",
        )  # fmt: skip
    page_port = args.page_port if args.page_port is not None else (args.port + 1 if args.port else 0)

    def ready(at: Listening) -> None:
        lines = [
            f"Bench computer: machines link to {at.host}:{at.port}; the page here: http://localhost:{at.page_port}/",
            f"For phones and other computers: https://{at.host}:{at.port}/ (their browser shows this certificate: "
            f"{grouped(at.fingerprint)})" if at.host != LOOPBACK else
            "This computer alone is served; --listen ADDRESS lets machines and phones in.",
            f"Code for pairing: {spoken(at.code)} ({TRIES} tries, {LASTS_S / 60:.0f} minutes; a new one: "
            "verifyrig bench code)",
            "A load may be running on a machine that nobody watches: stay in the building, keep the bench clear, and "
            "go to the machine where anything smokes, smells or leaks.",
        ]  # fmt: skip
        for line in lines:
            tell(plain_line(line))

    serve(context.bench, args.listen, args.port, page_port, ready)
    data: BenchEndedObject = {"ended": "signal"}
    return Answer(data=data, text="The bench computer no longer serves.", code=ExitCode.ENDED)


def _code() -> Answer:
    import urllib.error
    import urllib.request

    from verifyrig.files.foreign_file import FileKind, read_text
    from verifyrig.link.find import serving_path
    from verifyrig.serve.codes import LASTS_S, TRIES, spoken

    try:
        at = json.loads(read_text(serving_path(), FileKind.NOTE))
        request = urllib.request.Request(
            f"http://127.0.0.1:{int(at['page_port'])}/local/code", method="POST",
            headers={"X-Local-Key": str(at["local_key"])}, data=b"",
        )  # fmt: skip
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with opener.open(request, timeout=5) as response:
            code = str(json.loads(response.read())["code"])
    except (OSError, ValueError, KeyError, TypeError, urllib.error.URLError) as error:
        raise UsageError(
            "no bench computer serves here for this user", where="bench code", mend="Start it: verifyrig bench serve."
        ) from error
    data: BenchCodeObject = {"code": code, "tries": TRIES, "lasts_s": LASTS_S}
    return Answer(data=data, text=f"{spoken(code)}   ({TRIES} tries, {LASTS_S / 60:.0f} minutes)")


def _pair(args: argparse.Namespace, context: Context) -> Answer:
    import socket

    from verifyrig.commands.linked_run import cable_alone
    from verifyrig.dialogs.prompt import TerminalAsker, can_ask
    from verifyrig.link.find import check_direct
    from verifyrig.link.keys import address_of, grouped, read_known, write_known
    from verifyrig.link.pair_command import pair_with

    host, port = address_of(args.address)
    if cable_alone(context):
        check_direct(host, port)
    code = args.code
    if code is None:
        if not can_ask(json=context.json):
            raise UsageError("the code is missing", where="bench pair", mend="Write --code DIGITS.")
        code = TerminalAsker().line("Code that the bench computer shows")
    found = pair_with(host, port, code, own_name=args.name or socket.gethostname())
    with _keeping():
        write_known(read_known().with_bench_computer(found))
    data: BenchPairedObject = {
        "bench_computer": found.name,
        "fingerprint": found.fingerprint,
        "host": host,
        "port": port,
    }
    return Answer(data=data, text=plain_lines([f"Paired with {found.name} ({grouped(found.fingerprint)})."]))


def _keeping() -> AbstractContextManager[None]:
    """Return what makes the place of the keys writable: on a bench stick its data partition is not always."""
    from verifyrig.stick.medium import MEDIUM
    from verifyrig.system.stick import this_stick

    return MEDIUM.writing() if this_stick() is not None else nullcontext()


def _known() -> Answer:
    from verifyrig.link.keys import grouped, read_known

    known = read_known()
    data: BenchKnownObject = {
        "bench_computers": [
            {"name": b.name, "host": b.host, "port": b.port, "fingerprint": b.fingerprint}
            for b in known.bench_computers
        ],
        "machines": [{"name": m.name, "id": m.machine, "paired": m.paired} for m in known.machines],
    }
    lines = [f"Bench computer {b.name} at {b.host}:{b.port} ({grouped(b.fingerprint)})" for b in known.bench_computers]
    lines += [f"Machine {m.name} ({m.machine}), paired {m.paired}" for m in known.machines]
    return Answer(data=data, text=plain_lines(lines or ["This computer is paired with none."]))


def _forget(name: str) -> Answer:
    from verifyrig.link.keys import read_known, write_known

    known = read_known()
    left = known.without(name)
    if left == known:
        raise UsageError("nobody of this name is known", where=name, mend="`verifyrig bench known` lists who is.")
    with _keeping():
        write_known(left)
    data: BenchForgotObject = {"forgot": name}
    return Answer(data=data, text=plain_lines([f"{name} is forgotten."]))
