"""Two computers on one folder: who writes when, and where a record lies while it is made.

There is no second computer here: two programs stand for two, and the folder is called shared, so that the locks of the
kernel, which another computer would not see, are not used.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.test_contract import SHORT, verifyrig
from verifyrig.core.errors import RecordError
from verifyrig.files.shared_folder import is_on_network, locked_by_rename
from verifyrig.record import read_head
from verifyrig.record.check import integrity_of

REPO = Path(__file__).resolve().parent.parent
COUNTS = """
import sys
from pathlib import Path
from verifyrig.files.shared_folder import locked_by_rename
folder = Path(sys.argv[1])
for _ in range(40):
    with locked_by_rename(folder):
        number = int((folder / "count").read_text())
        (folder / "count").write_text(f"{number + 1}")
"""
# Form: proc(5), /proc/pid/mountinfo; made-up mounts.
MOUNTS = r"""
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/root rw
40 22 0:35 / /srv/shop rw,relatime - nfs4 nas:/shop rw
41 22 0:36 / /srv/shop/local rw - ext4 /dev/sdb1 rw
42 22 0:37 / /mnt/two\040words rw - cifs //nas/x rw
43 22 0:38 / /run/user/1/far rw - fuse.sshfs a@b: rw
"""


@pytest.mark.parametrize(
    ("path", "shared"),
    [
        ("/home/shop", False),
        ("/srv/shop/bench", True),
        ("/srv/shop/local/bench", False),
        ("/srv/shopping", False),
        ("/mnt/two words/bench", True),
        ("/run/user/1/far", True),
    ],
)
def test_a_folder_of_a_network_is_known_by_its_mount(path: str, shared: bool, tmp_path: Path) -> None:
    (tmp_path / "mountinfo").write_text(MOUNTS)
    assert is_on_network(Path(path), tmp_path / "mountinfo") is shared


def test_whoever_holds_a_folder_is_alone_with_it(tmp_path: Path) -> None:
    (tmp_path / "count").write_text("0")
    env = {**os.environ, "PYTHONPATH": str(REPO)}
    programs = [subprocess.Popen([sys.executable, "-c", COUNTS, str(tmp_path)], env=env) for _ in range(3)]
    assert [program.wait(100) for program in programs] == [0, 0, 0]
    assert (tmp_path / "count").read_text() == "120"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["count"]


def test_a_lock_whose_holder_died_is_taken_away(tmp_path: Path) -> None:
    dead = tmp_path / ".locked"
    dead.mkdir()
    (dead / "owner").write_text("other 1\n")
    os.utime(dead / "owner", (time.time() - 60, time.time() - 60))
    with locked_by_rename(tmp_path):
        assert (dead / "owner").read_text().split()[1] == str(os.getpid())
    assert list(tmp_path.iterdir()) == []


def _has_samples(folder: Path) -> bool:
    try:
        return any(read_head(path).samples for path in folder.glob("*.sqlite"))
    except RecordError:
        return False


def test_a_shared_folder_holds_closed_records_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, own = tmp_path / "bench", tmp_path / "own"
    (bench / "profiles").mkdir(parents=True)
    (bench / "profiles" / "short.toml").write_text(SHORT)
    (bench / "bench.toml").write_text("[bench_folder]\nshared = true\n")
    monkeypatch.setenv("XDG_DATA_HOME", str(own))
    words = ("run", "short", "--mock", "healthy-air", "--speed", "30", "--json")
    running = subprocess.Popen(
        [sys.executable, "-m", "verifyrig", *words], cwd=bench, env={**os.environ, "PYTHONPATH": str(REPO)},
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    live = own / "verifyrig" / "live"
    end_s = time.monotonic() + 100
    while not _has_samples(live) and running.poll() is None and time.monotonic() < end_s:
        time.sleep(0.05)
    assert list(live.glob("*.sqlite")) and not list(bench.rglob("*.sqlite*"))
    running.kill()  # its record stays beside, until the next run of this computer
    running.communicate()
    done = verifyrig(*words[:4], "--json", cwd=bench)
    found = json.loads(done.stdout)
    assert found["outcome"] == "completed", done.stderr
    assert integrity_of(Path(found["record"]))[0] == "sealed" and Path(found["record"]).parent == bench / "runs"
    listed = json.loads(verifyrig("runs", "--json", cwd=bench).stdout)["runs"]
    # On a quick machine both began in the same second, and stand in either order.
    killed, completed = sorted(listed, key=lambda row: str(row["outcome"]), reverse=True)
    assert (killed["outcome"], completed["outcome"]) == ("interrupted", "completed")
    assert killed["cause"]["class"] == "killed" and not list(live.iterdir())
