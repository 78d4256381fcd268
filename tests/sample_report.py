"""Makes the committed sample in `reports/`: the demo's job, closed, in its editions, and pictures of them.

`python -m tests.sample_report` from the top of the checkout. Everything in it is invented, on simulated hardware.
Needs Chromium and pdftoppm for the pictures.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from datetime import timedelta
from pathlib import Path

from verifyrig.bench.folder import find_bench
from verifyrig.commands.demo_job import DAY, OPERATOR, run_demo
from verifyrig.commands.demo_stories import DEFAULT_CASE
from verifyrig.jobs.actions import tick_steps
from verifyrig.jobs.ending import close_job
from verifyrig.jobs.rules import obstacles_to_close
from verifyrig.jobs.runs import runs_of
from verifyrig.jobs.store import read_job
from verifyrig.report import EDITIONS, write_report
from verifyrig.report.pdf import write_pdf
from verifyrig.rig.simulated import typical_machine

REPORTS = Path(__file__).resolve().parent.parent / "reports"
PIXELS_PER_INCH = 96


def main(reports: Path = REPORTS) -> list[Path]:
    """Run the demo, close its job, and put report, archive, slip and their pictures into `reports`."""
    with tempfile.TemporaryDirectory(prefix="verifyrig-sample-") as folder:
        bench_root = Path(folder) / "bench"
        done = run_demo(bench_root, DEFAULT_CASE, say=lambda text: print(text, file=sys.stderr))
        bench = find_bench(str(bench_root))
        close(bench_root, done.job)
        written = write_report(bench, [done.job], at=(DAY + timedelta(hours=5)).timestamp())
        reports.mkdir(exist_ok=True)
        made = []
        for edition, page in zip(EDITIONS, written.paths, strict=True):
            target = reports / f"sample-{edition}.html"
            shutil.copyfile(page, target)
            made += [target, picture(page, reports / f"sample-{edition}.png")]
    return made


def close(bench_root: Path, job_id: str) -> None:
    """Tick what is to be ticked, and close, where the demo has not done so."""
    bench = find_bench(str(bench_root))
    job = read_job(bench, job_id)
    if job.closing is not None:
        return
    when = DAY + timedelta(hours=4, minutes=30)
    open_steps = [step for step, ticked in job.steps().items() if not ticked]
    job = tick_steps(bench, job, open_steps, by=OPERATOR, now=when)
    runs = runs_of(bench, job_id)
    left = obstacles_to_close(job, runs)
    if left:
        raise SystemExit(f"the demo's job cannot be closed: {left}")
    close_job(bench, job, runs, typical_machine(DEFAULT_CASE).cause, by=OPERATOR, now=when + timedelta(minutes=5))


def picture(page: Path, target: Path) -> Path:
    """Print the page, and take its first sheet as a picture."""
    printed = write_pdf(page)
    command = ["pdftoppm", "-png", "-r", str(PIXELS_PER_INCH), "-singlefile", str(printed), str(target.with_suffix(""))]
    subprocess.run(command, check=True)
    return target


if __name__ == "__main__":
    for path in main():
        print(path)
