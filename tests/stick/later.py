"""One stick on one start after another: each is told how the last one ended, by a cut, a panic, or in order."""

from __future__ import annotations

import random
import shutil
import time
from pathlib import Path

from tests.stick.cuts import SEED, cuts_of
from tests.stick.guest import Firmware, Guest, started
from tests.stick.partition import choose_entry, is_dirty, spoil_root
from tests.stick.trials import SOUND_K, Bench, Runs, heated_guest, records_on, until
from tests.stick.write_log import drive
from verifyrig.core.event_kind import EventKind
from verifyrig.record import read_trace

_CUTS = 20
_TRIPS = 3
# Both are asked for by the screen's own description of itself (VESA EDID), as a monitor does.
_SMALL, _4K = "1024x768", "3840x2160"


def _screen(size: str) -> list[str]:
    wide, high = size.split("x")
    return ["-device", f"VGA,edid=on,xres={wide},yres={high},vgamem_mb=64"]


def _told(bench: Bench, guest: Guest, name: str) -> None:
    """Note what the start says of the last one."""
    seen = bench.seen[name]
    seen.append(f"data partition: {guest.shell('cat /run/verifyrig-stick/data.word')}")
    screen = " ".join(guest.screen_text().split())
    (bench.work / f"{name}.txt").write_text(screen)
    seen.append(f"screen: {screen[:900]}")
    guest.picture(bench.work / f"{name}.png")


def cuts(bench: Bench) -> None:
    """A panic in mid-run by an uncorrected machine check; the run cut at 20 moments by what was written until then."""
    stick = bench.copy("cuts", {})
    before = shutil.copyfile(stick, bench.work / "cuts-before.img")
    log = bench.work / "cuts.log"
    run = _panic(bench, "cuts", stick, drive(stick, log))
    seen = bench.seen["cuts"]
    seen += cuts_of(before, log, run, bench.work / "cut", _CUTS)
    print("\n".join(seen), flush=True)


def panic(bench: Bench) -> None:
    """A panic in mid-run by an uncorrected machine check, and no more: for `uefi`, which goes on with this stick."""
    _panic(bench, "panic", bench.copy("panic", {}))


def _panic(bench: Bench, name: str, stick: Path, drive: str = "") -> str:
    """Let the kernel of a guest panic while a load is on, and pull the plug; return the run's id."""
    seen = bench.seen.setdefault(name, [])
    with heated_guest(bench, stick, name, full_k=SOUND_K, drive=drive) as (guest, _):
        runs = Runs(guest)
        runs.start("short")
        try:
            runs.await_load(hang_s=150.0)
            seen.append("the load is on")
        except TimeoutError as error:  # a busy host: the run goes on without it, and is cut all the same
            seen.append(str(error))
        run = guest.shell("ls /bench/trial/runs").split(".")[0]
        time.sleep(random.Random(SEED).uniform(5.0, 25.0))
        # Uncorrected, context corrupt, on all processors: the kernel gives up (Intel SDM vol. 3B, 15.3.2.2 and 15.10).
        guest.monitor("mce -b 0 9 0xbe00000000000136 0x5 0x1000 0x0")
        try:
            until(lambda: "Kernel panic" in guest.said(), "the panic", hang_s=200.0)
            seen.append("panic on the serial line: " + guest.said().partition("Kernel panic")[2][:80].strip())
        except TimeoutError as error:
            seen.append(f"FAILED: {error}")
        guest.cut_power()
    seen.append(f"dirty after the panic: {is_dirty(stick)}")
    print("\n".join(seen), flush=True)
    return run


def after_panic(bench: Bench) -> None:
    """UEFI with Secure Boot off, the plain entry, 4K: what is said after the panic; then the key that switches off."""
    stick = next(path for name in ("panic", "cuts") if (path := bench.work / f"{name}.img").exists())
    choose_entry(stick, 1)
    with heated_guest(bench, stick, "uefi", full_k=SOUND_K, firmware=Firmware.UEFI, screen=_screen(_4K)) as (guest, _):
        _told(bench, guest, "uefi")
        seen = bench.seen["uefi"]
        seen.append("runs: " + guest.shell("verifyrig runs --bench /bench/trial 2>&1 | tail -n 6"))
        seen.append("kernel: " + guest.shell("grep -o 'nomodeset verifyrig.plain=1' /proc/cmdline"))
        seen.append("screen's size: " + guest.shell("cat /sys/class/graphics/fb0/virtual_size; stty size </dev/tty1"))
        # The clock is asked first, then who is there, then the menu stands; "o" closes everything.
        guest.keys("ret")
        until(lambda: "Who is at the bench" in guest.screen_text(), "the question of who is there", every_s=3.0)
        guest.keys("t o m ret")
        until(lambda: "then pull the stick" in guest.screen_text(), "the menu", every_s=3.0)
        guest.picture(bench.work / "menu.png")
        guest.keys("o ret")
        until(lambda: guest.process.poll() is not None or "Keep the" in guest.screen_text(), "the question")
        guest.keys("ret")
        _last_picture(bench, guest)
        seen.append(f"switched itself off: {guest.process.poll() == 0}")
    seen.append(f"let go of in order: {not is_dirty(stick)}")
    print("\n".join(seen), flush=True)


