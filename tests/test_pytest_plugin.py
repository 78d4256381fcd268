"""The fixture for QA: a comparison holds only where it is proven, and a failing one says why."""

from __future__ import annotations

import operator
import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.small_records import PROFILE_TEXT
from verifyrig.metrology.verdict import Verdict
from verifyrig.pytest_plugin import GuardedFigure, RigRun, pytest_assertrepr_compare
from verifyrig.qa import UnitFigure

REPO = Path(__file__).resolve().parent.parent


def guarded(value: float | None, u95: float | None = 2.0, **told: str) -> GuardedFigure:
    return GuardedFigure("load.die_temp_c.rise", UnitFigure(value=value, u95=u95, unit="K", **told), "a-run")


# ILAC-G8:09/2019, 4.2.3 with w = U: pass only up to limit - U.
@pytest.mark.parametrize(
    ("value", "holds", "verdict"),
    [
        (57.9, True, Verdict.PASS),
        (58.0, True, Verdict.PASS),
        (59.0, False, Verdict.CONDITIONAL_PASS),
        (61.0, False, Verdict.CONDITIONAL_FAIL),
        (63.0, False, Verdict.FAIL),
        (None, False, Verdict.NOT_MEASURED),
    ],
)
def test_a_comparison_holds_only_where_it_is_proven(value: float | None, holds: bool, verdict: Verdict) -> None:
    judged = guarded(value) <= 60
    assert bool(judged) is holds
    assert judged.verdict is verdict


def test_a_lower_limit_is_guarded_the_other_way() -> None:
    assert guarded(63.0) >= 60
    assert not guarded(61.0) >= 60


def test_a_run_that_did_not_settle_proves_nothing() -> None:
    judged = guarded(40.0, why_no_pass="the stage did not settle") <= 60
    assert not judged
    assert repr(judged) == "not measured (the stage did not settle)"
    # A figure that is plainly too high fails all the same.
    assert (guarded(80.0, why_no_pass="the stage did not settle") <= 60).verdict is Verdict.FAIL


def test_figures_compare_as_numbers_do_where_it_is_proven() -> None:
    def proven(figure: GuardedFigure, value: float) -> str:
        signs = {"<": operator.lt, "=": operator.eq, "!": operator.ne, ">": operator.gt}
        return "".join(sign for sign, compare in signs.items() if compare(figure, value))

    errors, rise = guarded(0.0, 0.0), guarded(50.0, 2.0)
    assert [proven(errors, value) for value in (0, 1, -1)] == ["=", "<!", "!>"]
    # A figure with an uncertainty is never proven to be one number; one that only just reaches a limit is not below it.
    assert [proven(rise, value) for value in (50, 52, 53, 48, 47)] == ["", "", "<!", "", "!>"]
    missing = guarded(None, None, note="the load never settled")
    assert proven(missing, 0) == ""
    assert "only just reaches" in repr(rise < 52)


def test_a_failing_comparison_is_told_in_words() -> None:
    assert pytest_assertrepr_compare("<=", guarded(59.0), 60) == [
        "load.die_temp_c.rise (59 ± 2 K) <= 60: inside the limit, not proven",
        "run a-run",
    ]
    assert pytest_assertrepr_compare("<=", 3, 60) is None
    assert "no figure: no power" in repr(guarded(None, note="no power"))


def test_an_unknown_metric_is_answered_with_near_ones() -> None:
    run = RigRun(run="a-run", record=Path("x"), summary={}, figures={"load.die_temp_c.rise": guarded(1.0).figure})
    with pytest.raises(KeyError, match=r"near: load\.die_temp_c\.rise"):
        run.metric("load.die_temp.rise")


def test_a_build_lines_own_tests_run_on_simulated_hardware(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, "utf-8")
    (tmp_path / "test_unit.py").write_text(
        'def test_peak(rig):\n    assert rig.run("tiny-build").metric("load.die_temp_c.peak") <= 90\n\n'
        'def test_too_much(rig):\n    assert rig.run("tiny-build").metric("load.die_temp_c.peak") <= 25\n\n'
        'def test_outcome(rig):\n    assert rig.run("tiny-build").outcome == "completed"\n',
        "utf-8",
    )
    words = ["-p", "verifyrig.pytest_plugin", "-p", "no:cacheprovider", "--rig-mock", "healthy-air:3"]
    words += ["--rig-bench", str(tmp_path), "--rig-unit", "unit-07", "--junitxml", str(tmp_path / "out.xml")]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *words, str(tmp_path)],
        capture_output=True, text=True, timeout=110, check=False, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(REPO)},
    )  # fmt: skip
    assert "1 failed, 2 passed" in done.stdout, done.stdout + done.stderr
    assert "<= 25: failed" in done.stdout
    assert len(list((tmp_path / "runs").glob("*.sqlite"))) == 1  # one run for three tests
    suite = ElementTree.parse(tmp_path / "out.xml").find("testsuite")
    assert suite is not None
    assert suite.get("tests") == "3"
