"""What people read: dates, ages, lengths of time, numbers and lists, the cautions, and what came of what was logged."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from curewatch.language import (
    Capital,
    Joined,
    Message,
    Percent,
    Temperature,
    Thickness,
    Value,
    Words,
    joined,
    phrase,
    phrase_n,
)
from curewatch.language.reader import CLOSE
from curewatch.records import Forecast, MilestoneKind, Pour, Recipe, Support, ThicknessSource
from curewatch.records.facts import Subject
from curewatch.records.remarks import Remark, RemarkKind

Local = Callable[[datetime], datetime]
STAGES = {
    None: phrase("wet"),
    MilestoneKind.SET: phrase("set"),
    MilestoneKind.TOUCH_DRY: phrase("touch-dry"),
    MilestoneKind.HANDLE: phrase("dry to handle"),
    MilestoneKind.VARNISH_READY: phrase("ready to varnish"),
}
TACKY = phrase("tacky")
"""The stage of a piece that a finger last found so."""
SUPPORTS = {
    Support.CANVAS: phrase("primed canvas"),
    Support.BOARD: phrase("board lying on the table"),
    Support.PANEL: phrase("sealed panel"),
    Support.RAW_PANEL: phrase("raw panel, which soaks up water"),
    Support.TILE: phrase("glazed tile"),
    Support.GLASS: phrase("glass"),
    Support.CRADLED_PANEL: phrase("sealed cradled panel, air shut in beneath it"),
    Support.CANVAS_PANEL: phrase("canvas panel lying on the table"),
    Support.HARDBOARD: phrase("unsealed hardboard, which soaks up water slowly"),
    Support.PAPER: phrase("heavy paper, which soaks up water"),
}
THICKNESS_FROM = {
    ThicknessSource.GAUGE: phrase("by comb gauge"),
    ThicknessSource.VOLUME: phrase("from volume over area"),
    ThicknessSource.LAYER: phrase("from a word or as the last, so rough"),
}
SAFETY = phrase(
    "Follow the product's safety sheet and local codes; fixed wiring and heating are a licensed person's work."
)
"""What every caution defers to: said once to whoever reads a page, a message or what a command printed."""
VARNISH_CAUTION = phrase("Varnish and aerosols: ventilate, and keep flames and children away.")
HEATER_CAUTION = phrase(
    "Never leave a heater unattended or near wet paint, solvents or children; one that burns fuel gives off carbon "
    "monoxide and damps the room."
)
TORCH_CAUTION = phrase(
    "A torch only in quick passes, never near alcohol, spray cans or their vapour, paper or children, and never left "
    "alight; a pin will do."
)


PLANNABLE = timedelta(days=28)
"""Safe to assume so much later than at even odds, no varnishing can be planned: common practice, no source."""
WEIGH = phrase(
    "When it is ready for varnish is known too roughly to plan on. Weigh it now and once a week: a kitchen scale makes "
    "this sure, a finger cannot."
)


def weigh(even: timedelta | None, safe: timedelta | None) -> Message | None:
    """What to do where two dates of ready to varnish, counted alike, are too far apart to plan on; None: they are not.

    Nor where most such films never are: that is the room, and no scale makes it sure.
    """
    return WEIGH if even is not None and (safe is None or safe - even > PLANNABLE) else None


def weigh_piece(forecast: Forecast | None, now: datetime) -> Message | None:
    """As `weigh`, of a piece that is not surely ready yet."""
    ready = None if forecast is None else forecast.milestone(MilestoneKind.VARNISH_READY)
    if ready is None or ready.early_at is None or (ready.safe_at is not None and ready.safe_at <= now):
        return None
    return weigh(*(None if at is None else at - now for at in (ready.worth_checking_at, ready.safe_at)))


def crack_odds(forecast: Forecast | None, now: datetime) -> float | None:
    """That a piece cracks [0-1], as long as it still may: until it is safe to handle or was found so."""
    handle = None if forecast is None else forecast.milestone(MilestoneKind.HANDLE)
    if forecast is None or handle is None or handle.found_at is not None:
        return None
    return None if handle.safe_at is not None and handle.safe_at <= now else forecast.crack_odds


def cracks(odds: float) -> Message:
    """`about 4 in 100 such films crack`: as finely as a rough measure bears it."""
    if odds < 0.01:
        return phrase("fewer than 1 in 100 such films crack")
    if odds > 0.95:
        return phrase("nearly all such films crack")
    many = round(100 * odds) if odds < 0.1 else 5 * round(20 * odds)
    return phrase("about {n} in 100 such films crack", n=many)


def percent(odds: float) -> Message:
    """`41 %`, `over 98 %`: nothing is sure that a model says."""
    rounded = round(100 * odds)
    if rounded > 98:
        return phrase("over {percent}", percent=Percent(98))
    return (
        phrase("under {percent}", percent=Percent(2)) if rounded < 2 else phrase("{percent}", percent=Percent(rounded))
    )


def cracks_of(forecast: Forecast | None, now: datetime) -> Words:
    """Of a piece; nothing where it is not known."""
    odds = crack_odds(forecast, now)
    if odds is not None:
        return phrase("{cracks}, {by}", cracks=cracks(odds), by=CRACKS_BY)
    return "" if forecast is None or forecast.crack_odds is None else phrase("none to come: it is dry through")


CRACKS_BY = phrase("by a rough measure of thickness, pace, cold and tilt; no promise")


def wet_film(pour: Pour) -> Message:
    """`1.2 mm wet, by comb gauge`."""
    return phrase(
        "{thick} wet, {known}", thick=Thickness(pour.wet_thickness_m), known=THICKNESS_FROM[pour.thickness_source]
    )


def cautions(*, silicone: bool) -> list[Message]:
    """What dates of drying are not, and what goes with the last step."""
    said = [
        phrase(
            "Estimates from a model of the film and the room as read and as foreseen: touch an edge before you trust a "
            "date."
        )
    ]
    if silicone:
        said.append(phrase("Wash the silicone off before any varnish, or the varnish crawls."))
    return [*said, VARNISH_CAUTION]


def date(at: datetime, local: Local, now: datetime) -> str:
    """`today 16:40`, `tomorrow 08:05`, `Fri 4 Dec 08:05`, with the year when it is another one."""
    days = (local(at).date() - local(now).date()).days
    if days in (-1, 0, 1):
        return f"{('yesterday', 'today', 'tomorrow')[days + 1]} {local(at):%H:%M}"
    return lasting(at, local, now)


def lasting(at: datetime, local: Local, now: datetime) -> str:
    """As `date`, but never by today's name: for what may be read on another day than it was written."""
    there = local(at)
    year = f" {there.year}" if there.year != local(now).year else ""
    return f"{there:%a} {there.day} {there:%b}{year} {there:%H:%M}"


