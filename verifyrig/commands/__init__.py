"""The commands: one module each, with `add_arguments(parser)` and `execute(args, context) -> Answer`.

A module imports nothing heavy at its top, so that `verifyrig --help` stays instant.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TextIO

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import ExitCode


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a command found.

    Attributes:
        data: The JSON object of the contract without `schema`, printed with `--json`.
        text: What a person reads on stdout otherwise; lines with text from outside go through `plain_lines`.
        code: Exit code.
        write: Writes the answer in place of `text` where it is too long to be held, such as a record's samples.
    """

    data: Mapping[str, Any] = field(default_factory=dict)
    text: str = ""
    code: ExitCode = ExitCode.DONE
    write: Callable[[TextIO], object] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What every command is given: the bench folder, and whether a program or a person reads the answer."""

    bench: Bench
    json: bool = False


class Command(Protocol):
    """What a command module offers."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the command's own options."""
        ...

    def execute(self, args: argparse.Namespace, context: Context) -> Answer:
        """Do the work; raise `RigError` for what a person can mend."""
        ...


# name -> (module below verifyrig.commands, one line of help)
COMMANDS: dict[str, tuple[str, str]] = {
    "setup": ("setup", "ask for shop, operator and instruments, and write bench.toml"),
    "demo": ("demo", "a whole job on simulated hardware, in its own bench folder"),
    "channels": ("channels", "what this machine lets us measure, along the thermal path"),
    "profile": ("profile", "list, show or check profiles"),
    "job": ("job", "one machine on the bench: open, note findings and changes, close, hand over"),
    "run": ("run", "measure: execute a profile and keep a record"),
    "runs": ("runs", "the records of this bench; take over records of another"),
    "import": ("import_csv", "bring a CSV of any logger as a record"),
    "metrics": ("metrics", "the figures of a record, each with its uncertainty"),
    "compare": ("compare", "two runs, before and after, stage by stage"),
    "diagnose": ("diagnose", "where the heat or the power stops, and the next test"),
    "history": ("history", "what the system itself remembers of its last shut-downs"),
    "report": ("report", "write the sign-off report"),
    "dataset": ("dataset", "kept figures of this bench as Parquet"),
    "qa": ("qa", "units against the limits, with capability"),
    "notices": ("notices", "who is told of runs and alarms, and what still waits for them"),
    "line": ("line", "a line that builds: orders, holds, changed limits, a batch watched"),
    "rig-check": ("rig_check", "is the bench itself still right"),
    "inspect": ("inspect", "does a record fit its digests, is it sealed and signed; how did its run end"),
    "export": ("export", "a record as CSV"),
    "bench": ("bench", "a second computer: serve on it, pair machines with it, see who is known"),
    "calibrate": ("calibrate", "correct a probe against ice or a reference thermometer"),
}
