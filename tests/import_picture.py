"""Draws who imports whom: `python -m tests.import_picture [CHECKOUT] | dot -Tsvg > docs/packages.svg` (Graphviz).

Arrows that point up in the order of `tests/test_import_order.py` are drawn thick, and counted below the picture with
the cycles of modules. A checkout of before packages existed is drawn with its modules in place of packages.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

from tests.test_import_order import ORDER, REPO

# Where the modules that once lay at the top went is not asked: the first part of the name is the room.
Graph = dict[str, set[str]]


def graph_of(checkout: Path) -> Graph:
    """Return, for each module of `verifyrig` in a checkout, the modules of it that it imports, inside functions too."""
    files = {
        ".".join(path.relative_to(checkout).with_suffix("").parts).removesuffix(".__init__"): path
        for path in (checkout / "verifyrig").rglob("*.py")
    }
    graph: Graph = {}
    for name, path in files.items():
        found: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= {one if one in files else node.module for one in whole}
        graph[name] = {one for one in found if one in files and not name.startswith(f"{one}.")} - {name}
    return graph


def cycles_of(graph: Graph) -> list[list[str]]:
    """Return the cycles of modules that have to be cut, one after another, until none is left."""
    left, found = {name: set(imports) for name, imports in graph.items()}, []
    while True:
        try:
            tuple(TopologicalSorter(left).static_order())
        except CycleError as error:
            cycle: list[str] = error.args[1]
            found.append(cycle)
            left[cycle[1]].discard(cycle[0])
        else:
            return found


def as_dot(graph: Graph) -> str:
    """Return the picture in the language of Graphviz."""
    room = {name: [*name.split("."), ""][1] for name in graph}
    modules = Counter(room.values())
    arrows = Counter((room[name], room[to]) for name, imports in graph.items() for to in imports)
    arrows = Counter({(a, b): n for (a, b), n in arrows.items() if a != b and a and b})
    rank = {package: place for place, package in enumerate(ORDER)}
    up = {(a, b) for a, b in arrows if a in rank and b in rank and rank[b] > rank[a]}
    rooms = [one for one in modules if one]
    told = (
        f"{len(rooms)} at the top of the package, {sum(modules.values())} modules, {sum(arrows.values())} imports "
        f"between them; {len(up)} point up, {len(cycles_of(graph))} cycles of modules"
    )
    lines = [
        "digraph packages {",
        f'  graph [label="{told}", labelloc=b, fontname="DejaVu Sans", rankdir=TB, ranksep=0.35, nodesep=0.15];',
        '  node [shape=box, fontname="DejaVu Sans", fontsize=10, height=0.25, margin="0.08,0.03"];',
        '  edge [color="#00000055", arrowsize=0.5];',
    ]
    lines += [f'  "{one}" [label="{one} ({modules[one]})"];' for one in sorted(rooms)]
    lines += [
        f'  "{a}" -> "{b}"' + (' [color="#c00000", penwidth=3];' if (a, b) in up else ";") for a, b in sorted(arrows)
    ]
    return "\n".join([*lines, "}"])


if __name__ == "__main__":
    print(as_dot(graph_of(Path(sys.argv[1]) if len(sys.argv) > 1 else REPO)))