def foreseen(at: datetime, local: Local, now: datetime) -> str:
    """As `date`, of an estimate: farther off than `CLOSE` to the day."""
    said = date(at, local, now)
    return said if abs(at - now) <= CLOSE else said[: -len(" 08:05")]


def shares(recipe: Recipe) -> Message:
    """What a recipe is made of, water left out."""
    solids, glycol = Percent(100 * recipe.solids), Percent(100 * recipe.glycol, 1)
    if recipe.coalescent > 0:
        slower = Percent(100 * recipe.coalescent, 1)
        return phrase(
            "{solids} solids, {glycol} glycol, {slower} coalescent", solids=solids, glycol=glycol, slower=slower
        )
    return phrase("{solids} solids, {glycol} glycol", solids=solids, glycol=glycol)


def span(length: timedelta) -> str:
    """A length of time with as much detail as is worth having: `5 min`, `3 h`, `2 d 4 h`, `5 wk`."""
    minutes = max(0, round(length.total_seconds() / 60))
    if minutes < 100:
        return f"{minutes} min"
    hours = round(minutes / 60)
    if hours < 48:
        return f"{hours} h"
    days, rest = divmod(hours, 24)
    if days < 14:
        return f"{days} d {rest} h" if rest else f"{days} d"
    return f"{round(hours / 24)} d" if days < 56 else f"{round(hours / 168)} wk"


def age(at: datetime | None, now: datetime) -> str:
    """How old something is: `4 min ago`, or `never`."""
    return "never" if at is None else f"{span(now - at)} ago"


