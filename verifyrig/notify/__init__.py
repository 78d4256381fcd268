"""Notices of runs and alarms to whoever bench.toml names: kept on disk until each target has taken them."""
