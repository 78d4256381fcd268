"""A notice as a CSV file in a folder: written aside and renamed, so that whoever reads there finds it whole."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import cast

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.core.plain_text import plain_cell
from verifyrig.files.atomic_write import write_whole
from verifyrig.notify.attempt import NotDelivered
from verifyrig.notify.contract import NoticeFigure, NoticeObject
from verifyrig.notify.spool import Waiting

__all__ = ["COLUMNS", "as_rows", "send_to_folder"]

COLUMNS = (
    "number", "id", "event", "made", "bench", "run", "unit", "batch", "profile", "outcome", "run_verdict", "alarm",
    "text", "metric", "value", "metric_unit", "u95", "min", "max", "verdict",
)  # fmt: skip


def send_to_folder(target: NoticeTarget, notice: Waiting, root: Path) -> None:
    """Put the notice's file into the folder, which must be there: a share that is not mounted is none.

    The file's name is the notice's own, so that a second delivery replaces it; names sort in the order of the notices.
    """
    folder = root / target.folder
    if not folder.is_dir():
        raise NotDelivered(f"there is no folder {target.folder}")
    kept = io.StringIO(newline="")
    writer = csv.writer(kept, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(as_rows(json.loads(notice.body)))
    try:
        write_whole(folder / f"{notice.number:010d}-{notice.id}.csv", kept.getvalue())
    except OSError as error:
        raise NotDelivered(f"{target.folder} cannot be written ({error.strerror or error})") from error


def as_rows(notice: NoticeObject) -> list[list[str]]:
    """Return one row for each figure that was judged, one row where there is none; no cell acts in a spreadsheet."""
    run, alarm = notice["run"], notice["alarm"]
    said = run if run is not None else alarm
    head: list[object] = [notice["number"], notice["id"], notice["event"], notice["made"], notice["bench"]]
    if said is None:
        head += [None] * 8
    else:
        head += [said["run"], said["unit"], said["batch"], said["profile"]]
        head += [run["outcome"], run["verdict"]] if run is not None else [None, None]
        head += [alarm["code"], alarm["text"]] if alarm is not None else [None, None]
    figures = run["figures"] if run is not None else []
    keys = ("metric", "value", "unit", "u95", "min", "max", "verdict")
    blank = dict.fromkeys(keys) | ({"metric": alarm["metric"]} if alarm is not None else {})
    rows = figures or [cast(NoticeFigure, blank)]
    return [[_cell(cell) for cell in [*head, *(figure[key] for key in keys)]] for figure in rows]  # type: ignore[literal-required]


def _cell(value: object) -> str:
    if value is None:
        return ""
    return plain_cell(value) if isinstance(value, str) else str(value)
