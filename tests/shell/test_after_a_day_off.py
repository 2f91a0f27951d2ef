"""A daemon that was off for a day: what came about meanwhile reaches a person as one message, by whatever way."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.daemon import Daemon
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.records import MilestoneKind, Reading, ThicknessSource
from curewatch.settings import ForecastSettings, MailSettings, PersonSettings, Settings
from curewatch.store import Store
from tests.shell.parts import HandClock, Receiver, wait_for
from tests.shell.test_daemon import NOW, WITHIN_S, running
from tests.shell.test_mail import serving
from tests.shell.test_services import with_apprise

PIECES = ("Curlew", "Dunlin", "Eider")
BACK = NOW + timedelta(days=1)
Told = Callable[[], list[str]]


def set_up(path: Path, settings: Settings) -> None:
    """Three thin films, poured an hour ago: touch-dry in the afternoon or the night."""
    with Store.open(path) as store:
        desk = Desk(store, settings)
        for hours_ago, name in enumerate(PIECES, 1):
            poured = NOW - timedelta(minutes=20 * hours_ago)
            log_pour(desk, PourOrder(name, "Shed", poured, 0.8e-3, ThicknessSource.GAUGE), NOW)
            log_reading(desk, Reading(room="Shed", at=poured, temp_c=21, rh_pct=50, received_at=NOW))


def lives_through(settings: Settings, path: Path, told: Told, box: Callable[[], int]) -> None:
    """A daemon sees the pours, is off for a day, and is started again."""
    location = str(path)
    set_up(path, settings)
    boards: list[object] = []
    with running(Daemon(settings, location, HandClock(NOW)), show=boards.append):
        wait_for(lambda: boards, WITHIN_S, "the board")
    with Store.open(path) as store:
        assert store_titles(store) == []  # nothing was true yet
        log_reading(Desk(store, settings), Reading(room="Shed", at=BACK, temp_c=21, rh_pct=50, received_at=BACK))
    with running(Daemon(settings, location, HandClock(BACK))):
        wait_for(box, WITHIN_S, "the message")
        wait_for(lambda: undelivered(path) == 0, WITHIN_S, "the marks")
    (message,) = told()
    with Store.open(path) as store:
        titles = store_titles(store)
    assert len(titles) >= len(PIECES)
    for title in titles:
        assert title in message
    assert all(any(name in title for title in titles) for name in PIECES)


def store_titles(store: Store) -> list[str]:
    with store.read() as tx:
        return [str(notice.title) for notice in tx.notices() if notice.kind == "milestone"]


def undelivered(path: Path) -> int:
    with Store.open(path) as store, store.read() as tx:
        return sum(one.delivered_at is None and one.state == "waiting" for one in tx.deliveries())


def studio(person: PersonSettings, mail: MailSettings | None = None) -> Settings:
    """As a studio is by default, but for touch-dry alone."""
    return Settings(
        zone="Europe/Lisbon",
        forecast=ForecastSettings(members=16),
        mail=mail,
        people=(person,),
        notices={"milestones": (MilestoneKind.TOUCH_DRY,)},
    )


def test_by_mail(tmp_path: Path) -> None:
    with serving(None, "none") as (box, port):
        server = MailSettings(host="127.0.0.1", port=port, security="none", sender="shed@shed.example")
        ada = PersonSettings(name="Ada", mail="ada@shed.example", kinds=("milestone",))

        def told() -> list[str]:
            return [f"{one['subject']}\n{one.get_content()}" for one in box.mails]

        lives_through(studio(ada, server), tmp_path / "studio.sqlite", told, lambda: len(box.mails))
        assert "Meanwhile: 3 things to know" in told()[0]


@with_apprise
def test_by_a_push_service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Receiver() as receiver:
        monkeypatch.setenv("ADA_SERVICES", f"json://127.0.0.1:{receiver.port}/x")
        ada = PersonSettings(name="Ada", services_env="ADA_SERVICES", kinds=("milestone",))

        def told() -> list[str]:
            said = [json.loads(request.body) for request in receiver.requests]
            return [f"{one['title']}\n{one['message']}" for one in said]

        lives_through(studio(ada), tmp_path / "studio.sqlite", told, lambda: len(receiver.requests))
        assert "Meanwhile: 3 things to know" in told()[0]
