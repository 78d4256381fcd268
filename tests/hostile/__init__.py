"""Hostile input for the whole command line: records, TOML, tables, serial lines, trees and sticks, drawn by hypothesis.

Each module of a kind has `INPUTS`, a strategy of plain recipes, and `attack(recipe, place)`, which lays the input into
a sandbox and gives it to the program. `watch` holds what must never happen: exit code 5, a hang, a write outside the
bench folder, a load that nothing guards. The tests take a few hundred, the benchmark `hostile` as many as asked for.
"""
