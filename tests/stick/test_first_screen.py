"""The stick in emulation, as CI starts it: each firmware to the first screen, from memory, the disks left alone."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.stick.guest import Firmware, Guest, GuestError, lacking, started
from tests.stick.image import CannotBuild, small_image

pytestmark = [pytest.mark.stick, pytest.mark.timeout(3000)]
# Far more than any start has needed; a guest that got less than this had no processor, and proves nothing.
_FAIR_SHARE_S = 300.0
_HANG_S = 600.0


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    why = lacking()
    if why:
        pytest.skip(f"no guest can be started here: {why}")
    try:
        return small_image(tmp_path_factory.mktemp("stick"))
    except CannotBuild as reason:
        pytest.skip(f"the image cannot be built here: {reason}")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of the machine, full of what somebody else wrote; its bytes must stay."""
    path = tmp_path / "disk.img"
    path.write_bytes(hashlib.shake_256(b"what the customer has on it").digest(8 << 20))
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    yield path
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before


def wait(guest: Guest, pattern: str) -> None:
    """Wait for the guest's word; where it was hardly given any processor time nothing is proven, and that is said."""
    try:
        guest.wait_for(pattern, hang_s=_HANG_S)
    except GuestError as error:
        if guest.process.poll() is None and guest.processor_s() < _FAIR_SHARE_S:
            pytest.skip(f"the guest had {guest.processor_s():.0f} s of processor time in {_HANG_S:.0f} s: {error}")
        raise


@pytest.mark.parametrize("firmware", [Firmware.BIOS, Firmware.SECURE_BOOT])
def test_the_stick_starts_from_memory_and_shows_its_first_screen(
    firmware: Firmware, image: Path, disk: Path, tmp_path: Path
) -> None:
    more = ["-drive", f"if=none,id=own,format=raw,file={disk}", "-device", "nvme,drive=own,serial=1"]
    stick = Path(shutil.copyfile(image, tmp_path / "stick.img"))
    with started(stick, tmp_path / "guest", firmware, more=more) as guest:
        wait(guest, r"first screen after")
        print(f"{firmware}: first screen after {guest.processor_s():.0f} s of processor time", flush=True)
        wait(guest, r"drivers loaded after")
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
        lockdown = guest.shell(
            "cat /sys/kernel/security/lockdown 2>/dev/null; dmesg | grep -i 'lockdown: ' | head -n 2"
        )
        if firmware is Firmware.SECURE_BOOT:
            assert "Secure Boot" in guest.shell("dmesg | grep -i 'secure boot'") or "[integrity]" in lockdown
        assert guest.shell("cat /bench/runs/*.sqlite | wc -c").strip() != "0", "the idle machine is being recorded"
        assert "Nothing is recorded" not in screen
