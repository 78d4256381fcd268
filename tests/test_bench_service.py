"""The unit file of docs/: systemd's own check of it, and its command as a user that is not root."""

from __future__ import annotations

import configparser
import os
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from tests.nobody import open_folder, python_for_nobody
from tests.two_computers import HANG_S

UNIT = Path(__file__).resolve().parent.parent / "docs" / "verifyrig-bench.service"


def _unit() -> configparser.ConfigParser:
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT)
    return unit


def test_systemd_takes_the_unit_file_of_a_user(tmp_path: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is absent")
    program = tmp_path / ".local" / "bin" / "verifyrig"
    program.parent.mkdir(parents=True)
    program.symlink_to("/bin/true")
    env = {**os.environ, "HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    check = ["systemd-analyze", "--user", "verify"]
    found = subprocess.run([*check, str(UNIT)], env=env, capture_output=True, text=True, timeout=HANG_S)
    if "Failed to initialize manager" in found.stderr:
        pytest.skip(f"systemd-analyze cannot work here ({found.stderr.strip()})")
    assert (found.returncode, found.stdout + found.stderr) == (0, "")
    # Of the user's own manager; those of the system it does not know, and waits for none of them.
    assert not {"After", "Wants", "Requires"} & set(_unit()["Unit"])


def test_its_command_serves_as_a_user_and_ends_in_order() -> None:
    python = python_for_nobody()
    with open_folder(owned_by_nobody=True) as home:
        (home / "bench").mkdir()
        (home / "bench" / "bench.toml").touch()
        for path in (home / "bench", home / "bench" / "bench.toml"):
            os.chown(path, 65534, 65534)
        program, *words = _unit()["Service"]["ExecStart"].replace("%h", str(home)).split()
        assert program.endswith("/.local/bin/verifyrig")
        words[words.index("--listen") + 1] = "127.0.0.1"
        command = [
            *python[:-1],
            f"HOME={home}",
            f"XDG_CONFIG_HOME={home}/config",
            python[-1],
            "-m",
            "verifyrig",
            *words,
        ]
        with subprocess.Popen(
            [*command, "--port", "0"], cwd="/", stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as served:
            assert served.stderr is not None
            said = ""
            for line in served.stderr:
                said += line
                if "Code for pairing" in line:
                    break
            served.send_signal(signal.SIGTERM)
            served.communicate(timeout=HANG_S)
        assert "Code for pairing" in said, said
        assert str(served.returncode) == _unit()["Service"]["SuccessExitStatus"]
        assert (home / "config" / "verifyrig" / "link" / "key.pem").stat().st_uid == 65534
