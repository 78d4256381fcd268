"""Whether the load can reach the graphics card, asked before a run, in a process of its own that may hang or crash.

Run as a program with the card's name it prints what came of it as JSON.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence

from verifyrig.core.contract import ErrorObject
from verifyrig.core.errors import LoadError
from verifyrig.loads.gpu.card import WHERE, choose_card, list_cards
from verifyrig.loads.worker_process import worker_environment

# Drivers that compile or wake a card at their first call take seconds.
ANSWER_LIMIT_S = 60.0


def check_reachable(wanted: str, shown: Sequence[str] = ()) -> str:
    """Return the name of the card that the load would heat.

    Args:
        wanted: Which card, by index or a part of its name; empty takes the first.
        shown: Names of the cards that the driver's own library shows.

    Raises:
        LoadError: No card can be reached, with the reason that the loader of the drivers gives.
    """
    try:
        done = subprocess.run(
            [sys.executable, "-m", "verifyrig.loads.gpu.reach", wanted],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            timeout=ANSWER_LIMIT_S,
            env=worker_environment(os.environ),
            check=False,
        )
        found = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        found = {"what": f"its driver did not answer within {ANSWER_LIMIT_S:.0f} s", "mend": "See the driver's log."}
    except ValueError:
        found = {"what": f"its driver ended the look for it (code {done.returncode})", "mend": "See the driver's log."}
    if "card" in found:
        return str(found["card"])
    known = f"the driver's library shows {', '.join(shown)}, and the load cannot reach it: " if shown else ""
    raise LoadError(f"{known}{found['what']}", where=WHERE, mend=str(found["mend"]))


def _look(wanted: str) -> dict[str, str] | ErrorObject:
    try:
        return {"card": choose_card(list_cards(), wanted).name}
    except LoadError as error:
        return error.as_json()


if __name__ == "__main__":
    print(json.dumps(_look(sys.argv[1])))
