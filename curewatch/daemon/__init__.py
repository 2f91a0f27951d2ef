"""The daemon: builds every real thing, keeps watch until it is told to stop, and takes all down in order."""

from curewatch.daemon.check import Finding, Verdict, look, send_test
from curewatch.daemon.daemon import Daemon
from curewatch.daemon.process import Level

__all__ = ["Daemon", "Finding", "Level", "Verdict", "look", "send_test"]
