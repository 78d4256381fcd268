"""The bench stick's cable to a bench computer: which driver is loaded, what a port is called, where the key lies."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stick.making import modules
from stick.making.run import BuildError
from tests.fake_asker import FakeAsker
from tests.sensor_tree import lay
from verifyrig.bench.folder import find_bench
from verifyrig.commands.cli import run as command_line
from verifyrig.link import find, keys
from verifyrig.link.neighbours import CABLE_PORT
from verifyrig.stick.cable import Cable, CableFinding, CableWord, is_switched_on, keep, kept, link_local_address
from verifyrig.stick.cable_desk import CableDesk
from verifyrig.stick.drivers import SkipList
from verifyrig.system.stick import Stick

SECRET = "ab" * 32


class Machine:
    """A machine's ports as the kernel shows them, by driver; `cable_in` is the one that sees another end."""

    def __init__(self, root: Path, ports: dict[str, list[str]], cable_in: str = "") -> None:
        self.root, self.ports, self.cable_in = root, ports, cable_in
        self.asked: list[str] = []
        self.net = root / "sys/class/net"
        lay(root, {f"proc/sys/net/ipv6/conf/default/{key}": 1 for key in ("accept_ra", "autoconf")})
        (self.net / "lo").mkdir(parents=True)

    def run(self, *words: str) -> str:
        self.asked.append(" ".join(words))
        match words:
            case ("modprobe", "-d", _, "-R", *_):
                return "\n".join(self.ports)
            case ("modprobe", "-d", _, "-q", driver):
                for port in self.ports[driver]:
                    self._plug(port)
            case ("modprobe", "-d", _, "-r", "-q", driver):
                for port in (*self.ports[driver], CABLE_PORT):
                    self._gone(port)
            case ("busybox", "ip", "link", "set", port, "name", new):
                self.cable_in = new if port == self.cable_in else self.cable_in
                self._gone(port)
                self._plug(new)
            case ("busybox", "ip", "link", "set", port, "up") if port == self.cable_in:
                (self.net / port / "carrier").write_text("1\n")
        return ""

    def _plug(self, port: str) -> None:
        lay(self.root, {f"sys/class/net/{port}/carrier": 0, f"proc/sys/net/ipv6/conf/{port}/accept_ra": 1})
        # proc(5), /proc/net/if_inet6: address, index, prefix, scope, flags (0x80: permanent), name.
        lay(self.root, {"proc/net/if_inet6": f"fe80000000000000505400fffe123456 02 40 20 80 {port:>8}"})

    def _gone(self, port: str) -> None:
        for path in (self.net / port).glob("*"):
            path.unlink()
        if (self.net / port).exists():
            (self.net / port).rmdir()

    def cable(self, noted: SkipList) -> Cable:
        return Cable(self.run, noted, self.root, carrier_s=0.0)


@pytest.mark.parametrize(
    ("ports", "cable_in", "expected", "left"),
    [
        ({"e1000e": ["eth0"]}, CABLE_PORT, CableWord(finding=CableFinding.READY, driver="e1000e"), [CABLE_PORT]),
        (
            {"e1000e": ["eth0"], "igc": ["eth0"]},
            "",
            CableWord(finding=CableFinding.NO_CABLE, tried=("e1000e", "igc")),
            [],
        ),
        ({"igb": ["eth0", "eth1"]}, "eth1", CableWord(finding=CableFinding.READY, driver="igb"), [CABLE_PORT, "eth0"]),
        ({}, "", CableWord(finding=CableFinding.NO_DRIVER), []),
    ],
    ids=["one port", "no cable anywhere: no driver stays", "the second of two ports", "no port"],
)
def test_one_driver_stays_and_only_the_port_with_the_cable_is_up(
    ports: dict[str, list[str]], cable_in: str, expected: CableWord, left: list[str], tmp_path: Path
) -> None:
    machine = Machine(tmp_path, ports, cable_in)
    noted = SkipList(tmp_path, "board-a")
    word = machine.cable(noted).bring_up(["pci:v1d2"])
    assert (word.finding, word.driver, word.tried) == (expected.finding, expected.driver, expected.tried)
    assert word.address == ("fe80::5054:ff:fe12:3456" if expected.finding is CableFinding.READY else "")
    assert sorted(path.name for path in machine.net.iterdir() if path.name != "lo") == left
    ups = [asked.split()[4] for asked in machine.asked if asked.endswith(" up")]
    downs = [asked.split()[4] for asked in machine.asked if asked.endswith(" down")]
    assert [port for port in left if port != CABLE_PORT and port in ups and port not in downs] == []
    assert (tmp_path / "proc/sys/net/ipv6/conf/default/accept_ra").read_text() == "0", "no route from a router"
    assert not any(
        (tmp_path / f"proc/sys/net/ipv6/conf/{port}/accept_ra").read_text() == "1" for port in set(ups) & set(left)
    )


