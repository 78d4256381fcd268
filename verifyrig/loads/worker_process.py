"""The supervising side of one worker: start, command, listen, kill, reap. Nothing here ever waits for the worker."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import verifyrig
from verifyrig.core.reason import Reason
from verifyrig.loads.wire import Counts, Lines, WorkerSettings, note_of

POSIX = os.name == "posix"
# One thread a worker, whichever library the numerical package was built with.
ONE_THREAD = (
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "OMP_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
# -P keeps the current folder off the import path: a bench folder must not be able to shadow a library.
WORKER_PROGRAM = (sys.executable, "-P", "-m", "verifyrig.loads.worker")


def worker_environment(base: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of a worker: one BLAS thread, and this very package importable."""
    package_parent = str(Path(verifyrig.__file__).resolve().parent.parent)
    paths = [package_parent, *filter(None, base.get("PYTHONPATH", "").split(os.pathsep))]
    return {**base, **dict.fromkeys(ONE_THREAD, "1"), "PYTHONPATH": os.pathsep.join(paths)}


PF_EXITING = 0x4  # Linux, include/linux/sched.h: set once a thread is in its exit and back in user code never again


def _all_exiting(pid: int) -> bool:
    """Return whether every thread of a process is in its exit; False where the system does not say (proc(5), stat)."""
    try:
        stats = [path.read_text() for path in Path(f"/proc/{pid}/task").glob("*/stat")]
    except OSError:  # a thread went between listing and reading
        return False
    flags = [int(stat.rpartition(")")[2].split()[6]) for stat in stats]
    return bool(flags) and all(flag & PF_EXITING for flag in flags)


class WorkerProcess:
    """A running worker, in a session of its own so that no signal of the terminal reaches it."""

    def __init__(
        self, settings: WorkerSettings, news: threading.Condition, *, program: Sequence[str] = WORKER_PROGRAM
    ) -> None:
        """Start it; `news` is notified whenever it says something or closes its pipe.

        Args:
            settings: Handed to the program as its last word.
            news: Notified with every report.
            program: What to start; another one only stands in for the worker in tests.

        Raises:
            OSError: The system cannot start another process.
        """
        self.settings = settings
        self.counts = Counts()
        self.faults: list[tuple[float, str]] = []
        self.notes: list[Reason] = []
        self.ready = False
        self.refused: str | None = None
        self.silent = False
        self._news = news
        self._process = self._spawn([*program, settings.to_json()])
        self._commands_fd = self._fileno(self._process.stdin)
        # Commands, kills and the reaper come from several threads: neither the id nor the pipe's number may be used
        # once they can mean another process or another file.
        self._guard = threading.Lock()
        self._reaped = False
        self._closed = False
        if POSIX:
            os.set_blocking(self._commands_fd, False)
        self._ear = threading.Thread(target=self._hear, name=f"worker {settings.index}", daemon=True)
        self._ear.start()

    @property
    def pid(self) -> int:
        """Process id; also the id of its group and session."""
        return self._process.pid

    def send(self, line: bytes) -> bool:
        """Write one command; False where the worker is gone or no longer takes any. Never waits."""
        with self._guard:
            if self._closed:
                return False
            try:
                return os.write(self._commands_fd, line) == len(line)
            except OSError:  # gone (EPIPE), or its pipe is full because it hangs (EAGAIN)
                return False

    def exited(self) -> bool:
        """Return whether it has ended; it stays a zombie until `reap`, so that its id means nobody else."""
        with self._guard:
            if self._reaped:
                return True
            if hasattr(os, "waitid"):
                flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
                return os.waitid(os.P_PID, self.pid, flags) is not None
            return self._process.poll() is not None

    def powerless(self) -> bool:
        """Return whether it has ended, or is so far on its way out that it executes nothing of its own any more."""
        return self.exited() or _all_exiting(self.pid)

    def take_faults(self) -> list[tuple[float, str]]:
        """Return the faults reported since the last call, as (time, detail)."""
        reported, self.faults = self.faults, []
        return reported

    def kill(self) -> None:
        """Kill it and every child of it, at once."""
        with self._guard:
            if self._reaped or self._process.returncode is not None:
                return  # its id may mean another process by now
            try:
                if POSIX:
                    os.killpg(self.pid, signal.SIGKILL)
                else:
                    self._process.kill()
            except (ProcessLookupError, PermissionError):
                pass  # already gone

    def reap(self) -> None:
        """Wait for its end after `kill`."""
        if hasattr(os, "waitid"):
            with contextlib.suppress(ChildProcessError):  # another thread has reaped it
                os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOWAIT)  # without the lock: this may take long
        else:
            self._process.wait()
        with self._guard:
            self._process.wait()
            self._reaped = True

    def let_go(self) -> None:
        """Hear its last words and close its pipes; for a worker that has been reaped."""
        self._ear.join(timeout=1.0)
        with self._guard:
            self._closed = True
            # A pipe that somebody still listens to keeps its number, which else would soon mean another file.
            streams = (self._process.stdin, None if self._ear.is_alive() else self._process.stdout)
            for stream in streams:
                if stream is not None:
                    stream.close()

    def _spawn(self, command: list[str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            env=worker_environment(os.environ),
            # A session of its own, where a signal to this program's terminal does not reach it.
            start_new_session=POSIX,
            creationflags=0 if POSIX else subprocess.CREATE_NEW_PROCESS_GROUP,  # type: ignore[attr-defined]
        )

    @staticmethod
    def _fileno(stream: Any) -> int:
        return int(stream.fileno())

    def _hear(self) -> None:
        lines = Lines()
        fd = self._fileno(self._process.stdout)
        while data := os.read(fd, 65536):
            with self._news:
                for line in lines.feed(data):
                    self._note(line)
                self._news.notify_all()
        with self._news:
            self.silent = True
            self._news.notify_all()

    def _note(self, line: str) -> None:
        word, _, rest = line.partition(" ")
        if word == "count":
            work, checks, errors = rest.split()
            self.counts = Counts(float(work), int(checks), int(errors))
        elif word == "fault":
            at_s, _, detail = rest.partition(" ")
            self.faults.append((float(at_s), detail))
        elif word == "note":
            self.notes += note_of(rest)
        elif word == "ready":
            self.ready = True
        elif word == "refused":
            self.refused = rest
