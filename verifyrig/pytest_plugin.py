"""A pytest fixture with which QA writes the limits of a build as tests; every figure is judged with its guard band.

    pytest -p verifyrig.pytest_plugin --rig-ambient 22±1 --rig-attest answers.toml

    def test_unit(rig):
        assert rig.run("desktop-air").metric("load.die_temp_c.rise") <= 60

The comparison is true only where it is proven: value and uncertainty lie on the right side of the limit, and the
run allows a pass (settled, nothing missing). `--rig-mock CASE` runs on simulated hardware.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from verifyrig.metrology.verdict import Verdict, judge, plain_word

if TYPE_CHECKING:
    from verifyrig.qa import UnitFigure

__all__ = ["BenchRig", "GuardedFigure", "Judged", "RigRun", "pytest_addoption", "pytest_assertrepr_compare", "rig"]

_OPTIONS = {
    "bench": ("DIR", "the bench folder where records are kept (else as the command line finds it)"),
    "mock": ("CASE", "simulated hardware, as CASE or CASE:SEED"),
    "unit": ("NAME", "which unit is tested"),
    "batch": ("NAME", "which batch the unit is of"),
    "ambient": ("C[±U]", "room temperature, °C, and its uncertainty, K"),
    "attest": ("FILE", "a person's answers about leaks, packs, smells, who is present"),
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Declare the options of the rig."""
    group = parser.getgroup("verifyrig", "build verification")
    for name, (metavar, text) in _OPTIONS.items():
        group.addoption(f"--rig-{name}", metavar=metavar, default=None, help=text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A comparison with a limit: true only where it is proven."""

    verdict: Verdict
    why: str = ""

    def __bool__(self) -> bool:
        return self.verdict is Verdict.PASS

    def __repr__(self) -> str:
        return plain_word(self.verdict) + (f" ({self.why})" if self.why else "")


@dataclass(frozen=True, slots=True, eq=False)
class GuardedFigure:
    """One metric of a run, to be compared with `<=`, `>=`, `<`, `>` and `==` as a number is, true where proven."""

    name: str
    figure: UnitFigure
    run: str

    def __le__(self, maximum: float) -> Judged:
        return self._judged(maximum=float(maximum))

    def __ge__(self, minimum: float) -> Judged:
        return self._judged(minimum=float(minimum))

    def __lt__(self, maximum: float) -> Judged:
        return self._strictly(self <= maximum, float(maximum))

    def __gt__(self, minimum: float) -> Judged:
        return self._strictly(self >= minimum, float(minimum))

    def __eq__(self, value: object) -> Judged:  # type: ignore[override]
        """A count equals what it counts; a figure with an uncertainty is never proven to be one number."""
        if not isinstance(value, int | float):
            return NotImplemented
        return self._judged(minimum=float(value), maximum=float(value))

    def __ne__(self, value: object) -> Judged:  # type: ignore[override]
        """True where it is proven to lie on one side or the other."""
        if not isinstance(value, int | float):
            return NotImplemented
        above, below = self > value, self < value
        return above or below

    def __hash__(self) -> int:
        return hash((self.name, self.run))

    def _strictly(self, judged: Judged, limit: float) -> Judged:
        """Return the judgement, not proven where the figure with its uncertainty only just reaches the limit."""
        value, u95 = self.figure.value, self.figure.u95
        if judged and value is not None and abs(value - limit) <= (u95 or 0.0):
            return Judged(verdict=Verdict.CONDITIONAL_PASS, why="it only just reaches it")
        return judged

    def _judged(self, *, minimum: float | None = None, maximum: float | None = None) -> Judged:
        from verifyrig.qa import judge_figure

        verdict = judge_figure(self.figure, minimum, maximum)
        if verdict is not Verdict.NOT_MEASURED:
            return Judged(verdict=verdict)
        # Without the run's own objection the figure would have been judged; then that is the reason.
        judged_alone = judge(self.figure.value, self.figure.u95, minimum=minimum, maximum=maximum)
        why = self.figure.note if judged_alone is Verdict.NOT_MEASURED else self.figure.why_no_pass
        return Judged(verdict=verdict, why=why or "its uncertainty cannot be stated")

    def __repr__(self) -> str:
        value, u95 = self.figure.value, self.figure.u95
        unit = "" if self.figure.unit in ("", "1") else f" {self.figure.unit}"
        if value is None:
            return f"{self.name} (no figure: {self.figure.note})"
        return f"{self.name} ({value:.4g}{'' if u95 is None else f' ± {u95:.2g}'}{unit})"


_COMPARED = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "==": operator.eq,
    "!=": operator.ne,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RigRun:
    """A run that is over.

    Attributes:
        summary: The object that `verifyrig run --json` prints.
        figures: Every single-valued metric by name.
    """

    run: str
    record: Path
    summary: Mapping[str, Any]
    figures: Mapping[str, UnitFigure]

    @property
    def verdict(self) -> Verdict:
        """The run's verdict against the thresholds of its own profile."""
        return Verdict(self.summary["verdict"])

    @property
    def outcome(self) -> str:
        """completed, tripped, stopped or interrupted."""
        return str(self.summary["outcome"])

    def metric(self, name: str) -> GuardedFigure:
        """Return one metric by its full name; raise `KeyError` with the near ones where there is none."""
        if name not in self.figures:
            from difflib import get_close_matches

            near = get_close_matches(name, self.figures, n=3)
            raise KeyError(f"run {self.run} has no metric {name!r}" + (f"; near: {', '.join(near)}" if near else ""))
        return GuardedFigure(name, self.figures[name], self.run)


class BenchRig:
    """What the fixture `rig` is: runs profiles, each once in a session, and keeps their records."""

    def __init__(self, options: Mapping[str, str | None]) -> None:
        self._options = options
        self._done: dict[str, RigRun] = {}

    def run(self, profile: str, *, again: bool = False) -> RigRun:
        """Return the run of a profile, executed now unless it was in this session; `again` runs it anew.

        Raises:
            RigError: It cannot be started as asked, with what, where and how to mend it.
        """
        if again or profile not in self._done:
            self._done[profile] = self._execute(profile)
        return self._done[profile]

    def _execute(self, profile: str) -> RigRun:
        from verifyrig.bench.folder import find_bench
        from verifyrig.commands import Context
        from verifyrig.commands.parsers import command_parser
        from verifyrig.commands.run import run_and_read
        from verifyrig.commands.run_request import request_from
        from verifyrig.core.interfaces import Controls
        from verifyrig.terminal.lines import PlainLines

        words = [profile, "--as", "build", "--json"]
        for name in ("mock", "unit", "batch", "ambient", "attest"):
            value = self._options.get(name)
            words += [f"--{name}", value] if value else []
        args = command_parser("run")[0].parse_args(words)
        context = Context(bench=find_bench(self._options.get("bench")), json=True)
        answer = run_and_read(request_from(args, context), context, PlainLines(), Controls())
        return _read(Path(answer.data["record"]), answer.data)


def _read(record: Path, summary: Mapping[str, Any]) -> RigRun:
    from verifyrig.core.errors import RecordError
    from verifyrig.qa.index.compute import compute_one
    from verifyrig.qa.index.kept import all_figures

    computed = compute_one(record)
    if computed.kept is None:
        raise RecordError(computed.refused, where=str(record), mend="Run it again, and check the disk.")
    return RigRun(run=computed.run, record=record, summary=summary, figures=all_figures(computed.kept))


@pytest.fixture(scope="session")
def rig(request: pytest.FixtureRequest) -> BenchRig:
    """The bench: `rig.run("desktop-air").metric("load.die_temp_c.rise") <= 60`."""
    return BenchRig({name: request.config.getoption(f"--rig-{name}") for name in _OPTIONS})


def pytest_assertrepr_compare(op: str, left: object, right: object) -> list[str] | None:
    """Say in words why a comparison with a limit does not hold."""
    if not isinstance(left, GuardedFigure) or op not in _COMPARED or not isinstance(right, int | float):
        return None
    judged = _COMPARED[op](left, right)
    return [f"{left!r} {op} {right:g}: {judged!r}", f"run {left.run}"]