def test_a_driver_that_hung_this_board_is_not_loaded_and_each_is_named_before(tmp_path: Path) -> None:
    machine = Machine(tmp_path, {"r8169": ["eth0"], "igc": ["eth0"]}, CABLE_PORT)
    SkipList(tmp_path, "board-a").begin("r8169")  # the machine stops here
    noted = SkipList(tmp_path, "board-a")
    assert noted.take_in_last() == "r8169"
    named: list[str] = []
    before = machine.run

    def run(*words: str) -> str:
        if words[:4] == ("modprobe", "-d", words[2], "-q"):
            named.append((tmp_path / "drivers.loading").read_text().split()[1])
        return before(*words)

    assert Cable(run, noted, tmp_path, carrier_s=0.0).bring_up(["pci:v1d2"]).driver == "igc"
    assert named == ["igc"]


def test_an_address_that_is_not_settled_or_another_ports_is_none(tmp_path: Path) -> None:
    lines = (
        "fe800000000000000000000000000001 02 40 20 c0   cable0\n"  # 0x40: tentative
        "fe800000000000000000000000000002 03 40 20 80     eth1\n"
        "00000000000000000000000000000001 01 80 10 80       lo"
    )
    lay(tmp_path, {"proc/net/if_inet6": lines})
    assert link_local_address(root=tmp_path) == ""
    lay(tmp_path, {"proc/net/if_inet6": lines.replace(" c0 ", " 80 ")})
    assert link_local_address(root=tmp_path) == "fe80::1"


def test_nothing_of_a_network_is_loaded_unless_a_bench_computer_is_named(tmp_path: Path) -> None:
    for config, on in (
        ({}, False),
        ({"bench_computer": {"obey": True}}, False),
        ({"bench_computer": {"name": "auto"}}, True),
    ):
        assert is_switched_on(config) is on
    word = CableWord(finding=CableFinding.NO_CABLE, tried=("igc",))
    keep(tmp_path, word)
    assert kept(tmp_path) == word
    keep(tmp_path, None)
    assert kept(tmp_path) is None


def test_ports_lie_in_a_tree_of_their_own_and_no_radio_comes_along() -> None:
    wanted = modules.patterns("cable")[0]
    needs: dict[str, list[str]] = {path: [] for path in wanted}
    assert modules.for_cable(needs) == set(wanted)
    assert modules.without_network(set(wanted), needs) == set(), "none of them is in the tree that udev knows"
    needs["drivers/net/ethernet/realtek/r8169.ko"] = ["net/wireless/cfg80211.ko"]
    with pytest.raises(BuildError, match="cfg80211"):
        modules.for_cable(needs)
    with pytest.raises(BuildError, match="no module of this kernel fits"):
        modules.for_cable({path: [] for path in wanted[1:]})


@pytest.fixture
def stick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stick:
    state = lay(tmp_path / "state", {"boot": "id=abc\nroot=0123456789abcdef0123"})
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench/bench.toml").write_text("")
    found = Stick(folder=state, bench=tmp_path / "bench")
    monkeypatch.setattr(keys, "this_stick", lambda: found)
    monkeypatch.setattr("verifyrig.system.stick.this_stick", lambda: found)
    return found


