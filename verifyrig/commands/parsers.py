"""The parsers of the command line: one for the bare program, one for each command."""

from __future__ import annotations

import argparse
import importlib
from typing import Any, NoReturn, cast

from verifyrig.commands import COMMANDS, Command
from verifyrig.core.errors import UsageError

_ENDING = """\
exit codes, the first that applies:
  5 the program's own fault      2 bad input or usage      130 ended by the operator or a signal
  3 tripped or stopped for safety      1 fail, or an altered record      4 not proven      0 done

Advice only: local codes, licensed practice and the maker's manual come first."""


class HelpAsked(Exception):
    """`--help` stands among the words; its text is an answer like any other."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class _Parser(argparse.ArgumentParser):
    """Reports a wrong word as a `UsageError`, so that `--json` can carry it."""

    def print_help(self, file: Any = None) -> NoReturn:
        raise HelpAsked(self.format_help().rstrip())

    def error(self, message: str) -> NoReturn:
        raise UsageError(message, where=self.prog, mend=f"`{self.prog} --help` shows what it takes.")


def main_parser() -> argparse.ArgumentParser:
    """Return the parser of the bare program, whose help lists the commands."""
    lines = [f"  {name:<10} {help_line}" for name, (_, help_line) in COMMANDS.items()]
    parser = _Parser(
        prog="verifyrig",
        description="Measure how a machine carries its heat, change one thing, measure again, and sign it off.",
        epilog="commands (each has --help):\n" + "\n".join(lines) + "\n\n" + _ENDING,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="verifyrig [COMMAND] [--bench DIR] [--json] [--by NAME]",
    )
    _add_shared(parser)
    parser.add_argument("--by", metavar="NAME", help="who is at the bench, for the rest of the shift")
    return parser


def command_parser(name: str) -> tuple[argparse.ArgumentParser, Command]:
    """Return a command's own parser and its module."""
    module_name, help_line = COMMANDS[name]
    module = cast(Command, importlib.import_module(f"verifyrig.commands.{module_name}"))
    parser = _Parser(
        prog=f"verifyrig {name}", description=help_line[0].upper() + help_line[1:] + ".", allow_abbrev=False
    )
    _add_shared(parser)
    module.add_arguments(parser)
    return parser, module


def _add_shared(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--bench", metavar="DIR", help="the bench folder (else VERIFYRIG_BENCH, else the nearest)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout, nothing else there")
