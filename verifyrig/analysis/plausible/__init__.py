"""Plausible machines that explain a run so far, and what a load may still do to them: what a climb asks."""

from verifyrig.analysis.plausible.history import History
from verifyrig.analysis.plausible.outlook import Outlook, Settling, outlook_of
from verifyrig.analysis.plausible.unwatched import UnwatchedParts, unwatched_on

__all__ = ["History", "Outlook", "Settling", "UnwatchedParts", "outlook_of", "unwatched_on"]
