"""Makes the committed report of a run on a real graphics card: the customer's edition and a picture of its first sheet.

`python -m tests.real_card_report BENCH_FOLDER`, where the folder is that of the run. No figure is touched; what names
the machine (card, processor, maker, kernel) is put in general words, and a page that still names it is refused.
Needs Chromium and pdftoppm for the picture.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.sample_report import REPORTS, picture
from verifyrig.analysis.signals import sensor_facts
from verifyrig.bench.folder import find_bench
from verifyrig.report.gather import gather
from verifyrig.report.inputs import JobFacts, ReportInput, RunInput
from verifyrig.report.render import render

NAMING = re.compile(r"nvidia|geforce|quadro|tesla|radeon|\b[ahbl]\d{2,3}\b|xeon|epyc|GPU-[0-9a-f]{8}", re.IGNORECASE)


def main(bench_root: Path, reports: Path = REPORTS) -> list[Path]:
    """Write `real-card-customer.html` and `.png` from the only job of the bench folder.

    Raises:
        SystemExit: The folder holds no single job, its run is simulated, or the page would name the machine.
    """
    bench = find_bench(str(bench_root))
    jobs = bench.job_ids()
    if len(jobs) != 1:
        raise SystemExit(f"{bench_root} holds {len(jobs)} jobs, and one is meant")
    report = in_general_words(gather(bench, jobs))
    if report.simulated:
        raise SystemExit("a run of this job is on simulated hardware")
    text = render(report, "customer", now_utc=ended_utc_s(report))
    found = named(text)
    if found:
        raise SystemExit(f"the page would name the machine: {', '.join(found)}")
    target = reports / "real-card-customer.html"
    target.write_text(text, encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="verifyrig-real-card-") as folder:
        page = Path(shutil.copy(target, folder))
        return [target, picture(page, reports / "real-card-customer.png")]


def ended_utc_s(report: ReportInput) -> float:
    """Return when the last run ended, s since 1970: the report is dated by it, so that it is the same each time."""
    return float(max(run.trace.utc_s[-1] for run in report.runs))


def named(text: str) -> list[str]:
    """Return what in the page's words names a machine; pictures and styles carry no names."""
    words = re.sub(r"<(style|script)\b.*?</\1>|data:[^\"']+|<[^>]*>", " ", text, flags=re.DOTALL)
    return sorted(set(NAMING.findall(words)))


def in_general_words(report: ReportInput) -> ReportInput:
    """Return the report with its machine in general words."""
    card = card_words(report.runs)
    job = replace(report.job, machine=machine_words(report.job, card)) if report.job is not None else None
    return replace(report, job=job, runs=tuple(without_names(run) for run in report.runs))


def card_words(runs: tuple[RunInput, ...]) -> str:
    """Return the card by its power limit, the only thing about it that a figure rests on."""
    limits = {limit for run in runs if (limit := sensor_facts(run.trace, "gpu_power_w").limit) is not None}
    return "data-centre graphics card" + "".join(f", {limit:.0f} W" for limit in sorted(limits))


def machine_words(job: JobFacts, card: str) -> dict[str, Any]:
    """Return the job's facts of the machine with the card in maker's and model's place."""
    kept = {key: value for key, value in job.machine.items() if key not in ("maker", "model", "serial", "description")}
    return {**kept, "model": card, "description": card}


def without_names(run: RunInput) -> RunInput:
    """Return the run without what names its machine."""
    facts = dict(run.trace.facts)
    machine = dict(facts.get("machine") or {})
    machine |= dict.fromkeys(("maker", "model", "board", "firmware", "boot_id"))
    machine |= {"processor": "data-centre processor", "kernel": (machine.get("kernel") or "").split("-")[0] or None}
    facts["machine"] = machine
    return replace(run, trace=replace(run.trace, facts=facts))


if __name__ == "__main__":
    for path in main(Path(sys.argv[1])):
        print(path)
