"""What an alarm says: cause, consequence, what to do, and by when; of what is past, that it is past.

Each text is about a moment of the room's record and says which: an order in the present tense is given only while
the room is known to be so still. A text stands on the page as long as its alarm, and a person's quiet hours hold it
back until morning: so it names days and gives no ages, which would be wrong by then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.records import AlarmKind
from curewatch.studio.air import part_studio_quality_words
from curewatch.studio.alarms import conditions
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.forecasting.forecast import Drying
from curewatch.studio.wording import HEATER_CAUTION, Local, lasting, names, number, span

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
MENTION_START = timedelta(minutes=30)
"""An alarm raised longer before the moment that is described says since when."""


@dataclass(frozen=True)
class Episode:
    """From when to when an alarm was active. `over_at` is None where it ended with the last wet piece."""

    raised_at: datetime
    over_at: datetime | None


@dataclass(frozen=True)
class AlarmText:
    """Words about one alarm of one room at `now`; each method gives title and text."""

    room: OccupiedRoom
    kind: AlarmKind
    now: datetime
    limits: Limits
    local: Local

    def raised(self, at: datetime, raised_at: datetime) -> tuple[str, str]:
        """It holds at `at`, which is as good as now."""
        since = [f"It has been so since {self._date(raised_at)}."] if at - raised_at > MENTION_START else []
        return self._title(), " ".join([self._cause(at), *since, self._wet(at), self._advice(at)])

    def reminded(self, at: datetime, raised_at: datetime) -> tuple[str, str]:
        """Nobody has acknowledged it, and it holds still at `at`."""
        title, text = self.raised(at, raised_at)
        return f"Still {title}", f"Not yet acknowledged. {text}"

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

    def over(self, raised_at: datetime | None, at: datetime) -> tuple[str, str]:
        """What people were told of has ended."""
        after = f", after {span(at - raised_at)}" if raised_at is not None else ""
        if self.kind is AlarmKind.NO_FRESH_DATA:
            heard_at = self.room.freshest_at or at
            return f"{self._title()}: over", f"Readings come in again; the last {self._date(heard_at)}."
        return f"{self._title()}: over", f"Over since {self._date(at)}{after}. {self._air(at)}. Nothing needs doing."

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
        return f"Wet there: {names(self.room.wet_at(at) or self.room.dryings)}."

    def _wet_during(self, episodes: Sequence[Episode]) -> list[Drying]:
        found = {d.piece.id: d for e in episodes for d in self.room.wet_at(e.raised_at)}
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
            told = "; ".join(part_studio_quality_words.text(one, self.local) for one in doubts[-2:])
            return f"{told}. Nothing else tells of {self.room.name}: its dates and warnings may rest on what is past."
        last = self._date(self.room.freshest_at)
        return f"Last heard from {self.room.name} {last}. Its dates and warnings rest on old air."

    def _haste(self, at: datetime) -> str:
        temp, rh = self._conditions(at)
        young = [d for d in self.room.wet_at(at) if at < d.pour.at + conditions.FIRST_DAY]
        fanned = [d for d in young if conditions.under_fan(d)]
        gaping = [d for d in young if conditions.gap_grows(self.room.forecasts.get(d.piece.id))]
        found = [f"that is warmer than {self.limits.fast_temp_c:g} °C"] if temp > self.limits.fast_temp_c else []
        found += [f"that is drier than {self.limits.fast_rh_pct:g} %RH"] if rh < self.limits.fast_rh_pct else []
        found += [f"air blows over {names(fanned)}"] if fanned else []
        found += [f"{names(gaping)} will skin long before the core is dry"] if gaping else []
        return " and ".join(found) or "that is still close to the limit"

    def _advice(self, at: datetime) -> str:
        limits = self.limits
        if self.kind is AlarmKind.NO_FRESH_DATA:
            if self.room.has_sensor:
                return "Look at the sensor, its battery and the broker today; until it speaks, type a reading."
            return "Read thermometer and hygrometer there and type it in today."
        if self.kind is AlarmKind.COLD:
            warm = limits.cold_mfft_c + 3
            return f"Within the hour, begin to warm the room slowly to {warm:g} °C or more. {HEATER_CAUTION}"
        if self.kind is AlarmKind.FROST:
            warm = limits.frost_c + 3
            return (
                f"Now: warm the room to {warm:g} °C or more, or carry the pieces, level, to a warmer one. "
                f"{HEATER_CAUTION}"
            )
        if self.kind is AlarmKind.DAMP:
            dry_enough = limits.damp_rh_pct - limits.deadband_rh_pct
            to = f"to {dry_enough:g} %RH or less" if self._conditions(at)[1] > dry_enough else "as well"
            return f"Within the day, warm the room or dry its air {to}. {HEATER_CAUTION}"
        return (
            "Within the hour, switch fans off, keep sun and heaters off the pieces, and bring the room to "
            f"{limits.fast_rh_pct + 10:g} %RH or more and below {limits.fast_temp_c - 3:g} °C."
        )


def coldest_c(room: OccupiedRoom, at: datetime) -> float:
    """Temperature of the coldest film that is wet in the room at `at` [°C] (of all, if none is)."""
    assert room.climate is not None
    time_s = np.array([at.timestamp()])
    film = conditions.film_temperatures(room, time_s, *room.climate.at(time_s))[:, 0]
    wet = conditions.being_wet(room, time_s)[:, 0]
    return float(film[wet].min() if wet.any() else film.min())
