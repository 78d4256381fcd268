"""Sensors: one module a source, each with `find(root) -> list[...]`; `bank` puts them together."""
