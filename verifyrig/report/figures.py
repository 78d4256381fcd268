"""The pictures of a report, each with heading, sentence and numbers beside it."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from verifyrig.report import fingerprint, strips, tables, thermal_path
from verifyrig.report.before_after import before_after
from verifyrig.report.inputs import ReportInput
from verifyrig.report.names import channel_label, stage_label
from verifyrig.report.plot import AFTER, ALONE, BEFORE, Side
from verifyrig.report.sentences import Finding
from verifyrig.report.wording import Words


class KeySide(NamedTuple):
    """One line of a picture's key."""

    name: str
    word: str
    note: str


class PictureTable(NamedTuple):
    """The numbers of a picture."""

    head: list[str]
    rows: list[list[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class MainPicture:
    """The picture of the first page; `svg` is markup."""

    svg: Any
    key: list[KeySide]
    caption: str
    what: str
    rows: list[tuple[str, list[str]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A further picture; `svg` is markup."""

    ident: str
    heading: str
    svg: Any
    caption: str
    key: list[KeySide] = field(default_factory=list)
    table: PictureTable | None = None
    tall: bool = False


def key_sides(report: ReportInput) -> list[Side]:
    """Return the sides of the runs shown."""
    if report.before_run is not None and report.after_run is not None:
        return [BEFORE, AFTER]
    return [ALONE] if report.before_run is not None or report.after_run is not None else []


def _key(report: ReportInput, words: Words) -> list[KeySide]:
    runs = [run for run in (report.before_run, report.after_run) if run is not None]
    return [
        KeySide(side.name, side.word, words.date(run.started_utc_s))
        for side, run in zip(key_sides(report), runs, strict=True)
    ]


def main_picture(report: ReportInput, channel: str, finding: Finding, words: Words) -> MainPicture | None:
    """Return the picture of one temperature before and after; None where no run has a sample of it."""
    from markupsafe import Markup

    what = channel_label(channel, words)
    title = words.t("Temperature over time: {what}", what=what)
    drawn = before_after(
        report.before_run,
        report.after_run,
        channel,
        words,
        ident="main",
        title=title,
        desc=f"{finding.word}. {finding.text}",
    )
    if not drawn:
        return None
    caption = words.t(
        "How hot: {what}, in {unit}, from the start of hard work (grey).", what=what, unit=words.temperature_unit
    )
    if len(key_sides(report)) > 1:
        caption += " " + words.t("Dashed: before. Solid: after.")
    rows = tables.picture_rows(report, channel, words)
    return MainPicture(svg=Markup(drawn), key=_key(report, words), caption=caption, what=what, rows=rows)


def further_figures(report: ReportInput, words: Words) -> list[Picture]:
    """Return the pictures behind the first page, those that there is something to draw for."""
    found = (_path_figure(report, words), _print_figure(report, words), _strip_figure(report, words))
    return [figure for figure in found if figure is not None]


def _path_figure(report: ReportInput, words: Words) -> Picture | None:
    from markupsafe import Markup

    found = thermal_path.paths(report.before_run, report.after_run)
    if not found:
        return None
    heading = words.t("The path of the heat")
    caption = words.t(
        "From the room to the processor in stage “{stage}”: the larger the step, the harder the heat passes there.",
        stage=stage_label(found[0].stage, words),
    )
    drawn = thermal_path.thermal_path(
        found, words, ident="path", title=heading, desc=caption + " " + _largest_steps(found, words)
    )
    head = [words.t("place"), *(words.t(path.side.word) for path in found)]
    rows = [
        [words.t(station.place), *(_temp(path.stations[index].temp_c, words) for path in found)]
        for index, station in enumerate(found[0].stations)
    ]
    return Picture(
        ident="path-figure",
        heading=heading,
        svg=Markup(drawn),
        caption=caption,
        key=_key(report, words),
        table=PictureTable(head, rows),
    )


def _temp(temp_c: float | None, words: Words) -> str:
    return words.t("not measured") if temp_c is None else words.temperature(temp_c)


def _largest_steps(found: list[thermal_path.Path], words: Words) -> str:
    said = []
    for path in found:
        known = [station for station in path.stations if station.temp_c is not None]
        steps = [((high.temp_c or 0.0) - (low.temp_c or 0.0), low.place, high.place) for low, high in pairwise(known)]
        gap_k, low_place, high_place = max(steps)
        said.append(
            words.t(
                "{run}: largest step {gap}, from {low} to {high}.",
                run=words.t(path.side.word),
                gap=words.difference(gap_k),
                low=words.t(low_place),
                high=words.t(high_place),
            )
        )
    return " ".join(said)


def _print_figure(report: ReportInput, words: Words) -> Picture | None:
    from markupsafe import Markup

    found = fingerprint.prints(report.before_run, report.after_run)
    if not found:
        return None
    on_card = found[0].on_card
    heading = words.t("The fingerprint of the cooling")
    if on_card:
        heading = words.t("The fingerprint of the graphics card's cooling")
        caption = words.t(
            "How much the temperature rises for each watt, by the time it takes to show: the first seconds show paste"
            " and contact, the first minute the heat pipes, ten minutes fins and fans. What is usual depends on the"
            " card."
        )
    else:
        caption = words.t(
            "How much the temperature rises for each watt, by the time it takes to show: the first seconds show paste"
            " and contact, the first minute the flow, ten minutes fins, fan and case. Grey: usual range, common"
            " practice, no source."
        )
    head = [words.t("window"), words.t("it shows"), *(words.t(one.side.word) for one in found)]
    head += [] if on_card else [words.t("usual")]
    rows = [
        [
            words.t(name),
            words.t(what),
            *(words.quantity(one.windows[index].value_k_per_w, "K/W", one.windows[index].u95_k_per_w) for one in found),
            *([] if on_card else [_usual(index, words)]),
        ]
        for index, (name, what) in enumerate(fingerprint.WINDOWS)
    ]
    desc = caption + " " + " ".join("; ".join(row) + "." for row in rows)
    drawn = fingerprint.fingerprint(found, words, ident="print", title=heading, desc=desc)
    return Picture(
        ident="print-figure",
        heading=heading,
        svg=Markup(drawn),
        caption=caption,
        key=_key(report, words),
        table=PictureTable(head, rows),
    )


def _usual(index: int, words: Words) -> str:
    low, high = fingerprint.NORMAL_K_PER_W[index]
    return f"{words.number(low, 2)}–{words.number(high, 2)}\u202fK/W"


def _strip_figure(report: ReportInput, words: Words) -> Picture | None:
    from markupsafe import Markup

    channels = strips.strip_channels(report.before_run, report.after_run)
    heading = words.t("Power, speeds and clocks")
    caption = words.t("On the same time as the first picture; grey ground where the load worked.")
    rows = [_strip_row(report, channel, words) for channel in channels]
    desc = caption + " " + " ".join("; ".join(row) + "." for row in rows)
    drawn = strips.strips(report.before_run, report.after_run, words, ident="strips", title=heading, desc=desc)
    if not drawn:
        return None
    head = [words.t("what"), *(words.t(side.word) for side in key_sides(report))]
    return Picture(
        ident="strip-figure", heading=heading, svg=Markup(drawn), caption=caption, key=_key(report, words),
        table=PictureTable(head, rows), tall=True,
    )  # fmt: skip


def _strip_row(report: ReportInput, channel: str, words: Words) -> list[str]:
    import numpy as np

    from verifyrig.core.channels import unit_of

    cells = []
    for run in (report.before_run, report.after_run):
        if run is None:
            continue
        values = run.trace.usable(channel) if run.trace.has(channel) else np.array([])
        known = values[np.isfinite(values)]
        cells.append(
            words.t(
                "{low} to {high}",
                low=words.quantity(float(known.min()), unit_of(channel)),
                high=words.quantity(float(known.max()), unit_of(channel)),
            )
            if len(known)
            else words.t("not measured")
        )
    return [channel_label(channel, words), *cells]
