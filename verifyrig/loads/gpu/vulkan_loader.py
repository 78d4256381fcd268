"""Why the system's Vulkan loader shows no graphics card, in the loader's own words.

Run as a program it asks the loader and prints what came of it as JSON; the loader's complaints go to stderr. That is
done in a process of its own: a driver may hang, crash, or print what it likes.

Source: the Vulkan specification, vkCreateInstance and vkEnumeratePhysicalDevices; the loader's own document on
debugging (environment variable VK_LOADER_DEBUG).
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys

from verifyrig.loads.worker_process import worker_environment

LIBRARY = "libvulkan.so.1"
ANSWER_LIMIT_S = 30.0
_STRUCTURE_TYPE_INSTANCE_CREATE_INFO = 1
_MOST_COMPLAINTS = 3


class _InstanceCreateInfo(ctypes.Structure):
    _fields_ = (
        ("sType", ctypes.c_int),
        ("pNext", ctypes.c_void_p),
        ("flags", ctypes.c_uint32),
        ("pApplicationInfo", ctypes.c_void_p),
        ("enabledLayerCount", ctypes.c_uint32),
        ("ppEnabledLayerNames", ctypes.c_void_p),
        ("enabledExtensionCount", ctypes.c_uint32),
        ("ppEnabledExtensionNames", ctypes.c_void_p),
    )


def loader_reason() -> str:
    """Return why the loader shows no card, a clause; empty where it shows one, or has nothing to say here."""
    if not sys.platform.startswith("linux"):
        return ""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "verifyrig.loads.gpu.vulkan_loader"],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            timeout=ANSWER_LIMIT_S,
            env={**worker_environment(os.environ), "VK_LOADER_DEBUG": "error"},
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"the Vulkan loader did not answer within {ANSWER_LIMIT_S:.0f} s"
    try:
        found = json.loads(done.stdout)
    except ValueError:
        return f"the Vulkan loader ended with code {done.returncode} in place of an answer"
    return reason_of(found, done.stderr.decode("utf-8", errors="replace"))


def reason_of(found: dict[str, object], complaints: str) -> str:
    """Return the clause for what the loader answered; `complaints` is what it printed."""
    if found.get("library"):
        return f"the Vulkan loader cannot be loaded ({found['library']})"
    said = [line.partition(":")[2].strip() for line in complaints.splitlines() if line.startswith("ERROR")]
    behind = f" ({'; '.join(list(dict.fromkeys(said))[:_MOST_COMPLAINTS])})" if said else ""
    if found.get("result"):
        result = f" (result {found['result']})"
        return f"the Vulkan loader finds no driver{behind or result}"
    return f"the Vulkan driver shows no card{behind}" if found.get("devices") == 0 else ""


def _ask() -> dict[str, object]:
    try:
        vulkan = ctypes.CDLL(LIBRARY)
    except OSError as error:
        return {"library": str(error)}
    info = _InstanceCreateInfo(sType=_STRUCTURE_TYPE_INSTANCE_CREATE_INFO)
    instance, count = ctypes.c_void_p(), ctypes.c_uint32()
    result = int(vulkan.vkCreateInstance(ctypes.byref(info), None, ctypes.byref(instance)))
    if result == 0:
        result = int(vulkan.vkEnumeratePhysicalDevices(instance, ctypes.byref(count), None))
    return {"result": result, "devices": count.value}


if __name__ == "__main__":
    print(json.dumps(_ask()))
