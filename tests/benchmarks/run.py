"""Measures; asserts nothing. `python tests/benchmarks/run.py [NAME...] [--quick] [--json]`.

Each benchmark is a module beside this file with `measure(full: bool = True) -> dict`. It pairs the project with
what a user would do instead, or with the physical limit, in the same run, and gives the ratio.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent))


def names() -> list[str]:
    """Return the names of all benchmarks."""
    return sorted(
        path.stem.replace("_", "-")
        for path in HERE.glob("*.py")
        if path.stem != "run" and not path.stem.startswith("_") and "def measure(" in path.read_text(encoding="utf-8")
    )


def measure(name: str, *, full: bool) -> dict[str, Any]:
    """Run one benchmark by name."""
    if name not in names():
        raise SystemExit(f"{name}: there is no such benchmark. Known: {', '.join(names())}.")
    module = importlib.import_module(f"tests.benchmarks.{name.replace('-', '_')}")
    started = time.perf_counter()
    figures: dict[str, Any] = module.measure(full=full)
    return {**figures, "took_s": round(time.perf_counter() - started, 2)}


def show(name: str, figures: dict[str, Any], indent: int = 0) -> None:
    """Print figures a line each."""
    pad = "  " * indent
    print(f"{pad}{name}")
    for key, value in figures.items():
        if isinstance(value, dict):
            show(key, value, indent + 1)
        elif isinstance(value, float):
            print(f"{pad}  {key}: {value:.5g}")
        else:
            print(f"{pad}  {key}: {value}")


def main() -> int:
    """Run the benchmarks named, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="which (default all): " + ", ".join(names()))
    parser.add_argument("--quick", action="store_true", help="smaller, seeded form of the long ones")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")
    args = parser.parse_args()
    results = {}
    for name in args.names or names():
        results[name] = measure(name, full=not args.quick)
        if not args.json:
            show(name, results[name])
            sys.stdout.flush()
    if args.json:
        json.dump({"schema": 1, "benchmarks": results}, sys.stdout)
        print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
