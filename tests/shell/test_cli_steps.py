"""`curewatch steps`, `done` and `undo` on a real store."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from curewatch.cli import main
from curewatch.studio.care.aftercare import CareStep, Odds
from curewatch.views.care import StepOut, StepsOut, step_when

HOUR = timedelta(hours=1)


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A piece poured with silicone fifty days ago in a warm dry room."""
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    config = "[aftercare]\ncoats = 1\nisolation_coat = false\ncure_d = 3\n[forecast]\nmembers = 8\n"
    (tmp_path / "studio.toml").write_text(f'zone = "Europe/Lisbon"\n{config}')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    for when in ("1200 h ago", "1 h ago"):
        assert main(["reading", "--room", "Loft", "--temperature", "21C", "--humidity", "45%", "--at", when]) == 0
    line = ["pour", "Heron", "--room", "Loft", "--wet-thickness", "0.6mm", "--silicone", "--at", "1200 h ago"]
    assert main(line) == 0
    capsys.readouterr()
    return tmp_path


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main([*line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def states(capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    return {line["step"]: line["state"] for line in printed(capsys, "steps", "Heron")["steps"]}


def test_from_wash_to_wrap_with_a_slip_in_between(capsys: pytest.CaptureFixture[str]) -> None:
    assert states(capsys) == {
        "level": "over", "drips": "over", "skins": "safe", "wash": "safe", "sign": "waits", "wire": "safe",
        "varnish-1": "waits", "wrap": "waits",
    }  # fmt: skip
    assert printed(capsys, "done", "Heron", "wash", "--at", "200 h ago")["notes"] == []
    assert printed(capsys, "done", "Heron", "varnish-1", "--at", "120 h ago")["too_early"] is False
    assert states(capsys)["wrap"] == "safe"  # three days of cure have passed
    assert printed(capsys, "undo", "Heron")["step"] == "varnish-1"
    assert states(capsys)["wrap"] == "waits"
    early = printed(capsys, "done", "Heron", "varnish-1", "--at", "190 h ago")
    assert early["too_early"] is True  # ten hours after the wash, which wants 24 to dry
    assert "before it was safe" in early["notes"][0]
    history = printed(capsys, "steps", "Heron")["history"]
    assert [(step["step"], step["undone_at"] is None) for step in history] == [
        ("wash", True), ("varnish-1", False), ("varnish-1", True),
    ]  # fmt: skip


def test_the_wash_is_not_skipped_in_silence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["done", "Heron", "varnish-1"]) == 2
    assert "silicone" in capsys.readouterr().err
    noted = printed(capsys, "done", "Heron", "varnish-1", "--anyway")
    assert "wash was not done first" in noted["notes"][0]


def test_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["done", "Heron", "wash", "--at", "200 h ago"]) == 0
    assert main(["steps", "Heron"]) == 0
    out = capsys.readouterr().out
    assert "[x] wash" in out
    flat = " ".join(out.split())
    assert "The room, read 60 min ago: good." in flat
    assert "Next good: " in flat
    assert "keep flames" in out
    assert max(map(len, out.splitlines())) <= 80


def test_what_waits_for_a_step_is_not_to_be_done_now_and_every_sign_is_explained(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Sign, coat and wrapping: their film may be ready, and the wash stands before them."""
    assert main(["steps", "Heron"]) == 0
    flat = " ".join(capsys.readouterr().out.split())
    assert ". sign sign it: may be done once wash is done." in flat
    assert "once wash is done. . wrap wrap it: " in flat
    assert "now, once" not in flat
    assert "on, once" not in flat
    assert "[ ] safe to assume, . not yet, - past. Dates are estimates" in flat
    assert main(["done", "Heron", "wash"]) == 0
    assert main(["steps", "Heron"]) == 0
    assert ", - past, [x] done. Dates are estimates" in " ".join(capsys.readouterr().out.split())


def test_waiting_for_two_steps_is_told_of_what_is_worth_no_look_yet() -> None:
    now = datetime(2026, 11, 30, 12, tzinfo=UTC)
    waits = CareStep(
        "varnish-2", "second coat", Odds(None, now - HOUR, None, "one in ten never"), None, ("wash", "varnish-1"), (),
        "", Odds(None, None, None),
    )  # fmt: skip
    names = {"wash": "wash", "varnish-1": "varnish-1"}
    steps = StepsOut.model_construct(air_against=None)

    def said(line: CareStep) -> str:
        return step_when(StepOut.of(line, now, ZoneInfo("UTC")), steps, now, lambda at: f"{at:%H:%M}", names)

    assert said(waits) == "no safe date (one in ten never), once wash, varnish-1 are done"
    ahead = replace(waits, odds=Odds(None, now - HOUR, now + HOUR))
    assert said(ahead) == "safe 13:00, once wash, varnish-1 are done"


def test_steps_of_a_piece_that_left_stay_known(capsys: pytest.CaptureFixture[str], studio: Path) -> None:
    from curewatch.clock import SystemClock
    from curewatch.desk import Desk
    from curewatch.desk.commands.pours import leave
    from curewatch.settings import load_settings
    from curewatch.store import Store

    with Store.open(studio / "studio.sqlite") as store:
        leave(Desk(store, load_settings(studio / "studio.toml")), "Heron", SystemClock().now())
    assert printed(capsys, "done", "Heron", "wash")["step"] == "wash"
    assert printed(capsys, "steps", "Heron")["next_good_air"] is None


def test_a_pour_that_was_taken_back_hides_no_earlier_piece(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from curewatch.clock import SystemClock
    from curewatch.desk import Desk
    from curewatch.desk.commands.log import LogKind
    from curewatch.desk.commands.pours import leave
    from curewatch.desk.commands.undo import undo
    from curewatch.settings import load_settings
    from curewatch.store import Store

    assert main(["done", "Heron", "wash"]) == 0
    with Store.open(studio / "studio.sqlite") as store:
        desk = Desk(store, load_settings(studio / "studio.toml"))
        leave(desk, "Heron", SystemClock().now())
        assert main(["pour", "Heron", "--room", "Loft", "--layer", "thin"]) == 0
        with store.read() as tx:
            slip = tx.pieces()[0].id
        undo(desk, LogKind.POUR, [str(slip)], SystemClock().now())
    capsys.readouterr()
    assert [step["step"] for step in printed(capsys, "steps", "Heron")["history"]] == ["wash"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("steps", "Herron"), "'Heron'"),
        (("done", "Heron", "washing"), "'wash'"),
        (("done", "Heron", "wash", "--at", "2000 h ago"), "after the pour"),
        (("done", "Heron", "wash", "--at", "2199-01-01"), "2199"),
        (("done", "Heron", "wrap"), "varnish-1 to be done first"),
        (("undo", "Herron"), "'Heron'"),
        (("done", "Heron"), "STEP"),
    ],
)
def test_what_cannot_be_is_refused(capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str) -> None:
    assert main(list(line)) == 2
    assert says in capsys.readouterr().err


def test_a_step_done_twice_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    printed(capsys, "done", "Heron", "wash")
    assert main(["done", "Heron", "wash"]) == 2
    assert "not done yet" in capsys.readouterr().err


def test_a_coat_a_month_too_early_is_refused_with_what_it_risks(capsys: pytest.CaptureFixture[str]) -> None:
    """Seen: logged without a word."""
    assert main(["pour", "Ide", "--room", "Loft", "--wet-thickness", "1.2mm", "--at", "30 h ago"]) == 0
    capsys.readouterr()
    even = next(s for s in printed(capsys, "steps", "Ide")["steps"] if s["step"] == "varnish-1")["worth_checking_at"]
    assert main(["done", "Ide", "varnish-1"]) == 2
    said = capsys.readouterr().err
    shown = f"{datetime.fromisoformat(even):%H:%M}"
    assert "STEP: got 'varnish-1', expected a piece that may be ready for it (worth checking: " in said
    assert shown in said
    assert "shut in: it clouds" in said
    assert "--anyway to write it down so. Varnish and aerosols: ventilate" in said
    assert {step["done_at"] for step in printed(capsys, "steps", "Ide")["steps"]} == {None}, "nothing is stored"
    noted = printed(capsys, "done", "Ide", "varnish-1", "--anyway")
    assert (noted["too_early"], "before it was safe" in noted["notes"][0]) == (True, True)


def test_a_step_that_is_none_is_refused_in_the_words_that_are_typed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["done", "Heron", "glitter"]) == 2
    said = capsys.readouterr().err
    assert "'drips'" in said
    assert "Step." not in said
