"""One guest: QEMU with the stick in a USB port, its serial line, its screen, its monitor, and its processor time."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

QEMU = "qemu-system-x86_64"
_OVMF = Path("/usr/share/OVMF")
# Plain `max` without these: an emulated processor that says it clears pages by one instruction is slow at it, and
# QEMU 7.2 takes ymm4 as index of an AVX2 gather for no index at all (its field is 100b, which means that in a plain
# address; Intel SDM vol. 2A, 2.3.12: not so in a vector's). numpy sorts wrongly there, and crashes by what it sorted.
_PROCESSOR = "max,la57=off,erms=off,fsrm=off,avx2=off"
HANG_S = 1500.0


class Firmware(StrEnum):
    """What starts the guest."""

    BIOS = "bios"
    UEFI = "uefi"
    SECURE_BOOT = "secure-boot"


class GuestError(Exception):
    """The guest did not do what was waited for."""


class NothingSaid(GuestError):
    """What was waited for was not said within the hang limit; the guest is still there."""


def lacking() -> str:
    """Return what keeps a guest from being started here, empty where nothing does."""
    for program, package in ((QEMU, "qemu-system-x86"), ("mmdebstrap", "mmdebstrap")):
        if shutil.which(program) is None:
            return f"{package} is not installed"
    if not (_OVMF / "OVMF_VARS_4M.ms.fd").is_file():
        return "ovmf is not installed"
    return ""


@dataclass(kw_only=True)
class Guest:
    """A running guest.

    Attributes:
        folder: Its sockets, its firmware's variables, its serial log.
        hang_s: How long is waited for what it should say, s, where nothing else is asked for.
    """

    folder: Path
    process: subprocess.Popen[bytes]
    hang_s: float = HANG_S
    _line: socket.socket | None = None
    _read: int = 0
    _asked: int = field(default=0)

    @property
    def serial_log(self) -> Path:
        """Everything that came over the serial line."""
        return self.folder / "serial.log"

    def said(self) -> str:
        """Return what came over the serial line so far."""
        try:
            return self.serial_log.read_bytes().decode(errors="replace").replace("\r", "")
        except FileNotFoundError:
            return ""

    def wait_for(self, pattern: str, *, hang_s: float | None = None, ends: bool = False) -> re.Match[str]:
        """Wait until the serial line says something new that fits; raise `GuestError` after a hang or an end."""
        hang_s = self.hang_s if hang_s is None else hang_s
        until_s = time.monotonic() + hang_s
        while True:
            text = self.said()
            found = re.compile(pattern).search(text, self._read)
            if found:
                self._read = found.end()
                return found
            if self.process.poll() is not None and not ends:
                what = f"the guest ended ({self.process.returncode}) before it said {pattern!r}"
                raise GuestError(f"{what}:\n{text[-1500:]}")
            if time.monotonic() > until_s:
                raise NothingSaid(f"{pattern!r} was not said in {hang_s:.0f} s:\n{text[-1500:]}")
            time.sleep(0.25)

    def send(self, text: str) -> None:
        """Type on the serial line."""
        if self._line is None:
            self._line = socket.socket(socket.AF_UNIX)
            self._line.connect(str(self.folder / "serial"))
            # What comes is read from the log; a socket that nobody empties would hold the guest's line up.
            threading.Thread(target=_empty, args=(self._line,), daemon=True).start()
        self._line.sendall(text.encode())

    def open_shell(self) -> None:
        """Start the shell on the serial line."""
        self.send("\r")
        self.wait_for(r"bench folder is /bench")

    def shell(self, command: str, *, hang_s: float | None = None) -> str:
        """Run a command in the shell on the serial line; return what it printed."""
        self._asked += 1
        mark = f"DONE{self._asked}"
        # The echo of the typed line must not look like the mark.
        self.send(f"{command}; echo {mark[:4]}''{mark[4:]}=$?.\r")
        begin = self._read
        self.wait_for(rf"{mark}=\d+\.", hang_s=hang_s)
        return answer_in(self.said()[begin : self._read], mark)

    def screen_text(self) -> str:
        """Return what stands on the first screen, its lines run together as the console keeps them."""
        code = "import sys; print(sys.stdin.buffer.read().decode('utf-32-le', 'replace'))"
        return self.shell(f'python3 -c "{code}" </dev/vcsu1')

    def monitor(self, command: str) -> str:
        """Give QEMU's monitor a command; return its answer."""
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(self.folder / "monitor"))
            line.settimeout(20)
            _until_prompt(line)
            line.sendall(command.encode() + b"\n")
            with contextlib.suppress(TimeoutError, OSError):
                return _until_prompt(line)
        return ""

    def keys(self, text: str) -> None:
        """Press keys on the guest's keyboard, each as the monitor names it: letters, `ret`, `spc`."""
        for key in text.split():
            self.monitor(f"sendkey {key}")
            time.sleep(0.3)

    def picture(self, path: Path) -> None:
        """Write what the screen shows as PNG."""
        from PIL import Image

        raw = self.folder / "screen.ppm"
        self.monitor(f"screendump {raw}")
        until_s = time.monotonic() + 30
        while not raw.exists() and time.monotonic() < until_s:
            time.sleep(0.2)
        time.sleep(0.5)
        with Image.open(raw) as image:
            image.save(path)
        raw.unlink()

    def processor_s(self) -> float:
        """Return the processor time that QEMU has used, s."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def waited_s(self) -> float:
        """Return how long that thread of QEMU waited for the host's processors which waited longest, s.

        Source: Linux, Documentation/scheduler/sched-stats.rst: what a thread ran, and what it waited to run, ns.
        """
        waited_ns = []
        for task in Path(f"/proc/{self.process.pid}/task").glob("*"):
            with contextlib.suppress(OSError):  # gone meanwhile
                waited_ns.append(int((task / "schedstat").read_text().split()[1]))
        return max(waited_ns, default=0) / 1e9

    def cut_power(self) -> None:
        """End the guest as a pulled plug does."""
        with contextlib.suppress(OSError):
            self.process.kill()
        self.process.wait()

    def wait_end(self, hang_s: float = HANG_S) -> None:
        """Wait until the guest has switched itself off."""
        self.process.wait(hang_s)


def answer_in(text: str, mark: str) -> str:
    """Return what a command printed: between the echo of its line and the mark; a prompt may have come late."""
    echoed = f"{mark[:4]}''{mark[4:]}=$?."
    return text.partition(f"{echoed}\n")[2].rpartition(mark)[0].removeprefix("# ").strip("\n")


def _empty(line: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while line.recv(4096):
            pass


def _until_prompt(line: socket.socket) -> str:
    text = b""
    while not text.rstrip().endswith(b"(qemu)"):
        more = line.recv(4096)
        if not more:
            break
        text += more
    return text.decode(errors="replace")


@contextlib.contextmanager
def started(
    image: Path,
    folder: Path,
    firmware: Firmware = Firmware.BIOS,
    *,
    memory_mib: int = 2048,
    processors: int = 2,
    more: Sequence[str] = (),
    drive: str = "",
    screen: Sequence[str] = ("-vga", "std"),
    hang_s: float = HANG_S,
) -> Iterator[Guest]:
    """Start a guest with the image in a USB port; it is gone afterwards, whatever happens.

    Args:
        drive: Options of the stick's drive in place of the plain ones.
        screen: The graphics.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("serial", "monitor", "serial.log"):
        (folder / name).unlink(missing_ok=True)
    drive = drive or f"format=raw,file={image}"
    words = [
        QEMU, "-accel", "tcg,thread=multi,tb-size=512", "-cpu", _PROCESSOR, "-m", str(memory_mib),
        "-smp", str(processors), "-display", "none", "-nic", "none", "-no-reboot", *screen,
        "-chardev", f"socket,id=serial,path={folder / 'serial'},server=on,wait=off,logfile={folder / 'serial.log'}",
        "-serial", "chardev:serial", "-monitor", f"unix:{folder / 'monitor'},server,nowait",
        "-device", "qemu-xhci,id=usb", "-drive", f"if=none,id=stick,{drive}",
        "-device", "usb-storage,id=stick-device,bus=usb.0,drive=stick,bootindex=1,removable=on",
        *_firmware_words(firmware, folder), *more,
    ]  # fmt: skip
    with (folder / "qemu.log").open("wb") as log:
        # A guest goes with whoever started it, even where that was killed (setpriv(1)).
        bound = ["setpriv", "--pdeathsig", "KILL"] if shutil.which("setpriv") else []
        process = subprocess.Popen(
            [*bound, "nice", "-n", "10", *words], stdin=subprocess.DEVNULL, stdout=log, stderr=log
        )
    guest = Guest(folder=folder, process=process, hang_s=hang_s)
    try:
        yield guest
    finally:
        if guest._line is not None:
            guest._line.close()
        if process.poll() is None:
            process.kill()
            process.wait()


def _firmware_words(firmware: Firmware, folder: Path) -> list[str]:
    if firmware is Firmware.BIOS:
        return ["-machine", "q35"]
    secure = firmware is Firmware.SECURE_BOOT
    ending = ".ms.fd" if secure else ".fd"
    variables = folder / f"variables-{firmware}.fd"
    if not variables.exists():
        shutil.copy(_OVMF / f"OVMF_VARS_4M{ending}", variables)
    code = f"if=pflash,format=raw,unit=0,readonly=on,file={_OVMF / ('OVMF_CODE_4M' + ending)}"
    words = ["-drive", code, "-drive", f"if=pflash,format=raw,unit=1,file={variables}"]
    if secure:
        return ["-machine", "q35,smm=on", "-global", "driver=cfi.pflash01,property=secure,value=on", *words]
    return ["-machine", "q35", *words]
