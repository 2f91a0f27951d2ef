"""The cure record in words, as the page and the terminal print it: pairs of a heading and what stands beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from curewatch.desk.reports.cure_record import CureRecord
from curewatch.records import Milestone, MilestoneKind
from curewatch.studio import wording
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.diagnosis.drying_history import PastAir, slope_text
from curewatch.studio.learning.texts import finding
from curewatch.views.corrections import in_words

HONESTY = (
    "Dates of drying are estimates by a model of the film in the air as it was read, not measurements; what a person "
    "found by touch or scale stands as found. This record is no guarantee and no test report."
)
HOW = {"finger": "finger test", "weighing": "weighing", "surface": "surface temperature"}
Pair = tuple[str, str]
Dated = Callable[[datetime | None], str]


def facts(looked: CureRecord, date: Dated) -> list[Pair]:
    """What was poured, onto what and where."""
    drying = looked.history.drying
    pour, recipe = drying.pour, drying.recipe
    mix = "" if recipe.stated else ", assumed"
    told = [
        ("Poured", f"{date(pour.at)}{wording.by(pour.logged_by)}"),
        ("Film", str(wording.wet_film(pour))),
        ("Surface", str(wording.SUPPORTS[pour.support])),
        ("Mix", f"{recipe.name}: {recipe.solids:.0%} solids{mix}, {'with' if pour.silicone else 'without'} silicone"),
        ("Rooms", ", ".join(dict.fromkeys(stay.room for stay in drying.stays))),
    ]
    if drying.promise is not None:
        promise = drying.promise
        occasion = "" if promise.occasion is None else f" for {promise.occasion}"
        told.append(("Promised", f"{wording.STAGES[promise.ready]} by {date(promise.due_at)}{occasion}"))
    told += [("Tilt", f"{slope_text(tilt.tilt_rad)}, {date(tilt.measured_at)}") for tilt in looked.tilts]
    if (gap := _skin_gap(looked)) is not None:
        told.append(("Skin gap", gap))
    return told


def _skin_gap(looked: CureRecord) -> str | None:
    """Between the dates that stand beside it; None where a finger moved one of them."""
    forecast, trace = looked.history.forecast, looked.trace
    kinds = (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)
    dated = [one for kind in kinds if forecast is not None and (one := forecast.milestone(kind)) is not None]
    even = [one.worth_checking_at for one in dated if one.worth_checking_at and not (one.not_before or one.found_at)]
    if len(even) < 2 or trace is None or trace.gap_h is None or not trace.usual_gap_h:
        return None
    gap = wording.span(even[1] - even[0])
    return f"{gap} from touch-dry to dry to handle, {trace.gap_h / trace.usual_gap_h:.1f} times the usual (est.)"


def air(looked: CureRecord) -> list[Pair]:
    unread = "its room was not read since the pour" if looked.history.climates else "its room was never read"
    spans = (("Air, drying", looked.wet_air), ("Air, so far", looked.whole_air))
    return [(heading, unread if past is None else _air(past)) for heading, past in spans]


def _air(past: PastAir) -> str:
    t, rh = past.temp_c, past.rh_pct
    said = (
        f"{t.mean:.1f} °C ({t.least:.1f} to {t.most:.1f}), {rh.mean:.0f} % humidity ({rh.least:.0f} to {rh.most:.0f})"
    )
    out = {"too cold": past.cold_h, "too damp": past.damp_h, "too warm": past.hot_h, "too dry": past.dry_h}
    beyond = [f"{hours:.0f} h {word}" if hours >= 0.5 else f"under 1 h {word}" for word, hours in out.items() if hours]
    said += f"; {', '.join(beyond) or 'never out of range'}"
    return said + (f"; {past.unread_h:.0f} h of it unread, interpolated" if past.unread_h >= 0.5 else "")


def found(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was found."""
    told = (
        (one.at, f"{HOW[one.kind.value]}: {finding(one)}{wording.by(one.logged_by)}") for one in looked.observations
    )
    return [(date(at), said) for at, said in told]


def done(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was done."""
    early = {True: " (before its safe date)", False: ""}
    return [(date(one.done_at), f"{one.step}{early[one.too_early]}{wording.by(one.logged_by)}") for one in looked.steps]


def photos(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was taken."""
    return [(date(one.at), one.kind.value) for one in looked.history.photos]


def corrected(looked: CureRecord, date: Dated, tz: tzinfo) -> list[Pair]:
    """By the moment at which it was put right."""
    return [(date(one.logged_at), in_words(one, looked.changes, tz)) for one in looked.corrections]


def harm(looked: CureRecord) -> list[Pair]:
    return [
        (one.kind.value, f"{length_and_what(one)}, film down to {wording.number(one.worst_c, 1)} °C"
         f"{', looked over since' if one.cleared_at else ', not looked over yet'}")
        for one in looked.history.damages
    ]  # fmt: skip


def rows(looked: CureRecord, date: Dated, tz: tzinfo) -> list[Pair]:
    """The record as headings and what stands beside them."""
    forecast, gone_at = looked.history.forecast, looked.history.drying.piece.gone_at
    told = facts(looked, date)
    for one in forecast.milestones if forecast else ():
        told.append((str(wording.STAGES[one.kind]).capitalize(), _dates(one, date)))
    told += air(looked)
    told += [("Found", f"{said}, {at}") for at, said in found(looked, date)]
    told += [("Done", f"{said}, {at}") for at, said in done(looked, date)]
    told += [("Photo", f"{said}, {at}") for at, said in photos(looked, date)]
    told += [("Corrected", f"{said}, {at}") for at, said in corrected(looked, date, tz)]
    told += [("Harm", f"{kind}: {said}") for kind, said in harm(looked)]
    return told + ([("Left", date(gone_at))] if gone_at else [])


def _dates(one: Milestone, date: Dated) -> str:
    if one.found_at is not None:
        return f"found {date(one.found_at)}"
    if one.worth_checking_at is None:
        return f"no date: {one.reason or 'not foreseen'}"
    safe = f"no safe date ({one.reason or 'not foreseen'})" if one.safe_at is None else f"safe {date(one.safe_at)}"
    return f"worth checking {date(one.worth_checking_at)}, {safe} (est.)"


@dataclass(frozen=True)
class Compared:
    """What stands under one heading, of each piece."""

    heading: str
    cells: tuple[str, ...]

    @property
    def differs(self) -> bool:
        return len(set(self.cells)) > 1


def side_by_side(records: Sequence[CureRecord], date: Dated, tz: tzinfo) -> list[Compared]:
    """Heading by heading; one cell a heading and piece: what stands under it, joined."""
    sides: list[dict[str, str]] = []
    for looked in records:
        side: dict[str, str] = {}
        for heading, words in rows(looked, date, tz):
            side[heading] = f"{side[heading]}; {words}" if heading in side else words
        sides.append(side)
    headings = dict.fromkeys(heading for side in sides for heading in side)
    return [Compared(heading, tuple(side.get(heading, "-") for side in sides)) for heading in headings]
