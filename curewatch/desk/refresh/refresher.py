"""One refresh of the studio: it reads once, decides once and writes once.

What comes in between is no loss: where the store has moved under it, the alarms are judged again in the transaction
that writes.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.desk import FACTS_REVISION, Desk, limits_of
from curewatch.desk.refresh import scheduled_notices
from curewatch.desk.refresh.decisions import (
    Decided,
    PastOf,
    milestones_due,
    promise_notices,
    tell_milestones,
    watch_rooms,
    write,
)
from curewatch.desk.refresh.forecasts import ForecastMaker, MadeForecasts, StaleForecasts
from curewatch.desk.refresh.scheduled_notices import EveningWarnings, Morning
from curewatch.desk.retraction import is_any_doubted, judge, take_back_ahead
from curewatch.desk.snapshot.air import AirCache, PastCache, new_read_errors, put_read_errors
from curewatch.desk.snapshot.pieces import NewLessons, dryings_of, learned_from, new_lessons, within_findings
from curewatch.desk.snapshot.snapshot import Snapshot, read_snapshot, reread_snapshot
from curewatch.notify.routing import due_times
from curewatch.records import Alarm, AlarmState, Forecast, MilestoneKind, Notice
from curewatch.store import Transaction
from curewatch.studio import milestones as milestoning
from curewatch.studio.air.climate import Climate
from curewatch.studio.air.sensors import ReadError
from curewatch.studio.forecasting import forecast as forecasting

SURELY_WET = timedelta(hours=1)
"""So long a piece needs no forecast to be watched; one that is older and has none may be dry."""
AT_HAND = 150
"""So many pieces are integrated in a second or two, while somebody waits; more are left to a daemon that watches."""


@dataclass(frozen=True)
class Refreshed:
    """What a refresh of the studio came to."""

    forecasts: int
    """How many were made."""
    notices: int
    """How many were written."""
    next_due: datetime
    """When the next refresh is due, if nothing is logged before."""
    left: int = 0
    """How many pieces' dates were left to the daemon; then nothing was made, decided or written."""


@dataclass(frozen=True)
class _Facts:
    """All that a refresh reads of the store, as of one moment."""

    read_errors: dict[str, ReadError] | None
    """By room, how far off it is read; None: the stored ones stand."""
    lessons: NewLessons | None
    """None: the stored ones stand."""
    snapshot: Snapshot
    stale: StaleForecasts
    told: Collection[str]
    """The keys of all notices about the pieces here."""
    evening: Collection[str]
    """The rooms whose night is to be looked at."""
    morning: Morning | None
    pasts: Mapping[str, Climate]
    """By room, its past, of those that evening and morning ask for."""
    doubted: bool
    """Whether something that was told waits to be judged."""


@dataclass(frozen=True)
class _Outcome:
    """What a refresh comes to, before it is written."""

    made: MadeForecasts
    current: Mapping[int, Forecast]
    """By piece, the newest there is, held within what a finger found of it."""
    decided: Decided
    due: list[milestoning.Due]
    scheduled: list[Notice]


JUDGED_AGAIN = 3
"""How often alarms are judged again outside of the transaction where the store has moved under a look."""