def number(value: float, digits: int = 0) -> str:
    """A number to so many digits, never "-0"."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def listed(found: Sequence[str], most: int = 4) -> str:
    """`Heron`, `Heron and Reed`, `Heron, Reed, Eel and 3 more`."""
    if len(found) > most:
        return f"{', '.join(found[: most - 1])} and {len(found) - most + 1} more"
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def air(temp_c: float | None, rh_pct: float | None) -> Joined:
    """`18.9 °C, 50 %`, as far as it is known."""
    temp = None if temp_c is None else Temperature(temp_c, 1)
    return Joined(tuple(one for one in (temp, None if rh_pct is None else Percent(rh_pct)) if one is not None), ", ")


def together(name: str, count: int) -> Message:
    """`Coaster, 6 pieces`: of a series."""
    return phrase_n("{name}, {n} piece", "{name}, {n} pieces", count, name=name)


def by(name: str | None) -> Words:
    """`, by Ada`; nothing where nobody is named."""
    return "" if name is None else phrase(", by {name}", name=name)


def where(room: str, place: str | None) -> str:
    return f"{room}, {place}" if place else room


_REMARKS = {
    RemarkKind.ROOM_NEW: phrase("room {quoted} is new"),
    RemarkKind.RECIPE_NEW: phrase("recipe {quoted} is new: taken as {solids} solids, {glycol} glycol by volume"),
    RemarkKind.READING_STORED_ALREADY: phrase(
        "a reading of that moment is stored already ({air}); it stands as it was. To say otherwise, take it back first"
    ),
    RemarkKind.READING_AGAIN: phrase(
        "{air} was typed minutes before and counts until then; from this one on it is as you say now. A slip? "
        "Then take this one back"
    ),
    RemarkKind.SENSOR_AGREES: phrase(
        "kept as a check of the sensor {name}, which said {air}: they agree, and dates go by the sensor"
    ),
    RemarkKind.SENSOR_APART: phrase(
        "kept as a check of the sensor {name}, which said {air}: which one is right? Dates go by the sensor until "
        "you say otherwise"
    ),
    RemarkKind.FORGOTTEN: phrase("the recipe {quoted} is as it was assumed to be"),
    RemarkKind.OUT_OF_TURN: phrase("written down although {name} was not done first"),
    RemarkKind.BETTER_AFTER: phrase("{name} was not done first"),
    RemarkKind.TOO_EARLY: phrase("that is before it was safe to assume; watch the piece"),
    RemarkKind.NEVER_SAFE: phrase("there is no date from which that is safe to assume; watch the piece"),
    RemarkKind.QUESTIONED: phrase("this goes against what the model thought possible; it is kept but hardly counts"),
    RemarkKind.UNLIKELY: phrase(
        "this goes against what was believed: fewer than 1 in 100 such films would be so by then. Mistyped or of "
        "another piece (then take it back), or an edge unlike the rest? It counts, and the dates follow it"
    ),
    RemarkKind.HARDLY_LIKELY: phrase(
        "this goes against what was believed: hardly any such films would be so by then. Mistyped or of another piece "
        "(then take it back), or an edge unlike the rest? It counts, and the dates follow it"
    ),
    RemarkKind.OTHERWISE: phrase("it was found {name} before, which counts no more. A slip? Then take this one back"),
    RemarkKind.CONTRADICTED: phrase("a later test says otherwise: it counts for no date"),
    RemarkKind.PRESS: phrase(
        "if it does not give under the thumb either, say dry-through: until then it is not taken to be so"
    ),
    RemarkKind.ONE_WEIGHING: phrase(
        "one weighing says nothing yet: the next one shows what was lost, if the size or bare weight is known"
    ),
    RemarkKind.TEACHES_NOTHING: phrase(
        "nothing can be learned from this yet: the room was never read, or it is beyond what the model foresees"
    ),
}
_RISKY = {
    RemarkKind.TOO_EARLY: phrase("that is before it was safe to assume: {name}; watch the piece"),
    RemarkKind.NEVER_SAFE: phrase("there is no date from which that is safe to assume: {name}; watch the piece"),
}
"""The same where it is known what that risks."""
_PLACE_FORGOTTEN = phrase("the place {quoted} is as it was assumed to be")


def notes(remarks: Iterable[Remark]) -> list[Words]:
    """What came of something that was logged, a line each. By which command it is put right, commands say."""
    return [_note(one) for one in remarks]


def sentences(remarks: Iterable[Remark]) -> Words:
    """As `notes`, as running text."""
    return joined(*(Capital(_note(one)) for one in remarks))


def _note(one: Remark) -> Words:
    said = _REMARKS[one.kind]
    if one.kind in _RISKY and one.name:
        said = _RISKY[one.kind]
    elif one.subject == Subject.PLACE:
        said = _PLACE_FORGOTTEN
    values: dict[str, Value] = {"name": one.name or "", "quoted": repr(one.name), "air": air(one.temp_c, one.rh_pct)}
    if one.recipe is not None:
        values |= {"solids": Percent(100 * one.recipe.solids), "glycol": Percent(100 * one.recipe.glycol)}
    said = replace(said, values=tuple(values.items()))
    if one.near is not None:
        return joined(said, phrase("did you mean {quoted}?", quoted=repr(one.near)), by="; ")
    if one.kind is RemarkKind.QUESTIONED:
        return joined(said, phrase("Was it this piece, and that time?"), by=". ")
    return said
