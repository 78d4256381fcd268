"""Finds the graphics processors that WebGPU can reach, and opens the one that is meant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from verifyrig.core.errors import LoadError
from verifyrig.loads.gpu.vulkan_loader import loader_reason

WHERE = "graphics load"


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A graphics processor as the backend shows it.

    Attributes:
        index: Place in the backend's list, from 0.
        name: As the driver names it.
        backend: Vulkan, Metal, D3D12, ...
        software: Whether it is a renderer on the processor, which heats no card.
    """

    index: int
    name: str
    backend: str
    software: bool


def _wgpu() -> Any:
    try:
        import wgpu
    except ImportError as error:
        raise LoadError(
            "the package wgpu is not installed", where=WHERE, mend="Install it with: pip install 'verifyrig[gpu]'."
        ) from error
    except OSError as error:
        raise LoadError(
            f"the package wgpu cannot be loaded ({error})", where=WHERE, mend="Install the system's Vulkan loader."
        ) from error
    return wgpu


def _adapters() -> list[Any]:
    found = _wgpu().gpu.enumerate_adapters_sync()
    # OpenGL shows the same card once more, without what the load needs.
    return [a for a in found if str(a.info["backend_type"]) in ("Vulkan", "Metal", "D3D12")]


def list_cards() -> list[Card]:
    """Return the cards that can be loaded, in the backend's order; raise `LoadError` where the backend is missing."""
    return [
        Card(
            index=index,
            name=str(adapter.info["device"]) or "unnamed card",
            backend=str(adapter.info["backend_type"]),
            software=str(adapter.info["adapter_type"]) == "CPU",
        )
        for index, adapter in enumerate(_adapters())
    ]


def choose_card(cards: list[Card], wanted: str, why_none: Callable[[], str] = loader_reason) -> Card:
    """Return the card meant by index, name, or a part of the name; the first real one where nothing is said.

    Args:
        why_none: Why there is no card at all, a clause; empty where that is not known.

    Raises:
        LoadError: None fits, or several do.
    """
    if not cards:
        raise LoadError(
            why_none() or "no graphics processor can be reached",
            where=WHERE,
            mend="Install the system's Vulkan loader, and the card's driver with Vulkan support.",
        )
    listed = "; ".join(f"{card.index} {card.name}" for card in cards)
    if not wanted:
        real = [card for card in cards if not card.software]
        if not real:
            raise LoadError(
                f"there is no graphics card, only a software renderer ({cards[0].name})",
                where=WHERE,
                mend="Install the card's driver, or name the renderer in bench.toml to try it out.",
            )
        return real[0]
    fits = [card for card in cards if wanted == str(card.index)] or [
        card for card in cards if wanted.lower() in card.name.lower()
    ]
    if len(fits) == 1:
        return fits[0]
    what = "no card fits" if not fits else f"{len(fits)} cards fit"
    raise LoadError(
        f"{what} {wanted!r}", where=WHERE, mend=f"Name one by its number in bench.toml, [gpu] card: {listed}."
    )


def open_device(wanted: str) -> tuple[Any, str]:
    """Return the device of the card that is meant, and its name.

    Raises:
        LoadError: No backend, no such card, or it cannot be opened.
    """
    card = choose_card(list_cards(), wanted)
    adapter = _adapters()[card.index]
    limits = adapter.limits
    names = ("max-buffer-size", "max-storage-buffer-binding-size", "max-compute-workgroup-storage-size",
             "max-compute-invocations-per-workgroup", "max-compute-workgroup-size-x")  # fmt: skip
    features = [name for name in ("shader-f16",) if name in adapter.features]
    try:
        device = adapter.request_device_sync(
            required_limits={name: limits[name] for name in names if name in limits}, required_features=features
        )
    except Exception as error:
        # The binding raises plain errors of several kinds here; each means that the card cannot be opened.
        raise LoadError(f"{card.name} cannot be opened ({error})", where=WHERE, mend="See the driver's log.") from error
    return device, card.name
