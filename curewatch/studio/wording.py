"""What people read: dates, ages, lengths of time, numbers and lists, the cautions, and what came of what was logged."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta

from curewatch.records import Forecast, MilestoneKind, Pour, Recipe, Support, ThicknessSource
from curewatch.records.remarks import Remark, RemarkKind

Local = Callable[[datetime], datetime]
STAGES = {
    None: "wet",
    MilestoneKind.SET: "set",
    MilestoneKind.TOUCH_DRY: "touch-dry",
    MilestoneKind.HANDLE: "dry to handle",
    MilestoneKind.VARNISH_READY: "ready to varnish",
}
TACKY = "tacky"
"""The stage of a piece that a finger last found so."""
SUPPORTS = {
    Support.CANVAS: "primed canvas",
    Support.BOARD: "board lying on the table",
    Support.PANEL: "sealed panel",
    Support.RAW_PANEL: "raw panel, which soaks up water",
    Support.TILE: "glazed tile",
    Support.GLASS: "glass",
    Support.CRADLED_PANEL: "sealed cradled panel, air shut in beneath it",
    Support.CANVAS_PANEL: "canvas panel lying on the table",
    Support.HARDBOARD: "unsealed hardboard, which soaks up water slowly",
    Support.PAPER: "heavy paper, which soaks up water",
}
THICKNESS_FROM = {
    ThicknessSource.GAUGE: "by comb gauge",
    ThicknessSource.VOLUME: "from volume over area",
    ThicknessSource.LAYER: "from a word or as the last, so rough",
}
SAFETY = "Follow the product's safety sheet and local codes; fixed wiring and heating are a licensed person's work."
"""What every caution defers to: said once to whoever reads a page, a message or what a command printed."""
VARNISH_CAUTION = "Varnish and aerosols: ventilate, and keep flames and children away."
HEATER_CAUTION = (
    "Never leave a heater unattended or near wet paint, solvents or children; one that burns fuel gives off carbon "
    "monoxide and damps the room."
)
TORCH_CAUTION = (
    "A torch only in quick passes, never near alcohol, spray cans or their vapour, paper or children, and never left "
    "alight; a pin will do."
)


PLANNABLE = timedelta(days=28)
"""Safe to assume so much later than at even odds, no varnishing can be planned: common practice, no source."""
WEIGH = (
    "When it is ready for varnish is known too roughly to plan on. Weigh it now and once a week: a kitchen scale makes "
    "this sure, a finger cannot."
)


def weigh(even: timedelta | None, safe: timedelta | None) -> str | None:
    """What to do where two dates of ready to varnish, counted alike, are too far apart to plan on; None: they are not.

    Nor where most such films never are: that is the room, and no scale makes it sure.
    """
    return WEIGH if even is not None and (safe is None or safe - even > PLANNABLE) else None


def weigh_piece(forecast: Forecast | None, now: datetime) -> str | None:
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


def cracks(odds: float) -> str:
    """`about 4 in 100 such films crack`: as finely as a rough measure bears it."""
    if odds < 0.01:
        return "fewer than 1 in 100 such films crack"
    if odds > 0.95:
        return "nearly all such films crack"
    return f"about {round(100 * odds) if odds < 0.1 else 5 * round(20 * odds)} in 100 such films crack"


def percent(odds: float) -> str:
    """`41 %`, `over 98 %`: nothing is sure that a model says."""
    rounded = round(100 * odds)
    return "over 98 %" if rounded > 98 else "under 2 %" if rounded < 2 else f"{rounded} %"


def cracks_of(forecast: Forecast | None, now: datetime) -> str:
    """Of a piece; nothing where it is not known."""
    odds = crack_odds(forecast, now)
    if odds is not None:
        return f"{cracks(odds)}, {CRACKS_BY}"
    return "" if forecast is None or forecast.crack_odds is None else "none to come: it is dry through"


CRACKS_BY = "by a rough measure of thickness, pace, cold and tilt; no promise"


def wet_film(pour: Pour) -> str:
    """`1.2 mm wet, by comb gauge`."""
    return f"{pour.wet_thickness_m * 1e3:.2g} mm wet, {THICKNESS_FROM[pour.thickness_source]}"


def cautions(*, silicone: bool) -> list[str]:
    """What dates of drying are not, and what goes with the last step; `SAFETY` is for whoever shows them to add."""
    said = [
        "Estimates from a model of the film and the room as read and as foreseen: touch an edge before you trust a "
        "date."
    ]
    if silicone:
        said.append("Wash the silicone off before any varnish, or the varnish crawls.")
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


def shares(recipe: Recipe) -> str:
    """What a recipe is made of, water left out."""
    slower = f", {recipe.coalescent:.1%} coalescent" if recipe.coalescent > 0 else ""
    return f"{recipe.solids:.0%} solids, {recipe.glycol:.1%} glycol{slower}"


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


def air(temp_c: float | None, rh_pct: float | None) -> str:
    """`18.9 °C, 50 %`, as far as it is known."""
    known = ((temp_c, 1, "°C"), (rh_pct, 0, "%"))
    return ", ".join(f"{value:.{digits}f} {unit}" for value, digits, unit in known if value is not None)


def together(name: str, count: int) -> str:
    """`Coaster, 6 pieces`: of a series."""
    return f"{name}, {count} piece{'' if count == 1 else 's'}"


def by(name: str | None) -> str:
    """`, by Ada`; nothing where nobody is named."""
    return "" if name is None else f", by {name}"


def where(room: str, place: str | None) -> str:
    return f"{room}, {place}" if place else room


_AGAINST = (
    "this goes against what was believed: {} such films would be so by then. Mistyped or of another piece (then take "
    "it back), or an edge unlike the rest? It counts, and the dates follow it"
)
_REMARKS = {
    RemarkKind.ROOM_NEW: "room {name!r} is new",
    RemarkKind.RECIPE_NEW: (
        "recipe {name!r} is new: taken as {recipe.solids:.0%} solids, {recipe.glycol:.0%} glycol by volume"
    ),
    RemarkKind.READING_STORED_ALREADY: (
        "a reading of that moment is stored already ({air}); it stands as it was. To say otherwise, take it back first "
        "(`curewatch undo --room {name!r}`)"
    ),
    RemarkKind.READING_AGAIN: (
        "{air} was typed minutes before and counts until then; from this one on it is as you say now. A slip? "
        "`curewatch undo --room {name!r}` takes this one back"
    ),
    RemarkKind.SENSOR_AGREES: (
        "kept as a check of the sensor {name}, which said {air}: they agree, and dates go by the sensor"
    ),
    RemarkKind.SENSOR_APART: (
        "kept as a check of the sensor {name}, which said {air}: which one is right? Dates go by the sensor until "
        "`curewatch trust` or the room's page says otherwise"
    ),
    RemarkKind.FORGOTTEN: "the {subject} {name!r} is as it was assumed to be",
    RemarkKind.OUT_OF_TURN: "written down although {name} was not done first",
    RemarkKind.BETTER_AFTER: "{name} was not done first",
    RemarkKind.TOO_EARLY: "that is before it was safe to assume{risk}; watch the piece",
    RemarkKind.NEVER_SAFE: "there is no date from which that is safe to assume{risk}; watch the piece",
    RemarkKind.QUESTIONED: "this goes against what the model thought possible; it is kept but hardly counts",
    RemarkKind.UNLIKELY: _AGAINST.format("fewer than 1 in 100"),
    RemarkKind.HARDLY_LIKELY: _AGAINST.format("hardly any"),
    RemarkKind.OTHERWISE: (
        "it was found {name} before, which counts no more. A slip? Then take this one back (`curewatch undo`)"
    ),
    RemarkKind.CONTRADICTED: "a later test says otherwise: it counts for no date",
    RemarkKind.PRESS: (
        "if it does not give under the thumb either, say dry-through: until then it is not taken to be so"
    ),
    RemarkKind.ONE_WEIGHING: (
        "one weighing says nothing yet: the next one shows what was lost, if the size or bare weight is known"
    ),
    RemarkKind.TEACHES_NOTHING: (
        "nothing can be learned from this yet: the room was never read, or it is beyond what the model foresees"
    ),
}
_ASKED = {RemarkKind.QUESTIONED: ". Was it this piece, and that time?"}


def notes(remarks: Iterable[Remark]) -> list[str]:
    """What came of something that was logged, a line each, for command, page and API alike."""
    return [_note(one) for one in remarks]


def sentences(remarks: Iterable[Remark]) -> str:
    """As `notes`, as running text."""
    said = [(_note(one), "" if _question(one) else ".") for one in remarks]
    return " ".join(f"{note[0].upper()}{note[1:]}{stop}" for note, stop in said)


def _note(one: Remark) -> str:
    risk = f": {one.name}" if one.name else ""
    return _REMARKS[one.kind].format(**vars(one), air=air(one.temp_c, one.rh_pct), risk=risk) + _question(one)


def _question(one: Remark) -> str:
    """That the words of this remark end with."""
    return f"; did you mean {one.near!r}?" if one.near is not None else _ASKED.get(one.kind, "")