class Refresher:
    """Brings forecasts, alarms and notices up to the facts. Safe to use from several threads; keeps only copies."""

    def __init__(self, desk: Desk) -> None:
        self.desk, self.timer = desk, MilestoneTimer(desk)
        self._forecasts = ForecastMaker(desk.store, desk.settings)
        self._air, self._pasts, self._evening = AirCache(), PastCache(), EveningWarnings(desk)
        self._turn, self._judging = threading.Lock(), threading.Lock()
        self._judged_air, self._judged_pasts = AirCache(), PastCache()
        self._seen: tuple[Snapshot, Mapping[int, Forecast]] | None = None
        """What the last look began with, and the newest forecasts."""
        self.pending: Mapping[str, datetime] = {}
        """By room, when the first delay ends of an alarm that is about to be raised there."""

    def refresh(self, now: datetime, *, at_most: int | None = None) -> Refreshed:
        """Make stale forecasts again, judge the alarms, and write what people should be told, in one transaction.

        `at_most`: where more pieces than that would have to be integrated, all is left to the daemon.
        """
        with self._turn:  # the page and the daemon would do the same work twice
            take_back_ahead(self.desk.store, now)
            facts = self._read(now)
            if facts.read_errors is not None:  # rare: all is forecast and learned by them
                with self.desk.store.write() as tx:
                    put_read_errors(tx, facts.read_errors)
                facts = self._read(now)
            if at_most is not None and len(facts.stale) > at_most:
                return Refreshed(0, 0, now, left=len(facts.stale))
            before = {} if self._seen is None else self._seen[1]
            self._seen = facts.snapshot, {**before, **facts.snapshot.forecasts}
            outcome = self._decide(facts, now)
            written = self._write(facts, outcome, now)
            self._seen = facts.snapshot, outcome.current
            self._note_pending(outcome.decided.after(facts.snapshot).alarms)
            self.timer.note(outcome.current, now)
            return Refreshed(len(outcome.made.made), written, self._next_due(outcome.current, now))

    def judge_alarms(self, now: datetime) -> int:
        """The alarms by the newest readings and the forecasts there are, whatever a look is busy with; the number of
        notices that are new. What is logged besides readings is left to that look."""
        if self._seen is None:
            return 0
        seen, forecasts = self._seen
        with self._judging:
            with self.desk.store.read() as tx:
                snapshot = reread_snapshot(tx, self._judged_air, seen, now)
            if any(one.piece.id not in forecasts and now - one.pour.at > SURELY_WET for one in snapshot.dryings):
                return 0
            past_of = self._past_of(now, pasts=self._judged_pasts)
            decided = watch_rooms(snapshot, self.desk.settings, forecasts, now, past_of, self._evening.ahead)
            self._note_pending(decided.after(snapshot).alarms)
            if not decided:
                return 0
            with self.desk.store.write() as tx:  # a look that has judged meanwhile has told of the same
                return write(tx, self.desk.settings, decided, now) if tuple(tx.alarms()) == snapshot.alarms else 0

    def _note_pending(self, alarms: Iterable[Alarm]) -> None:
        delay, found = limits_of(self.desk.settings).on_delay, dict[str, datetime]()
        for alarm in alarms:
            if alarm.state is AlarmState.PENDING:
                found[alarm.room] = min(alarm.since + delay, found.get(alarm.room, alarm.since + delay))
        self.pending = found

    def _read(self, now: datetime) -> _Facts:
        with self.desk.store.read() as tx:
            lessons = new_lessons(tx, now)
            so_far = learned_from(tx.lessons() if lessons is None else lessons.lessons, tx.forgettings())
            snapshot = read_snapshot(tx, self._air, now, so_far=so_far)
            rooms = {drying.room for drying in snapshot.dryings}
            evening = self._evening.due(rooms, now)
            morning = scheduled_notices.read_morning(tx, self.desk, snapshot, now)
            return _Facts(
                new_read_errors(tx, snapshot.climates, self.desk.settings.accuracy_of),
                lessons,
                snapshot,
                self._forecasts.stale(tx, snapshot, now),
                tx.told_of_pieces([drying.piece.id for drying in snapshot.dryings]),
                evening,
                morning,
                self._pasts.pasts(tx, evening if morning is None else rooms, now),
                is_any_doubted(tx),
            )

    def _decide(self, facts: _Facts, now: datetime) -> _Outcome:
        desk, snapshot = self.desk, facts.snapshot
        made = self._forecasts.make(snapshot, facts.stale, now)
        newest = snapshot.stored | {forecast.piece_id: forecast for forecast in made.made}
        current = within_findings(newest, snapshot.dryings, now)
        decided = watch_rooms(snapshot, desk.settings, current, now, self._past_of(now), self._evening.ahead)
        told = () if facts.doubted else facts.told  # what is not so, and what was told with it, is told anew
        due = milestones_due(snapshot.dryings, current, desk.settings.notices.milestones, told, now)
        after = decided.after(snapshot)
        scheduled = self._evening.notices(after, current, facts.pasts, facts.evening, now)
        if facts.morning is not None:
            scheduled += scheduled_notices.morning_notices(
                desk, facts.morning, after, current, facts.pasts, self._evening.ahead, now
            )
        scheduled += promise_notices(after, desk.settings, current, facts.told, self._past_of(now), now)
        return _Outcome(made, current, decided, due, scheduled)

    def _write(self, facts: _Facts, outcome: _Outcome, now: datetime) -> int:
        """The number of notices that are new. Where there is nothing to write, nothing is: an idle daemon is idle."""
        found = (facts.lessons, outcome.made.made, outcome.due, outcome.decided, outcome.scheduled, facts.doubted)
        if not any(found):
            return 0
        snapshot, decided = facts.snapshot, outcome.decided
        for _ in range(JUDGED_AGAIN):
            with self.desk.store.write() as tx:
                if self._holds(tx, snapshot):
                    return self._put(tx, facts, outcome, decided, now)
            # not in the transaction: what can be done about each alarm is seconds of work, and readings would wait
            with self.desk.store.read() as tx:
                snapshot = reread_snapshot(tx, self._air, facts.snapshot, now)
            decided = self._judged(snapshot, outcome, self._past_of(now), now)
        with self.desk.store.write() as tx:
            if not self._holds(tx, snapshot):
                snapshot = reread_snapshot(tx, self._air, facts.snapshot, now)
                decided = self._judged(snapshot, outcome, self._past_of(now, tx), now)
            return self._put(tx, facts, outcome, decided, now)

    def _judged(self, snapshot: Snapshot, outcome: _Outcome, past_of: PastOf, now: datetime) -> Decided:
        return watch_rooms(snapshot, self.desk.settings, outcome.current, now, past_of, self._evening.ahead)

    def _put(self, tx: Transaction, facts: _Facts, outcome: _Outcome, decided: Decided, now: datetime) -> int:
        settings, here = self.desk.settings, {piece.id for piece in tx.pieces()}
        if facts.lessons is not None:
            facts.lessons.write(tx)
        # only now: a snapshot read after them lacks the air of pieces they settle, and with it the alarms
        outcome.made.write(tx, here)
        written = write(tx, settings, decided, now)
        if tx.get_meta(FACTS_REVISION) == facts.snapshot.revision:  # else the dates are not yet those that follow
            written += judge(tx, settings, outcome.current, here, now)
        known = tx.known_keys({key for one in outcome.due for key in one.covering_keys})
        due = [one for one in outcome.due if one.drying.piece.id in here and known.isdisjoint(one.covering_keys)]
        written += tell_milestones(tx, settings, due, facts.snapshot.climates, now)
        for notice in outcome.scheduled:
            written += tx.add_notice(notice, () if "told_in" in notice.data else due_times(settings, notice))
        return written

    @staticmethod
    def _holds(tx: Transaction, snapshot: Snapshot) -> bool:
        """Whether nobody has logged or judged since the snapshot."""
        return tx.get_meta(FACTS_REVISION) == snapshot.revision and tuple(tx.alarms()) == snapshot.alarms

    def _past_of(self, now: datetime, tx: Transaction | None = None, pasts: PastCache | None = None) -> PastOf:
        known = self._pasts if pasts is None else pasts

        def past_of(room: str) -> Climate | None:
            if tx is not None:
                return known.pasts(tx, [room], now).get(room)
            with self.desk.store.read() as reading:
                return known.pasts(reading, [room], now).get(room)

        return past_of

    def _next_due(self, current: Mapping[int, Forecast], now: datetime) -> datetime:
        """At the latest in a minute while anything is being watched (delays, silence), else in an hour."""
        desk, told = self.desk, self.desk.settings.notices.milestones
        dates = [milestoning.next_due(forecast, told, now) for forecast in current.values()]
        moments = [*filter(None, dates), *scheduled_notices.next_mornings(desk.settings, now, desk.local)]
        busy = any(forecast.reason or not forecasting.settled(forecast, now) for forecast in current.values())
        idle = now + (timedelta(minutes=1) if busy else forecasting.LAPSE)
        return min([idle, *moments])


