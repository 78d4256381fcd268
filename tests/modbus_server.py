"""A Modbus RTU server of the pymodbus library as a program: `python -m tests.modbus_server tcp PORT | serial DEVICE`.

Unit 17. Input registers from 0: 415 (41.5 °C in tenths), 65486 (-5.0 °C as signed tenths), 32767 (no probe),
0 (not converted). Holding registers from 100: 228.
"""

from __future__ import annotations

import importlib
import logging
import sys
import warnings
from typing import Any

UNIT = 17


def _context() -> Any:
    datastore: Any = importlib.import_module("pymodbus.datastore")

    # The class was renamed between releases.
    device_context = getattr(datastore, "ModbusDeviceContext", None) or datastore.ModbusSlaveContext
    block = datastore.ModbusSequentialDataBlock  # its first address is 1 for register 0
    device = device_context(ir=block(1, [415, 65486, 32767, 0]), hr=block(101, [228]))
    return datastore.ModbusServerContext({UNIT: device}, False)


def main(words: list[str]) -> None:
    """Serve until killed."""
    from pymodbus import FramerType
    from pymodbus.server import StartSerialServer, StartTcpServer

    logging.disable(logging.CRITICAL)
    kind, place = words
    if kind == "tcp":
        StartTcpServer(_context(), framer=FramerType.RTU, address=("127.0.0.1", int(place)))
    else:
        StartSerialServer(_context(), framer=FramerType.RTU, port=place, baudrate=19200)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main(sys.argv[1:])
