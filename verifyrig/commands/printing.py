"""How an answer goes out on stdout: as text or as JSON, in any code page, to a reader that may be gone."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from typing import TextIO

from verifyrig.commands import Answer
from verifyrig.core.errors import ExitCode
from verifyrig.core.plain_json import json_text
from verifyrig.core.plain_text import plain_block
from verifyrig.files.streams import ReaderGone, Unwritable, put, tell

SCHEMA = 1


def deliver(answer: Answer, *, wants_json: bool = False) -> int:
    """Put an answer on stdout; return its exit code, which stands where the reader went away."""
    with contextlib.suppress(ReaderGone):
        send(answer, wants_json=wants_json)
    return int(answer.code)


def send(answer: Answer, *, wants_json: bool = False) -> None:
    """Put an answer on stdout; raise `ReaderGone` or `Unwritable` where that cannot be."""
    if wants_json:
        put(_json_line({"schema": SCHEMA, **answer.data}))
    elif answer.write is not None:
        put(answer.write)
    elif answer.text:
        put(lambda out: print(_fitted(plain_block(answer.text)), file=out))


def _json_line(data: dict[str, object]) -> Callable[[TextIO], object]:
    """Return what writes JSON in one line; in a code page other than UTF-8 as ASCII, which loses no character."""

    def write(out: TextIO) -> None:
        is_utf8 = (out.encoding or "").lower().replace("-", "") == "utf8"
        out.write(json_text(data, ascii_only=not is_utf8) + "\n")

    return write


def report_unwritten(fault: Unwritable) -> int:
    """Say in one line that the answer is lost; return the code of an own fault."""
    tell(f"verifyrig: stdout: the answer could not be written ({fault}). Lead it to a place that takes it.")
    return int(ExitCode.OWN_FAULT)


def _fitted(text: str) -> str:
    """Return the text broken at words where a person reads it on a narrow terminal; as it is elsewhere."""
    if not sys.stdout.isatty():
        return text
    from verifyrig.dialogs.prompt import width, wrapped

    most = width()
    return "\n".join(wrapped(line, indent=_below(line)) if len(line) > most else line for line in text.split("\n"))


def _below(line: str) -> str:
    """Return the blanks before what goes on below: further in than the line itself."""
    return " " * (len(line) - len(line.lstrip()) + 4)
