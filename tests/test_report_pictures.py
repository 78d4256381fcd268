"""Pictures of the report: no peak is lost, colours keep their contrast, words keep clear of one another."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests import report_inputs as ri
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern
from verifyrig.core.reason import reason
from verifyrig.core.trace import Event, FloatArray
from verifyrig.report import plot, svg
from verifyrig.report.before_after import before_after
from verifyrig.report.early_end import EndKind, early_end
from verifyrig.report.fingerprint import NORMAL_K_PER_W, fingerprint, prints
from verifyrig.report.inputs import RunInput
from verifyrig.report.labels import Box, free_place
from verifyrig.report.reduce import reduced, reduced_again
from verifyrig.report.thermal_path import paths
from verifyrig.report.timeline import load_spans, load_start_s
from verifyrig.report.wording import Words

WORDS = Words()


# --- reduction -------------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(
    values=hnp.arrays(np.float64, st.integers(1, 3000), elements=st.floats(-60, 140) | st.just(np.nan)),
    buckets=st.integers(1, 60),
)
def test_the_reduced_line_keeps_extremes_ends_and_only_real_points(values: FloatArray, buckets: int) -> None:
    t_s = np.arange(len(values), dtype=np.float64) * 0.1
    pieces = reduced(t_s, values, buckets)
    known = np.isfinite(values)
    if not known.any():
        assert pieces == []
        return
    times = np.concatenate([piece.t_s for piece in pieces])
    heights = np.concatenate([piece.values for piece in pieces])
    assert heights.max() == np.nanmax(values)
    assert heights.min() == np.nanmin(values)
    assert times[0] == t_s[known][0] and times[-1] == t_s[known][-1]
    assert np.all(np.diff(times) > 0)
    # Every point drawn is a reading: nothing is averaged or made up.
    assert np.array_equal(values[np.searchsorted(t_s, times)], heights)


@settings(max_examples=40, deadline=None)
@given(
    values=hnp.arrays(np.float64, st.integers(1, 3000), elements=st.floats(-60, 140) | st.just(np.nan)),
    buckets=st.integers(1, 40),
)
def test_reducing_again_loses_no_extreme_either(values: FloatArray, buckets: int) -> None:
    pieces = reduced_again(reduced(np.arange(len(values), dtype=np.float64) * 0.1, values, 60), buckets)
    if not np.isfinite(values).any():
        assert pieces == []
        return
    heights = np.concatenate([piece.values for piece in pieces])
    assert (heights.min(), heights.max()) == (np.nanmin(values), np.nanmax(values))


def test_a_peak_of_one_sample_survives_a_thousandfold_reduction() -> None:
    values = np.full(864_000, 50.0)
    values[400_123] = 96.375
    pieces = reduced(np.arange(864_000, dtype=np.float64) * 0.1, values, 340)
    points = np.concatenate([piece.values for piece in pieces])
    assert points.max() == 96.375
    assert len(points) <= 4 * 340


def test_a_long_gap_breaks_the_line_and_a_slow_probe_does_not() -> None:
    t_s = np.arange(1000.0)
    slow = np.where(t_s % 5 == 0, 40.0, np.nan)
    assert len(reduced(t_s, slow, 50)) == 1
    gap = np.where((t_s > 300) & (t_s < 400), np.nan, 40.0)
    first, second = reduced(t_s, gap, 50)
    assert (first.t_s[-1], second.t_s[0]) == (300.0, 400.0)


def test_shapes_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        reduced(np.zeros(3), np.zeros(4), 5)


# --- scales and ticks ------------------------------------------------------------------------------------------


@given(low=st.floats(-50, 100), span=st.floats(0.5, 500))
def test_ticks_enclose_the_range_at_even_round_steps(low: float, span: float) -> None:
    ticks = svg.nice_ticks(low, low + span, 5)
    assert ticks[0] <= low + 1e-6 and ticks[-1] >= low + span - 1e-6
    steps = [high - low for low, high in pairwise(ticks)]
    assert max(steps) - min(steps) < 1e-6
    mantissa = steps[0] / 10 ** np.floor(np.log10(steps[0]) + 1e-9)
    assert min(abs(mantissa - nice) for nice in (1, 2, 5, 10)) < 1e-6


@given(low=st.floats(-90_000, 0), span=st.floats(1, 200_000))
def test_times_lie_within_the_span_and_zero_is_among_them(low: float, span: float) -> None:
    ticks = svg.time_ticks(low, low + span, 8)
    assert all(low - 1e-6 <= tick <= low + span + 1e-6 for tick in ticks)
    if low <= 0 <= low + span:
        assert 0 in ticks


# --- colour ----------------------------------------------------------------------------------------------------


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance (sRGB, threshold 0.04045)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio: (L1 + 0.05) / (L2 + 0.05)."""
    light, dark = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_published_extremes() -> None:
    # WCAG 2.2: the ratio ranges from 1 to 21.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == 1.0


