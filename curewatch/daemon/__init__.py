"""The daemon: builds every real thing, keeps watch until it is told to stop, and takes all down in order."""

from curewatch.daemon.check import look, send_test
from curewatch.daemon.daemon import AGAIN, Daemon, Surroundings
from curewatch.daemon.jobs import Job, jobs_at
from curewatch.daemon.machine import Finding, Verdict
from curewatch.daemon.process import Doors, Level, signal_handlers

__all__ = [
    "AGAIN",
    "Daemon",
    "Doors",
    "Finding",
    "Job",
    "Level",
    "Surroundings",
    "Verdict",
    "jobs_at",
    "look",
    "send_test",
    "signal_handlers",
]
