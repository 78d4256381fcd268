"""One job on the stick: without contact it fails, with contact it passes, and the shop writes the report."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from pathlib import Path

from tests.stick.guest import Guest
from tests.stick.heat import Die
from tests.stick.partition import take
from tests.stick.trials import SOUND_K, Bench, Runs, heated_guest

_OPEN = (
    "job open --json --by 'T. Rial' --complaint 'slow, and loud, once it works' --kind desktop-air "
    "--maker 'Example Works' --model 'Emulated 2' --serial TRIAL-0001 --consent data=no --consent heavy-load=yes"
)
_CHANGE = "job change reseated --part 'processor cooler' --note 'one of its four clips stood open' --by 'T. Rial'"
# Far above every limit if the load stayed on, and slow enough that no rule of a trend ends it before: 5 K/s at most.
# The clock is taken back 6 K below the profile's trip limit, so that its thresholds judge what the load shows.
_BLOCKED_K, _BLOCKED_S, _BLOCKED_MOST_C = 300.0, 30.0, 84.0
_COOL_C = 40.0


def job(bench: Bench) -> None:
    """Before and after with the same recipe on the stick, then collected and reported by a shop's own computer."""
    stick = bench.copy("job", {})
    seen = bench.seen.setdefault("job", [])
    with heated_guest(bench, stick, "job", full_k=SOUND_K) as (guest, die):
        runs = Runs(guest)
        opened = runs.command(_OPEN)
        seen.append(f"opened: {opened[-300:]}")
        _blocked(die, True)
        seen.append(f"before: {_run(bench, guest, runs, die, 'baseline')}")
        _blocked(die, False)
        seen.append(f"changed: {runs.command(_CHANGE)[-200:]}")
        seen.append(f"after: {_run(bench, guest, runs, die, 'verification')}")
        guest.shell("sync; mount -o remount,ro /bench")
    seen += _report(bench, stick)
    print("\n".join(seen), flush=True)


def _blocked(die: Die, blocked: bool) -> None:
    die.full_k = _BLOCKED_K if blocked else SOUND_K
    die.time_constant_s = _BLOCKED_S if blocked else 12.0
    die.most_c = _BLOCKED_MOST_C if blocked else math.inf


def _run(bench: Bench, guest: Guest, runs: Runs, die: Die, purpose: str) -> str:
    """Make one run; that of a sound machine on the screen, with pictures of its load and its end."""
    # An emulated processor takes twenty seconds to start a program that a real one starts in one: that heat is not let
    # into the die, or the gate would judge the emulator.
    die.forced_c = _COOL_C
    shown = die.full_k == SOUND_K
    runs.start("quick-look", on_screen=shown, job=f"--as {purpose}")
    runs.await_stage("idle")
    die.temp_c, die.forced_c = _COOL_C, None
    runs.await_stage("pulses")
    time.sleep(4.0)
    if shown:
        guest.picture(bench.work / "job-run.png")
    told = str(runs.result())
    if shown:
        guest.picture(bench.work / "job-end.png")
    return told


def _report(bench: Bench, stick: Path) -> list[str]:
    """Take the stick in as a shop does, and write the report there."""
    taken, shop = take(stick, bench.work / "job-taken"), bench.work / "shop"
    shop.mkdir(exist_ok=True)
    (shop / "bench.toml").write_text('[shop]\nname = "Trial bench"\noperator = "T. Rial"\n')

    def run(*words: str) -> str:
        whole = [sys.executable, "-m", "verifyrig", *words, "--bench", str(shop), "--json"]
        done = subprocess.run(whole, capture_output=True, text=True, check=False, cwd=shop)
        return f"{done.returncode} {done.stdout} {done.stderr}".strip()

    lines = [f"collected: {run('runs', '--collect', str(taken / 'trial'))[:400]}"]
    found = sorted(shop.glob("jobs/*/runs/*.sqlite"))
    listed = run("job", "list")
    lines.append(f"jobs: {listed[:300]}")
    lines += [f"inspect {path.stem}: {run('inspect', str(path))[:300]}" for path in found]
    lines.append(f"compare: {run('compare', *map(str, found[:2]))[:1500]}")
    ids = sorted(path.parent.name for path in shop.glob("jobs/*/job.toml"))
    lines.append(f"report: {run('report', *ids[:1], '--out', str(bench.work / 'job-report.html'))[:300]}")
    return lines