@pytest.mark.parametrize("colour", [svg.BEFORE_LINE, svg.AFTER_LINE, svg.MUTED, svg.INK])
@pytest.mark.parametrize("ground", [svg.PAPER, "#FFFFFF"])
def test_lines_and_marks_have_3_to_1(colour: str, ground: str) -> None:
    assert contrast(colour, ground) >= 3.0  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("colour", [svg.BEFORE_TEXT, svg.AFTER_TEXT, svg.MUTED, svg.INK])
@pytest.mark.parametrize("ground", [svg.PAPER, "#FFFFFF", "#EFEDE8"])
def test_words_have_4_5_to_1_also_on_the_grey_of_the_load(colour: str, ground: str) -> None:
    assert contrast(colour, ground) >= 4.5  # WCAG 2.2, 1.4.3


def test_before_and_after_differ_in_all_but_colour() -> None:
    assert plot.BEFORE.dash != plot.AFTER.dash
    assert plot.BEFORE.mark != plot.AFTER.mark
    assert plot.BEFORE.word != plot.AFTER.word


# --- words in the picture --------------------------------------------------------------------------------------


def test_words_stand_inside_the_picture_and_clear_of_lines_and_each_other() -> None:
    bounds = Box(40, 20, 700, 300)
    along = np.column_stack((np.arange(40.0, 700.0, 3.0), np.full(220, 150.0)))
    taken: list[Box] = []
    for x in (600.0, 610.0, 690.0):
        place = free_place((x, 150.0), ["after: went dark here"], bounds, along, taken)
        box = place.box
        assert box.left >= bounds.left and box.right <= bounds.right
        assert not np.any((along[:, 1] > box.top) & (along[:, 1] < box.bottom))
        assert not any(box.overlaps(other) for other in taken)
        taken.append(box)
    assert not any(one.overlaps(other) for one, other in combinations(taken, 2))


@given(st.lists(st.floats(0, 300), min_size=1, max_size=8))
def test_places_kept_apart_keep_their_order_and_distance(places: list[float]) -> None:
    moved = svg.kept_apart(places, 15, -200, 500)
    ordered = sorted(moved)
    assert all(high - low >= 15 - 1e-6 for low, high in pairwise(ordered))
    assert [moved[i] for i in sorted(range(len(places)), key=lambda i: (places[i], moved[i]))] == ordered


# --- the first picture -----------------------------------------------------------------------------------------


def picture(before: RunInput | None, after: RunInput | None) -> str:
    return before_after(before, after, "die_temp_c", WORDS, ident="p", title="Title", desc="Finding")


def test_the_picture_holds_the_peak_of_the_record_and_its_line_reaches_it() -> None:
    run = ri.tripped_run()
    drawn = picture(run, ri.healthy_run())
    peak_c = float(np.nanmax(run.trace.columns["die_temp_c"]))
    assert float(re.search(r'class="peak-before" data-peak="([\d.]+)"', drawn)[1]) == peak_c  # type: ignore[index]
    wide = drawn.partition("</svg>")[0]
    d = re.search(r'<path d="([^"]+)"[^>]*class="line-before"', wide)[1]  # type: ignore[index]
    top = min(float(pair.split()[1]) for pair in re.findall(r"[\d.]+ [\d.]+", d))
    ring_y = float(re.search(r'cy="([\d.]+)"[^>]*class="peak-before"', wide)[1])  # type: ignore[index]
    assert top == pytest.approx(ring_y, abs=0.01)  # coordinates are rounded to 0.01


def test_the_picture_says_load_limits_ends_and_names_itself() -> None:
    drawn = picture(ri.dark_run(), ri.healthy_run())
    for word in ("we stop at 95", "we accept up to 80", "before: went dark here", ">after<", ">load<", "load-before"):
        assert word in drawn
    assert "<title" in drawn and "<desc" in drawn and 'role="img"' in drawn
    assert "stroke-dasharray" in drawn


SAID_OF_ENDS = {
    "tripped": "before: load ended here",
    "dark": "before: went dark here",
    "gated": "before: load refused here",
    "refused": "before: full load refused here",
    "stopped": "before: stopped early here",
    "interrupted": "before: interrupted here",
}


