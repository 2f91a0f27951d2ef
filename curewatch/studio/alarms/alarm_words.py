"""An alarm in words: one cause, one consequence, one thing to do and by when, one caution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.records import AlarmKind, Damage
from curewatch.studio.air import flaws
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.alarms.lifecycle import Episode
from curewatch.studio.alarms.remedies import Remedy, names
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.wording import Local, lasting, listed, number, span

TITLES = {
    AlarmKind.COLD: "too cold for wet paint",
    AlarmKind.FROST: "frost near wet paint",
    AlarmKind.DAMP: "too damp to dry",
    AlarmKind.TOO_FAST: "drying too fast",
    AlarmKind.NO_FRESH_DATA: "no fresh readings",
}
_AFTERWARDS = {
    AlarmKind.COLD: "once dry, look it over in raking light for fine cracks before you varnish it.",
    AlarmKind.FROST: "once dry, look for cracks or a crumbling film, and try an edge before you trust it.",
    AlarmKind.DAMP: "the dates already allow for it.",
    AlarmKind.TOO_FAST: "once dry, look it over in raking light for crazing.",
    AlarmKind.NO_FRESH_DATA: "dates from then rest on old air.",
}
NOTHING_HELPS = "Nothing that the model knows of ends it there: wait, and pour the next one elsewhere."
MENTION_START = timedelta(minutes=30)
"""An alarm raised longer before the moment that is described says since when."""


@dataclass(frozen=True)
class AlarmText:
    """Words about one alarm of one room at `now`; each method gives title and text."""

    room: OccupiedRoom
    kind: AlarmKind
    now: datetime
    limits: Limits
    local: Local
    remedy: Remedy | None = None
    """What to do about all that stands in the room; None: nothing helps."""
    also: tuple[AlarmKind, ...] = ()
    """Other alarms of the air that stand there, the worst first."""
    harm: tuple[Damage, ...] = ()
    """What it has done so far to pieces there, as far as that is counted."""

    def raised(self, at: datetime, raised_at: datetime) -> tuple[str, str]:
        """It holds at `at`, which is as good as now."""
        since = [f"It has been so since {self._date(raised_at)}."] if at - raised_at > MENTION_START else []
        return self._title(), " ".join([self._cause(at), *since, self._wet(at), self._advice(at)])

    def joined(self, at: datetime, raised_at: datetime, new: Sequence[Drying]) -> tuple[str, str]:
        """It stands, and `new` have come to be at stake in it."""
        title, text = self.raised(at, raised_at)
        return f"{title}, now for {names(new)} too", text

    def reminded(self, at: datetime, raised_at: datetime) -> tuple[str, str]:
        """Nobody has acknowledged it, and it holds still at `at`."""
        title, text = self.raised(at, raised_at)
        named = {drying.piece.id: drying.piece.name for drying in self.room.dryings}
        harm = [f"{named[one.piece_id]} has been {length_and_what(one)}" for one in self.harm]
        so_far = f" So far {listed(harm)}." if harm else ""
        again = "in a week, or as the harm grows" if harm else "in a week"
        return f"Still {title}", f"Not yet acknowledged. {text}{so_far} Unless acknowledged it is told again {again}."

    def mute_ended(self, at: datetime, raised_at: datetime) -> tuple[str, str]:
        """The mute has run out, and it holds still at `at`."""
        title, text = self.raised(at, raised_at)
        return f"Still {title}", f"The mute has ended. {text}"

    def last_known(self, raised_at: datetime, heard_at: datetime) -> tuple[str, str]:
        """It was so when the room was last heard of, too long ago to say how it is now."""
        known = f"It was so from {self._date(raised_at)} until the last reading, {self._date(heard_at)}; "
        ask = f"how it is now is not known. See how {self.room.name} is today, and type or send a reading."
        return self._title("when last read"), f"{self._cause(raised_at)} {self._wet(raised_at)} {known}{ask}"

    def better(self, raised_at: datetime, better_since: datetime) -> tuple[str, str]:
        """It was so, and for the moment it is not."""
        text = f"It began {self._date(raised_at)} and has been better since {self._date(better_since)}."
        return self._title("better now"), f"{self._cause(raised_at)} {self._wet(raised_at)} {text}"

    def over(
        self, raised_at: datetime | None, at: datetime, left: Sequence[str], too: Sequence[AlarmKind]
    ) -> tuple[str, str]:
        """What people were told of has ended, `too` with it. `left`: what is still to be done there, in sentences."""
        after = f", after {span(at - raised_at)}" if raised_at is not None else ""
        then = " ".join(left) or "Nothing needs doing."
        if self.kind is AlarmKind.NO_FRESH_DATA:
            heard_at = self.room.freshest_at or at
            rest = f" {then}" if left else ""
            return f"{self._title()}: over", f"Readings come in again; the last {self._date(heard_at)}.{rest}"
        more = f" Over too: {listed([TITLES[kind] for kind in too])}." if too else ""
        return f"{self._title()}: over", f"Over since {self._date(at)}{after}. {self._air(at)}.{more} {then}"

    def passed(self, episodes: Sequence[Episode]) -> tuple[str, str]:
        """It came and went before anybody could be told."""
        first, last = episodes[0], episodes[-1]
        wet = self._wet_during(episodes)
        if len(episodes) == 1:
            when = f"It was so from {self._span(first)}. {self._cause(first.raised_at)}"
        else:
            longest = max(episodes, key=lambda e: (e.over_at or e.raised_at) - e.raised_at)
            when = (
                f"It was so {len(episodes)} times between {self._date(first.raised_at)} and "
                f"{self._date(last.over_at or last.raised_at)}, the longest from {self._span(longest)}. "
                f"{self._cause(longest.raised_at)}"
            )
        text = f"{when} Wet there then: {names(wet)}. This is past and cannot be changed now; {_AFTERWARDS[self.kind]}"
        return self._title("past"), text

    # --- the parts ---

    def _title(self, when: str = "") -> str:
        return f"{self.room.name}: {TITLES[self.kind]}{f' ({when})' if when else ''}"

    def _date(self, at: datetime) -> str:
        return lasting(at, self.local, self.now)

    def _span(self, episode: Episode) -> str:
        if episode.over_at is None:
            return f"{self._date(episode.raised_at)} until nothing was wet there any more"
        length = span(episode.over_at - episode.raised_at)
        return f"{self._date(episode.raised_at)} to {self._date(episode.over_at)} ({length})"

    def _wet(self, at: datetime) -> str:
        lying = self.room.wet_at(at, self.kind)
        if self.room.climate is not None and self.kind is not AlarmKind.NO_FRESH_DATA:
            lying = conditions.at_stake(self.room, [self.kind], at, self.limits) or lying
        return f"Wet there: {names(lying or self.room.dryings)}."

    def _wet_during(self, episodes: Sequence[Episode]) -> list[Drying]:
        found = {d.piece.id: d for e in episodes for d in self.room.wet_at(e.raised_at, self.kind)}
        return list(found.values()) or list(self.room.dryings)

    def _conditions(self, at: datetime) -> tuple[float, float]:
        assert self.room.climate is not None
        temp, rh = self.room.climate.at(at.timestamp())
        return float(temp), float(rh)

    def _air(self, at: datetime) -> str:
        temp, rh = self._conditions(at)
        return f"The room was at {number(temp, 1)} °C, {number(rh)} %RH ({self._date(at)})"

    def _cause(self, at: datetime) -> str:
        if self.kind is AlarmKind.NO_FRESH_DATA:
            return self._silence()
        if self.kind is AlarmKind.COLD:
            mfft, coldest = self.limits.cold_mfft_c, coldest_c(self.room, at)
            side = "below" if coldest < mfft else "hardly above"
            return (
                f"{self._air(at)}; wet films are cooler, the coldest {number(coldest, 1)} °C, {side} the {mfft:g} °C "
                "at which their particles can fuse. Paint that dries so may crack."
            )
        if self.kind is AlarmKind.FROST:
            return f"{self._air(at)}. Wet paint that freezes does not recover."
        if self.kind is AlarmKind.DAMP:
            temp, rh = self._conditions(at)
            rate = float(conditions.relative_rate(np.array([temp]), np.array([rh]))[0])
            pace = f"dry at {number(100 * rate)} % of" if rate > 0.005 else "do not dry at all, against"
            return f"{self._air(at)}. Wet films {pace} their rate at 21 °C, 50 %RH: every date moves out."
        return f"{self._air(at)}; {self._haste(at)}. The skin closes over a wet core, and as that shrinks it crazes."

    def _silence(self) -> str:
        if self.room.freshest_at is None:
            return f"{self.room.name} has not been read: there are no dates without its temperature and humidity."
        if doubts := self.room.doubted:
            told = "; ".join(flaws.text(one, self.local) for one in doubts[-2:])
            return f"{told}. Nothing else tells of {self.room.name}: its dates and warnings may rest on what is past."
        last = self._date(self.room.freshest_at)
        return f"Last heard from {self.room.name} {last}. Its dates and warnings rest on old air."

    def _haste(self, at: datetime) -> str:
        time_s = np.array([at.timestamp()])
        young = conditions.being_young(self.room, time_s)[:, 0]
        hasty = [d for d, is_young in zip(self.room.dryings, young, strict=True) if is_young]
        blown = [d for d in hasty if d.is_blown_on]
        fan = any(conditions.under_fan(d) for d in blown)
        by = f"{'a fan blows' if fan else 'air moves'} over {names(blown)}" if blown else "that is dry for its warmth"
        film = conditions.film_balances(self.room, time_s, *self.room.climate.at(time_s)) if self.room.climate else None
        sure = film is None or not blown or (conditions.hastes(self.room, film, self.limits)[young] > 1.0).any()
        leaves = "water leaves" if sure else "how fast nobody measured: water may leave"
        return f"{by}{':' if sure else ','} {leaves} the surface faster than the core can send it up"

    def _advice(self, at: datetime) -> str:
        if self.kind is not AlarmKind.NO_FRESH_DATA:
            also = f"{_also(self.also)} " if self.also else ""
            return also + (NOTHING_HELPS if self.remedy is None else self.remedy.text())
        if self.room.has_sensor:
            return "Look at the sensor, its battery and the broker today; until it speaks, type a reading."
        return "Read thermometer and hygrometer there and type it in today."


def _also(kinds: Sequence[AlarmKind]) -> str:
    """Of the other alarms that stand in the room, for which the same thing is done."""
    return f"Besides: {listed([TITLES[kind] for kind in kinds])}."


def coldest_c(room: OccupiedRoom, at: datetime) -> float:
    """Temperature of the coldest film that is wet in the room at `at` [°C] (of all, if none is)."""
    assert room.climate is not None
    time_s = np.array([at.timestamp()])
    film = conditions.film_temperatures(room, time_s, *room.climate.at(time_s))[:, 0]
    wet = conditions.being_wet(room, time_s, AlarmKind.COLD)[:, 0]
    return float(film[wet].min() if wet.any() else film.min())
