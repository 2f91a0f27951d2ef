"""What must never be read in one studio at one moment, and over time: each a rule with its name.

Looked at are the board, every piece and every room as JSON and as page, the calendar, the steps and the notices, all
fetched as a person or a program would. A rule yields what it found wrong, as a sentence.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from icalendar import Calendar

from curewatch.records import MilestoneKind
from curewatch.studio.wording import STAGES

ORDER = [kind.value for kind in MilestoneKind]
NAMED = {str(said): kind.value for kind, said in STAGES.items() if kind is not None}
"""By what people read of a stage, its milestone."""
FINDS = {"touch-dry": "touch_dry", "dry-through": "handle"}
WHILE_WET = ("level", "drips", "skins")
"""Steps that wait for no dry piece: the last is of paint beside it."""
ROUNDED = timedelta(hours=6)
"""A calendar tells dates in steps: a quarter of an hour, far ones to six hours."""
ADVICE = re.compile(r"(?:Now|Within the hour|Within the day): [^.]+\.")
CLOCK = r"(?:today|yesterday|tomorrow|[A-Z][a-z]{2} \d+ [A-Z][a-z]{2}) \d\d:\d\d"


@dataclass
class View:
    """Everything that can be read at one moment."""

    now: datetime
    board: Mapping[str, Any]
    pieces: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    steps: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    rooms: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    alarms: Sequence[Mapping[str, Any]] = ()
    calendar: Calendar = field(default_factory=Calendar)
    board_page: str = ""
    piece_pages: dict[str, str] = field(default_factory=dict)
    room_pages: dict[str, str] = field(default_factory=dict)
    """Pages as text, without tags."""
    notices: Sequence[Mapping[str, Any]] = ()
    """The newest first."""
    waiting: frozenset[str] | set[str] = frozenset()
    """The keys of notices that are still to be sent to somebody."""

    def milestones(self, piece: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
        told = self.pieces[piece]["milestones"]
        return ((kind, told[kind]) for kind in ORDER if kind in told)


def at(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def contradictions(view: View) -> list[str]:
    """Every sentence that any rule says of this moment."""
    rules = (
        one_piece_alike_everywhere, stage_and_dates, dates_in_order, findings_stand, steps_and_stage,
        calendar_and_dates, one_room_one_advice, one_room_one_truth, tenses, alarms_and_notices, what_waits_holds,
        one_name_one_thing, words_for_people,
    )  # fmt: skip
    return [f"{view.now:%d %b %H:%M} {rule.__name__}: {said}" for rule in rules for said in rule(view)]


def one_piece_alike_everywhere(view: View) -> Iterator[str]:
    """The board, the piece's own JSON and its page tell one stage and one place."""
    for line in view.board["pieces"]:
        name = line["name"]
        piece = view.pieces[name]
        for key in ("stage", "stage_is_safe", "room", "place", "found", "found_at", "next", "safe_at", "milestones"):
            if line[key] != piece[key]:
                yield f"{name} has {key} {line[key]} on the board, {piece[key]} by itself"
        if name in view.piece_pages and line["stage"] not in view.piece_pages[name]:
            yield f"the page of {name} does not say {line['stage']}"


def stage_and_dates(view: View) -> Iterator[str]:
    """A stage that is shown has been reached by its dates or a finger, and none beyond it has."""
    for name, piece in view.pieces.items():
        held = piece["found"] == "tacky"
        reached = NAMED.get(piece["stage"])
        for kind, dates in view.milestones(name):
            even, safe, found = at(dates["worth_checking_at"]), at(dates["safe_at"]), at(dates["found_at"])
            beyond = reached is None or ORDER.index(kind) > ORDER.index(reached)
            if found is None and beyond and not held and even is not None and even <= view.now:
                yield f"{name} is {piece['stage']}, but {kind} was at even odds {even}"
            if not beyond and found is None and even is not None and even > view.now and not piece["found"]:
                yield f"{name} is {piece['stage']}, but {kind} comes {even}"
            if kind == reached and piece["stage_is_safe"] and found is None and (safe is None or safe > view.now):
                yield f"{name} is surely {kind}, which is safe to assume {safe}"
            if found is not None and found > view.now:
                yield f"{name} was found {kind} {found}, which is yet to come"


def dates_in_order(view: View) -> Iterator[str]:
    """Earliest, worth checking, safe; and each milestone no earlier than the one before."""
    for name in view.pieces:
        before: Mapping[str, Any] = {}
        for kind, dates in view.milestones(name):
            odds = [one for key in ("early_at", "worth_checking_at", "safe_at") if (one := at(dates[key]))]
            if odds != sorted(odds):
                yield f"{name} {kind}: {odds}"
            for key in ("worth_checking_at", "safe_at"):
                if before.get(key) and dates[key] and at(before[key]) > at(dates[key]):  # type: ignore[operator]
                    yield f"{name} {kind} {key} {dates[key]} comes before that of the one before, {before[key]}"
            before = dates