@pytest.mark.parametrize("name", SAID_OF_ENDS)
def test_a_run_that_stopped_early_says_so_and_is_drawn_no_further(name: str) -> None:
    """What it cooled to after its end would lie below the run that was loaded to the end, and look better."""
    before = ri.early_befores()[name]
    end = early_end(before)
    assert end is not None
    drawn = picture(before, ri.healthy_run())
    assert drawn.count(SAID_OF_ENDS[name]) == 2  # wide and narrow
    wide = drawn.partition("</svg>")[0]
    d = re.search(r'<path d="([^"]+)"[^>]*class="line-before"', wide)[1]  # type: ignore[index]
    last_x = max(float(pair.split()[0]) for pair in re.findall(r"[\d.]+ [\d.]+", d))
    zero_x, minute_x = (float(re.search(rf'<text x="([\d.]+)"[^>]*>{at}<', wide)[1]) for at in ("0", "5 min"))  # type: ignore[index]
    values = before.trace.columns["die_temp_c"]
    peak_s = float(before.trace.t_s[int(np.nanargmax(values))])
    ended_s = max(end.at_s, peak_s) - load_start_s(before.trace)
    assert last_x <= zero_x + (minute_x - zero_x) * ended_s / 300 + 2.0


def test_a_load_that_was_refused_shows_where_it_would_have_gone() -> None:
    drawn = picture(ri.early_befores()["refused"], ri.healthy_run())
    wide = drawn.partition("</svg>")[0]
    top = float(re.search(r'y2="([\d.]+)"[^>]*class="forecast-before"', wide)[1])  # type: ignore[index]
    limit = float(re.search(r'y1="([\d.]+)"[^>]*class="limit-trip"', wide)[1])  # type: ignore[index]
    assert top < limit  # above the limit of 92 °C: it was forecast at 118 °C
    assert "forecast at full load: 118 ± 21\u202f°C" in wide
    assert "forecast" not in picture(ri.tripped_run(), ri.healthy_run())


def test_a_climb_that_went_no_further_is_the_end_and_not_what_was_refused_after_it() -> None:
    run = ri.tripped_run()
    assert run.trace.profile is not None
    plan = run.trace.profile
    stages = tuple(
        replace(s, load=replace(s.load, pattern=LoadPattern.CLIMB)) if s.load is not None and s.name == "load" else s
        for s in plan.stages
    )
    spans = tuple(replace(s, ended=StageEnd.STOPPED) if s.name == "load" else s for s in run.trace.stages)
    load = next(s for s in spans if s.name == "load")
    why = reason("climb-full-too-hot", peak_c=104.0, u95_k=9.0, limit_c=92.0)
    told = {"act": "end", "share": 0.5, "channel": "die_temp_c", "full_c": 104.0, "full_u95_k": 9.0}
    refused = reason("no-load-after-stop")
    events = (
        Event(t_s=load.start_s, kind="load", detail={"share": 0.5}),
        Event(t_s=load.start_s + 5.0, kind="climb", detail={**told, "why": str(why), "reason": why.as_json()}),
        Event(t_s=590.0, kind="load-refused", detail={"why": str(refused), "reason": refused.as_json()}),
    )
    facts = {**run.trace.facts, "outcome": "stopped", "trip": None}
    trace = replace(run.trace, profile=replace(plan, stages=stages), stages=spans, events=events, facts=facts)
    end = early_end(replace(run, trace=trace))
    assert end is not None and (end.kind, end.full_c) == (EndKind.CLIMB, 104.0)
    assert load.end_s is not None and end.at_s <= load.end_s


def test_a_vague_forecast_is_no_figure() -> None:
    run = ri.early_befores()["refused"]
    event = run.trace.events[0]
    vague = reason("foreseen-too-hot", peak_c=219.0, u95_k=181.0, limit_c=92.0)
    event = replace(event, detail={**event.detail, "why": str(vague), "reason": vague.as_json()})
    drawn = picture(replace(run, trace=replace(run.trace, events=(event,))), ri.healthy_run())
    assert "forecast at full load: too hot" in drawn and "219 ±" not in drawn


def test_a_run_that_went_through_is_drawn_to_its_end() -> None:
    assert early_end(ri.healthy_run()) is None
    drawn = picture(ri.healthy_run(), None)
    assert "here" not in re.sub(r"<[^>]+>", " ", drawn)


def test_the_colours_of_a_dark_screen_keep_their_contrast_on_its_paper() -> None:
    paper = svg.DARK[svg.PAPER]
    for colour in (svg.BEFORE_TEXT, svg.AFTER_TEXT, svg.INK, svg.MUTED):
        assert contrast(svg.DARK[colour], paper) >= 4.5  # WCAG 2.2, 1.4.3
    for colour in (svg.BEFORE_LINE, svg.AFTER_LINE):
        assert contrast(svg.DARK[colour], paper) >= 3.0  # WCAG 2.2, 1.4.11


def test_a_run_that_was_never_loaded_shows_where_the_load_was_refused() -> None:
    drawn = picture(ri.gated_run(), ri.healthy_run())
    assert "before: load refused here" in drawn
    assert "no load above 47" in drawn  # 25 K above a room of 22 °C, lower than the gate's own 50 °C


