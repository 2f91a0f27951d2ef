"""What whoever publishes to the broker may cost us: devices behind a wildcard, messages of one device, lines in the
log. All that is kept here is bounded, whatever comes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.intake.mqtt.message import match
from curewatch.settings import SensorSettings

Heard = Mapping[tuple[str, str], datetime]
"""By room and source, when a device was last heard."""
TOO_MANY = "{} devices are heard behind its topic, {} not: make the topic narrower, or devices_most larger"
"""What is said of an entry whose places are taken."""
GONE_AFTER = timedelta(days=7)
"""A device that was not heard for so long gives its place to a new one."""
LOOK_AGAIN = timedelta(seconds=10)
"""How often it is looked for a place that was given up."""
TURNED_AWAY_MOST = 1000
"""So many devices are told apart of those that are not let in."""
BURST, A_SECOND = 20_000, 10.0
"""Messages of one device that are stored at a stretch, as a logger's backlog is, and how many a second after that."""
SAY_EVERY_S = 60.0
LINES = 64
"""Of so many sensors the log has a line of its own a minute; what comes of others is one line."""


class Devices:
    """Which devices an entry with a wildcard is heard from: the first so many, until one is gone for days."""

    def __init__(self, heard: Heard) -> None:
        self._before = heard
        self._heard: dict[SensorSettings, dict[str, datetime]] = {}
        self._looked_at: dict[SensorSettings, datetime] = {}
        self._away: dict[str, set[str]] = {}

    @property
    def turned_away(self) -> dict[str, int]:
        """By the entry's id, how many devices there was no place for; counted up to TURNED_AWAY_MOST."""
        return {name: len(sources) for name, sources in self._away.items()}

    def knows_away(self, sensor: SensorSettings, source: str) -> bool:
        """Whether there was no place for it when it came before."""
        return source in self._away.get(sensor.id, ())

    def lets_in(self, sensor: SensorSettings, source: str, now: datetime) -> bool:
        """Whether a message of `source`, which has just come, counts."""
        if source == sensor.id:
            return True  # no wildcard
        places = self._heard.get(sensor) or self._from_before(sensor)
        if source not in places and len(places) >= sensor.devices_most and not self._a_place_is_free(sensor, now):
            away = self._away.setdefault(sensor.id, set())
            if len(away) < TURNED_AWAY_MOST:
                away.add(source)
            return False
        places[source] = now
        return True

    def _from_before(self, sensor: SensorSettings) -> dict[str, datetime]:
        """The places as an earlier run will have given them: to those heard last."""
        mine = {
            source: at
            for (room, source), at in self._before.items()
            if room == sensor.room
            and source.startswith(f"{sensor.id}/")
            and match([sensor], source.removeprefix(f"{sensor.id}/"))
        }
        latest = sorted(mine, key=lambda source: mine[source], reverse=True)[: sensor.devices_most]
        self._heard[sensor] = {source: mine[source] for source in latest}
        return self._heard[sensor]

    def _a_place_is_free(self, sensor: SensorSettings, now: datetime) -> bool:
        looked_at = self._looked_at.get(sensor)
        if looked_at is not None and timedelta(0) <= now - looked_at < LOOK_AGAIN:
            return False
        self._looked_at[sensor] = now
        places = self._heard[sensor]
        longest = min(places, key=lambda source: places[source])
        if now - places[longest] < GONE_AFTER:
            return False
        del places[longest]
        return True


class Rates:
    """Whether a device sends more than any can have to say. Of sources that were let in: they are few."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def is_spent(self, source: str, monotonic: float) -> bool:
        """Whether the next message of a source that was let in before would not be."""
        left, since = self._left.get(source, (float(BURST), monotonic))
        return left + max(0.0, monotonic - since) * A_SECOND < 1.0

    def lets_in(self, source: str, monotonic: float) -> bool:
        left, since = self._left.get(source, (float(BURST), monotonic))
        left = min(float(BURST), left + max(0.0, monotonic - since) * A_SECOND)
        self._left[source] = (left - 1.0 if left >= 1.0 else left, monotonic)
        return left >= 1.0


@dataclass
class _Tally:
    count: int = 0
    """Since it was last said."""
    reason: str = ""


class Refusals:
    """Messages that are no readings, as lines for the log: at once, then one a minute and sensor with their number."""

    def __init__(self, say: Callable[[str], object]) -> None:
        self._say = say
        self._since: float | None = None
        self._said: dict[str, _Tally] = {}
        self._others = 0

    def add(self, of: str, reason: str, monotonic: float) -> None:
        self.tick(monotonic)
        tally = self._said.get(of)
        if tally is not None:
            tally.count, tally.reason = tally.count + 1, reason
        elif len(self._said) < LINES:
            self._said[of] = _Tally()
            self._since = monotonic if self._since is None else self._since
            self._say(f"a message is no reading: {reason}")
        else:
            self._others += 1

    def tick(self, monotonic: float) -> None:
        """Say what is due."""
        if self._since is None or monotonic - self._since < SAY_EVERY_S:
            return
        self._said = {of: tally for of, tally in self._said.items() if tally.count}
        for tally in self._said.values():
            self._say(f"{tally.count} more messages were no readings, the last: {tally.reason}")
            tally.count = 0
        if self._others:
            self._say(f"{self._others} more messages, of other sensors, were no readings")
        self._since, self._others = monotonic if self._said else None, 0
