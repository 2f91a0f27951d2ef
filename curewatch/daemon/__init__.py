"""The daemon: builds every real thing, keeps watch until it is told to stop, and takes all down in order."""

from curewatch.daemon.checkup import Finding, Verdict, look
from curewatch.daemon.daemon import Daemon
from curewatch.daemon.logs import Level
from curewatch.daemon.trial import send_test

__all__ = ["Daemon", "Finding", "Level", "Verdict", "look", "send_test"]