def findings_stand(view: View) -> Iterator[str]:
    """What a finger found last bounds every date: tacky holds all from touch-dry on back, dry is no date to come."""
    for name, piece in view.pieces.items():
        found, when = piece["found"], at(piece["found_at"])
        if found is None or when is None:
            continue
        if found == "tacky" and NAMED.get(piece["stage"], "set") != "set":
            yield f"{name} was found tacky, and is told to be {piece['stage']}"
        reached = FINDS.get(found)
        for kind, dates in view.milestones(name):
            after = ORDER.index(kind) >= ORDER.index("touch_dry")
            if found == "tacky" and after:
                early = [one for key in ("early_at", "worth_checking_at", "safe_at") if (one := at(dates[key]))]
                if dates["found_at"] is not None or dates["safe_at"] or any(one < when for one in early):
                    yield f"{name} was found tacky {when}, and {kind} is dated {dates}"
            if reached and ORDER.index(kind) <= ORDER.index(reached) and dates["found_at"] is None and kind != "set":
                safe = at(dates["safe_at"])
                if safe is None or safe > view.now:
                    yield f"{name} was found {found}, and {kind} is safe to assume {safe}"


def steps_and_stage(view: View) -> Iterator[str]:
    """No step is open on a piece that is not through, nor waits on a date that has passed; skins are the same paint, so
    nothing of them may be done while it is tacky, and they are through where it was found so and is no thinner."""
    for name, piece in view.pieces.items():
        handle = piece["milestones"].get("handle")
        for step in view.steps[name]["steps"]:
            of_film = step["step"] not in WHILE_WET[:2]
            if of_film and step["state"] in ("safe", "worth checking") and piece["found"] == "tacky":
                yield f"{name} was found tacky, and {step['step']} is {step['state']}"
            if step["step"] == "skins" and step["state"] == "not yet" and piece["found"] == "dry-through":
                yield f"{name} was found dry through, and its skins are not"
            if step["step"] in WHILE_WET:
                continue
            safe = at(handle["safe_at"]) if handle else None
            if step["state"] == "safe" and handle and handle["found_at"] is None and (safe is None or safe > view.now):
                yield f"{name} is safe to handle {safe}, and {step['step']} may be done"


def calendar_and_dates(view: View) -> Iterator[str]:
    """An event is where its date is, of a piece that is here, and certain once that has passed; or cancelled."""
    for event in view.calendar.walk("VEVENT"):
        if str(event["STATUS"]) == "CANCELLED":
            continue
        name = str(event["SUMMARY"]).rpartition(": ")[0]
        kind = str(event["UID"]).partition("@")[0].split("-", 2)[2].replace("-", "_")
        start = event.decoded("DTSTART")
        if name not in view.pieces:
            yield f"the calendar has {name} {kind}, which is not here"
            continue
        safe = at(view.pieces[name]["milestones"].get(kind, {}).get("safe_at"))
        if safe is None:
            yield f"the calendar has {name} {kind} {start}, which has no date"
        elif not timedelta(0) <= start - safe <= ROUNDED:
            yield f"the calendar has {name} {kind} {start}, which is safe {safe}"
        elif (str(event["STATUS"]) == "CONFIRMED") is not (safe <= view.now):
            yield f"the calendar calls {name} {kind} {event['STATUS']}, which is safe {safe}"


def one_room_one_advice(view: View) -> Iterator[str]:
    """Of what is to be done in a room, one thing is said, whichever alarm is read."""
    advice: dict[str, set[str]] = {}
    for alarm in view.alarms:
        if alarm["alarm"] != "no_fresh_data":
            advice.setdefault(alarm["room"], set()).update(ADVICE.findall(alarm["text"]))
    for room, said in advice.items():
        if len(said) > 1:
            yield f"{room}: {sorted(said)}"


def one_room_one_truth(view: View) -> Iterator[str]:
    """The board and the room itself tell one air, and its alarms stand on both."""
    for line in view.board["rooms"]:
        room = view.rooms[line["name"]]
        for key in ("temp_c", "rh_pct", "data_at", "pieces"):
            if key in room and line[key] != room[key]:
                yield f"{line['name']} has {key} {line[key]} on the board, {room[key]} by itself"
    on_board = {(one["room"], one["alarm"]) for one in view.board["alarms"]}
    alone = {(one["room"], one["alarm"]) for one in view.alarms}
    if on_board != alone:
        yield f"alarms on the board {sorted(on_board)}, by themselves {sorted(alone)}"


