"""Some days of studios that chance made up (rooms that freeze, sweat and bake, sensors that fall silent and catch up,
pours logged late, series): every message that a person is sent is read against what messages must never say."""

from __future__ import annotations

import random
import re
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from curewatch.clock import RELEASED
from curewatch.desk import PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.records import AlarmKind, Notice, Reading, ThicknessSource
from curewatch.store import Store
from curewatch.studio.alarms.damage import newest, stands
from tests.shell.month import Month, reading
from tests.thorough import THOROUGH

ROOMS = ("Boat shed", "Loft")
AIRS = ((21, 50), (5, 70), (0.5, 80), (18, 92), (31, 17), (11, 60))
"""Usual, cold, frost, damp, hot and dry, about the film-forming limit."""
HOURS, EVERY = 110, timedelta(minutes=20)
DO = re.compile(r"\b(?:Now|Within the (?:hour|day)|Before [A-Z][^:]{3,40}): ")
"""Where a message says what to do, by when."""
OPPOSITES = (("warm the room", "cool the room"), ("warm the room", "keep heaters off"), ("air the room", "shut"))
AIR_KINDS = ("alarm", "reminder", "alarm_over")


class Chance:
    """What happens in a studio."""

    def __init__(self, seed: int, start: datetime) -> None:
        self.draw, self.start, self.poured = random.Random(f"studio {seed}"), start, 0
        self.late: list[Reading] = []
        self.silent_until = dict.fromkeys(ROOMS, start)
        self.catches_up = dict.fromkeys(ROOMS, False)
        self.air = {room: [self.draw.choice(AIRS) for _ in range(HOURS // 8 + 2)] for room in ROOMS}

    def readings(self, since: datetime, until: datetime) -> list[Reading]:
        """What comes in, late ones of a sensor that was silent along with its first new one."""
        found: list[Reading] = []
        for number, room in enumerate(ROOMS):
            if self.draw.random() < 0.02:
                self.silent_until[room] = until + timedelta(hours=self.draw.uniform(2, 8))
                self.catches_up[room] = self.draw.random() < 0.5
            at = since + EVERY
            while at <= until:
                part = (at - self.start) / timedelta(hours=8)
                (t0, rh0), (t1, rh1) = self.air[room][int(part) : int(part) + 2]
                x = min(1.0, 4 * (part % 1))  # two hours from one air to the next
                one = reading(at, t0 + x * (t1 - t0), rh0 + x * (rh1 - rh0), room, f"s{number}")
                silent = at < self.silent_until[room]
                (self.late if silent and self.catches_up[room] else [] if silent else found).append(one)
                at += EVERY
            if until >= self.silent_until[room]:
                found += [one for one in self.late if one.room == room]
                self.late = [one for one in self.late if one.room != room]
        return found

    def pours(self, now: datetime) -> list[PourOrder]:
        """A piece or a series of three, now or as it was some time ago."""
        if not 8 <= now.hour < 20 or self.draw.random() > 0.25:
            return []
        self.poured += 1
        ago = timedelta(hours=self.draw.uniform(4, 30) if self.draw.random() < 0.3 else 0)
        one = PourOrder(
            f"Piece {self.poured}",
            self.draw.choice(ROOMS),
            now - ago,
            self.draw.uniform(0.4, 1.6) * 1e-3,
            ThicknessSource.GAUGE,
            air_speed_m_s=self.draw.choice((0.1, 0.1, 0.3, 1.0)),
        )
        if self.draw.random() > 0.3:
            return [one]
        series = f"Set {self.poured}"
        return [replace(one, name=f"{series} {k}", series=series) for k in (1, 2, 3)]


def said_wrong(sent: Notice, month: Month) -> list[str]:
    """What is wrong with a message at the moment it is sent."""
    with month.store.read() as tx:
        active = {(one.room, one.kind) for one in tx.alarms() if one.is_active}
        harmed = {key[0] for key, one in newest(tx.damages([p.id for p in tx.pieces()])).items() if stands(one)}
        lies = {stay.piece_id: stay.room for stay in tx.stays()}
        members = {one.key: one for one in tx.notices(limit=10_000)}
    parts = [members[key] for key in sent.data.get("members", ()) if key in members] or [sent]
    wrong = []
    for part in parts:
        asked = DO.findall(str(part.text))
        if part.kind in AIR_KINDS and len(asked) > 1:
            wrong.append(f"asks for {len(asked)} things: {part.text}")
        if part.kind in AIR_KINDS and any(a in str(part.text) and b in str(part.text) for a, b in OPPOSITES):
            wrong.append(f"pulls two ways: {part.text}")
        if part.data.get("past") and asked:
            wrong.append(f"is past, and asks for something: {part.text}")
        if "Nothing needs doing" in str(part.text):
            still = [kind for room, kind in active if room == part.room]
            if still or any(lies[piece] == part.room for piece in harmed):
                wrong.append(f"says that nothing needs doing while {still or 'harm'} stands: {part.text}")
    live = Counter(
        one.room
        for one in parts
        if one.kind in ("alarm", "reminder")
        and not one.data.get("past")
        and one.data["alarm"] != AlarmKind.NO_FRESH_DATA
    )
    wrong += [f"tells of {room} twice" for room, count in live.items() if count > 1]
    return wrong


def told_wrong(notices: list[Notice]) -> list[str]:
    """What is wrong with what one look came to."""
    wrong = []
    past = Counter(one.room for one in notices if one.data.get("past"))
    wrong += [f"{count} lines of what is past in {room}" for room, count in past.items() if count > 1]
    series = Counter(
        (one.data["series"], one.data["milestone"], one.data["odds"])
        for one in notices
        if one.kind == "milestone" and one.data["series"] and "told_in" not in one.data
    )
    return wrong + [f"{count} notices of {which}" for which, count in series.items() if count > 1]


@pytest.mark.parametrize("seed", range(2, 2 + THOROUGH))
def test_no_message_says_what_none_may(tmp_path: Path, seed: int) -> None:
    start = (RELEASED + timedelta(days=2)).replace(hour=6, minute=0, second=0, microsecond=0)
    chance, wrong = Chance(seed, start - timedelta(hours=32)), []
    with Store.open(tmp_path / "studio.sqlite") as store:
        month = Month(store, start - timedelta(hours=32), ROOMS)
        known: set[str] = set()
        while month.clock.now() < start + timedelta(hours=HOURS - 40):
            now = month.clock.now() + timedelta(hours=1)
            if now > start and (orders := chance.pours(now)):
                log_pours(month.desk, orders, now)
            sent = len(month.post.sent)
            month.step(chance.readings(month.clock.now(), now), timedelta(hours=1))
            new = [one for one in month.notices() if one.key not in known]
            known |= {one.key for one in new}
            wrong += [f"{now:%d %b %H:%M} {one}" for one in told_wrong(new)]
            for _, one in month.post.sent[sent:]:
                wrong += [f"{now:%d %b %H:%M} {one.title!r} {what}" for what in said_wrong(one, month)]
        assert any(one.kind == "alarm" for _, one in month.post.sent), "chance made nothing happen"
    assert wrong == [], "\n".join(wrong)