NOT_HERE = (MilestoneKind.VARNISH_READY,)
"""Told by the look: its notice says how far the room is from dew, and it has no hurry."""


class MilestoneTimer:
    """The dates ahead, as of the last look. Safe to use from several threads."""

    def __init__(self, desk: Desk) -> None:
        settings = desk.settings
        self._store, self._settings, self._local = desk.store, settings, desk.local
        self._kinds = tuple(kind for kind in settings.notices.milestones if kind not in NOT_HERE)
        self._lock = threading.Lock()
        self._ahead: list[tuple[datetime, int]] = []
        self.noted = threading.Event()
        """Set at each `note`, for the one who waits for the next date."""

    def note(self, forecasts: Mapping[int, Forecast], now: datetime) -> None:
        """After a look at `now`: these are the forecasts of every piece here."""
        found = [
            (at, piece)
            for piece, forecast in forecasts.items()
            for milestone in forecast.milestones
            if milestone.kind in self._kinds
            for at in (milestone.worth_checking_at, milestone.safe_at)
            if at is not None and at > now
        ]
        with self._lock:
            self._ahead = sorted(found, reverse=True)
        self.noted.set()

    def next_at(self) -> datetime | None:
        """When the next date comes."""
        with self._lock:
            return self._ahead[-1][0] if self._ahead else None

    def tell(self, now: datetime) -> int:
        """Write the notices of the dates that have come; how many are new. StoreError: nothing is, ask again."""
        with self._lock:
            come = {piece for at, piece in self._ahead if at <= now}
        if not come:
            return 0
        with self._store.write() as tx:
            pieces = dryings_of(tx, tx.pieces(ids=come))
            forecasts = within_findings(tx.forecasts(come), pieces, now)
            due = milestones_due(pieces, forecasts, self._kinds, tx.told_of_pieces(come), now)
            written = tell_milestones(tx, self._settings, due, {}, now) if due else 0
        with self._lock:
            while self._ahead and self._ahead[-1][0] <= now:
                self._ahead.pop()
        return written
