"""Coverage of the march sweeps: the code that tests the machine's memory, over a memory with injected faults.

Alternative beside it: writing a pattern and its opposite and reading each back, as a simple memory check does.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterable, Iterator, Sequence

from mock_hw.physics.faulty_memory import (
    Fault,
    FaultyMemory,
    MemoryCell,
    coupling_faults,
    decoder_faults,
    single_cell_faults,
)
from verifyrig.loads.works.march import (
    MARCH_C_MINUS,
    MATS_PLUS,
    Background,
    MarchTest,
    own_address,
    parse_march,
    stripes,
)
from verifyrig.loads.works.memory_sweep import plan as plan_of_the_load
from verifyrig.loads.works.sweep import sweep

# The plain check in march notation, from memory: known as zero-one, or MSCAN.
WRITE_AND_READ = parse_march("write and read back", "any(w0); any(r0); any(w1); any(r1)")
Plan = Sequence[tuple[MarchTest, Background, int | None]]
Pair = tuple[MemoryCell, MemoryCell]


def found(fault: Fault, plan: Plan, *, words: int, bits: int, block: int) -> bool:
    """Return whether the sweeps of the plan, one after the other, see the fault."""
    memory = FaultyMemory(words, bits, fault)
    steps = (step for test, background, split in plan for step in sweep(memory, test, background, block, split=split))
    return any(step.mismatches for step in steps)


def share_found(faults: Iterable[Fault], plan: Plan, *, words: int, bits: int, block: int) -> dict[str, float]:
    """Return how many of the faults are seen, and their share."""
    verdicts = [found(fault, plan, words=words, bits=bits, block=block) for fault in faults]
    return {"faults": len(verdicts), "found": sum(verdicts), "share": sum(verdicts) / len(verdicts)}


def pairs(words: int, bits: int, block: int, relation: str) -> Iterator[Pair]:
    """Yield ordered pairs of cells that lie in the same word, the same block (not word), or different blocks."""
    cells = [MemoryCell(word, bit) for word in range(words) for bit in range(bits)]
    for aggressor, victim in itertools.permutations(cells, 2):
        if relation_of(aggressor, victim, block) == relation:
            yield aggressor, victim


def relation_of(one: MemoryCell, other: MemoryCell, block: int) -> str:
    """Return how close two cells are."""
    if one.word == other.word:
        return "within a word"
    return "within a block" if one.word // block == other.word // block else "between blocks"


def coverage(
    plan: Plan, *, words: int, bits: int, block: int, limit: int, seed: int = 1
) -> dict[str, dict[str, float]]:
    """Return the share found for each fault model and closeness; at most `limit` pairs of each, drawn by seed."""
    size = {"words": words, "bits": bits, "block": block}
    cells = [MemoryCell(word, bit) for word in range(words) for bit in range(bits)]
    table = {model: share_found(single_cell_faults(model, cells), plan, **size) for model in ("SAF", "TF")}
    between = [fault for fault in decoder_faults(words) if not within_block(fault, block)]
    table["AF, between blocks"] = share_found(between, plan, **size)
    within = [fault for fault in decoder_faults(words) if within_block(fault, block)]
    if within:
        table["AF, within a block"] = share_found(within, plan, **size)
    for relation in ("between blocks", "within a block", "within a word"):
        chosen = list(pairs(words, bits, block, relation))
        chosen = random.Random(seed).sample(chosen, min(limit, len(chosen)))
        for model in ("CFin", "CFid", "CFst"):
            if chosen:
                table[f"{model}, {relation}"] = share_found(coupling_faults(model, chosen), plan, **size)
    return table


def within_block(fault: Fault, block: int) -> bool:
    """Return whether a decoder fault stays within one block."""
    reaches = getattr(fault, "reaches", ())
    return bool(reaches) and all(word // block == fault.address // block for word in reaches)  # type: ignore[union-attr]


def load_plan(block: int, bits: int = 8, rounds: int = 2) -> Plan:
    """Return what the load `march` does in its first rounds, with the backgrounds of narrower words."""
    narrow = {background.name: background for background in (*stripes(bits), own_address(bits))}
    sweeps = itertools.islice(plan_of_the_load(block), rounds * (1 + len(stripes())))
    return [(test, narrow[bg.name], split) for test, bg, split in sweeps if bg.name in narrow]


def measure(full: bool = True) -> dict[str, object]:
    """Return coverage tables for bits, words and blocks, with March C−, MATS+ and the plain check."""
    limit = 400 if full else 30
    solid = stripes(1)[:1]
    geometries = {
        "bits": {"words": 12 if full else 6, "bits": 1, "block": 1},
        "words of 8 bits": {"words": 4, "bits": 8, "block": 1},
        "blocks of 4 words of 8 bits": {"words": 16 if full else 8, "bits": 8, "block": 4},
    }
    tables: dict[str, dict[str, dict[str, dict[str, float]]]] = {}
    for name, size in geometries.items():
        backgrounds = solid if size["bits"] == 1 else stripes(8)
        plans: dict[str, Plan] = {
            "March C−": [(MARCH_C_MINUS, background, None) for background in backgrounds],
            "MATS+": [(MATS_PLUS, background, None) for background in backgrounds],
            "write and read back": [(WRITE_AND_READ, background, None) for background in backgrounds[:1]],
        }
        if size["bits"] > 1:
            plans["the load, two rounds"] = load_plan(size["block"])
        tables[name] = {plan: coverage(steps, **size, limit=limit) for plan, steps in plans.items()}
    mean_found = {
        plan: sum(row["found"] for row in table.values()) / sum(row["faults"] for row in table.values())
        for plan, table in tables["bits"].items()
    }
    return {
        "simulated hardware": True,
        "coverage": tables,
        "bits_march_c_minus_share": mean_found["March C−"],
        "bits_write_and_read_back_share": mean_found["write and read back"],
        "ratio": mean_found["March C−"] / mean_found["write and read back"],
    }
