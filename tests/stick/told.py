"""Runs in the guest: what a run printed, in few words with their digest; a serial line now and then doubles a sign."""

import json
import zlib
from pathlib import Path

if __name__ == "__main__":
    whole = json.loads(Path("/run/answer").read_text())
    told = {key: whole.get(key) for key in ("run", "outcome", "cause", "verdict", "trip", "error")}
    told["peak_c"] = (whole.get("metrics") or {}).get("pulses.die_temp_c.peak", {}).get("value")
    if told["error"] and Path("/run/told").exists():
        told["said"] = Path("/run/told").read_text()[-600:]
    text = json.dumps(told)
    print(zlib.crc32(text.encode()), text)
