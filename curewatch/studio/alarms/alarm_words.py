"""An alarm in words: one cause, one consequence, one thing to do and by when, one caution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.language import (
    Joined,
    Listed,
    Message,
    Percent,
    Span,
    Temperature,
    Value,
    When,
    Words,
    joined,
    phrase,
)
from curewatch.records import Alarm, AlarmKind, Damage
from curewatch.studio.air import flaws
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.alarms.lifecycle import Episode
from curewatch.studio.alarms.remedies import Remedy, names
from curewatch.studio.forecasting.drying import Drying

Text = tuple[Words, Words]
"""Title and text."""
TITLES = {
    AlarmKind.COLD: phrase("too cold for wet paint"),
    AlarmKind.FROST: phrase("frost near wet paint"),
    AlarmKind.DAMP: phrase("too damp to dry"),
    AlarmKind.TOO_FAST: phrase("drying too fast"),
    AlarmKind.NO_FRESH_DATA: phrase("no fresh readings"),
}
_AFTERWARDS = {
    AlarmKind.COLD: phrase("once dry, look it over in raking light for fine cracks before you varnish it."),
    AlarmKind.FROST: phrase("once dry, look for cracks or a crumbling film, and try an edge before you trust it."),
    AlarmKind.DAMP: phrase("the dates already allow for it."),
    AlarmKind.TOO_FAST: phrase("once dry, look it over in raking light for crazing."),
    AlarmKind.NO_FRESH_DATA: phrase("dates from then rest on old air."),
}
NOTHING_HELPS = phrase("Nothing that the model knows of ends it there: wait, and pour the next one elsewhere.")
USUAL_AIR = phrase("{temp}, {rh}", temp=Temperature(21), rh=Percent(50, of="%RH"))
CLOSE = phrase("Close to an alarm")
MENTION_START = timedelta(minutes=30)
"""An alarm raised longer before the moment that is described says since when."""


def close(alarm: Alarm, now: datetime) -> Message:
    """Of one that is over its limit, and not for long enough that people are told."""
    values: dict[str, Value] = {
        "room": alarm.room,
        "what": TITLES[alarm.kind],
        "since": When(alarm.since, now, "date"),
    }
    if alarm.is_muted(now):
        return phrase("{room}: {what} since {since}; muted", **values)
    return phrase("{room}: {what} since {since}; you are told if it lasts", **values)


@dataclass(frozen=True)
class AlarmText:
    """Words about one alarm of one room at `now`; each method gives title and text."""

    room: OccupiedRoom
    kind: AlarmKind
    now: datetime
    limits: Limits
    remedy: Remedy | None = None
    """What to do about all that stands in the room; None: nothing helps."""
    also: tuple[AlarmKind, ...] = ()
    """Other alarms of the air that stand there, the worst first."""
    harm: tuple[Damage, ...] = ()
    """What it has done so far to pieces there, as far as that is counted."""

    def raised(self, at: datetime, raised_at: datetime) -> Text:
        """It holds at `at`, which is as good as now."""
        long = at - raised_at > MENTION_START
        since = phrase("It has been so since {since}.", since=self._date(raised_at)) if long else None
        return self._title(), joined(self._cause(at), since, self._wet(at), self._advice(at))

    def joined(self, at: datetime, raised_at: datetime, new: Sequence[Drying]) -> Text:
        """It stands, and `new` have come to be at stake in it."""
        title, text = self.raised(at, raised_at)
        return phrase("{title}, now for {pieces} too", title=title, pieces=names(new)), text

    def reminded(self, at: datetime, raised_at: datetime) -> Text:
        """Nobody has acknowledged it, and it holds still at `at`."""
        title, text = self.raised(at, raised_at)
        named = {drying.piece.id: drying.piece.name for drying in self.room.dryings}
        harm = [
            phrase("{piece} has been {harm}", piece=named[one.piece_id], harm=length_and_what(one)) for one in self.harm
        ]
        so_far = phrase("So far {harm}.", harm=Listed(tuple(harm))) if harm else None
        again = phrase("Unless acknowledged it is told again in a week.")
        if harm:
            again = phrase("Unless acknowledged it is told again in a week, or as the harm grows.")
        return _still(title), joined(phrase("Not yet acknowledged."), text, so_far, again)

    def mute_ended(self, at: datetime, raised_at: datetime) -> Text:
        """The mute has run out, and it holds still at `at`."""
        title, text = self.raised(at, raised_at)
        return _still(title), joined(phrase("The mute has ended."), text)

    def last_known(self, raised_at: datetime, heard_at: datetime) -> Text:
        """It was so when the room was last heard of, too long ago to say how it is now."""
        known = phrase(
            "It was so from {begin} until the last reading, {end}; how it is now is not known. See how {room} is today,"
            " and type or send a reading.",
            begin=self._date(raised_at),
            end=self._date(heard_at),
            room=self.room.name,
        )
        return self._title(phrase("when last read")), joined(self._cause(raised_at), self._wet(raised_at), known)

    def better(self, raised_at: datetime, better_since: datetime) -> Text:
        """It was so, and for the moment it is not."""
        text = phrase(
            "It began {begin} and has been better since {since}.",
            begin=self._date(raised_at),
            since=self._date(better_since),
        )
        return self._title(phrase("better now")), joined(self._cause(raised_at), self._wet(raised_at), text)

    def over(self, raised_at: datetime | None, at: datetime, left: Sequence[Words], too: Sequence[AlarmKind]) -> Text:
        """What people were told of has ended, `too` with it. `left`: what is still to be done there, in sentences."""
        title = phrase("{title}: over", title=self._title())
        if self.kind is AlarmKind.NO_FRESH_DATA:
            heard_at = self._date(self.room.freshest_at or at)
            return title, joined(phrase("Readings come in again; the last {at}.", at=heard_at), *left)
        since = phrase("Over since {at}.", at=self._date(at))
        if raised_at is not None:
            since = phrase("Over since {at}, after {span}.", at=self._date(at), span=Span(at - raised_at))
        air = phrase("{air}.", air=self._air(at))
        more = phrase("Over too: {alarms}.", alarms=titles(too)) if too else None
        return title, joined(since, air, more, *(left or [phrase("Nothing needs doing.")]))

    def passed(self, episodes: Sequence[Episode]) -> Text:
        """It came and went before anybody could be told."""
        first, last = episodes[0], episodes[-1]
        longest = max(episodes, key=lambda e: (e.over_at or e.raised_at) - e.raised_at)
        if len(episodes) == 1:
            when = phrase("It was so from {span}.", span=self._span(first))
        else:
            when = phrase(
                "It was so {n} times between {begin} and {end}, the longest from {span}.",
                n=len(episodes),
                begin=self._date(first.raised_at),
                end=self._date(last.over_at or last.raised_at),
                span=self._span(longest),
            )
        past = phrase(
            "Wet there then: {pieces}. This is past and cannot be changed now; {afterwards}",
            pieces=names(self._wet_during(episodes)),
            afterwards=_AFTERWARDS[self.kind],
        )
        return self._title(phrase("past")), joined(when, self._cause(longest.raised_at), past)

    # --- the parts ---

    def _title(self, when: Message | None = None) -> Message:
        if when is None:
            return phrase("{room}: {what}", room=self.room.name, what=TITLES[self.kind])
        return phrase("{room}: {what} ({when})", room=self.room.name, what=TITLES[self.kind], when=when)

    def _date(self, at: datetime) -> When:
        return When(at, self.now)

    def _span(self, episode: Episode) -> Message:
        begin = self._date(episode.raised_at)
        if episode.over_at is None:
            return phrase("{begin} until nothing was wet there any more", begin=begin)
        length = Span(episode.over_at - episode.raised_at)
        return phrase("{begin} to {end} ({span})", begin=begin, end=self._date(episode.over_at), span=length)

    def _wet(self, at: datetime) -> Message:
        lying = self.room.wet_at(at, self.kind)
        if self.room.climate is not None and self.kind is not AlarmKind.NO_FRESH_DATA:
            lying = conditions.at_stake(self.room, [self.kind], at, self.limits) or lying
        return phrase("Wet there: {pieces}.", pieces=names(lying or self.room.dryings))

    def _wet_during(self, episodes: Sequence[Episode]) -> list[Drying]:
        found = {d.piece.id: d for e in episodes for d in self.room.wet_at(e.raised_at, self.kind)}
        return list(found.values()) or list(self.room.dryings)

    def _conditions(self, at: datetime) -> tuple[float, float]:
        assert self.room.climate is not None
        temp, rh = self.room.climate.at(at.timestamp())
        return float(temp), float(rh)

    def _air(self, at: datetime) -> Message:
        """As it was read last by then: what was typed holds on, and was not read again."""
        temp, rh = self._conditions(at)
        assert self.room.climate is not None
        read_at = min(at, datetime.fromtimestamp(self.room.climate.newest_s, UTC))
        return phrase(
            "The room was at {temp}, {rh} ({at})",
            temp=Temperature(temp, 1),
            rh=Percent(rh, of="%RH"),
            at=self._date(read_at),
        )

    def _cause(self, at: datetime) -> Words:
        if self.kind is AlarmKind.NO_FRESH_DATA:
            return self._silence()
        air = self._air(at)
        if self.kind is AlarmKind.COLD:
            mfft, coldest = self.limits.cold_mfft_c, coldest_c(self.room, at)
            values: dict[str, Value] = {"air": air, "coldest": Temperature(coldest, 1), "mfft": Temperature(mfft)}
            if coldest < mfft:
                return phrase(
                    "{air}; wet films are cooler, the coldest {coldest}, below the {mfft} at which their particles can "
                    "fuse. Paint that dries so may crack.",
                    **values,
                )
            return phrase(
                "{air}; wet films are cooler, the coldest {coldest}, hardly above the {mfft} at which their particles "
                "can fuse. Paint that dries so may crack.",
                **values,
            )
        if self.kind is AlarmKind.FROST:
            return phrase("{air}. Wet paint that freezes does not recover.", air=air)
        if self.kind is AlarmKind.DAMP:
            return self._damp(at, air)
        return phrase(
            "{air}; {haste}. The skin closes over a wet core, and as that shrinks it crazes.",
            air=air,
            haste=self._haste(at),
        )

    def _damp(self, at: datetime, air: Message) -> Message:
        temp, rh = self._conditions(at)
        rate = float(conditions.relative_rate(np.array([temp]), np.array([rh]))[0])
        if rate > 0.005:
            return phrase(
                "{air}. Wet films dry at {share} of their rate at {usual}: every date moves out.",
                air=air,
                share=Percent(100 * rate),
                usual=USUAL_AIR,
            )
        return phrase(
            "{air}. Wet films do not dry at all, against their rate at {usual}: every date moves out.",
            air=air,
            usual=USUAL_AIR,
        )

    def _silence(self) -> Words:
        room = self.room.name
        if self.room.freshest_at is None:
            return phrase(
                "{room} has not been read: there are no dates without its temperature and humidity.", room=room
            )
        if doubts := self.room.doubted:
            return phrase(
                "{doubts}. Nothing else tells of {room}: its dates and warnings may rest on what is past.",
                doubts=Joined(tuple(flaws.text(one) for one in doubts[-2:]), "; "),
                room=room,
            )
        return phrase(
            "Last heard from {room} {at}. Its dates and warnings rest on old air.",
            room=room,
            at=self._date(self.room.freshest_at),
        )

    def _haste(self, at: datetime) -> Message:
        time_s = np.array([at.timestamp()])
        young = conditions.being_young(self.room, time_s)[:, 0]
        hasty = [d for d, is_young in zip(self.room.dryings, young, strict=True) if is_young]
        blown = [d for d in hasty if d.is_blown_on]
        if not blown:
            return phrase("that is dry for its warmth: water leaves the surface faster than the core can send it up")
        film = conditions.film_balances(self.room, time_s, *self.room.climate.at(time_s)) if self.room.climate else None
        sure = film is None or (conditions.hastes(self.room, film, self.limits)[young] > 1.0).any()
        by = phrase("air moves over {pieces}", pieces=names(blown))
        if any(conditions.under_fan(d) for d in blown):
            by = phrase("a fan blows over {pieces}", pieces=names(blown))
        if sure:
            return phrase("{by}: water leaves the surface faster than the core can send it up", by=by)
        return phrase(
            "{by}, how fast nobody measured: water may leave the surface faster than the core can send it up", by=by
        )

    def _advice(self, at: datetime) -> Words:
        if self.kind is not AlarmKind.NO_FRESH_DATA:
            also = phrase("Besides: {alarms}.", alarms=titles(self.also)) if self.also else None
            helps = Joined((NOTHING_HELPS,), role="do") if self.remedy is None else self.remedy.text()
            return joined(also, helps)
        do = phrase("Read thermometer and hygrometer there and type it in today.")
        if self.room.has_sensor:
            do = phrase("Look at the sensor, its battery and the broker today; until it speaks, type a reading.")
        return Joined((do,), role="do")


def _still(title: Words) -> Message:
    return phrase("Still {title}", title=title)


def titles(kinds: Sequence[AlarmKind]) -> Listed:
    return Listed(tuple(TITLES[kind] for kind in kinds))


def coldest_c(room: OccupiedRoom, at: datetime) -> float:
    """Temperature of the coldest film that is wet in the room at `at` [°C] (of all, if none is)."""
    assert room.climate is not None
    time_s = np.array([at.timestamp()])
    film = conditions.film_temperatures(room, time_s, *room.climate.at(time_s))[:, 0]
    wet = conditions.being_wet(room, time_s, AlarmKind.COLD)[:, 0]
    return float(film[wet].min() if wet.any() else film.min())
