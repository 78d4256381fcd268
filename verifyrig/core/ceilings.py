"""The highest trip limit that still protects, by kind of temperature. A limit above it guards nothing.

A ceiling is where parts of that kind slow or cut themselves, or where their makers end the range: whoever measures
there has no time left. Limits of a profile usually lie well below.
"""

from __future__ import annotations

from verifyrig.core.channels import base_name

# Outside these no sensor of a computer gives a true reading, °C; common practice, no source.
COLDEST_READING_C, HOTTEST_READING_C = -60.0, 150.0

# °C. Where the source names no figure of its own for the kind: common practice, no source.
_CEILINGS_C = {
    # Highest limit in the kernel's table of processors (document hwmon/coretemp: TjMax 85 to 105 °C).
    "die_temp_c": 105.0,
    "core_temp_c": 105.0,
    # Cards slow themselves at 83 to 100 °C on the chip: common practice, no source.
    "gpu_temp_c": 105.0,
    # 110 °C is a common limit of such sensors: from memory.
    "gpu_hotspot_temp_c": 110.0,
    "gpu_memory_temp_c": 110.0,
    # A controller of such regulators shuts at 125 °C by default (data sheet TPS40425, OT_FAULT_LIMIT); 5 K are left.
    "vrm_temp_c": 120.0,
    # Upper end of the extended range of memory chips, 95 °C at the case (JESD79-4, JESD79-5: from memory).
    "memory_temp_c": 95.0,
    # Drives state critical temperatures of 80 to 95 °C themselves: common practice, no source.
    "drive_temp_c": 95.0,
    # Makers of closed coolers name 60 °C as the hottest coolant (from memory); some allow 65 °C.
    "coolant_temp_c": 65.0,
    "hose_in_temp_c": 65.0,
    "hose_out_temp_c": 65.0,
    # What touches hot coolant or air. Common practice, no source.
    "radiator_temp_c": 75.0,
    "exhaust_temp_c": 80.0,
    # A plate is 10 to 30 K below its die under load (common practice, no source): so far below the die's ceiling.
    "plate_temp_c": 90.0,
    "board_temp_c": 90.0,
    # Local ambient of published design guides ends at 45 °C; above 60 °C no machine of this kind is meant to run.
    "inlet_temp_c": 60.0,
    "ambient_temp_c": 60.0,
}


def ceiling_c(channel: str) -> float | None:
    """Return the highest trip limit that protects what the channel measures, °C; None for what is no temperature."""
    return _CEILINGS_C.get(base_name(channel))
