"""What the daemon writes to stderr: one line an event, whatever words from outside stand in it."""

from __future__ import annotations

import logging

import pytest

from curewatch.daemon.process import Level, to_stderr


def test_words_from_outside_make_no_line_of_their_own_and_reach_no_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A topic may hold control characters (MQTT 3.1.1, section 1.5.3, only says that it should not). CWE-117."""
    with to_stderr(Level.NORMAL):
        logging.getLogger("curewatch.intake").warning(
            "a message is no reading: %s", "shed/\x1b[2J\n2026-01-01 all well"
        )
    said = capsys.readouterr().err
    assert said.endswith("warning: a message is no reading: shed/\\x1b[2J\\x0a2026-01-01 all well\n")
    assert len(said.splitlines()) == 1


def test_a_flaw_is_told_with_its_traceback_on_lines_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    with to_stderr(Level.NORMAL):
        try:
            raise RuntimeError("slipped")
        except RuntimeError:
            logging.getLogger("curewatch.intake").exception("could not deliver")
    said = capsys.readouterr().err.splitlines()
    assert said[0].endswith("error: could not deliver")
    assert said[-1] == "RuntimeError: slipped"
