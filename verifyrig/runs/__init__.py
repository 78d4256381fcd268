"""Finished runs: summaries, lists, imports, exports, and what happened at their end."""
