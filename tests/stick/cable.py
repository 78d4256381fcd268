"""A bench computer at the other end of a cable: a tap device of this host, in a network namespace of its own."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass

from tests.stick.guest import Guest
from tests.stick.trials import HERE, SOUND_K, Bench, Runs, heated_guest, records_on, until
from tests.two_computers import Computer, Served
from verifyrig.record.check import check_record

_NETWORK_MODULES = "lsmod | grep -c -E '^(e1000|e1000e|igb|igc|r8169|libphy|usbnet|mii|net_failover|macsec) '"
_IDLE = {"trial/profiles/idle.toml": (HERE / "idle.toml").read_text()}
# What is typed before a question waits for a key is thrown away, and a slow guest asks late.
_SETTLED_S = 4.0
# Local and unicast (IEEE 802): the guest's port is known by it.
_MAC = "52:54:00:12:34:56"


@dataclass(frozen=True, slots=True, kw_only=True)
class FarEnd:
    """The other end: its namespace, its device, and its link-local address with the device's name."""

    namespace: str
    device: str

    def plug_in(self) -> None:
        """Take the device, which the emulator has opened by now, into the namespace, and start it there."""
        run("ip", "link", "set", self.device, "netns", self.namespace)
        for name in ("lo", self.device):
            run("ip", "-n", self.namespace, "link", "set", name, "up")
        until(lambda: bool(self.address()), "the address of the far end", hang_s=30.0)

    def address(self) -> str:
        """Return its address once it may be used."""
        words = ("ip", "-n", self.namespace, "-6", "-o", "addr", "show", "dev", self.device, "scope", "link")
        told = run(*words)
        return "" if "tentative" in told or "inet6" not in told else told.split("inet6 ")[1].split("/")[0]

    def words(self, model: str) -> list[str]:
        """Return what the emulator is started with: a port of this model with this end's cable in it."""
        return [
            "-netdev", f"tap,id=cable,ifname={self.device},script=no,downscript=no",
            "-device", f"{model},id=port,netdev=cable,mac={_MAC}",
        ]  # fmt: skip


def run(*words: str) -> str:
    """Run a program; return what it printed."""
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


@contextlib.contextmanager
def far_end() -> Iterator[FarEnd]:
    """Make the other end; it is gone afterwards."""
    end = FarEnd(namespace=f"vr-far-{os.getpid()}", device=f"vrtap{os.getpid()}"[:15])
    run("ip", "netns", "add", end.namespace)
    try:
        run("ip", "tuntap", "add", "dev", end.device, "mode", "tap")
        yield end
    finally:
        for words in (("ip", "link", "del", end.device), ("ip", "netns", "del", end.namespace)):
            subprocess.run(words, capture_output=True, check=False)


class CableTrial:
    """The cable off, switched on by its key, paired, and used again after a new start."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._seen = bench.seen.setdefault("cable", [])
        self._stick = bench.copy("cable", _IDLE)
        self._computer = Computer(bench.work / "far")

    def run(self) -> None:
        """Make both starts, then look at what came over."""
        for start in (self._first, self._second):
            with far_end() as end:
                self._computer.namespace = end.namespace
                with self._guest(end) as guest:
                    end.plug_in()
                    served = Served(self._computer, f"{end.address()}%{end.device}")
                    try:
                        start(guest, end, served)
                    finally:
                        if served.process is not None:
                            served.kill()
        self._twins()

    @contextlib.contextmanager
    def _guest(self, end: FarEnd) -> Iterator[Guest]:
        more = end.words("e1000e")
        with heated_guest(self._bench, self._stick, "cable", full_k=SOUND_K, more=more) as (guest, _):
            yield guest

    def _say(self, text: str) -> None:
        self._seen.append(text)
        print(text, flush=True)

    def _network(self, guest: Guest) -> str:
        modules = guest.shell(_NETWORK_MODULES)
        ports = guest.shell("ls /sys/class/net").split()
        routes = guest.shell(
            "cat /proc/net/route | tail -n +2 | wc -l; busybox ip -6 route show default | wc -l"
        ).split()
        listens = guest.shell("awk '$4==\"0A\"' /proc/net/tcp /proc/net/tcp6 | wc -l; cat /proc/net/udp /proc/net/udp6 "
                              "/proc/net/raw6 | grep -vc address").split()  # fmt: skip
        return f"network modules {modules}, ports {ports}, default routes {routes}, listening {listens}"

    def _first(self, guest: Guest, end: FarEnd, served: Served) -> None:
        self._say(f"off: {self._network(guest)}")
        guest.keys("ret")  # the clock is right
        until(lambda: "Who is at the bench" in guest.screen_text(), "the question of who is there", every_s=3.0)
        guest.keys("t o m ret")
        until(lambda: "cable to a bench computer" in guest.screen_text(), "the menu", every_s=3.0)
        time.sleep(_SETTLED_S)
        guest.keys("b")
        until(lambda: "Switch the cable on" in guest.screen_text(), "the question", every_s=3.0)
        time.sleep(_SETTLED_S)
        guest.keys("y")
        until(lambda: "Address of the bench" in guest.screen_text(), "the port", every_s=3.0)
        self._say(f"found at the cable: {end.address() in guest.screen_text()}")
        guest.picture(self._bench.work / "cable-pair.png")
        served.start()
        guest.keys("ret")
        until(lambda: "Code that it shows" in guest.screen_text(), "the question of the code", every_s=3.0)
        guest.keys(" ".join(served.code) + " ret")
        until(lambda: "calls this stick" in guest.screen_text(), "the question of the name", every_s=3.0)
        guest.keys("ret")
        until(lambda: "whoever finds it" in guest.screen_text(), "the pairing", every_s=3.0)
        self._say("paired by the key on the first screen")
        self._say(f"on: {self._network(guest)}")
        guest.picture(self._bench.work / "cable-on.png")
        guest.keys("o")
        until(lambda: guest.process.poll() is not None or "Keep the" in guest.screen_text(), "the question")
        guest.keys("ret")
        guest.wait_end(600.0)

    def _second(self, guest: Guest, end: FarEnd, served: Served) -> None:
        screen = " ".join(guest.screen_text().split())
        self._say("next start: " + screen[screen.find("CABLE") :][:160])
        self._say(f"on: {self._network(guest)}; {guest.shell('cat /run/verifyrig-stick/cable.json')}")
        served.start()
        runs = Runs(guest)
        guest.shell(
            "mount -o remount,rw /bench; printf '[bench_computer]\\nname = \"auto\"\\n' >>/bench/trial/bench.toml"
        )
        runs.start("idle")
        told = runs.result()
        self._say(f"run sent: {told['run']}: exit {told['code']}, {told['outcome']}")
        guest.shell("mount -o remount,ro /bench")

    def _twins(self) -> None:
        own = records_on(self._bench, self._stick, "cable")
        twins = {path.stem: path for path in self._computer.bench.glob("received/*/runs/*.sqlite")}
        for run_id, twin in twins.items():
            same = check_record(twin).digest == check_record(own[run_id]).digest
            self._say(f"twin of {run_id}: the same digest {same}")
        if not twins:
            self._say("FAILED: no record came over")


def cable(bench: Bench) -> None:
    """A bench computer at the other end of a cable."""
    CableTrial(bench).run()
