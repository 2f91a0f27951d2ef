"""What people are told of an alarm: at most one notice for each transition, with cause, consequence, what to do and
by when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.records import Alarm, AlarmKind, AlarmState, Notice
from curewatch.studio.air import flaws
from curewatch.studio.alarms import conditions, lifecycle
from curewatch.studio.alarms.conditions import Limits, OccupiedRoom
from curewatch.studio.alarms.lifecycle import Effect, Event
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.wording import HEATER_CAUTION, Local, lasting, listed, number, span

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
        text = f"{when} Wet there then: {_names(wet)}. This is past and cannot be changed now; {_AFTERWARDS[self.kind]}"
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
        return f"Wet there: {_names(self.room.wet_at(at) or self.room.dryings)}."

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
            told = "; ".join(flaws.text(one, self.local) for one in doubts[-2:])
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
        found += [f"air blows over {_names(fanned)}"] if fanned else []
        found += [f"{_names(gaping)} will skin long before the core is dry"] if gaping else []
        return " and ".join(found) or "that is still close to the limit"

    def _advice(self, at: datetime) -> str:
        limits = self.limits
        if self.kind is AlarmKind.NO_FRESH_DATA:
            if self.room.has_sensor:
                return "Look at the sensor, its battery and the broker today; until it speaks, type a reading."
            return "Read thermometer and hygrometer there and type it in today."
        if self.kind is AlarmKind.COLD:
            warm = limits.warm_enough_c(self.kind)
            return f"Within the hour, begin to warm the room slowly to {warm:g} °C or more. {HEATER_CAUTION}"
        if self.kind is AlarmKind.FROST:
            warm = limits.warm_enough_c(self.kind)
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


def _names(dryings: Sequence[Drying]) -> str:
    return listed([drying.piece.name for drying in dryings])


def coldest_c(room: OccupiedRoom, at: datetime) -> float:
    """Temperature of the coldest film that is wet in the room at `at` [°C] (of all, if none is)."""
    assert room.climate is not None
    time_s = np.array([at.timestamp()])
    film = conditions.film_temperatures(room, time_s, *room.climate.at(time_s))[:, 0]
    wet = conditions.being_wet(room, time_s)[:, 0]
    return float(film[wet].min() if wet.any() else film.min())


EXPIRES_AFTER = timedelta(days=3)
"""A notice of an alarm that could not be delivered for this long says nothing useful any more."""
_KIND = {
    Effect.RAISED: "alarm",
    Effect.OVER: "alarm_over",
    Effect.REMINDED: "reminder",
    Effect.MUTE_ENDED: "reminder",
}


@dataclass(frozen=True)
class Transitions:
    """The events of one look, by what there is to tell of them."""

    over: datetime | None
    """When it ended, if people had been told before that it began."""
    passed: tuple[Episode, ...]
    """Began and ended."""
    begun: datetime | None
    """When it began, if it is active still."""
    reminded: datetime | None
    """When a reminder fell due of what people had been told before, if it is active still."""
    mute_ended: datetime | None
    """When a mute ran out, if it is active still: it may have begun unheard."""


def transitions(before: Alarm, after: Alarm, events: Sequence[Event]) -> Transitions:
    """Sort out `events`, which led from `before` to `after`."""
    told, over, begun, passed = lifecycle.is_active(before), None, None, []
    for event in events:
        if event.effect is Effect.RAISED:
            if begun is not None:
                passed.append(Episode(begun, None))
            begun = event.at
            told = False
        elif event.effect is Effect.OVER and begun is not None:
            passed.append(Episode(begun, event.at))
            begun = None
        elif event.effect is Effect.OVER and told:
            over, told = event.at, False
    if begun is not None and not lifecycle.is_active(after):
        passed.append(Episode(begun, None))
        begun = None
    reminders = [e.at for e in events if e.effect is Effect.REMINDED]
    still = told and lifecycle.is_active(after)
    ended = [e.at for e in events if e.effect is Effect.MUTE_ENDED]
    unmuted_at = ended[-1] if ended and lifecycle.is_active(after) else None
    return Transitions(over, tuple(passed), begun, reminders[-1] if reminders and still else None, unmuted_at)


def notices(texts: AlarmText, before: Alarm, after: Alarm, events: Sequence[Event]) -> tuple[Alarm, list[Notice]]:
    """What to tell of `events`; and the alarm `after` them, with the text that tells of it."""
    happened, found = transitions(before, after, events), []
    if happened.over is not None:
        found.append(_notice(texts, Effect.OVER, happened.over, texts.over(before.raised_at, happened.over)))
    if happened.passed:
        last = happened.passed[-1]
        found.append(_notice(texts, Effect.RAISED, last.raised_at, texts.passed(happened.passed), past=True))
    if happened.begun is not None:
        found.append(_raised(texts, after, happened.begun))
        after = after.model_copy(update={"text": found[-1].text})
    if happened.reminded is not None:
        words = texts.reminded(after.evaluated_at, after.raised_at or happened.reminded)
        found.append(_notice(texts, Effect.REMINDED, happened.reminded, words))
    if happened.mute_ended is not None:
        words = texts.mute_ended(after.evaluated_at, after.raised_at or happened.mute_ended)
        found.append(_notice(texts, Effect.MUTE_ENDED, happened.mute_ended, words))
    return after, [notice for notice in found if not _is_muted(before, notice)]


def _is_muted(before: Alarm, notice: Notice) -> bool:
    """Whether what the notice tells fell into a mute."""
    at = datetime.fromisoformat(notice.data["at"])
    return before.muted_until is not None and at < before.muted_until


def _raised(texts: AlarmText, after: Alarm, raised_at: datetime) -> Notice:
    """Of an alarm that is active: in the present tense if the room is known to be so now."""
    room, now = texts.room, texts.now
    if after.state is AlarmState.CLEARING:
        return _notice(texts, Effect.RAISED, raised_at, texts.better(raised_at, after.since), past=True)
    live = texts.kind is AlarmKind.NO_FRESH_DATA or conditions.is_fresh(room, now, texts.limits)
    if live or room.climate is None:
        return _notice(texts, Effect.RAISED, raised_at, texts.raised(after.evaluated_at, raised_at))
    words = texts.last_known(raised_at, room.climate.newest_at)
    return _notice(texts, Effect.RAISED, raised_at, words, past=True)


def _notice(texts: AlarmText, effect: Effect, at: datetime, words: tuple[str, str], *, past: bool = False) -> Notice:
    title, text = words
    return Notice(
        key=f"alarm/{texts.kind}/{ascii_name(texts.room.name)}/{effect}/{int(at.timestamp())}",
        kind=_KIND[effect],
        created_at=texts.now,
        title=title,
        text=text,
        urgent=texts.kind in lifecycle.URGENT and effect is not Effect.OVER and not past,
        expires_at=texts.now + EXPIRES_AFTER,
        room=texts.room.name,
        data={
            "alarm": texts.kind.value,
            "effect": effect.value,
            "at": at.isoformat(),
            "past": past,
            "names": [drying.piece.name for drying in texts.room.dryings],
        },
    )


def ascii_name(name: str) -> str:
    """A room's name as it may stand in a header: other characters as their code points."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-.") else f"_{ord(c):x}_" for c in name)
