"""The cable to a bench computer on the first screen: whether it is on, and the key that switches it, and pairs."""

from __future__ import annotations

from verifyrig.bench.folder import Bench, change_config, find_bench
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.files.toml_edit import set_keys
from verifyrig.link.neighbours import CABLE_PORT, neighbours
from verifyrig.stick.cable import CableFinding, CableWord, has_carrier, is_switched_on, kept
from verifyrig.stick.drivers import SkipList, machine_digest, start_cable, stop_cable
from verifyrig.system.stick import Stick

_TABLE = ("bench_computer",)
_CAUTION = (
    "One wired port of this machine gets a link-local address, and runs are sent over it to the bench computer. Put "
    "one cable between the two, never one into the shop's network. A load still needs somebody at the machine."
)
_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))
_OWN_NAME = "bench stick"


class CableDesk:
    """What the first screen says of the cable, and what its key does."""

    def __init__(self, stick: Stick, bench: Bench, asker: Asker) -> None:
        self._stick, self._root, self._asker = stick, bench.root, asker

    @property
    def is_on(self) -> bool:
        """Whether bench.toml names a bench computer now."""
        return is_switched_on(find_bench(str(self._root)).config)

    def lines(self) -> list[str]:
        """Return what stands above the menu: nothing where it is off."""
        return (
            [f"CABLE TO A BENCH COMPUTER SWITCHED ON: {self._stands(kept(self._stick.folder))}."] if self.is_on else []
        )

    def _stands(self, word: CableWord | None) -> str:
        if word is None:
            return "its port is started once the other drivers are there"
        match word.finding:
            case CableFinding.NO_DRIVER:
                return "the stick has no driver for a wired port of this machine"
            case CableFinding.NO_CABLE:
                return f"no cable is in a wired port ({', '.join(word.tried)}), and no network driver is loaded"
        end = "the other end is there" if has_carrier() else "NO OTHER END NOW"
        return f"port of {word.driver}, {word.address or 'no address'}, nothing listens; {end}"

    @property
    def label(self) -> str:
        """What the key does, for the menu."""
        return "cable to a bench computer: pair, look again, off" if self.is_on else "cable to a bench computer"

    def ask(self) -> None:
        """Switch it on and pair; where it is on, pair anew, look for a cable again, or switch it off."""
        if not self.is_on:
            self._asker.say(_CAUTION)
            if self._asker.choose("Switch the cable on?", _YES_NO, "n") == "y":
                self._name("auto")
                self._look()
            return
        acts = (
            Option(key="p", label="pair with the bench computer that shows a code"),
            Option(key="l", label="look for a cable again"),
            Option(key="x", label="switch it off"),
            Option(key="n", label="nothing"),
        )
        match self._asker.choose("Cable to a bench computer?", acts, "n"):
            case "p":
                self._pair()
            case "l":
                self._look()
            case "x":
                self._name(None)
                stop_cable(self._stick, self._noted())
                self._asker.say("The cable is off: no network driver is loaded.")

    def _name(self, name: str | None) -> None:
        change_config(self._root / "bench.toml", lambda text: set_keys(text, _TABLE, {"name": name}))

    def _noted(self) -> SkipList:
        return SkipList(self._root, machine_digest())

    def _look(self) -> None:
        word = start_cable(find_bench(str(self._root)).config, self._stick, self._noted())
        self._asker.say(f"Cable: {self._stands(word)}.")
        if word is not None and word.finding is CableFinding.READY:
            self._pair()

    def _pair(self) -> None:
        from verifyrig.link.find import check_direct
        from verifyrig.link.keys import address_of, grouped, read_known, write_known
        from verifyrig.link.pair_command import pair_with

        self._asker.say("On the bench computer: verifyrig bench serve --listen ADDRESS, its address at this cable.")
        found = [address.partition("%")[0] for address in neighbours(CABLE_PORT)]
        typed = self._asker.line("Address of the bench computer (Enter where it stands here; - for later)", *found[:1])
        if typed.strip() in ("", "-"):
            return
        host, port = address_of(typed.strip())
        host = host if "%" in host or ":" not in host else f"{host}%{CABLE_PORT}"
        check_direct(host, port)
        code = self._asker.line("Code that it shows")
        name = self._asker.line("What it calls this stick", _OWN_NAME)
        paired = pair_with(host, port, code, own_name=name)
        write_known(read_known().with_bench_computer(paired))
        self._asker.say(f"Paired with {paired.name} ({grouped(paired.fingerprint)}). The key stays on this stick:")
        self._asker.say("whoever finds it has the key. Lost: verifyrig bench forget, on the bench computer.")
