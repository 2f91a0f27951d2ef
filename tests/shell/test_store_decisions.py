"""Forecasts, alarms, notices and deliveries: records in, the same records out, and what is refused."""

from __future__ import annotations

import pytest

from curewatch.records import Alarm, AlarmKind, AlarmState, DeliveryState, Forecast, Milestone, MilestoneKind
from curewatch.store import FactRefused, Store
from tests.new_store import HOUR, LOFT, MINUTE, NOON, SHED, TICK, notice
from tests.new_store import any_store as any_store
from tests.shell.derived import drop_forecasts


def test_forecasts_are_replaced_and_dropped(any_store: Store) -> None:
    milestones = (
        Milestone(kind=MilestoneKind.SET, early_at=NOON, worth_checking_at=NOON + TICK, safe_at=NOON + HOUR),
        Milestone(kind=MilestoneKind.HANDLE, early_at=None, worth_checking_at=None, safe_at=None, reason="too damp"),
    )
    with any_store.write() as tx:
        one, two = tx.add_piece("one", NOON).id, tx.add_piece("two", NOON).id
        full = Forecast(
            piece_id=one,
            made_at=NOON,
            model_version="1",
            fingerprint="ab12",
            milestones=milestones,
            film_temp_c=17.9,
            volatile_fraction=0.61,
        )
        bare = Forecast(
            piece_id=two, made_at=NOON, model_version="1", fingerprint="", reason="no reading yet — noch keine"
        )
        tx.put_forecasts([full, bare])
        assert tx.forecasts() == {one: full, two: bare}
        assert tx.forecasts([two]) == {two: bare}
        newer = bare.model_copy(update={"piece_id": one, "made_at": NOON + HOUR})
        tx.put_forecasts([newer])
        assert tx.forecasts() == {one: newer, two: bare}
        drop_forecasts(tx)
        assert tx.forecasts() == {}


def test_an_alarm_is_known_by_kind_room_and_piece(any_store: Store) -> None:
    with any_store.write() as tx:
        one = tx.add_piece("one", NOON).id
        of_room = Alarm(kind=AlarmKind.FROST, room=SHED.name, state=AlarmState.PENDING, since=NOON, evaluated_at=NOON)
        of_piece = of_room.model_copy(update={"piece_id": one})
        elsewhere = of_room.model_copy(update={"room": LOFT.name})
        damp = of_room.model_copy(update={"kind": AlarmKind.DAMP})
        tx.put_alarms([of_room, of_piece, elsewhere, damp])
        assert tx.alarms() == [of_room, of_piece, elsewhere, damp]
        raised = Alarm(
            kind=AlarmKind.FROST,
            room=SHED.name,
            state=AlarmState.ACTIVE,
            since=NOON + HOUR,
            raised_at=NOON + HOUR,
            evaluated_at=NOON + 2 * HOUR,
            acknowledged_at=NOON + 3 * HOUR,
            muted_until=NOON + 4 * HOUR,
            reminded_at=NOON + 5 * HOUR,
            text="It is 1.5 °C in the shed.",
        )
        piece_too = raised.model_copy(update={"piece_id": one})
        tx.put_alarms([raised, piece_too])
        assert tx.alarms() == [raised, piece_too, elsewhere, damp]


def test_a_notice_is_written_once_with_a_delivery_per_channel(any_store: Store) -> None:
    with any_store.write() as tx:
        assert tx.add_notice(notice(), ["webhook", "mail"]) is True
        assert tx.add_notice(notice(created_at=NOON + HOUR), ["webhook", "broker"]) is False
        assert tx.add_notice(notice("quiet", created_at=NOON + HOUR), []) is True
    with any_store.read() as tx:
        assert tx.notices() == [notice("quiet", created_at=NOON + HOUR), notice()]
        assert tx.notices(limit=1) == [notice("quiet", created_at=NOON + HOUR)]
        first, second = tx.deliveries()
        assert (first.channel, second.channel) == ("webhook", "mail")
        assert first.notice == notice()
        assert (first.state, first.attempts, first.next_try_at) == (DeliveryState.WAITING, 0, NOON)
        assert (first.last_error, first.delivered_at) == (None, None)


def test_a_notice_undone_with_its_decision_leaves_nothing(any_store: Store) -> None:
    with pytest.raises(ZeroDivisionError), any_store.write() as tx:
        tx.set_meta("decided", str(tx.add_notice(notice(), ["webhook"]) / 0))  # the worst line to fail on
    with any_store.read() as tx:
        assert (tx.counts()["notices"], tx.counts()["deliveries"]) == (0, 0)


