"""What the daemon writes to stderr: one line an event, whatever words from outside stand in it."""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from curewatch.cli import main
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


SAYS = """
import logging
from curewatch.daemon.process import Level, to_stderr
with to_stderr(Level.VERBOSE, as_json=%s):
    log = logging.getLogger("curewatch.intake")
    log.debug("a look")
    log.info("ready")
    log.warning("a message is no reading: %%s", "air\\nshed")
    try:
        raise RuntimeError("slipped")
    except RuntimeError:
        log.exception("could not deliver")
"""


def said(as_json: bool, *, journal: bool, folder: Path) -> list[str]:
    """What a process writes to stderr, which is a file; as to systemd's journal where the environment says it is."""
    path = folder / "stderr"
    with path.open("wb") as stderr:
        there = os.fstat(stderr.fileno())
        stream = f"{there.st_dev}:{there.st_ino}" if journal else "1:2"
        environ = {**os.environ, "JOURNAL_STREAM": stream, "TZ": "Asia/Kathmandu"}
        subprocess.run([sys.executable, "-c", SAYS % as_json], stderr=stderr, env=environ, check=True, timeout=30)
    return path.read_text().splitlines()


def test_a_line_bears_its_zone_and_for_the_journal_its_priority_instead(tmp_path: Path) -> None:
    lines = said(False, journal=False, folder=tmp_path)
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\+0545 a look", lines[0])
    lines = said(False, journal=True, folder=tmp_path)
    assert lines[:4] == [
        "<7>a look", "<6>ready", "<4>warning: a message is no reading: air\\x0ashed", "<3>error: could not deliver",
    ]  # fmt: skip
    assert all(line.startswith("<3>") for line in lines[4:]), "a traceback has many lines"


@pytest.mark.parametrize("journal", [False, True])
def test_as_json_each_line_is_one_object(journal: bool, tmp_path: Path) -> None:
    lines = said(True, journal=journal, folder=tmp_path)
    if journal:
        assert [line[:3] for line in lines] == ["<7>", "<6>", "<4>", "<3>"]
        lines = [line[3:] for line in lines]
    found = [json.loads(line) for line in lines]
    assert [one["level"] for one in found] == ["debug", "info", "warning", "error"]
    assert found[2]["message"] == "a message is no reading: air\nshed"
    assert found[3]["traceback"].endswith("RuntimeError: slipped")
    assert all(datetime.fromisoformat(one["at"]).utcoffset() for one in found)


def test_another_form_of_the_log_is_refused_and_nothing_is_begun(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--store", str(tmp_path / "studio.sqlite"), "run", "--log", "xml"]) == 2
    assert "--log: got 'xml', expected text or json" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
