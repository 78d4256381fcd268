"""A bench folder in memory is noticed on any system, and said before anything is measured into it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sensor_tree import lay
from verifyrig.system.in_memory import lies_in_memory

# Lines as proc_pid_mountinfo(5) has them: the mount point is field 5, type and options follow " - ".
_DISK = "22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw"
_TMP = "30 22 0:26 / /tmp rw,nosuid - tmpfs tmpfs rw"
_STICK = "31 22 8:19 / /bench rw - vfat /dev/sdb3 rw"
_LIVE = "22 1 0:25 / / rw - overlay root rw,lowerdir=/lower,upperdir={upper},workdir=/w"


@pytest.mark.parametrize(
    ("lines", "folder", "expected"),
    [
        ((_DISK, _TMP), "/srv/bench", False),
        ((_DISK, _TMP), "/tmp/bench", True),
        ((_DISK, _TMP, _STICK), "/bench", False),
        ((_TMP, _DISK.replace(" / / ", " / /tmp/disk ")), "/tmp/disk/bench", False),  # a disk below a folder in memory
        ((_LIVE.format(upper="/upper/u"), "23 22 0:24 / /upper rw - tmpfs upper rw"), "/bench", True),
        ((_LIVE.format(upper="/upper/u"), "23 22 8:2 / /upper rw - ext4 /dev/sda2 rw"), "/bench", False),
        ((_LIVE.format(upper="/gone/u"),), "/bench", False),  # 1 kB of memory: this disk is larger
        ((_LIVE.replace("upperdir={upper},", ""),), "/bench", False),
    ],
)  # fmt: skip
def test_the_mount_that_holds_the_folder_decides(
    lines: tuple[str, ...], folder: str, expected: bool, tmp_path: Path
) -> None:
    lay(tmp_path, {"proc/self/mountinfo": "\n".join(lines), "proc/meminfo": "MemTotal:  1 kB"})
    (tmp_path / "upper/u").mkdir(parents=True)
    assert lies_in_memory(Path(folder), tmp_path) is expected


def test_an_overlay_whose_upper_folder_is_gone_and_that_is_no_larger_than_the_memory_lies_in_it(tmp_path: Path) -> None:
    lines = _LIVE.format(upper="/gone/u")
    lay(tmp_path, {"proc/self/mountinfo": lines, "proc/meminfo": f"MemTotal:  {1 << 50} kB"})
    assert lies_in_memory(Path("/bench"), tmp_path)