def tenses(view: View) -> Iterator[str]:
    """`since` is followed by a moment that has passed, `from` and `in` by one to come."""
    pages = {**view.piece_pages, "board": view.board_page}
    for where, page in pages.items():
        for word, said in re.findall(rf"\b(since|from) ({CLOCK})", page):
            moment = _moment(said, view.now)
            if word == "since" and moment > view.now + timedelta(minutes=1):
                yield f"{where}: since {said}, which is yet to come"
            if word == "from" and "worth checking from" in page and moment < view.now - timedelta(days=1):
                yield f"{where}: from {said}, which has passed"


def _moment(said: str, now: datetime) -> datetime:
    day, clock = said.rsplit(" ", 1)
    hour, minute = map(int, clock.split(":"))
    days = {"yesterday": -1, "today": 0, "tomorrow": 1}
    if day in days:
        date = now + timedelta(days=days[day])
    else:
        years = (now.year - 1, now.year, now.year + 1)
        dates = [datetime.strptime(f"{day} {year}", "%a %d %b %Y").replace(tzinfo=UTC) for year in years]
        date = min(dates, key=lambda one: abs(one - now))
    return date.replace(hour=hour, minute=minute, second=0, microsecond=0, tzinfo=UTC)


def alarms_and_notices(view: View) -> Iterator[str]:
    """What was last told of a room's alarm is what stands."""
    standing = {(one["room"], one["alarm"]) for one in view.alarms if one["muted_until"] is None}
    last: dict[tuple[str, str], Mapping[str, Any]] = {}
    for notice in reversed(view.notices):
        for kind in notice["data"].get("alarms", ()):
            last[notice["room"], kind] = notice
        for kind in notice["data"].get("over", ()):
            last[notice["room"], kind] = notice
    for about in standing:
        told = last.get(about)
        if told is None or about[1] in told["data"].get("over", ()):
            yield f"{about} stands, and the last that was told of it is {told and told['title']!r}"


def what_waits_holds(view: View) -> Iterator[str]:
    """Nothing is on its way that has been withdrawn: of a piece that is not here, or that was found otherwise."""
    for notice in view.notices:
        if notice["key"] not in view.waiting or notice["kind"] != "milestone":
            continue
        piece = view.pieces.get(notice["data"]["piece"])
        if piece is None:
            yield f"{notice['title']!r} waits, and the piece is not here"
        elif piece["found"] == "tacky" and notice["data"]["milestone"] != "set" and notice["data"]["odds"] == "safe":
            yield f"{notice['title']!r} waits, and a finger found it tacky {piece['found_at']}"


def one_name_one_thing(view: View) -> Iterator[str]:
    """A name is a piece's or a series', so that whoever says it means one thing."""
    for name, piece in view.pieces.items():
        if piece.get("series") in view.pieces:
            yield f"{piece['series']} is a piece, and the series of {name}"


OURS = re.compile(r"piece-\d+/\w+|\b100 ?% of cases|good\. No good spell|got ''|\bNone\b|\bnan\b")
"""A key, a certainty that no model has, a sentence that takes back the one before, a value of the program's."""


def words_for_people(view: View) -> Iterator[str]:
    pages = {**view.piece_pages, **view.room_pages, "board": view.board_page}
    pages |= {str(one["title"]): f"{one['title']} {one['text']}" for one in view.notices}
    for where, text in pages.items():
        if found := OURS.search(text):
            yield f"{where} says {found[0]!r}"


def told_wrongly(notices: Sequence[Mapping[str, Any]], findings: Sequence[tuple[str, str, datetime]]) -> Iterator[str]:
    """Over the whole time: nothing told of what is yet to come as if it were, no two live notices of a room at one
    moment, and nothing told of a piece as dry that a finger had just found tacky. `findings`: piece, what, when."""
    live: dict[tuple[str, str], str] = {}
    for notice in notices:
        made, when = datetime.fromisoformat(notice["created_at"]), at(notice["data"].get("at"))
        if when is not None and when > made:
            yield f"{notice['title']!r} was told {made} of {when}"
        of_air = (
            notice["room"] and notice["kind"] in ("alarm", "reminder") and notice["data"]["alarm"] != "no_fresh_data"
        )
        if of_air and not notice["data"].get("past"):
            key = (notice["room"], notice["created_at"])
            if key in live:
                yield f"two live notices of {key}: {live[key]!r} and {notice['title']!r}"
            live[key] = notice["title"]
        if "Nothing needs doing" in notice["text"] and "Still so there" in notice["text"]:
            yield f"{notice['title']!r} says that nothing is to be done, and what is"
        if notice["kind"] == "milestone" and notice["data"].get("milestone") != "set":
            felt = [(on, what) for piece, what, on in findings if piece in notice["data"]["names"] and on <= made]
            if (
                felt
                and max(felt)[1] == "tacky"
                and notice["data"].get("at")
                and at(notice["data"]["at"]) <= max(felt)[0]
            ):  # type: ignore[operator]
                yield f"{notice['title']!r} was told {made}, after a finger had found it tacky {max(felt)[0]}"
