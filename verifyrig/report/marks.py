"""Marks in a report's head: what the counter's list reads back from a page that was made earlier."""

from __future__ import annotations

from collections.abc import Iterable
from html.parser import HTMLParser

from verifyrig.core.plain_text import plain_line
from verifyrig.report.fitness import hand_over_reason, headline_sign
from verifyrig.report.inputs import ReportInput
from verifyrig.report.wording import Words

_PREFIX = "verifyrig-"
_MARK_SIGNS = 16


def marks_of(report: ReportInput, words: Words) -> list[tuple[str, str]]:
    """Return what the index of all reports reads back from the page's head."""
    return [
        ("number", report.number),
        ("state", headline_sign(report, words).word),
        ("ready", str(report.fitness.status)),
        ("hand-over", "yes" if report.fitness.releasable else "no"),
        ("because", plain_line(hand_over_reason(report, words), 300)),
        ("customer", plain_line((report.job.customer if report.job else {}).get("name", ""), 80)),
        ("ticket", plain_line((report.job.customer if report.job else {}).get("ticket", ""), 40)),
        ("simulated", "yes" if report.simulated else "no"),
        ("job-digest", report.job.digest if report.job else ""),
        ("runs", " ".join([*(run.run_id for run in report.runs), *(run_id for run_id, _ in report.unreadable)])),
        ("records", record_marks((run.run_id, run.digest, run.integrity) for run in report.runs)),
    ]


def record_marks(records: Iterable[tuple[str, str, str]]) -> str:
    """Return run, digest and integrity of records as one text, to be compared with another such text."""
    return " ".join(sorted(f"{run}:{digest[:_MARK_SIGNS]}:{integrity}" for run, digest, integrity in records))


class _Marks(HTMLParser):
    """Reads the marks that a report carries in its head."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        facts = dict(attrs)
        name = facts.get("name") or ""
        if tag == "meta" and name.startswith(_PREFIX):
            self.found.setdefault(name.removeprefix(_PREFIX), facts.get("content") or "")


def marks_in(text: str) -> dict[str, str]:
    """Return the marks of a report by name; empty for a page that is none."""
    parser = _Marks()
    parser.feed(text.partition("<style>")[0])
    return parser.found
