"""The cure record in words, as the page and the terminal print it: pairs of a heading and what stands beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.reports.cure_record import CureRecord
from curewatch.language import (
    Message,
    Number,
    Percent,
    Span,
    Temperature,
    TemperatureRange,
    Words,
    joined,
    phrase,
)
from curewatch.records import Milestone, MilestoneKind
from curewatch.records.workshop import PhotoKind
from curewatch.studio import wording
from curewatch.studio.alarms.alarm_words import TITLES
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.care.aftercare import step_words
from curewatch.studio.diagnosis.drying_history import PastAir, slope_text
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.texts import finding
from curewatch.views.corrections import in_words

HONESTY = phrase(
    "Dates of drying are estimates by a model of the film in the air as it was read, not measurements; what a person "
    "found by touch or scale stands as found. This record is no guarantee and no test report."
)
HOW = {
    "finger": phrase("finger test"),
    "weighing": phrase("weighing"),
    "surface": phrase("surface temperature"),
}
PHOTO_KINDS = {
    PhotoKind.WET: phrase("wet"),
    PhotoKind.SETTLED: phrase("settled"),
    PhotoKind.DRY: phrase("dry"),
    PhotoKind.FLAW: phrase("flaw"),
}
Pair = tuple[Words, Words]
Dated = Callable[[datetime | None], str]


def facts(looked: CureRecord, date: Dated) -> list[Pair]:
    """What was poured, onto what and where."""
    drying = looked.history.drying
    pour = drying.pour
    told: list[Pair] = [
        (phrase("Poured"), joined(date(pour.at), wording.by(pour.logged_by), by="")),
        (phrase("Film"), wording.wet_film(pour)),
        (phrase("Surface"), wording.SUPPORTS[pour.support]),
        (phrase("Mix"), _mix(drying)),
        (phrase("Rooms"), ", ".join(dict.fromkeys(stay.room for stay in drying.stays))),
    ]
    if drying.promise is not None:
        promise = drying.promise
        ready = phrase("{stage} by {date}", stage=wording.STAGES[promise.ready], date=date(promise.due_at))
        occasion = promise.occasion and phrase("for {occasion}", occasion=promise.occasion)
        told.append((phrase("Promised"), joined(ready, occasion)))
    told += [
        (phrase("Tilt"), joined(slope_text(tilt.tilt_rad), date(tilt.measured_at), by=", ")) for tilt in looked.tilts
    ]
    if (gap := _skin_gap(looked)) is not None:
        told.append((phrase("Skin gap"), gap))
    return told


def _mix(drying: Drying) -> Message:
    recipe = drying.recipe
    solids = phrase("{solids} solids", solids=Percent(100 * recipe.solids))
    return phrase(
        "{recipe}: {solids}, {silicone}",
        recipe=recipe.name,
        solids=solids if recipe.stated else phrase("{solids}, assumed", solids=solids),
        silicone=phrase("with silicone") if drying.pour.silicone else phrase("without silicone"),
    )


def _skin_gap(looked: CureRecord) -> Message | None:
    """Between the dates that stand beside it; None where a finger moved one of them."""
    forecast, trace = looked.history.forecast, looked.trace
    kinds = (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE)
    dated = [one for kind in kinds if forecast is not None and (one := forecast.milestone(kind)) is not None]
    even = [one.worth_checking_at for one in dated if one.worth_checking_at and not (one.not_before or one.found_at)]
    if len(even) < 2 or trace is None or trace.gap_h is None or not trace.usual_gap_h:
        return None
    return phrase(
        "{gap} from touch-dry to dry to handle, {times} times the usual (est.)",
        gap=Span(even[1] - even[0]),
        times=Number(trace.gap_h / trace.usual_gap_h, 1),
    )


def air(looked: CureRecord) -> list[Pair]:
    unread = phrase("its room was never read")
    if looked.history.climates:
        unread = phrase("its room was not read since the pour")
    spans = ((phrase("Air, drying"), looked.wet_air), (phrase("Air, so far"), looked.whole_air))
    return [(heading, unread if past is None else _air(past)) for heading, past in spans]


def _air(past: PastAir) -> Words:
    t, rh = past.temp_c, past.rh_pct
    said = phrase(
        "{temp} ({temps}), {humid} humidity ({low} to {high})",
        temp=Temperature(t.mean, 1),
        temps=TemperatureRange(t.least, t.most, 1),
        humid=Percent(rh.mean),
        low=Number(rh.least),
        high=Number(rh.most),
    )
    out = [_beyond(hours, word) for hours, word in (
        (past.cold_h, phrase("too cold")), (past.damp_h, phrase("too damp")),
        (past.hot_h, phrase("too warm")), (past.dry_h, phrase("too dry")),
    ) if hours]  # fmt: skip
    unread = phrase("{hours} h of it unread, interpolated", hours=Number(past.unread_h)) if past.unread_h >= 0.5 else ""
    return joined(said, joined(*out, by=", ") or phrase("never out of range"), unread, by="; ")


def _beyond(hours: float, word: Message) -> Message:
    if hours < 0.5:
        return phrase("under 1 h {word}", word=word)
    return phrase("{hours} h {word}", hours=Number(hours), word=word)


def found(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was found."""
    return [
        (date(one.at), joined(HOW[one.kind.value], ": ", finding(one), wording.by(one.logged_by), by=""))
        for one in looked.observations
    ]


