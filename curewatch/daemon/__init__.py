"""The daemon: builds every real thing, keeps watch until it is told to stop, and takes all down in order."""

from curewatch.daemon.part_daemon_checkup import Finding, Verdict, look
from curewatch.daemon.part_daemon_daemon import Daemon
from curewatch.daemon.part_daemon_trial import send_test
from curewatch.daemon.process import Level

__all__ = ["Daemon", "Finding", "Level", "Verdict", "look", "send_test"]
