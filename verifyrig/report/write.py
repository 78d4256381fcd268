"""Edge: makes the editions of a report and puts them into the bench folder, each file whole or not at all."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.files.output_file import Output, check_place, write_output
from verifyrig.report.gather import gather
from verifyrig.report.index import write_index
from verifyrig.report.inputs import ReportInput
from verifyrig.report.pdf import remove_prints
from verifyrig.report.render import EDITIONS, Edition, render
from verifyrig.report.sentences import finding_of
from verifyrig.report.state import state_digest
from verifyrig.report.wording import words_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A report that was written.

    Attributes:
        paths: Customer's edition, archive, slip, in this order.
        sentence: What it says first, in the shop's language.
        state: Digest of the state that all of them were made from.
        removed: Prints of an earlier state that lay beside them.
    """

    report: ReportInput
    paths: tuple[Path, ...]
    sentence: str
    state: str
    removed: tuple[Path, ...] = ()

    @property
    def path(self) -> Path:
        """The customer's edition."""
        return self.paths[0]


def write_report(bench: Bench, what: Sequence[str] = (), out: Path | None = None, at: float | None = None) -> Written:
    """Write customer's edition, archive and slip, and remake the index.

    Args:
        what: A job's id, or records (of which the first stands for before and the last for after); empty for the
            open job.
        out: File of the customer's edition; the other two lie beside it. Default: `reports/` of the bench.
        at: Date of issue, s since 1970; now where None. With the same time the files are the same, byte for byte.

    Raises:
        RigError: Something is not there, or cannot be read or written.
    """
    report = gather(bench, what)
    return write_editions(bench, report, out, time.time() if at is None else at)


def write_editions(bench: Bench, report: ReportInput, out: Path | None, now_utc: float) -> Written:
    """Write all editions of a gathered report; arguments and errors as `write_report`."""
    paths = edition_paths(bench, report, out)
    for path in paths.values():
        check_place(path, Output.PAGE)
    # All are made before the first is written: a page that cannot be made leaves the earlier ones as they are.
    pages = {path: render(report, edition, now_utc=now_utc) for edition, path in paths.items()}
    removed = [gone for path in pages for gone in remove_prints(path)]
    for path, page in pages.items():
        write_output(path, page, Output.PAGE)
    if out is None:
        write_index(bench)
    words = words_of(report.settings)
    finding = finding_of(report, words)
    return Written(
        report=report,
        paths=tuple(paths.values()),
        sentence=f"{finding.word}. {finding.text}",
        state=state_digest(report),
        removed=tuple(removed),
    )


def edition_paths(bench: Bench, report: ReportInput, out: Path | None) -> dict[Edition, Path]:
    """Return where each edition goes. A dot keeps them apart from ids, which have none."""
    if out is None:
        # A job may be called `index`, and the index is not to be overwritten by its report.
        stem = "index.report" if report.number == "index" else report.number
        first = bench.reports_dir / f"{stem}.html"
    else:
        first = out
    stem, ending = (first.stem, first.suffix) if first.suffix else (first.name, ".html")
    return {
        edition: first if edition == "customer" else first.with_name(f"{stem}.{edition}{ending}")
        for edition in EDITIONS
    }