def test_the_words_of_limits_close_together_stand_beside_each_other() -> None:
    # The machine's own limit was read differently in the two runs: trip limits of 81.5 and 83 °C, accepted 80 °C.
    info = {"die_temp_c": {"label": "die", "driver": "invented", "device": "invented:die", "unit": "°C"}}
    before = ri.tripped_run(channels={"die_temp_c": info["die_temp_c"] | {"limit": 84.5}})
    after = ri.healthy_run(channels={"die_temp_c": info["die_temp_c"] | {"limit": 86.0}})
    page = before_after(before, after, "die_temp_c", WORDS, ident="p", title="t", desc="d")
    wide = page.split("</svg>")[0].replace("\u202f", " ")
    boxes = []
    for x, y, text in re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>((?:we stop|we accept)[^<]*)<', wide):
        boxes.append(Box(float(x), float(y) - 12.0, float(x) + 6.5 * len(text), float(y)))
    assert len(boxes) >= 3
    assert not any(a.overlaps(b) for a, b in combinations(boxes, 2)), boxes


def test_without_a_single_reading_there_is_no_picture() -> None:
    run = ri.healthy_run()
    assert before_after(run, None, "gpu_temp_c", WORDS, ident="p", title="T", desc="D") == ""


# --- fingerprint and path --------------------------------------------------------------------------------------


def test_the_fingerprint_is_the_step_between_windows() -> None:
    (_, after) = prints(ri.tripped_run(), ri.healthy_run())
    values = [window.value_k_per_w for window in after.windows]
    assert values == pytest.approx([0.12, 0.27 - 0.12, 0.42 - 0.27])
    # Independent uncertainties add in squares (JCGM 100:2008, 5.1.2).
    assert after.windows[2].u95_k_per_w == pytest.approx(np.hypot(0.02, 0.02))


def test_a_card_alone_has_a_fingerprint_of_its_own_without_a_usual_range() -> None:
    run = ri.healthy_run()
    metrics = {re.sub(r"\.thermal_impedance", ".gpu_thermal_impedance", name): m for name, m in run.metrics.items()}
    found = prints(replace(run, metrics=metrics), None)
    assert found[0].on_card and found[0].windows[0].value_k_per_w == pytest.approx(0.12)
    drawn = fingerprint(found, WORDS, ident="f", title="T", desc="D")
    assert 'class="normal"' not in drawn and "usual" not in drawn
    assert 'class="normal"' in fingerprint(prints(run, None), WORDS, ident="f", title="T", desc="D")


# Rises in K after a step of 105 W, by window, of a lumped model worked by hand for the trade (derived, no standard):
# healthy closed loop, healthy tower; dried paste, slow pump, radiator fan stopped.
HEALTHY = [(20, 5, 5), (16, 6, 6)]
FAULTY = [(0, 31), (1, 20), (2, 31)]


@pytest.mark.parametrize("rises_k", HEALTHY)
def test_worked_healthy_machines_lie_in_the_usual_range(rises_k: tuple[float, ...]) -> None:
    for rise_k, (low, high) in zip(rises_k, NORMAL_K_PER_W, strict=True):
        assert low <= rise_k / 105 <= high


@pytest.mark.parametrize(("window", "rise_k"), FAULTY)
def test_worked_faults_lie_above_the_usual_range_of_their_window(window: int, rise_k: float) -> None:
    assert rise_k / 105 > NORMAL_K_PER_W[window][1]


def test_a_window_that_was_not_measured_stays_empty() -> None:
    (before, _) = prints(ri.tripped_run(), ri.healthy_run())
    assert [window.value_k_per_w is None for window in before.windows] == [False, True, True]


def test_the_path_of_the_heat_names_what_was_not_measured() -> None:
    found = paths(ri.tripped_run(), ri.healthy_run())
    assert [path.stage for path in found] == ["load", "load"]
    after = {station.place: station.temp_c for station in found[1].stations}
    assert after["coolant"] is None and after["inlet"] is None
    assert after["room"] == pytest.approx(ri.AMBIENT_C)
    assert after["die"] == 66.0


def test_of_pulses_alike_the_first_is_where_the_hard_work_begins() -> None:
    # Pulses of five seconds, sampled each second and a few milliseconds late: the last is seen a hair longer.
    trace = ri.healthy_run().trace
    t_s = np.arange(300.0)
    share = np.where((t_s >= 100) & ((t_s - 100) % 20 < 5) & (t_s < 165), 1.0, 0.0)
    t_s[165:] += 0.02
    pulses = replace(trace, t_s=t_s, columns={"load_share": share})
    lengths_s = [span.length_s for span in load_spans(pulses)]
    assert max(lengths_s) > lengths_s[0]
    assert load_start_s(pulses) == pytest.approx(100.0)
    long = replace(pulses, columns={"load_share": np.where(t_s >= 200, 1.0, share)})
    assert load_start_s(long) == pytest.approx(200.02)
