"""The sign-off report: a finished job in, one self-contained page out."""

from verifyrig.report.inputs import JobFacts, ReportInput, RunInput, Settings, Shop
from verifyrig.report.render import EDITIONS, Edition, render
from verifyrig.report.write import Written, write_report

__all__ = [
    "EDITIONS",
    "Edition",
    "JobFacts",
    "ReportInput",
    "RunInput",
    "Settings",
    "Shop",
    "Written",
    "render",
    "write_report",
]
