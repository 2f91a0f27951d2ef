"""What people do about alarms and notices, through the desk and the commands, on a real store."""

from __future__ import annotations

import json
import logging
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.cli.commands.alarms import parse_alarm_kind
from curewatch.daemon import Verdict, look
from curewatch.daemon.delivery import NoticeDelivery
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands import alarm_care as care
from curewatch.desk.commands.alarm_care import alarms_now
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.commands.undo import undo, undo_last
from curewatch.desk.reports.piece import piece_report
from curewatch.notify import GiveUp, Outbox
from curewatch.records import AlarmHappening, AlarmKind, Damage, DeliveryState, Notice, Reading, ThicknessSource
from curewatch.records.errors import InputError
from curewatch.settings import (
    ForecastSettings,
    MailSettings,
    PersonSettings,
    Settings,
    SettingsError,
    WebhookSettings,
)
from curewatch.store import Store
from curewatch.studio.alarms.damage import stands
from curewatch.studio.forecasting import forecast as forecasting
from tests.refreshing import refresh
from tests.shell.parts import HandClock, free_port

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
SHED = "Boat shed"
QUICK = ForecastSettings(members=4, days=30)
SETTINGS = Settings(zone="UTC", forecast=QUICK)
COLD = AlarmKind.COLD


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


