"""The stick in emulation, as CI starts it: each firmware to the first screen, from memory, the disks left alone.

A host that gives the guest no processor time proves nothing: that is a reason to skip. A guest that had its share and
did not do what was waited for is a failure.
"""

from __future__ import annotations

import hashlib
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.stick.guest import Firmware, Guest, GuestError, NothingSaid, lacking, started
from tests.stick.image import CannotBuild, small_image
from tests.stick.share import is_starved

pytestmark = [pytest.mark.stick, pytest.mark.timeout(3000)]
# All of it: image, both firmwares. What is left once the image was slow to make may be too little for a guest.
_ALL_S = 24 * 60.0
# Forty seconds on two idle cores.
_HANG_S = 500.0
# The kernel's last words where its timer's ticks did not come in time (Linux, arch/x86/kernel/apic/io_apic.c).
_TIMER_LOST = "IO-APIC + timer doesn't work"


class TimerLostError(Exception):
    """The emulator did not tick while the kernel looked."""


@pytest.fixture(scope="module")
def until_s() -> float:
    """When all has to be over, on the monotonic clock, s."""
    return time.monotonic() + _ALL_S


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory, until_s: float) -> Path:
    why = lacking()
    if why:
        pytest.skip(f"no guest can be started here: {why}")
    began_s = time.monotonic()
    try:
        path = small_image(tmp_path_factory.mktemp("stick"))
    except CannotBuild as reason:
        pytest.skip(f"the image cannot be built here: {reason}")
    print(f"the small image is there after {time.monotonic() - began_s:.0f} s", flush=True)
    return path


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of the machine, full of what somebody else wrote; its bytes must stay."""
    path = tmp_path / "disk.img"
    path.write_bytes(hashlib.shake_256(b"what the customer has on it").digest(8 << 20))
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    yield path
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before


@pytest.mark.parametrize("firmware", [Firmware.BIOS, Firmware.SECURE_BOOT])
def test_the_stick_starts_from_memory_and_shows_its_first_screen(
    firmware: Firmware, image: Path, disk: Path, tmp_path: Path, until_s: float
) -> None:
    for folder in ("guest", "again"):
        try:
            start(firmware, image, disk, tmp_path / folder, until_s)
            return
        except TimerLostError:
            print(f"{firmware}: the emulator's timer did not tick, as on a host without time for it", flush=True)
    pytest.skip("the emulator's timer did not tick, twice: the host has no time for it")


def start(firmware: Firmware, image: Path, disk: Path, folder: Path, until_s: float) -> None:
    """Start a guest and look at it; skip where the host had no time for it."""
    folder.mkdir()
    stick = Path(shutil.copyfile(image, folder / "stick.img"))
    more = ["-drive", f"if=none,id=own,format=raw,file={disk}", "-device", "nvme,drive=own,serial=1"]
    began_s = time.monotonic()
    hang_s = min(_HANG_S, until_s - began_s)
    if hang_s <= 0.0:
        pytest.skip(f"of {_ALL_S / 60:.0f} minutes none is left: the host has no time for it")
    with started(stick, folder, firmware, more=more, hang_s=hang_s) as guest:
        try:
            look_at(guest, firmware)
        except NothingSaid as error:
            passed_s = time.monotonic() - began_s
            ran_s, waited_s = guest.processor_s(), guest.waited_s()
            share = f"the guest had {ran_s:.0f} s of processor time in {passed_s:.0f} s and waited {waited_s:.0f} s"
            if hang_s < _HANG_S or is_starved(ran_s, waited_s, passed_s):
                pytest.skip(f"{share}: {error}")
            raise GuestError(f"{share}: {error}") from error
        print(
            f"{firmware}: done after {time.monotonic() - began_s:.0f} s, {guest.processor_s():.0f} s of processor time"
        )


def look_at(guest: Guest, firmware: Firmware) -> None:
    """Wait for the first screen and the drivers, then ask the guest how it stands."""
    said = guest.wait_for(r"first screen after|Kernel panic[^\n]*\n").group()
    if _TIMER_LOST in said:
        raise TimerLostError
    assert "panic" not in said, said
    print(f"{firmware}: first screen after {guest.processor_s():.0f} s of processor time", flush=True)
    guest.wait_for(r"drivers loaded after")
    guest.open_shell()
    mounts = guest.shell("cat /proc/mounts")
    assert "overlay / overlay" in mounts or "root / overlay" in mounts
    assert "/boot" not in mounts, "the stick must not be needed once the system is in memory"
    assert guest.shell("dmsetup status root").strip().endswith("V"), "every block is checked by the kernel"
    assert guest.shell("cat /sys/block/nvme0n1/ro") == "1"
    assert guest.shell("ls /sys/class/net") == "lo"
    assert guest.shell("cat /proc/swaps | wc -l") == "1"
    screen = guest.screen_text()
    assert "verifyrig 0." in screen and "root " in screen
    lockdown = guest.shell("cat /sys/kernel/security/lockdown 2>/dev/null; dmesg | grep -i 'lockdown: ' | head -n 2")
    if firmware is Firmware.SECURE_BOOT:
        assert "Secure Boot" in guest.shell("dmesg | grep -i 'secure boot'") or "[integrity]" in lockdown
    assert guest.shell("cat /bench/runs/*.sqlite | wc -c").strip() != "0", "the idle machine is being recorded"
    assert "Nothing is recorded" not in screen