def trip(bench: Bench) -> None:
    """The zone over the trip limit while a load is on: the load ends."""
    stick = bench.copy("trip", {})
    seen = bench.seen.setdefault("trip", [])
    with heated_guest(bench, stick, "trip", full_k=SOUND_K) as (guest, die):
        runs = Runs(guest)
        for _ in range(_TRIPS):
            runs.start("short")
            runs.await_stage("pulses")
            die.forced_c = 96.0  # the first pulse lasts five seconds
            run = runs.result()
            die.forced_c = None
            seen.append(str(run))
            guest.shell("sync; mount -o remount,ro /bench")
    for name, path in records_on(bench, stick, "trip").items():
        trace = read_trace(path)
        told = [event for event in trace.events if event.kind in (EventKind.LOAD, EventKind.TRIP)]
        if told:
            seen.append(f"{name}: " + "; ".join(f"{event.t_s:.2f} s {event.kind} {event.detail}" for event in told))
    print("\n".join(seen), flush=True)


def whole(bench: Bench, name: str = "whole", firmware: Firmware = Firmware.BIOS) -> None:
    """Legacy BIOS, a screen of 4K: with the whole image its driver asks the screen how large it is."""
    stick, screen = bench.copy(name, {}), _screen(_4K)
    with heated_guest(bench, stick, name, full_k=SOUND_K, firmware=firmware, screen=screen) as (guest, _):
        _told(bench, guest, name)
        seen = bench.seen[name]
        seen.append("screen's size: " + guest.shell("cat /sys/class/graphics/fb0/virtual_size; stty size </dev/tty1"))
        seen.append("second image: " + guest.shell("dmsetup status later; lsmod | grep -c drm"))
        seen.append("lockdown: " + guest.shell("cat /sys/kernel/security/lockdown; dmesg | grep -i secure.boot"))
    print("\n".join(seen), flush=True)


def whole_secure(bench: Bench) -> None:
    """The same under Secure Boot: the graphics driver comes from a kernel that is locked down."""
    whole(bench, "whole-secure", Firmware.SECURE_BOOT)


def faulty(bench: Bench) -> None:
    """One bit of the stick is wrong: said in words, and nothing of it is started."""
    stick = bench.copy("faulty", {})
    spoil_root(stick)
    seen = bench.seen.setdefault("faulty", [])
    with started(stick, bench.work / "faulty") as guest:
        seen.append(guest.wait_for(r"verifyrig: The image in memory[^\n]*\n[^\n]*Nothing was started[^\n]*").group())
        guest.picture(bench.work / "faulty.png")
    print("\n".join(seen), flush=True)


def secure_boot(bench: Bench) -> None:
    """Secure Boot, 1024 by 768: the kernel in lockdown says so."""
    with heated_guest(
        bench, bench.copy("secure", {}), "secure", full_k=SOUND_K, firmware=Firmware.SECURE_BOOT, screen=_screen(_SMALL)
    ) as (guest, _):
        _told(bench, guest, "secure")
        seen = bench.seen["secure"]
        seen.append("lockdown: " + guest.shell("cat /sys/kernel/security/lockdown; dmesg | grep -i secure.boot"))
        seen.append("screen's size: " + guest.shell("cat /sys/class/graphics/fb0/virtual_size; stty size </dev/tty1"))
    print("\n".join(seen), flush=True)


def _last_picture(bench: Bench, guest: Guest) -> None:
    """Take pictures until the machine is off: the last one shows that the stick may be pulled."""
    until_s = time.monotonic() + 600.0
    while guest.process.poll() is None and time.monotonic() < until_s:
        try:
            guest.picture(bench.work / "off.png")
        except OSError:
            break  # gone in the middle of it
        time.sleep(0.5)
    guest.wait_end(60.0)
