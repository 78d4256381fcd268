"""The counter's page: all jobs with name, number, state, and whether the machine may leave; made from the reports."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError, RecordError
from verifyrig.core.integrity import Integrity
from verifyrig.files.foreign_file import FileKind, opened, read_bytes
from verifyrig.report.gather import read_settings, read_shop
from verifyrig.report.marks import marks_in, record_marks
from verifyrig.report.page_file import write_page
from verifyrig.report.render import rendered
from verifyrig.report.wording import Words, words_of

_HEAD_BYTES = 32_768


class JobLine(NamedTuple):
    """One job as the counter sees it; `links` are addresses relative to the page, with their words."""

    number: str
    ticket: str
    customer: str
    state: str
    hand_over: bool
    because: str
    simulated: bool
    links: list[tuple[str, str]]


def write_index(bench: Bench) -> Path:
    """Remake `reports/index.html` from what lies in the folder; return its path."""
    settings = read_settings(bench)
    words = words_of(settings)
    values = {"title": words.t("Reports of this bench"), "shop": read_shop(bench), "lines": index_lines(bench, words)}
    path = bench.reports_dir / "index.html"
    text = rendered("index.html.j2", {**values, "issued": ""}, words, settings.paper, settings.templates_dir)
    write_page(path, text)
    return path


def index_lines(bench: Bench, words: Words) -> list[JobLine]:
    """Return one line for each report, newest number first, and one for each job that has none yet."""
    lines = {}
    for path in sorted(bench.reports_dir.glob("*.html")):
        marks = marks_in(_head_of(path))
        if path.name != "index.html" and marks and not path.name.endswith((".archive.html", ".slip.html")):
            lines[marks.get("number", path.stem)] = _line(bench, path, marks, words)
    for job in bench.job_ids():
        lines.setdefault(job, _without_report(job, words))
    return [lines[number] for number in sorted(lines, reverse=True)]


def _head_of(path: Path) -> str:
    try:
        with opened(path, FileKind.PAGE) as file:
            return file.read(_HEAD_BYTES).decode("utf-8", "replace")
    except OSError:
        return ""


def _line(bench: Bench, path: Path, marks: dict[str, str], words: Words) -> JobLine:
    links = [
        (path, words.t("report")),
        (_beside(path, "slip"), words.t("pickup slip")),
        (_beside(path, "archive"), words.t("archive")),
    ]
    stale = _newer_than_report(bench, marks)
    gone = _handed_over(bench, marks.get("number", ""), words)
    said = gone or _because(marks, words, stale=stale)
    releasable = marks.get("hand-over") == "yes" and not stale and not gone
    # Only where a machine would leave is every record read again.
    changed = releasable and _records_changed(bench, marks)
    return JobLine(
        marks.get("number", path.stem),
        marks.get("ticket", ""),
        marks.get("customer", ""),
        marks.get("state", ""),
        releasable and not changed,
        words.t("a record is no longer what the report was made from") if changed else said,
        marks.get("simulated") == "yes",
        [(quote(file.name), word) for file, word in links if file.is_file()],
    )


def _because(marks: dict[str, str], words: Words, *, stale: bool) -> str:
    return words.t("something was noted or measured after the report was made") if stale else marks.get("because", "")


def _handed_over(bench: Bench, number: str, words: Words) -> str:
    """Say when the machine left; empty while it is here."""
    from verifyrig.jobs.store import read_job

    if number not in bench.job_ids():
        return ""
    try:
        handover = read_job(bench, number).handover
    except JobError:
        return ""
    return "" if handover is None else words.t("handed over on {day}", day=words.date(handover.time.timestamp()))


def has_current_report(bench: Bench, number: str) -> bool:
    """Return whether the job's report lies in its place, and nothing was noted or measured since."""
    marks = marks_in(_head_of(bench.reports_dir / f"{number}.html"))
    return bool(marks) and not _newer_than_report(bench, marks)


def _beside(path: Path, edition: str) -> Path:
    return path.with_name(f"{path.stem}.{edition}.html")


def _newer_than_report(bench: Bench, marks: dict[str, str]) -> bool:
    """A report is out of date where the job's file or its set of runs is no longer what the report was made from."""
    from verifyrig.jobs.text import content_digest

    number = marks.get("number", "")
    if number not in bench.job_ids():
        return False
    try:
        data = read_bytes(bench.job_dir(number) / "job.toml", FileKind.JOB, inside=bench.job_dir(number))
    except OSError:
        return True
    digest = content_digest(data)
    runs = " ".join(path.stem for path in bench.records(number))
    return digest != marks.get("job-digest") or set(runs.split()) != set(marks.get("runs", "").split())


def _records_changed(bench: Bench, marks: dict[str, str]) -> bool:
    """Return whether a record is other than it was when the report was made from it."""
    number = marks.get("number", "")
    paths = bench.records(number) if number in bench.job_ids() else []
    return record_marks([(path.stem, *_state_of(path)) for path in paths]) != marks.get("records", "")


def _state_of(path: Path) -> tuple[str, str]:
    from verifyrig.record.check import check_record

    try:
        check = check_record(path)
    except RecordError:
        return "", Integrity.DAMAGED
    return check.digest or "", check.integrity


def _without_report(job: str, words: Words) -> JobLine:
    return JobLine(job, "", "", words.t("no report yet"), False, words.t("no report yet"), False, [])
