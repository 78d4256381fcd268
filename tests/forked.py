"""The program in processes of its own without starting an interpreter for each: a child of one that has all imported.

Each command line runs in a fork with its own file descriptors 0 to 2, closed ones included, its own folder and
environment, and ends through Python's own finalization. What an interpreter does as it starts is done by hand in
`_streams_as_at_start`; tests of that start a real one.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import importlib
import json
import os
import pkgutil
import shlex
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TypedDict

REPO = Path(__file__).resolve().parent.parent
_HANG_S = 900.0
# What commands load only where they need it: figures, limits of charts, pages.
_LATE = ("scipy.optimize", "scipy.interpolate", "scipy.stats", "jinja2.sandbox", "babel.dates", "babel.numbers")


class _Order(TypedDict):
    words: list[str]
    cwd: str
    redirections: str
    env: dict[str, str]


class Forked:
    """Runs command lines one after another."""

    def __init__(self) -> None:
        self._ours, theirs = socket.socketpair()
        self._ours.settimeout(_HANG_S)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.forked", str(theirs.fileno())],
            cwd=REPO, pass_fds=(theirs.fileno(),), env={**os.environ, "PYTHONPATH": str(REPO)},
        )  # fmt: skip
        theirs.close()

    def close(self) -> None:
        """End the process that forks."""
        self._ours.close()
        self._process.wait(_HANG_S)

    def run(
        self,
        words: list[str],
        cwd: Path,
        redirections: str = "",
        *,
        stdout: int | None = None,
        env: dict[str, str] | None = None,
    ) -> subprocess.CompletedProcess[bytes]:
        """Run it as a shell does with redirections such as `>&-`; stdout and stderr are pipes that are read, else."""
        pipes = [os.pipe(), os.pipe()]
        null = os.open(os.devnull, os.O_RDONLY)
        fds = [null, pipes[0][1] if stdout is None else stdout, pipes[1][1]]
        told: list[bytes] = [b"", b""]

        def read(number: int) -> None:
            with os.fdopen(pipes[number][0], "rb") as pipe:
                told[number] = pipe.read()

        readers = [threading.Thread(target=read, args=(number,)) for number in (0, 1)]
        order = _Order(words=words, cwd=str(cwd), redirections=redirections, env={**os.environ, **(env or {})})
        socket.send_fds(self._ours, [json.dumps(order).encode() + b"\n"], fds)
        for fd in (null, pipes[0][1], pipes[1][1]):
            os.close(fd)
        for reader in readers:
            reader.start()
        code = int(self._ours.recv(64))
        for reader in readers:
            reader.join(_HANG_S)
        return subprocess.CompletedProcess(words, code, *told)


@cache
def forked() -> Forked:
    """Return the one that all tests of this process share."""
    running = Forked()
    atexit.register(running.close)
    return running


def _serve(connection: socket.socket) -> None:
    _import_all()
    _draw_machines()
    # Nothing of what is there is garbage later: a child's collector need not look at it, at its end neither.
    gc.collect()
    gc.freeze()
    while True:
        data, fds, _, _ = socket.recv_fds(connection, 1 << 20, 3)
        if not data:
            return
        while not data.endswith(b"\n"):
            data += connection.recv(1 << 20)
        child = os.fork()
        if child == 0:
            connection.close()
            _become(json.loads(data), fds)
            return
        for fd in fds:
            os.close(fd)
        _, status = os.waitpid(child, 0)
        connection.sendall(str(os.waitstatus_to_exitcode(status)).encode())


def _import_all() -> None:
    import mock_hw
    import verifyrig
    import verifyrig.__main__  # before numpy is loaded: it says on how many threads that works

    for package in (verifyrig, mock_hw):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if not found.name.endswith("__main__") and "pytest_plugin" not in found.name:
                with contextlib.suppress(ImportError):
                    importlib.import_module(found.name)
    for name in _LATE:
        importlib.import_module(name)


def _draw_machines() -> None:
    """Fit once what each report and each diagnosis compares a machine with: it takes a second or two of them."""
    from verifyrig.diagnosis.mixture import densities

    for cooler in ("air", "liquid"):
        densities(cooler)


def _become(order: _Order, fds: list[int]) -> None:
    """Take the order's place in the world, and run the program to its end."""
    os.environ.clear()
    os.environ.update(order["env"])
    os.chdir(order["cwd"])
    for number, fd in enumerate(fds):
        os.dup2(fd, number)
        os.close(fd)
    closed = set(_redirect(order["redirections"]))
    for number in closed:
        os.close(number)
    _streams_as_at_start(closed)
    sys.argv = ["verifyrig", *order["words"]]

    from verifyrig.__main__ import main

    sys.exit(main())


def _redirect(redirections: str) -> Iterator[int]:
    """Redirect to files at once, and return the numbers of those that are to be closed."""
    for word in shlex.split(redirections):
        head, target = word.split(">" if ">" in word else "<", 1)
        number = int(head) if head else (1 if ">" in word else 0)
        if target == "&-":
            yield number
        else:
            opened = os.open(target, os.O_WRONLY if number else os.O_RDONLY)
            os.dup2(opened, number)
            os.close(opened)


def _streams_as_at_start(closed: set[int]) -> None:
    """Make sys.stdin, stdout and stderr as Python does at its start: None for what is closed.

    Source: documentation of `sys.stdin` and of PYTHONIOENCODING.
    """
    encoding, _, errors = os.environ.get("PYTHONIOENCODING", "").partition(":")
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        how = "backslashreplace" if number == 2 else errors or "strict"
        stream = (
            None
            if number in closed
            else os.fdopen(number, "w" if number else "r", encoding=encoding or "utf-8", errors=how, closefd=False)
        )
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
