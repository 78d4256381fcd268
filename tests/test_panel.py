"""What the panel of a running measurement shows, drawn as on a terminal."""

from __future__ import annotations

import pytest

from tests.fakes import die_info, profile
from verifyrig.core.interfaces import Reading
from verifyrig.rig.observer import TickView
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.terminal.panel import LivePanel


@pytest.mark.parametrize("temp_c", [0.0, 40.0])
def test_a_die_at_exactly_0_degrees_is_drawn_like_any_other(
    temp_c: float, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # rich then draws as on a terminal
    monkeypatch.setenv("TERM", "xterm")
    plan = profile()
    panel = LivePanel()
    panel.begin(plan, {"die_temp_c": die_info()}, [])
    buffer, readings = RunBuffer(), {"die_temp_c": Reading(value=temp_c)}
    buffer.add(1.0, readings)
    view = TickView(
        t_s=1.0, stage_s=1.0, stage=plan.stages[0], share=0.0, readings=readings, buffer=buffer,
        forecast=None, margin_k=90.0 - temp_c, limits_c={"die_temp_c": 90.0}, remaining_s=19.0,
    )  # fmt: skip
    panel.tick(view)
    drawn = capsys.readouterr().err
    panel.end()
    assert "trip" in drawn  # the plot with its limit is there
    assert "No temperature to draw" not in drawn