def test_the_key_lies_on_the_sticks_partition_and_the_next_start_finds_the_bench_computer_by_it(
    stick: Stick, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = keys.BenchComputer(
        machine="m", name="shop", fingerprint="cd" * 32, secret=SECRET, host=f"fe80::9%{CABLE_PORT}"
    )
    keys.write_known(keys.Known(bench_computers=(one,)))
    assert (stick.bench / "link/known.json").is_file()
    here = {f"fe80::9%{CABLE_PORT}": one.fingerprint}

    class Line:
        def __enter__(self) -> None: ...
        def __exit__(self, *_: object) -> None: ...

    def connect(address: tuple[str, int], timeout: float) -> Line:
        if address[0] not in here:
            raise OSError
        return Line()

    monkeypatch.setattr("socket.create_connection", connect)
    monkeypatch.setattr(find, "_own_address_towards", lambda _host, _port: "fe80::1")
    assert find.find_bench_computer(find.AUTO, direct_cable_only=True) == one
    # Another port of it is in use today, and somebody else is at the cable as well.
    here.clear()
    here.update({f"fe80::7%{CABLE_PORT}": "00" * 32, f"fe80::8%{CABLE_PORT}": one.fingerprint})
    monkeypatch.setattr(find, "neighbours", lambda: list(here))
    monkeypatch.setattr("verifyrig.link.session.fingerprint_at", lambda host, port: here[host])
    assert find.find_bench_computer(find.AUTO, direct_cable_only=True).host == f"fe80::8%{CABLE_PORT}"


def test_the_stick_serves_nobody_and_says_by_which_key_a_run_goes_on_without_the_bench_computer(
    stick: Stick, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command_line(["bench", "serve", "--listen", "fe80::1", "--bench", str(stick.bench)]) == 2
    assert "nothing listens" in capsys.readouterr().err
    (stick.bench / "bench.toml").write_text('[bench_computer]\nname = "auto"\n')
    assert command_line(["run", "quick-look", "--mock", "healthy-air", "--bench", str(stick.bench)]) == 2
    assert "key b" in capsys.readouterr().err


def test_the_first_screen_says_that_the_cable_is_on_and_one_key_switches_pairs_and_ends_it(
    stick: Stick, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = find_bench(str(stick.bench))
    word = CableWord(finding=CableFinding.READY, driver="igc", address="fe80::1")
    told: list[str] = []

    def start_cable(config: object, stick: Stick, noted: object) -> CableWord:
        told.append(str(config))
        keep(stick.folder, word)
        return word

    monkeypatch.setattr("verifyrig.stick.cable_desk.start_cable", start_cable)
    monkeypatch.setattr("verifyrig.stick.cable_desk.stop_cable", lambda stick, noted: keep(stick.folder, None))
    monkeypatch.setattr(find, "_own_address_towards", lambda _host, _port: "fe80::1")
    paired: list[tuple[str, int, str]] = []

    def pair_with(host: str, port: int, code: str, *, own_name: str) -> keys.BenchComputer:
        paired.append((host, port, code))
        return keys.BenchComputer(machine="m", name="shop", fingerprint="cd" * 32, secret=SECRET, host=host, port=port)

    monkeypatch.setattr("verifyrig.link.pair_command.pair_with", pair_with)
    monkeypatch.setattr("verifyrig.stick.cable_desk.neighbours", lambda port: [f"fe80::22%{port}"])
    asker = FakeAsker("n", "y", "", "123456", "")
    desk = CableDesk(stick, bench, asker)
    assert desk.lines() == [] and not desk.is_on
    desk.ask()
    assert not desk.is_on, "Enter and no leave it off"
    desk.ask()
    assert desk.is_on and "auto" in told[0] and "igc, fe80::1" in desk.lines()[0]
    assert paired == [(f"fe80::22%{CABLE_PORT}", keys.DEFAULT_PORT, "123456")]
    assert [one.name for one in keys.read_known().bench_computers] == ["shop"]
    asker.answers = ["x"]
    desk.ask()
    assert not desk.is_on and json.dumps(find_bench(str(stick.bench)).config.get("bench_computer", {})) == "{}"
