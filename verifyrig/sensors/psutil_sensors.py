"""What psutil knows where Linux files are lacking: busy share, clock, memory (Windows, macOS, virtual machines)."""

from __future__ import annotations

from collections.abc import Callable, Collection
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quantity, Taken
from verifyrig.system.machine import is_live


class PsutilSensor:
    """One figure that psutil asks the system for."""

    __slots__ = ("_ask", "info")

    def __init__(self, info: ChannelInfo, ask: Callable[[], float]) -> None:
        self.info = info
        self._ask = ask

    def read(self) -> Taken:
        """Return the figure now; raise `SensorError` where the system does not give it."""
        try:
            return Taken(self._ask())
        except (OSError, RuntimeError, AttributeError, NotImplementedError) as error:
            raise SensorError(
                f"the system does not give it ({error})",
                where=self.info.label,
                mend="It is tried again on every sample.",
            ) from error

    def close(self) -> None:
        """Nothing is held."""


def find(root: Path, *, have: Collection[str]) -> list[PsutilSensor]:
    """Return what the drivers already found do not give; nothing for a root other than this machine's own."""
    if not is_live(root):
        return []
    import psutil

    psutil.cpu_percent()  # the first call has no difference to give
    wanted: list[tuple[str, Quantity, str, Callable[[], float]]] = [
        ("memory in use", "share", "1", lambda: float(psutil.virtual_memory().percent) / 100),
    ]
    if "procstat" not in have:
        wanted.append(("all processors", "share", "1", lambda: float(psutil.cpu_percent()) / 100))
    if "cpufreq" not in have and _gives_clock():
        wanted.append(("processor clock", "clock", "MHz", lambda: float(psutil.cpu_freq().current)))
    return [PsutilSensor(_info(label, quantity, unit), ask) for label, quantity, unit, ask in wanted]


def _gives_clock() -> bool:
    import psutil

    try:
        frequency = psutil.cpu_freq()
    except (OSError, RuntimeError, AttributeError, NotImplementedError):
        return False
    return frequency is not None and frequency.current > 0


def _info(label: str, quantity: Quantity, unit: str) -> ChannelInfo:
    return ChannelInfo(
        channel=None,
        label=label,
        device=f"psutil:system:{label.replace(' ', '-')}",
        source="psutil",
        quantity=quantity,
        unit=unit,
        driver="psutil",
    )
