"""A bench computer and a machine under test as real programs, each in a network of its own, or both on this one."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from tests.bad_cable import BENCH_HOST, Cable, two_networks

REPO = Path(__file__).resolve().parent.parent
HANG_S = 120.0
PORT = 8519
PROGRAM = (sys.executable, "-m", "verifyrig")


def free_port() -> int:
    """Return a port of this computer that is free, as the page's behind it is; no other program is given it unasked.

    The system gives out ports from 32768 on (Linux, `ip_local_port_range`).
    """
    for port in random.sample(range(20000, 32000, 2), 200):
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            socket.create_server(("127.0.0.1", port + 1)).close()
            return port
    raise AssertionError("no port is free")


class Computer:
    """One of the two: its namespace (empty for this network), its own keys, its bench folder.

    Attributes:
        up_since_s: So much longer than this computer it has been up, by its steady clocks (time_namespaces(7)).
    """

    def __init__(self, folder: Path, namespace: str = "") -> None:
        self.folder, self.namespace, self.up_since_s = folder, namespace, 0
        self.bench = folder / "bench"
        self.bench.mkdir(parents=True, exist_ok=True)
        (self.bench / "bench.toml").touch()
        self.env = {
            **os.environ,
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PYTHONPATH": str(REPO),
            "VERIFYRIG_TRACEBACK": "1",
        }
        self.env.pop("VERIFYRIG_BENCH", None)

    def start(self, *words: str, program: tuple[str, ...] = PROGRAM, **how: Any) -> subprocess.Popen[str]:
        """Start a program there; its streams are pipes of text unless said otherwise."""
        inside = ("ip", "netns", "exec", self.namespace) if self.namespace else ()
        if self.up_since_s:
            up_s = str(self.up_since_s)
            inside = (*inside, "unshare", "--time", "--monotonic", up_s, "--boottime", up_s)
        pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        return subprocess.Popen(
            [*inside, *program, *words], env=self.env, cwd=self.bench, text=True, **{**pipes, **how}
        )

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a command line of the program there to its end."""
        process = self.start(*words)
        out, err = process.communicate(timeout=HANG_S)
        return subprocess.CompletedProcess(words, process.returncode, out, err)

    def records(self) -> list[Path]:
        """Return the records that this computer keeps of its own runs."""
        return sorted((self.bench / "runs").glob("*.sqlite"))


class Served:
    """The bench computer's service, with its page as a browser there sees it."""

    def __init__(self, computer: Computer, host: str, port: int = PORT) -> None:
        self.computer, self.host, self.port, self.page_port = computer, host, port, port + 1
        self.cookie = ""
        self.process: subprocess.Popen[str] | None = None
        self.code = self.said = ""

    def start(self) -> None:
        """Start it, and wait until its doors are open."""
        words = ("--listen", self.host, "--port", str(self.port), "--page-port", str(self.page_port))
        self.process = self.computer.start("bench", "serve", *words)
        assert self.process.stderr is not None
        self.said = ""
        for line in self.process.stderr:
            self.said += line
            if "Code for pairing:" in line:
                self.code = "".join(c for c in line.partition(":")[2].partition("(")[0] if c.isdigit())
                threading.Thread(target=self.process.stderr.read, daemon=True).start()
                return
        raise AssertionError(f"the service did not start: {self.said}")

    def kill(self) -> None:
        """Kill it as `kill -9` does."""
        assert self.process is not None
        self.process.kill()
        self.process.communicate()

    def new_code(self) -> str:
        """Return a new code, as somebody at the bench computer asks for one."""
        told = self.computer.run("bench", "code", "--json")
        return str(json.loads(told.stdout)["code"])

    def twins(self) -> dict[str, Path]:
        """Return the twins by run."""
        return {path.stem: path for path in (self.computer.bench / "received").glob("*/runs/*.sqlite")}


@contextlib.contextmanager
def two_computers(folder: Path) -> Iterator[tuple[Computer, Served, Cable]]:
    """Yield a machine and a serving bench computer that were paired over the cable between their networks."""
    with two_networks() as networks:
        machine, bench = Computer(folder / "machine", networks.machine), Computer(folder / "bench", networks.bench)
        served = Served(bench, BENCH_HOST)
        served.start()
        try:
            yield machine, served, networks.cable
        finally:
            networks.cable.as_new()
            if served.process is not None and served.process.poll() is None:
                served.process.terminate()
                served.process.communicate(timeout=HANG_S)


class Browser:
    """A program in a computer's network that asks the page for us; it keeps one cookie."""

    def __init__(self, computer: Computer, port: int) -> None:
        self._process = computer.start(
            program=(sys.executable, "-m", "tests.two_computers", str(port)), stdin=subprocess.PIPE
        )

    def ask(self, method: str = "GET", path: str = "/", cookie: str = "", **fields: str) -> Answered:
        """Ask, and return the answer."""
        pipes = self._process
        assert pipes.stdin is not None and pipes.stdout is not None
        pipes.stdin.write(json.dumps([method, path, urlencode(fields), cookie]) + "\n")
        pipes.stdin.flush()
        answer = pipes.stdout.readline()
        assert answer, f"the page gave no answer: {pipes.communicate()[1][-2000:]}"
        return Answered(**json.loads(answer))

    def close(self) -> None:
        """End it."""
        self._process.communicate(timeout=HANG_S)


class Answered:
    """An answer of the page."""

    def __init__(self, status: int, body: str, cookie: str) -> None:
        self.status, self.body, self.cookie = status, body, cookie


def wait_for(what: Callable[[], Any], up_to_s: float = HANG_S, every_s: float = 0.05) -> Any:
    """Return what it gives as soon as that is something; fail where that takes too long."""
    end_s = time.monotonic() + up_to_s
    while time.monotonic() < end_s:
        found = what()
        if found:
            return found
        time.sleep(every_s)
    raise AssertionError(f"{what} did not come")


def _main() -> None:
    for line in sys.stdin:
        method, path, body, cookie = json.loads(line)
        connection = http.client.HTTPConnection("127.0.0.1", int(sys.argv[1]), timeout=10)
        headers = {"Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded", "X-Bench": "1"}
        connection.request(method, path, body or None, headers)
        answer = connection.getresponse()
        given = (answer.getheader("set-cookie") or "").partition(";")[0]
        print(json.dumps({"status": answer.status, "body": answer.read().decode(), "cookie": given}), flush=True)
        connection.close()


if __name__ == "__main__":
    _main()
