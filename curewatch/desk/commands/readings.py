"""Readings of a room's air, typed by people and sent by sensors; and what somebody says is right, who has typed one
beside a sensor: the sensor, the thermometer, or an offset.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice

from curewatch.desk.commands.log import LogKind
from curewatch.desk.desk import Desk, mark_air_changed, mark_readings, rejudge_from
from curewatch.desk.orders import Logged, meet_room, met, nearest, room_known
from curewatch.desk.snapshot.air import readings_of
from curewatch.language import Message, Value, When, phrase
from curewatch.records import Reading, Room, SensorTrust, Trust
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import TYPED
from curewatch.records.names import same_name
from curewatch.records.remarks import Remark, RemarkKind
from curewatch.records.rollup import rolled_up
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio import wording
from curewatch.studio.air.climate import AGAIN_S
from curewatch.studio.air.merging import DISAGREE, SensorCheck, checks

CHECKED_WITHIN = timedelta(days=7)
"""A check older than this says little of a sensor: hold the thermometer beside it once more."""
_BEFORE = timedelta(hours=3)


@dataclass(frozen=True)
class Check:
    """A typed reading beside a sensor."""

    at: datetime
    source: str
    typed: Reading
    off: SensorCheck

    @property
    def is_apart(self) -> bool:
        """Whether one of the two must be wrong."""
        pairs = zip((self.off.temp_off_c, self.off.rh_off_pct), DISAGREE, strict=True)
        return any(off is not None and abs(off) > limit for off, limit in pairs)

    @property
    def sensor_said(self) -> tuple[float | None, float | None]:
        """Temperature [°C] and humidity [%]."""
        pairs = ((self.typed.temp_c, self.off.temp_off_c), (self.typed.rh_pct, self.off.rh_off_pct))
        temp_c, rh_pct = (None if said is None or off is None else said - off for said, off in pairs)
        return temp_c, rh_pct

    def in_words(self) -> Message:
        """`Fri 20 Nov 12:00: your thermometer said 18.4 °C, 52 %, the sensor post 18.9 °C, 50 %: they agree`"""
        typed, sensor = (wording.air(*pair) for pair in ((self.typed.temp_c, self.typed.rh_pct), self.sensor_said))
        values: dict[str, Value] = {
            "at": When(self.at, self.at), "typed": typed, "sensor": self.source, "read": sensor,
            "by": wording.by(self.typed.logged_by),
        }  # fmt: skip
        if self.is_apart:
            return phrase(
                "{at}: your thermometer said {typed}{by}, the sensor {sensor} {read}: which one is right?", **values
            )
        return phrase("{at}: your thermometer said {typed}{by}, the sensor {sensor} {read}: they agree", **values)


def last_checks(tx: Transaction, room: str, now: datetime, since: datetime) -> list[Check]:
    """The last one of each sensor of the room, of readings typed for `since` or later."""
    columns = readings_of(rolled_up(tx.reading_columns(room, since=since - _BEFORE, until=now), alone=[TYPED]))
    typed = {one.at: one for one in tx.readings(room, since=since, until=now, source=TYPED)}
    found = [(datetime.fromtimestamp(one.at_s, UTC), one) for one in checks(columns)]
    return [Check(at, one.source, typed[at], one) for at, one in found if at in typed]


def parse_trust(text: str) -> Trust:
    """InputError where it is none."""
    if text not in set(Trust):
        raise InputError(Field.TRUST, text, ", ".join(Trust))
    return Trust(text)


def trust_sensor(desk: Desk, room: str, trust: Trust, now: datetime, *, source: str | None = None) -> SensorTrust:
    """Say which one is right. It holds from the check on, or from now on where something was said since.

    InputError: nothing was typed beside a sensor there lately, or it is not said beside which of several.
    """
    with desk.store.write() as tx:
        room = room_known(tx, room)
        found = {one.source: one for one in standing_checks(tx, room, now)}
        if not found:
            days = CHECKED_WITHIN.days
            raise InputError(
                Field.ROOM,
                room,
                phrase("a room with a reading typed beside its sensor in the last {days} days", days=days),
            )
        if (source is None and len(found) > 1) or (source is not None and source not in found):
            raise InputError(
                Field.SOURCE, source, nearest(source or "", sorted(found), phrase("a sensor that was checked"))
            )
        check = found[source] if source is not None else next(iter(found.values()))
        before = [one for one in tx.sensor_trusts(room) if one.source == check.source and one.at >= check.at]
        offset = trust is Trust.OFFSET
        said = SensorTrust(
            room=room,
            source=check.source,
            at=now if before else check.at,
            trust=trust,
            temp_offset_c=_rounded(check.off.temp_off_c) if offset else None,
            rh_offset_pct=_rounded(check.off.rh_off_pct) if offset else None,
            logged_at=now,
        )
        tx.add_sensor_trust(said)
        mark_air_changed(tx, room, said.at)
    return said


def _rounded(off: float | None) -> float | None:
    return None if off is None else round(off, 2)


def checked(tx: Transaction, reading: Reading, now: datetime) -> list[Check]:
    """The sensors that lived beside a typed reading: it is kept as a check of them."""
    return [one for one in last_checks(tx, reading.room, now, reading.at) if one.at == reading.at]


def check_remark(check: Check) -> Remark:
    """For who typed it: what the sensor said beside it."""
    temp_c, rh_pct = check.sensor_said
    kind = RemarkKind.SENSOR_APART if check.is_apart else RemarkKind.SENSOR_AGREES
    return Remark(kind, check.source, temp_c=temp_c, rh_pct=rh_pct)


def standing_checks(tx: Transaction, room: str, now: datetime) -> list[Check]:
    """The last check of each sensor of the room, of the last days."""
    return last_checks(tx, room, now, now - CHECKED_WITHIN)


def log_reading(desk: Desk, reading: Reading, *, new: bool = False) -> Logged:
    """Store a typed reading; one of that moment that is stored already stands as it was.

    NearName for a room that sounds like a known one, unless it is said to be `new`.
    """
    reading = reading.model_copy(update={"logged_by": desk.by})
    with desk.logging() as tx:
        room, remarks = meet_room(tx, reading.room, new=new)
        reading = reading.model_copy(update={"room": room})
        before = _typed_before(tx, reading)
        if not tx.add_readings([reading]):
            kind = RemarkKind.READING_STORED_ALREADY
            remarks += [Remark(kind, room, temp_c=one.temp_c, rh_pct=one.rh_pct) for one in before[-1:]]
        else:
            rejudge_from(tx, {reading.room: reading.at})
            mark_readings(tx)
            remarks += reading_remarks(tx, reading)
            desk.note_sent(tx, reading.received_at, LogKind.READING, (room, reading.at.isoformat()))
    return Logged(room=room, remarks=tuple(remarks))


def reading_remarks(tx: Transaction, reading: Reading) -> list[Remark]:
    """What came of a typed reading that is stored: how it stands to a sensor, or to what was typed just before."""
    beside = [check_remark(one) for one in checked(tx, reading, reading.received_at)]
    before = [one for one in _typed_before(tx, reading) if one.at < reading.at]
    return beside or [_again(one) for one in before[-1:] if _apart(one, reading)]


def _typed_before(tx: Transaction, reading: Reading) -> list[Reading]:
    """What was typed of the room in the minutes up to then."""
    since = reading.at - timedelta(seconds=AGAIN_S)
    return tx.readings(reading.room, since=since, until=reading.at, source=TYPED)


def _apart(one: Reading, other: Reading) -> bool:
    pairs = ((one.temp_c, other.temp_c), (one.rh_pct, other.rh_pct))
    return any(
        was is not None and now is not None and abs(now - was) > limit
        for (was, now), limit in zip(pairs, DISAGREE, strict=True)
    )


def _again(before: Reading) -> Remark:
    return Remark(RemarkKind.READING_AGAIN, before.room, temp_c=before.temp_c, rh_pct=before.rh_pct)


def room_called(desk: Desk, name: str, *, new: bool) -> str:
    """The room as it is called, for whoever takes in many readings. NearName as `log_reading`."""
    with desk.store.read() as tx:
        return met(name, [room.name for room in tx.rooms()], Field.ROOM, new=new) or name


AT_ONCE = 5000
"""So many readings are in memory at a time."""


def import_readings(desk: Desk, room: str, readings: Iterable[Reading], oldest: datetime | None) -> int:
    """Store a record of the room, all or none of it; the number that were new. `oldest`: the first of them, None where
    there is none. Who writes beside it waits for as long, or tries again: some ten seconds for a million."""
    with desk.store.write() as tx:
        if oldest is not None and room not in {one.name for one in tx.rooms()}:
            tx.add_room(Room(name=room))
        rows, new = iter(readings), 0
        while some := list(islice(rows, AT_ONCE)):
            new += tx.add_readings(some)
        if new and oldest is not None:
            rejudge_from(tx, {room: oldest})
            mark_readings(tx)
    return new


def store_readings(desk: Desk, readings: Sequence[Reading], dated: Sequence[int] = ()) -> int:
    """Store sensors' readings, all or none; the number that were new. `dated`: pending messages that made them."""
    with desk.store.write() as tx:
        tx.drop_pending_messages(dated)
        rooms = {one.name for one in tx.rooms()}
        called = {name: same_name(name, rooms) or name for name in {one.room for one in readings}}
        if any(name != room for name, room in called.items()):  # the settings may write it otherwise than people do
            readings = [one.model_copy(update={"room": called[one.room]}) for one in readings]
        oldest: dict[str, datetime] = {}
        for reading in readings:
            oldest[reading.room] = min(oldest.get(reading.room, reading.at), reading.at)
        for room in oldest.keys() - rooms:
            tx.add_room(Room(name=room))
        new = tx.add_readings(readings)
        if new:
            rejudge_from(tx, oldest)
            mark_readings(tx)
    return new


THINNED, THINNED_AT_ONCE = "readings_thinned", 5
"""The store's note of when readings were let go last; and the days of a sensor that one transaction looks at."""


def thinning_due(tx: Transaction, settings: Settings) -> datetime | None:
    """When the oldest readings have been kept as long as they are to be; None: there are none to let go."""
    oldest = tx.first_raw_day()
    return None if oldest is None else oldest + timedelta(days=1 + settings.readings.keep_days)


def thin(desk: Desk, now: datetime) -> bool:
    """Let some readings of long ago go, of which what each five minutes came to is proven; False: there are none."""
    with desk.store.read() as tx:
        due = thinning_due(tx, desk.settings)
    if due is None or due > now:
        return False
    with desk.store.write() as tx:
        tx.thin(now - timedelta(days=desk.settings.readings.keep_days), THINNED_AT_ONCE)
        tx.set_meta(THINNED, now.isoformat())
    return True


def thinned_at(tx: Transaction) -> datetime | None:
    found = tx.get_meta(THINNED)
    return None if found is None else datetime.fromisoformat(found)
