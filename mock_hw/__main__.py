"""Simulated hardware in real time: `python -m mock_hw machine|thermometer|cases`."""

from __future__ import annotations

import _thread
import argparse
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from mock_hw.physics.parameters import CASES

USAGE_ERROR = 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m mock_hw", description="Simulated hardware in real time.")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("cases", help="list the cases and their true causes")
    _add_machine(commands.add_parser("machine", help="serve a machine as a tree of files"))
    _add_thermometer(commands.add_parser("thermometer", help="serve a thermometer on a serial line"))
    return parser


def _add_machine(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--case", required=True, help="see: python -m mock_hw cases")
    parser.add_argument("--root", required=True, type=Path, help="folder for the tree, empty or an older such tree")
    parser.add_argument("--seed", type=int, default=0, help="which machine of the case (0: a typical one)")
    parser.add_argument("--cooler", choices=("air", "liquid"), help="for cases that may have either")
    parser.add_argument("--second-die", type=float, metavar="K_PER_W", help="a second die, with this way to the lid")
    parser.add_argument("--speed", type=float, default=1.0, help="simulated seconds per second")
    parser.add_argument(
        "--probes", nargs="*", default=["room"], help="room plate radiator hose-in hose-out inlet exhaust"
    )
    parser.add_argument(
        "--start", choices=("rest", "cold"), default="rest", help="settled at idle, or just switched on"
    )
    parser.add_argument("--restart-after", type=float, help="switch it on again after that many simulated seconds")


def _add_thermometer(parser: argparse.ArgumentParser) -> None:
    from mock_hw.serial.line_faults import FAULTS

    parser.add_argument("--url", required=True, help="pty:/path/of/link or socket://host:port (port 0: any free one)")
    parser.add_argument("--follow", action="append", type=Path, default=[], metavar="FILE", help="show a channel file")
    parser.add_argument("--constant", action="append", type=float, default=[], metavar="C", help="show a temperature")
    parser.add_argument("--period", type=float, default=1.0, help="seconds between messages")
    parser.add_argument("--query", default="", help="speak only when this line comes")
    parser.add_argument("--fault", action="append", default=[], choices=sorted(FAULTS), help="may be given again")
    parser.add_argument("--fault-share", type=float, default=0.2, help="how many messages are hit, 0 to 1")
    parser.add_argument("--seed", type=int, default=0, help="course of the faults")


def _stop_event() -> threading.Event:
    """Return an event that SIGTERM and Ctrl-C set."""
    stop = threading.Event()
    # Not set in the handler itself: it may interrupt this very thread inside stop.wait(), which holds the lock.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: _thread.start_new_thread(stop.set, ()))
    return stop


def _cases() -> None:
    for case, cause in CASES.items():
        print(f"{case:18} {cause}")


def _machine(options: argparse.Namespace) -> None:
    from mock_hw.bench import SimulatedBench
    from mock_hw.serve import serve

    stop = _stop_event()
    with SimulatedBench(
        options.case,
        options.seed,
        options.root,
        probes=options.probes,
        start=options.start,
        cooler=options.cooler,
        second_die_k_per_w=options.second_die,
    ) as bench:
        print(f"simulated hardware: {options.case}, seed {options.seed}, at {options.root} ready", flush=True)
        serve(bench, stop, speed=options.speed, restart_after_s=options.restart_after)


def _thermometer(options: argparse.Namespace) -> None:
    from mock_hw.serial.line_faults import FaultPlan
    from mock_hw.serial.ports import open_port
    from mock_hw.serial.thermometer import Thermometer, constant, follow

    if options.period <= 0:
        raise ValueError(f"--period is {options.period}, and must be above 0")
    sources = [*map(follow, options.follow), *map(constant, options.constant)] or [constant(22.0)]
    plan = FaultPlan(tuple(options.fault), share=options.fault_share, seed=options.seed)
    stop = _stop_event()
    port = open_port(options.url)
    print(port.url, flush=True)
    print("simulated hardware: thermometer ready", flush=True)
    Thermometer(port=port, sources=sources, period_s=options.period, query=options.query, faults=plan).serve(stop)


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until SIGTERM or Ctrl-C; return the exit code, 2 for bad input."""
    options = _parser().parse_args(arguments)
    try:
        if options.command == "machine":
            _machine(options)
        elif options.command == "thermometer":
            _thermometer(options)
        else:
            _cases()
    except (ValueError, OSError) as error:
        print(f"python -m mock_hw {options.command}: {error}", file=sys.stderr)
        return USAGE_ERROR
    return 0


if __name__ == "__main__":
    sys.exit(main())