def done(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was done."""
    early = phrase(" (before its safe date)")
    return [
        (
            date(one.done_at),
            joined(step_words(one.step), early if one.too_early else "", wording.by(one.logged_by), by=""),
        )
        for one in looked.steps
    ]


def photos(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was taken."""
    return [(date(one.at), PHOTO_KINDS[one.kind]) for one in looked.history.photos]


def corrected(looked: CureRecord, date: Dated) -> list[Pair]:
    """By the moment at which it was put right."""
    return [(date(one.logged_at), in_words(one, looked.changes)) for one in looked.corrections]


def harm(looked: CureRecord) -> list[Pair]:
    return [
        (
            TITLES[one.kind],
            phrase(
                "{harm}, film down to {temp}, {looked}",
                harm=length_and_what(one),
                temp=Temperature(one.worst_c, 1),
                looked=phrase("looked over since") if one.cleared_at else phrase("not looked over yet"),
            ),
        )
        for one in looked.history.damages
    ]


def rows(looked: CureRecord, date: Dated) -> list[Pair]:
    """The record as headings and what stands beside them."""
    forecast, gone_at = looked.history.forecast, looked.history.drying.piece.gone_at
    told = facts(looked, date)
    told += [(wording.STAGES[one.kind], _dates(one, date)) for one in (forecast.milestones if forecast else ())]
    told += air(looked)
    several = (
        (phrase("Found"), found(looked, date)),
        (phrase("Done"), done(looked, date)),
        (phrase("Photo"), photos(looked, date)),
        (phrase("Corrected"), corrected(looked, date)),
    )
    told += [(heading, joined(said, at, by=", ")) for heading, pairs in several for at, said in pairs]
    told += [(phrase("Harm"), joined(kind, said, by=": ")) for kind, said in harm(looked)]
    return told + ([(phrase("Left"), date(gone_at))] if gone_at else [])


def _dates(one: Milestone, date: Dated) -> Words:
    if one.found_at is not None:
        return phrase("found {date}", date=date(one.found_at))
    why = one.reason or phrase("not foreseen")
    if one.worth_checking_at is None:
        return why if one.reason is None else phrase("not foreseen: {reason}", reason=why)
    safe = phrase("safe {date}", date=date(one.safe_at))
    if one.safe_at is None:
        safe = phrase("no safe date ({why})", why=why)
    return phrase("worth checking {date}, {safe} (est.)", date=date(one.worth_checking_at), safe=safe)


@dataclass(frozen=True)
class Compared:
    """What stands under one heading, of each piece."""

    heading: Words
    cells: tuple[Words, ...]

    @property
    def differs(self) -> bool:
        return len(set(self.cells)) > 1


def side_by_side(records: Sequence[CureRecord], date: Dated) -> list[Compared]:
    """Heading by heading; one cell a heading and piece: what stands under it, joined."""
    sides: list[dict[Words, Words]] = []
    for looked in records:
        side: dict[Words, Words] = {}
        for heading, words in rows(looked, date):
            side[heading] = joined(side.get(heading), words, by="; ")
        sides.append(side)
    headings = dict.fromkeys(heading for side in sides for heading in side)
    return [Compared(heading, tuple(side.get(heading, "-") for side in sides)) for heading in headings]