FAR = NOON + 24 * HOUR


def test_deliveries_are_due_at_their_time_and_in_order(any_store: Store) -> None:
    with any_store.write() as tx:
        assert tx.next_delivery_at(["webhook"], NOON, FAR) is None
        for key, minutes in (("late", 10), ("early", 0), ("middle", 5)):
            tx.add_notice(notice(key, created_at=NOON + minutes * MINUTE), ["webhook"])
        assert tx.next_delivery_at(["webhook"], NOON - TICK, FAR) == NOON
        assert tx.next_delivery_at(["webhook"], NOON + HOUR, FAR) == NOON + HOUR
        assert tx.due_deliveries("webhook", NOON - TICK, FAR) == []
        assert [due.notice.key for due in tx.due_deliveries("webhook", NOON, FAR)] == ["early"]
        assert [due.notice.key for due in tx.due_deliveries("webhook", NOON + HOUR, FAR)] == ["early", "middle", "late"]
        assert [due.notice.key for due in tx.waiting_deliveries("webhook")] == ["early", "middle", "late"]


def test_each_channel_is_asked_for_its_own_and_what_no_channel_has_is_found(any_store: Store) -> None:
    with any_store.write() as tx:
        tx.add_notice(notice("one"), {"webhook": NOON, "mail": NOON + HOUR})
        assert tx.due_deliveries("mail", NOON, FAR) == []
        assert (tx.next_delivery_at(["mail"], NOON, FAR), tx.next_delivery_at(["mqtt"], NOON, FAR)) == (
            NOON + HOUR,
            None,
        )
        assert [left.channel for left in tx.unreachable_deliveries(["webhook"])] == ["mail"]
        count, oldest = tx.oldest_waiting()
        assert (count, oldest and oldest.channel) == (2, "webhook")


def test_a_time_further_ahead_than_any_wait_is_due_at_once(any_store: Store) -> None:
    """The clock was wrong when it was set."""
    with any_store.write() as tx:
        tx.add_notice(notice("one"), {"webhook": FAR + TICK})
        assert len(tx.due_deliveries("webhook", NOON, FAR)) == 1
        assert tx.next_delivery_at(["webhook"], NOON, FAR) == NOON
        assert tx.due_deliveries("webhook", NOON, FAR + TICK) == []


def test_a_delivery_is_retried_and_then_settles_one_way(any_store: Store) -> None:
    with any_store.write() as tx:
        for key in ("sent", "dead", "expired"):
            tx.add_notice(notice(key), ["webhook"])
        sent, dead, expired = (delivery.id for delivery in tx.deliveries())
        tx.mark_retry(sent, next_try_at=NOON + MINUTE, error="503 Service Unavailable")
        tx.mark_retry(sent, next_try_at=NOON + HOUR, error="timed out")
        waiting = tx.deliveries(state=DeliveryState.WAITING)[0]
        assert (waiting.attempts, waiting.next_try_at, waiting.last_error) == (2, NOON + HOUR, "timed out")
        tx.mark_delivered(sent, NOON + HOUR)
        tx.mark_dead(dead, error="410 Gone", at=NOON + HOUR)
        tx.mark_expired(expired, NOON + HOUR)
        assert tx.next_delivery_at(["webhook"], NOON, FAR) is None
        assert tx.due_deliveries("webhook", NOON + 10 * HOUR, FAR) == []
        states = {delivery.notice.key: (delivery.state.value, delivery.delivered_at) for delivery in tx.deliveries()}
        assert states == {"sent": ("delivered", NOON + HOUR), "dead": ("dead", None), "expired": ("expired", None)}
        assert tx.deliveries(state=DeliveryState.DEAD)[0].last_error == "410 Gone"


def test_what_is_settled_stays_so_but_a_delivery_that_did_arrive_says_so(any_store: Store) -> None:
    with any_store.write() as tx:
        tx.add_notice(notice(), ["webhook"])
        only = tx.deliveries()[0].id
        tx.mark_expired(only, NOON)
        with pytest.raises(FactRefused, match="is expired already"):
            tx.mark_retry(only, next_try_at=NOON, error="")
        with pytest.raises(FactRefused, match="is expired already"):
            tx.mark_dead(only, error="", at=NOON)
        tx.mark_delivered(only, NOON + MINUTE)
        tx.mark_delivered(only, NOON + HOUR)
        assert tx.deliveries()[0].delivered_at == NOON + MINUTE
        with pytest.raises(FactRefused, match="no delivery with id 99"):
            tx.mark_delivered(99, NOON)
