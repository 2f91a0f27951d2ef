"""What somebody reads who has only the commands and an empty home: answers fit what was typed, and each other."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch import cli, clock

MONDAY = datetime(2026, 11, 30, 10, 0, tzinfo=UTC)
Typed = Callable[..., str]


class Week:
    """Commands typed ten seconds after each other; `said` puts what came on one line."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self.at, self._capsys = MONDAY, capsys

    def now(self) -> datetime:
        return self.at

    def said(self, *words: str, code: int = 0) -> str:
        self._capsys.readouterr()
        found = cli.main(list(words))
        printed = self._capsys.readouterr()
        assert found == code, printed.out + printed.err
        self.at += timedelta(seconds=10)
        return " ".join((printed.out + printed.err).split())


@pytest.fixture
def week(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Week:
    (tmp_path / "settings.toml").write_text('zone = "Etc/UTC"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    week = Week(capsys)
    monkeypatch.setattr(clock.SystemClock, "now", lambda self: week.at)
    return week


def test_what_is_refused_is_quoted_as_it_was_typed_and_says_what_would_do(week: Week) -> None:
    said = week.said
    assert "Missing option '--humidity': Relative humidity, such as 50%." in said(
        "reading", "--room", "Studio", "--temperature", "21C", code=2
    )
    air = ("--temperature", "21C", "--humidity", "50%")
    assert said("reading", "--room", "Studio", *air)
    pour = ("--room", "Studio", "--place", "t1", "--wet-thickness", "1.2mm")
    for words, why in (
        (("reading", "--room", "Studio", *air, "--at", "tomorrow"), "--at: got 'tomorrow', which is yet to come"),
        (
            ("pour", "A", *pour, "--at", "in 2 h"),
            "--at: got 'in 2 h', which is yet to come: say a time",
        ),
        (("pour", "A", *pour, "--due", "1 Nov"), "--due: got '1 Nov', which has passed: say the year too"),
        (("plan", "--due", "yesterday", "--layer", "thin"), "--due: got 'yesterday', expected a moment that is yet"),
        (("undo",), "PIECE: missing, expected the name of one piece or series, or --room NAME, or --recipe NAME"),
        (("undo", "A", "--room", "Studio"), "got 'A Studio', more than one name"),
        (("undo", "B"), "PIECE: got 'B', expected a piece here (none is logged yet)"),
    ):
        assert why in said(*words, code=2)
    said("pour", "A", *pour, "--at", "yesterday 9:00")
    said("pour", "S", "--room", "Studio", "--layer", "thin", "--times", "2", "--pair", "silicone")
    for words, why in (
        (("feel", "A", "tacky", "--at", "3 days ago"), "--at: got '3 days ago', expected a moment after the pour"),
        (("done", "A", "sign", "--at", "3 days ago"), "--at: got '3 days ago', expected a moment after the pour"),
        (("move", "A", "--room", "Studio", "--at", "3 days ago"), "--at: got '3 days ago', expected a moment after A"),
        (("move", "A", "--undo"), "NAME: got 'A', expected a name of which a move was logged in the last 24 hours"),
        (("correct", "A"), "correction: missing, expected what was otherwise, such as --wet-thickness 1.4mm"),
        (("correct", "A", "--wet-thickness", "1.2mm"), "nothing different was said"),
        (("pour", "S", *pour), "NAME: got 'S', this name is taken: say another"),
        (("correct", "A", "--name", "S"), "got 'S', this name is taken"),
        (("merge", "room", "Studio", "s"), "INTO: got 's', expected another one, and there is none"),
        *(
            (words, "NAME: got 'S', which is a series of 4 pieces: say one of 'S 1', 'S 2', 'S 3', 'S 4'")
            for words in (("feel", "S", "tacky"), ("correct", "S", "--silicone"), ("delete", "S"))
        ),
    ):
        assert why in said(*words, code=2)
    said("rename", "room", "Studio", "Loft")
    assert "--room: got 'Studio', which is called otherwise now: say 'Loft', or --new" in said(
        "reading", "--room", "Studio", *air, code=2
    )
    assert "room Loft: 5 pieces" in said("names")
    assert "Studio" not in said("board")
    assert "(UTC)" in said("board")
    guessed = "its usual days are not known yet, so what is to come is guessed from less than a day of readings."
    assert guessed in said("plan", "--due", "20 Dec", "--layer", "thin"), "of one reading"


def test_each_answer_fits_the_others(week: Week) -> None:
    said = week.said
    said("reading", "--room", "Studio", "--temperature", "21C", "--humidity", "50%", "--at", "yesterday 9:00")
    said("reading", "--room", "Studio", "--temperature", "21C", "--humidity", "50%", "--at", "5 min ago")
    again = said("reading", "--room", "Studio", "--temperature", "12C", "--humidity", "50%")
    assert "21.0 °C, 50 % was typed minutes before and counts until then;" in again
    assert "Studio 12.0 °C 50 %" in said("board")
    assert "Taken back: Reading of Studio: 12.0 °C" in said("undo", "--room", "Studio")
    poured = said(
        "pour", "A", "--room", "Studio", "--place", "t1", "--wet-thickness", "1.2mm", "--at", "yesterday 9:00"
    )
    assert "A: probably dry to handle" in poured
    assert "Cracks fewer than 1 in 100 such films crack, by a rough measure" in poured
    steps = said("steps", "A")
    assert " min ago: good. No coat is due in the next two days." in steps
    assert "a skin closes over a core that stays wet: it is not through yet" in said("why", "A", "cracked")
    early = said("done", "A", "sign")
    assert "Note: that is before it was safe to assume: a pen cuts into a soft film; watch the piece." in early

    said("feel", "A", "tacky")
    notices = said("notices")
    assert "A: worth checking, probably dry to handle (withdrawn)" in notices
    assert "piece-1" not in notices
    assert "t1 A once found dry" in said("plan", "--due", "20 Dec", "--layer", "thin")
    plan = said("plan", "--due", "20 Dec", "--layer", "thin")
    assert plan.startswith("No room was named; Studio is the only room. To have 1 piece")
    assert "100%" not in plan
    late = said("plan", "--due", "tomorrow 1:00", "--wet-thickness", "0.8mm")
    assert " as the room usually is: poured now, it is in time in" in late

    assert "only once a finger finds it dry" in said("steps", "A")
    said("feel", "A", "dry-through", "--at", "2 min ago")
    assert "it was found still tacky before" not in said("undo", "A")
    assert "A lies in Studio, t1 again." in (said("gone", "A"), said("gone", "A", "--undo"))[1]
    said("move", "A", "--room", "Attic")
    record = said("record", "A")
    assert "Rooms Studio, Attic" in record
    assert "Air, drying 21.0 °C (21.0 to 21.0 °C), 50 % humidity" in record, "of the room that was read"
    said("pour", "S", "--room", "Studio", "--layer", "thin", "--times", "2", "--pair", "silicone")
    assert "peel the skins off the mat: " in said("steps", "S 1"), "no thicker than the piece, which is thin"
    said("feel", "S 1", "hard")
    assert "which counts no more. A slip? Then take this one back (`curewatch undo`)" in said("feel", "S 1", "tacky")
    compared = said("compare", "S")
    assert "S 1 S 3 Poured" in compared
    assert "2 of the 4 pieces of S; any two: `curewatch compare NAME OTHER`." in compared
    assert "for all of the 120 days looked at" in said(
        "estimate", "--wet-thickness", "2mm", "--temperature", "5C", "--humidity", "80%"
    )
