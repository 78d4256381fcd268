"""A run of a graphics card on the terminal: the card's temperature and forecast, not the processor's."""

from __future__ import annotations

import io

import pytest

from verifyrig.analysis import Forecast
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.rig.observer import TickView
from verifyrig.terminal.lines import PlainLines
from verifyrig.terminal.panel import panel_lines
from verifyrig.terminal.words import forecast_sentence, main_channel

READINGS = {"die_temp_c": Reading(value=41.0), "gpu_temp_c": Reading(value=63.0)}


def info(channel: str) -> ChannelInfo:
    return ChannelInfo(channel=channel, label="", device=channel, source="", quantity="temperature", unit="°C")


@pytest.fixture
def bench(tmp_path: object) -> Bench:
    return Bench(root=tmp_path)  # type: ignore[arg-type]


def view(bench: Bench, readings: dict[str, Reading]) -> TickView:
    ahead = Forecast(settles_at_c=68.0, u95_k=3.0, known=False, remaining_s=100.0, slow=False)
    stage = next(s for s in find_profile("graphics", bench).stages if s.name == "load")
    return TickView(
        t_s=60.0, stage_s=60.0, stage=stage, share=1.0, readings=readings, forecast=ahead, margin_k=23.0,
        limits_c={"gpu_temp_c": 86.0}, remaining_s=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("profile", "channel"),
    [("graphics", "gpu_temp_c"), ("graphics-and-processor", "gpu_temp_c"), ("desktop-air", "die_temp_c")],
)
def test_a_run_is_about_what_its_load_heats(bench: Bench, profile: str, channel: str) -> None:
    assert main_channel(find_profile(profile, bench), READINGS) == channel


def test_a_plain_line_gives_the_card_and_where_it_settles(bench: Bench) -> None:
    out = io.StringIO()
    lines = PlainLines(out, every_s=1.0)
    lines.begin(find_profile("graphics", bench), {name: info(name) for name in READINGS}, [])
    lines.tick(view(bench, READINGS))
    last = out.getvalue().splitlines()[-1]
    assert "63 °C" in last and "settles at 68 ± 3 °C" in last and "41" not in last


def test_the_panel_shows_a_card_that_stands_alone(bench: Bench) -> None:
    shown = view(bench, {"gpu_temp_c": READINGS["gpu_temp_c"], "ambient_temp_c": Reading(value=22.0)})
    lines = panel_lines(find_profile("graphics", bench), shown, 3, [60.0, 63.0], "gpu_temp_c", [], "", 100)
    text = "\n".join(line for line, _ in lines)
    assert "graphics 63 °C" in text and "Settles at 68 ± 3 °C" in text


def test_no_forecast_in_whole_degrees_is_said_to_be_surer_than_a_degree() -> None:
    sure = Forecast(settles_at_c=61.6, u95_k=0.4, known=True, remaining_s=0.0, slow=False)
    assert forecast_sentence(sure) == "settles at 62 ± 1 °C, known"