@pytest.fixture(autouse=True)
def _forecasts_twice_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made every hour they would take most of the time here."""
    monkeypatch.setattr(forecasting, "LAPSE", timedelta(hours=12))
    monkeypatch.setattr(forecasting, "MOVED_C", 50.0)


def cold_studio(store: Store, settings: Settings = SETTINGS, hours: float = 1.0) -> tuple[Desk, datetime]:
    """A piece poured into a cold room; the daemon has looked until `hours` later."""
    desk = Desk(store, settings)
    log_pour(desk, PourOrder("Heron", SHED, NOW, 1.2e-3, ThicknessSource.GAUGE), NOW)
    return desk, type_readings(desk, 0, hours, 6)


def type_readings(desk: Desk, begin: float, end: float, temp_c: float, every: timedelta = 10 * MINUTE) -> datetime:
    at = NOW + begin * HOUR
    while at <= NOW + end * HOUR:
        log_reading(desk, Reading(room=SHED, at=at, temp_c=temp_c, rh_pct=55, received_at=at))
        refresh(desk, at)
        at += every
    return at - every


def kinds(store: Store, kind: str) -> list[str]:
    with store.read() as tx:
        return [str(notice.title) for notice in tx.notices(limit=1000) if notice.kind == kind]


def happenings(store: Store) -> list[str]:
    with store.read() as tx:
        return [event.happening.value for event in reversed(tx.alarm_events()) if event.kind is COLD]


def test_acknowledged_there_is_no_reminder_and_it_survives_a_restart(store: Store) -> None:
    desk, now = cold_studio(store)
    care.acknowledge(desk, SHED, COLD, now)
    again = Desk(store, SETTINGS)
    type_readings(again, 2, 30, 6, HOUR)
    (alarm,) = alarms_now(again, NOW + 30 * HOUR).active
    assert alarm.acknowledged_at == now
    assert kinds(store, "reminder") == []
    assert happenings(store) == ["raised", "acknowledged"]


def test_not_acknowledged_it_is_told_again_after_a_day_and_when_the_harm_has_doubled(store: Store) -> None:
    desk, _ = cold_studio(store)
    type_readings(desk, 2, 30, 6, HOUR)
    assert len(kinds(store, "reminder")) == 1
    type_readings(desk, 31, 60, 6, HOUR)
    assert len(kinds(store, "reminder")) == 2
    assert happenings(store) == ["raised", "reminded", "reminded"]


def test_taken_back_an_acknowledgement_never_was_and_the_reminder_comes(store: Store) -> None:
    desk, now = cold_studio(store)
    care.acknowledge(desk, SHED, COLD, now)
    undo(desk, LogKind.ACKNOWLEDGE, [SHED, COLD], now)
    with store.read() as tx:
        assert {alarm.acknowledged_at for alarm in tx.alarms()} == {None}
    type_readings(desk, 2, 30, 6, HOUR)
    assert len(kinds(store, "reminder")) == 1
    assert happenings(store) == ["raised", "reminded"]
    with pytest.raises(InputError, match="was logged in the last 24 hours and still stands"):
        undo(desk, LogKind.ACKNOWLEDGE, [SHED, COLD], now)


def stands_against(store: Store) -> list[Damage]:
    """What stands against the first piece."""
    with store.read() as tx:
        return [one for one in tx.damages([1]) if stands(one)]


def test_harm_that_was_looked_over_by_a_slip_stands_again_and_is_counted_on(store: Store) -> None:
    desk, now = cold_studio(store)
    harm = Damage(piece_id=1, kind=COLD, hours=2, worst_c=6, began_at=NOW, counted_until=now)
    small = harm.model_copy(update={"kind": AlarmKind.FROST, "hours": 0.1})
    with store.write() as tx:
        tx.put_damages([harm, small])
    care.clear_damage(desk, "Heron", now)
    assert stands_against(store) == []
    (back,) = undo(desk, LogKind.CLEARED, ["Heron"], now + HOUR)
    assert back.fact == (harm, small)
    assert stands_against(store) == [harm]
    with store.write() as tx:
        tx.put_damages([harm.model_copy(update={"hours": 3.0})])
        assert len(tx.damages()) == 2, "the same count, grown"
    care.clear_damage(desk, "Heron", now)
    with pytest.raises(InputError, match="last 24 hours"):
        undo(desk, LogKind.CLEARED, ["Heron"], now + 25 * HOUR)
    with pytest.raises(InputError, match="a piece here"):
        undo_last(desk, "Herron", now, [LogKind.CLEARED])


def test_muted_nothing_is_told_until_the_end_and_then_it_is(store: Store) -> None:
    desk = Desk(store, SETTINGS)
    log_pour(desk, PourOrder("Heron", SHED, NOW, 1.2e-3, ThicknessSource.GAUGE), NOW)
    care.mute(desk, SHED, COLD, 8 * HOUR, NOW)
    type_readings(desk, 0, 7, 6)
    assert (kinds(store, "alarm"), kinds(store, "reminder")) == ([], [])
    (alarm,) = alarms_now(desk, NOW + 7 * HOUR).active
    assert alarm.muted_until == NOW + 8 * HOUR
    assert str(alarm.text).startswith("The room was at 6.0 °C")
    type_readings(Desk(store, SETTINGS), 7.5, 9, 6)
    assert kinds(store, "reminder") == ["Still Boat shed: too cold for wet paint"]
    assert happenings(store) == ["muted", "raised", "mute_ended"]


def test_a_quiet_alarm_that_is_muted_is_listed_and_can_be_unmuted(store: Store) -> None:
    desk = Desk(store, SETTINGS)
    log_pour(desk, PourOrder("Heron", SHED, NOW, 1.2e-3, ThicknessSource.GAUGE), NOW)
    care.mute(desk, SHED, AlarmKind.DAMP, 8 * HOUR, NOW)
    assert [alarm.kind for alarm in alarms_now(desk, NOW).muted] == [AlarmKind.DAMP]
    care.unmute(desk, SHED, AlarmKind.DAMP, NOW)
    assert alarms_now(desk, NOW).muted == ()


def test_harm_stays_until_a_person_clears_it_though_the_room_warms_and_the_daemon_starts_again(store: Store) -> None:
    desk, _ = cold_studio(store, hours=0)
    type_readings(desk, 1, 90, 6, 3 * HOUR)
    type_readings(desk, 91, 120, 20, 3 * HOUR)
    again = Desk(store, SETTINGS)
    now = NOW + 121 * HOUR
    (harmed,) = alarms_now(again, now).harmed
    assert (harmed.piece, harmed.damage.kind) == ("Heron", COLD)
    assert harmed.damage.hours > 1
    assert piece_report(again, "Heron", now).damages == (harmed.damage,)
    assert care.clear_damage(again, "Heron", now) == (harmed.damage,)
    refresh(again, now + HOUR)
    assert alarms_now(again, now + HOUR).harmed == ()
    with pytest.raises(InputError, match="a piece with damage that was not cleared yet"):
        care.clear_damage(again, "Heron", now)


def test_history_is_the_newest_first_and_of_one_room(store: Store) -> None:
    desk, now = cold_studio(store)
    care.mute(desk, SHED, COLD, HOUR, now)
    seen = alarms_now(desk, now, history=10, room=SHED)
    assert [event.happening for event in seen.history] == [AlarmHappening.MUTED, AlarmHappening.RAISED]
    with pytest.raises(InputError, match="did you mean 'Boat shed'"):
        alarms_now(desk, now, room="Boat shet")


def test_what_cannot_be_done_is_said(store: Store) -> None:
    desk, now = cold_studio(store)
    for wrong, says in (
        (lambda: care.acknowledge(desk, SHED, AlarmKind.FROST, now), "an alarm that is on in 'Boat shed': cold"),
        (lambda: care.acknowledge(desk, "Shed", COLD, now), "room: got 'Shed', expected a room"),
        (lambda: care.mute(desk, SHED, COLD, 25 * HOUR, now), "hours: got '25 h', expected at most 24 h"),
        (lambda: care.unmute(desk, SHED, COLD, now), "an alarm that is muted in 'Boat shed': none is"),
        (lambda: care.clear_damage(desk, "Herom", now), "did you mean 'Heron'"),
    ):
        with pytest.raises(InputError, match=says):
            wrong()
    assert (
        parse_alarm_kind("Too fast")
        is parse_alarm_kind("too-fast")
        is parse_alarm_kind("too_fast")
        is AlarmKind.TOO_FAST
    )
    with pytest.raises(InputError, match="expected one of cold, frost, damp, too-fast, no-fresh-data"):
        parse_alarm_kind("tornado")


# --- Notices ---------------------------------------------------------------------------------------------------------


class Refusing:
    name = "webhook"

    def send(self, notice: Notice) -> None:
        raise GiveUp("it is gone")


def test_a_dead_letter_is_seen_and_sent_again(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    hook = SETTINGS.model_copy(update={"webhook": WebhookSettings(url="http://127.0.0.1:1/x")})
    cold_studio(store, hook)
    clock = HandClock(NOW + HOUR)
    out = Outbox(store, {"webhook": Refusing()}, clock, random.Random(1), timedelta(hours=72))
    out.deliver_due(clock.now())
    place = str(store.location)
    shown = _command(capsys, "--store", place, "notices", "--undelivered")
    assert "webhook: given up: it is gone" in shown
    assert main(["--store", place, "notices", "--dead"]) == 0
    out, err = capsys.readouterr()
    assert (out, "`notices --dead` is called `notices --undelivered` now" in err) == (shown, True)
    key = shown.partition("curewatch resend ")[2].split()[0]
    assert json.loads(_command(capsys, "--store", place, "resend", key, "--json"))["again"] == [
        {"key": key, "channel": "webhook"}
    ]
    with store.read() as tx:
        waiting = tx.deliveries(state=DeliveryState.WAITING)
    assert [delivery.notice.key for delivery in waiting] == [key]
    assert main(["--store", place, "resend"]) == main(["--store", place, "resend", "nothing"]) == 2
    assert _command(capsys, "--store", place, "resend", "--all").strip() == "Nothing was given up."


def _command(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(list(words)) == 0
    return capsys.readouterr().out


def test_the_commands_of_alarms(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    cold_studio(store)
    at = ("--store", str(store.location))
    _command(capsys, *at, "acknowledge", SHED, "cold")
    assert "No longer acknowledged: cold in Boat shed." in _command(capsys, *at, "acknowledge", SHED, "cold", "--undo")
    assert main([*at, "acknowledge", SHED, "cold", "--undo"]) == 2
    assert main([*at, "cleared", "Heron", "--undo"]) == 2
    assert "Muted: damp in Boat shed, until" in _command(capsys, *at, "mute", SHED, "damp", "--for", "8h")
    listed = json.loads(_command(capsys, *at, "alarms", "--history", "--json"))
    assert [one["alarm"] for one in listed["muted"]] == ["damp"]
    assert {"raised", "muted"} <= {one["happening"] for one in listed["history"]}
    assert "Muted, and quiet now" in _command(capsys, *at, "alarms", "--history")
    assert "No longer muted" in _command(capsys, *at, "unmute", SHED, "damp")
    assert main([*at, "mute", SHED, "damp", "--for", "25h"]) == 2
    assert main([*at, "mute", SHED, "damp", "--for", "soon"]) == 2
    assert main([*at, "acknowledge", SHED, "frost"]) == 2
    assert main([*at, "cleared", "Heron"]) == 2


# --- People ----------------------------------------------------------------------------------------------------------


def studio_of_ada(**values: Any) -> Settings:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", **values)
    mail = MailSettings(host="127.0.0.1", port=free_port(), sender="shed@shed.example")
    return Settings(zone="UTC", forecast=QUICK, mail=mail, people=(ada,))


def test_the_mornings_work_is_told_once_at_its_hour(store: Store) -> None:
    settings = studio_of_ada(morning_hour=7)
    desk, _ = cold_studio(store, settings, hours=0)
    for hours in (20, 21.5, 22.0, 22.5, 24):  # 05:00, 06:30, 07:00, 07:30, 09:00
        type_readings(desk, hours, hours, 6)
    with store.read() as tx:
        (told,) = [notice for notice in tx.notices() if notice.kind == "morning"]
    assert told.created_at == NOW + 22 * HOUR
    assert str(told.title).startswith("Today: look at Boat shed first")
    assert refresh(desk, NOW + 24 * HOUR).next_due <= NOW + 46 * HOUR


def test_worth_checking_expires_when_it_is_safe_to_assume_anyway(store: Store) -> None:
    settings = studio_of_ada(quiet="00:00-23:59")
    desk = Desk(store, settings)
    log_pour(desk, PourOrder("Heron", SHED, NOW, 0.8e-3, ThicknessSource.GAUGE), NOW)
    type_readings(desk, 0, 60, 22, HOUR)
    with store.read() as tx:
        states = {d.notice.key: d.state for d in tx.deliveries()}
    assert states["piece-1/touch_dry/worth_checking"] is DeliveryState.EXPIRED
    # so thin a film may be handled within the same hour, and that says more
    assert states["piece-1/handle/safe"] is DeliveryState.WAITING


def test_an_alarm_that_was_over_before_it_could_be_told_is_told_as_over_only(store: Store) -> None:
    settings = studio_of_ada(quiet="00:00-23:59")
    desk, _ = cold_studio(store, settings)
    type_readings(desk, 1.2, 4, 20)
    with store.read() as tx:
        states = {d.notice.kind: d.state for d in tx.deliveries() if d.notice.data.get("alarm") == "cold"}
    assert states == {"alarm": DeliveryState.EXPIRED, "alarm_over": DeliveryState.WAITING}


SECRETS = {"MAIL_PASSWORD": "pw-of-the-tide", "HOOK": "whsec_c2hlZC1zaGVkLXNoZWQtc2hlZC1zaGVk", "PUSH": "json://k3y@x/"}


def test_no_secret_gets_into_logs_store_board_or_findings(
    store: Store, tmp_path: Path, caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    mail = MailSettings(
        host="127.0.0.1", port=free_port(), sender="shed@shed.example", user="shed", password_env="MAIL_PASSWORD"
    )
    hook = WebhookSettings(url=f"http://127.0.0.1:{free_port()}/very-secret-path", secret_env="HOOK", timeout_s=1)
    ada = PersonSettings(name="Ada", mail="ada@shed.example")
    settings = Settings(zone="UTC", forecast=QUICK, mail=mail, webhook=hook, people=(ada,))
    _, now = cold_studio(store, settings)
    clock = HandClock(now)
    with caplog.at_level(logging.DEBUG):
        telling = NoticeDelivery(settings, store, clock, SECRETS)
        for channel in telling._outbox.channels:
            telling._outbox.deliver_due(clock.now(), channel)
        findings = look(settings, str(store.location), clock, environ=SECRETS)
        telling.stop(1)
    with store.read() as tx:
        errors = {d.channel: d.last_error for d in tx.deliveries()}
    assert errors["webhook"]
    assert errors["mail:Ada"]
    main(["--store", str(store.location), "board"])
    main(["--store", str(store.location), "notices", "--json"])
    shown = capsys.readouterr()
    for path in tmp_path.iterdir():
        assert not any(secret.encode() in path.read_bytes() for secret in (*SECRETS.values(), "very-secret-path"))
    everything = f"{caplog.text} {findings} {errors} {settings!r} {shown.out} {shown.err}"
    assert not any(secret in everything for secret in SECRETS.values())
    assert [finding.verdict for finding in findings if finding.name == "Ada"] == [Verdict.OK]


def test_a_secret_that_is_missing_is_said_by_its_name(store: Store) -> None:
    mail = MailSettings(host="127.0.0.1", sender="a@shed.example", user="shed", password_env="MAIL_PASSWORD")
    settings = Settings(zone="UTC", mail=mail, people=(PersonSettings(name="Ada", mail="ada@shed.example"),))
    with pytest.raises(SettingsError, match=r"mail.password_env: the environment has no 'MAIL_PASSWORD'"):
        NoticeDelivery(settings, store, HandClock(NOW), {})
