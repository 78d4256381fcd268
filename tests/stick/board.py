"""What a board tells by itself in mid-run: its management controller's sensors, a machine check given by mce-inject."""

from __future__ import annotations

from tests.stick import controller
from tests.stick.guest import Guest
from tests.stick.partition import is_dirty
from tests.stick.trials import BENCH, HERE, SOUND_K, Bench, Runs, heated_guest, records_on, until
from verifyrig.record import read_trace

_CHANNELS = """
[channel.board_temp_c]
source = "dev/ipmi0#1"
"""
_BEFORE_C, _AFTER_C = 47, 63
_INJECT = "/sys/kernel/debug/mce-inject"
# Bank 4 of the first processor, corrected: valid, enabled, with an address (Intel SDM vol. 3B, 15.3.2.2).
_STATUS = "0x9400000000000136"


def board(bench: Bench) -> None:
    """The controller's temperature rises in mid-run, and a corrected machine check comes by the kernel's own tool."""
    stick = bench.copy(
        "board",
        {
            "trial/bench.toml": BENCH + _CHANNELS,
            "trial/reading.py": controller.SET_READING,
            "trial/profiles/idle.toml": (HERE / "idle.toml").read_text(),
        },
    )
    seen = bench.seen.setdefault("board", [])
    with heated_guest(bench, stick, "board", full_k=SOUND_K, more=controller.words(bench.work)) as (guest, _):
        _set(guest, 1, _BEFORE_C)
        _set(guest, 2, 190)
        _set(guest, 3, 20)
        channels = guest.shell("verifyrig channels --bench /bench/trial 2>&1 | grep -a -i ipmi")
        seen.append(f"channels of the controller: {' | '.join(channels.split(chr(10)))}")
        runs = Runs(guest)
        runs.start("idle")
        until(lambda: "sqlite" in guest.shell("ls /bench/trial/runs 2>/dev/null"), "the record", every_s=3.0)
        guest.shell("sleep 8")
        _set(guest, 1, _AFTER_C)
        seen.append(f"mce-inject: {_inject(guest)}")
        run = runs.result()
        beside = guest.shell(f"cat /bench/trial/runs/{run['run']}.kernel.log 2>&1")
        seen.append(f"{run['run']}: exit {run['code']}, {run['outcome']}; kept beside: {beside[-400:]}")
        guest.shell("mount -o remount,ro /bench")
    seen.append(f"let go of in order: {not is_dirty(stick)}")
    trace = read_trace(records_on(bench, stick, "board")[run["run"]])
    temps_c = [float(value) for value in trace.columns["board_temp_c"]]
    kinds = sorted(set(temps_c))
    seen.append(f"board_temp_c of the record: {len(temps_c)} samples, values {kinds}")
    if kinds != [_BEFORE_C, _AFTER_C] or temps_c != sorted(temps_c):
        seen.append("FAILED: the record does not hold what the controller read")
    print("\n".join(seen), flush=True)


def _set(guest: Guest, number: int, byte: int) -> None:
    guest.shell(f"PYTHONPATH=/usr/lib/verifyrig python3 /bench/trial/reading.py {number} {byte}")


def _inject(guest: Guest) -> str:
    """Give the kernel a machine check by its own tool for that; a locked-down kernel refuses."""
    guest.shell("modprobe mce-inject; mount -t debugfs debugfs /sys/kernel/debug 2>/dev/null")
    for name, text in (("flags", "sw"), ("status", _STATUS), ("addr", "0x1000"), ("cpu", "0"), ("bank", "4")):
        # The kernel's own lines come over the same line as the answer.
        if "rc=0." not in guest.shell(f"echo {text} >{_INJECT}/{name}; echo rc=$?."):
            return f"FAILED: {name} is not taken"
    return "given"
