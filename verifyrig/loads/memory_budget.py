"""How much memory a load may fill: a share of what is free, but never so much that the machine would swap."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.errors import LoadError
from verifyrig.core.reason import Reason, reason

GIB = 2**30
MIB = 2**20
# What always stays free: a tenth of the memory, and at least this much.
RESERVE_SHARE = 0.10
RESERVE_BYTES = GIB
SMALLEST_BYTES = 16 * MIB
WHERE = "load, memory_share"
CGROUP_FOLDER = Path("/sys/fs/cgroup")


def memory_to_fill(share: float, *, available_bytes: int, total_bytes: int) -> tuple[int, Reason | None]:
    """Return how many bytes a load may fill, and why that is less than the share asked for, None where it is not.

    Args:
        share: Share of the free memory, above 0 and at most 1.
        available_bytes: What can be had without swapping.
        total_bytes: Size of the memory.

    Raises:
        LoadError: The share is no share, or too little is left to be worth a test.
    """
    if not 0 < share <= 1:
        raise LoadError(f"{share} is no share", where=WHERE, mend="Write a number above 0 and up to 1.")
    wanted = int(share * available_bytes)
    reserve = max(RESERVE_BYTES, int(RESERVE_SHARE * total_bytes))
    allowed = min(wanted, available_bytes - reserve)
    if allowed < SMALLEST_BYTES:
        raise LoadError(
            f"{available_bytes / GIB:.1f} GiB are free, and {reserve / GIB:.1f} GiB must stay free",
            where=WHERE,
            mend="Close what else uses memory, or choose another work.",
        )
    if allowed == wanted:
        return allowed, None
    sizes = {"allowed_gib": allowed / GIB, "wanted_gib": wanted / GIB, "reserve_gib": reserve / GIB}
    return allowed, reason("memory-less-than-asked", **sizes)


def free_memory() -> tuple[int, int]:
    """Return the bytes available without swapping and the bytes in all, within the limits set for this process."""
    import psutil

    memory = psutil.virtual_memory()
    limit, used = _cgroup_limit()
    if limit is None or limit >= memory.total:
        return int(memory.available), int(memory.total)
    return min(int(memory.available), max(0, limit - used)), limit


def _cgroup_limit(folder: Path = CGROUP_FOLDER, own: Path = Path("/proc/self/cgroup")) -> tuple[int | None, int]:
    """Return the limit and the use of the control group that sets the narrowest limit (kernel document "cgroup-v2")."""
    try:
        path = own.read_text().strip().rpartition("::")[2].lstrip("/")
    except OSError:
        return None, 0
    narrowest: tuple[int | None, int] = (None, 0)
    for group in (folder / path, *(folder / path).parents):
        found = _limit_of(group)
        if found and (narrowest[0] is None or found[0] - found[1] < narrowest[0] - narrowest[1]):
            narrowest = found
        if group == folder:
            break
    return narrowest


def _limit_of(group: Path) -> tuple[int, int] | None:
    try:
        return int((group / "memory.max").read_text()), int((group / "memory.current").read_text())
    except (OSError, ValueError):  # no such file, or "max"
        return None


def last_level_cache_bytes(cpu_folder: Path = Path("/sys/devices/system/cpu")) -> int:
    """Return the size of all last-level caches together, 0 where the kernel does not say.

    Source: kernel document "sysfs-devices-system-cpu", cache/index*/{level,size,shared_cpu_list}.
    """
    largest: dict[str, int] = {}
    for cpu in cpu_folder.glob("cpu[0-9]*"):
        caches = [found for index in cpu.glob("cache/index[0-9]*") if (found := _cache(index))]
        if caches:
            _, shared, size = max(caches)
            largest[shared] = size
    return sum(largest.values())


def _cache(index: Path) -> tuple[int, str, int] | None:
    try:
        size = (index / "size").read_text().strip()
        unit = {"K": 1024, "M": MIB}.get(size[-1:], 1)
        shared = (index / "shared_cpu_list").read_text().strip()
        return int((index / "level").read_text()), shared, int(size.rstrip("KM")) * unit
    except (OSError, ValueError):
        return None
