"""The command line: finds the command, hands it its words, prints its answer, keeps the exit codes.

stdout carries the result and nothing else; messages and progress go to stderr.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig import __version__
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import COMMANDS, Answer, Context
from verifyrig.commands.parsers import HelpAsked, command_parser, main_parser
from verifyrig.commands.printing import deliver, report_unwritten
from verifyrig.core.contract import ErrorObject
from verifyrig.core.errors import ExitCode, RigError, UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.files.streams import ReaderGone, Unwritable, tell

if TYPE_CHECKING:
    from verifyrig.commands.contract import ErrorAnswer, VersionObject


def run(words: Sequence[str]) -> int:
    """Run one command line; return the exit code of the contract."""
    wants_json = "--json" in words
    try:
        return _run(list(words), wants_json=wants_json)
    except ReaderGone:
        return int(ExitCode.DONE)
    except Unwritable as fault:
        return report_unwritten(fault)
    except KeyboardInterrupt:
        return int(ExitCode.ENDED)


def _run(words: list[str], *, wants_json: bool) -> int:
    try:
        answer, wants_json = _answer(words)
        return deliver(answer, wants_json=wants_json)
    except (ReaderGone, Unwritable):
        raise
    except HelpAsked as asked:
        return deliver(Answer(text=asked.text))
    except RigError as error:
        if error.exit_code is ExitCode.OWN_FAULT and os.environ.get("VERIFYRIG_TRACEBACK"):
            raise
        return _fail(error.as_json(), str(error), error.exit_code, wants_json)
    except OSError as error:
        fault = _of_the_system(error)
        if fault is None:
            return _own_fault(error, wants_json)
        return _fail(fault.as_json(), str(fault), fault.exit_code, wants_json)
    except Exception as error:
        return _own_fault(error, wants_json)


def _answer(words: list[str]) -> tuple[Answer, bool]:
    if words and words[0] in ("--version", "-V"):
        version: VersionObject = {"version": __version__}
        return Answer(data=version, text=f"verifyrig {__version__}"), "--json" in words
    if words and words[0] in COMMANDS:
        return _command_answer(words[0], words[1:])
    named = _command_after_options(words)
    if named is not None:
        return _command_answer(words[named], [*words[named + 1 :], *words[:named]])
    parser = main_parser()
    args, rest = parser.parse_known_args(words)
    if rest:
        raise UsageError(
            f"there is no command {rest[0]!r}", where="verifyrig", mend="`verifyrig --help` lists the commands."
        )
    started = None if args.json else _autostarted(args)
    if started is not None:
        return started
    if args.json or not sys.stdin.isatty():
        return Answer(text=parser.format_help().rstrip()), False
    return _next_step(args), False


def _command_after_options(words: list[str]) -> int | None:
    """Return where the command stands among words that begin with the options which every command takes."""
    at = 0
    while at < len(words) and words[at].startswith("-"):
        name, has_value, _ = words[at].partition("=")
        if name not in ("--bench", "--json"):
            return None
        at += 2 if name == "--bench" and not has_value else 1
    return at if at < len(words) and words[at] in COMMANDS else None


def _autostarted(args: argparse.Namespace) -> tuple[Answer, bool] | None:
    """Run what bench.toml starts by itself; None where it starts nothing, or somebody asks for the menu."""
    from verifyrig.bench.autostart import autostart_words, wait_s_of
    from verifyrig.dialogs.prompt import is_key_pressed

    bench = find_bench(args.bench)
    words = autostart_words(bench)
    if words is None:
        return None
    wait_s = wait_s_of(bench)
    if is_key_pressed(wait_s, f"Starting in {wait_s:.0f} s. Any key opens the menu."):
        return None
    return _command_answer(words[0], [*words[1:], "--bench", str(bench.root)])


def _next_step(args: argparse.Namespace) -> Answer:
    from verifyrig.commands import next_step
    from verifyrig.commands.who import set_shift

    bench = find_bench(args.bench)
    if args.by:
        set_shift(bench, args.by)
    _announce_unfinished(bench)
    return next_step.execute(Context(bench=bench))


def _announce_unfinished(bench: Bench) -> None:
    """Name interrupted runs since the last start; that something cannot be read there stops no command."""
    from verifyrig.runs.unfinished import note_unfinished

    with contextlib.suppress(OSError, RigError):
        for found in note_unfinished(bench):
            tell(f"verifyrig: {plain_line(found.sentence)}")
            if bench.config.get("notify"):
                _tell_of_dead_run(bench, found.record)


def _tell_of_dead_run(bench: Bench, record: Path) -> None:
    """Hand over a run whose program could not do it itself any more."""
    from verifyrig.core.errors import kept_to
    from verifyrig.notify.hand_over import hand_over, notice_of_record

    with contextlib.suppress(RigError), kept_to(record):
        hand_over(bench, notice_of_record(record), quiet=True)


def _command_answer(name: str, words: list[str]) -> tuple[Answer, bool]:
    parser, module = command_parser(name)
    args = parser.parse_args(words)
    context = Context(bench=find_bench(args.bench), json=args.json)
    _announce_unfinished(context.bench)
    return module.execute(args, context), bool(args.json)


def _fail(error: ErrorObject, line: str, code: ExitCode, wants_json: bool) -> int:
    tell(line if line.startswith("verifyrig") else f"verifyrig: {line}")
    data: ErrorAnswer = {"error": error}
    return deliver(Answer(data=data, code=code), wants_json=wants_json)


# What a system refuses whatever a program does: names, rights, room, a medium that fails.
_REFUSALS = (
    errno.ENAMETOOLONG, errno.ELOOP, errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO,
    errno.ENOTDIR, errno.ENODEV, errno.ENXIO, errno.ESTALE,
)  # fmt: skip


def _of_the_system(error: OSError) -> RigError | None:
    """Return what a person can mend about a file that the system refuses; None where it is a fault of ours."""
    if error.errno not in _REFUSALS or error.filename is None:
        return None
    return UsageError(
        f"the system refuses this ({error.strerror})",
        where=os.fsdecode(error.filename)[:200] if isinstance(error.filename, str | bytes) else str(error.filename),
        mend="Check the path, its rights, the room on the disk and the medium.",
    )


def _own_fault(error: Exception, wants_json: bool) -> int:
    if os.environ.get("VERIFYRIG_TRACEBACK"):
        raise error
    details: ErrorObject = {
        "what": f"{type(error).__name__}: {error}",
        "where": "verifyrig itself",
        "mend": "Set VERIFYRIG_TRACEBACK=1, run it again, and send the output to the makers.",
    }
    return _fail(details, plain_line("{where}: {what}. {mend}".format(**details)), ExitCode.OWN_FAULT, wants_json)
