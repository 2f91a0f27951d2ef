"""The page of one piece: where it stands, what comes next, what was found of it and done to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup

from curewatch.desk import Desk
from curewatch.desk.commands import aftercare, alarm_care, observing
from curewatch.desk.commands.aftercare import steps_of
from curewatch.desk.commands.observing import SHOWS
from curewatch.desk.desk import care_of, limits_of
from curewatch.desk.reports.piece import PiecePage, PieceReport, piece_page
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.intake.typed.finger import finger_of
from curewatch.intake.typed.quantities import SURFACE_TEMPERATURE, parse_weighing
from curewatch.records.errors import Field, InputError, understood
from curewatch.records.facts import Finger, Spot
from curewatch.records.workshop import PhotoKind
from curewatch.studio import wording
from curewatch.studio.diagnosis.drying_history import past_air
from curewatch.studio.planning import promises
from curewatch.studio.planning.advice import Advice, advised, caution
from curewatch.views.care import NOW, StepOut, StepsOut, coats_want, step_when
from curewatch.views.corrections import in_words
from curewatch.web.form_units import beside, with_unit
from curewatch.web.pages.board import axis_of, row
from curewatch.web.pages.forms import Wrong, known_of, moment_of
from curewatch.web.pages.logged import observation_rows, told
from curewatch.web.plots.curves import curve_of, drying_plots, piece_air
from curewatch.web.reading import phrase
from curewatch.web.scarce import costly
from curewatch.web.site import Here, Sending, Site, Typed, page, text_of
from curewatch.web.texts import SUPPORTS, Words, capital, side_by_side

SIGNS = {"done": "✓", "safe": "○", "worth checking": "?", "not yet": "·", "over": "–", "waits": "·"}

FORMS = ("finger", "weighing", "surface", "photo", "step", "promise", "move", "correct")
"""Those of a piece's page: what is wrong is marked in the one that was sent."""


@dataclass(frozen=True)
class StepRow:
    """One step."""

    step: str
    title: str
    state: str
    sign: str
    when: str
    caution: str
    needs_air: bool

    @property
    def is_for_now(self) -> bool:
        return self.state in NOW

    @property
    def is_open(self) -> bool:
        return self.state not in ("done", "over")


@dataclass(frozen=True)
class CareView:
    rows: tuple[StepRow, ...]
    air: str | None
    """What the coats want of the air, how the room stands to it, and when it will next be good."""

    @property
    def now(self) -> list[StepRow]:
        return [row for row in self.rows if row.is_for_now]

    @property
    def later(self) -> list[StepRow]:
        return [row for row in self.rows if row.is_open and not row.is_for_now]

    @property
    def past(self) -> list[StepRow]:
        return [row for row in self.rows if not row.is_open]


def care_view(found: StepsOut, words: Words) -> CareView:
    titles = {one.step: one.title for one in found.steps}
    rows = tuple(_row(line, found, titles, words) for line in found.steps)
    coats = any(row.is_open and row.needs_air for row in rows)
    return CareView(rows, coats_want(found, words.now, words.date) if coats else None)


def _row(line: StepOut, found: StepsOut, titles: Mapping[str, str], words: Words) -> StepRow:
    when = step_when(line, found, words.now, words.date, titles)
    if line.better_after and line.state not in ("done", "over"):
        after = ", ".join(titles[step] for step in line.better_after)
        when = phrase("{when}; better after: {steps}", when=when, steps=after)
    return StepRow(line.step, line.title, line.state, SIGNS[line.state], when, line.caution, line.needs_varnish_air)


router = APIRouter(include_in_schema=False)


@router.get("/piece/{name:path}")
@costly
def piece(
    request: Request, site: Here, name: str, done: str = "", of: Annotated[list[str] | None, Query()] = None
) -> HTMLResponse:
    """Where it stands, what comes next, and the air it has had."""
    return show(request, site, name, site.clock.now(), done=done, of=of or [])


def show(
    request: Request,
    site: Site,
    name: str,
    now: datetime,
    *,
    wrong: Wrong | None = None,
    sent: str = "",
    values: Mapping[str, str] | None = None,
    done: str = "",
    of: list[str] | None = None,
) -> HTMLResponse:
    """The page; `wrong` says why what was typed (`values`) into the form that was `sent` cannot be. InputError where no
    such piece is here."""
    kept = site.boards.look(now)  # before all else that the page tells: of what is newer than its mark it hears
    with site.desk.store.read() as tx:
        seen = piece_page(tx, name, now)
        logged = told(done, of or [], kept, tx)
        recipes = [recipe.name for recipe in tx.recipes()]
        corrections = tx.corrections([seen.report.drying.piece.id])
        changes = tx.changes([one.id for one in corrections])
    tz, words = site.desk.settings.tz, site.words(now)
    others = {one.piece.id: one.piece.name for one in kept.snapshot.dryings if one.piece.name != name}
    rest = _values(site, seen, kept.snapshot, words, others) | {
        "done": logged,
        "rooms": [room.name for room in kept.rooms],
        "recipes": recipes,
        "known": known_of(seen.report.drying, tz, words.reader.measures),
        "corrected": [(words.date(one.logged_at), in_words(one, changes)) for one in corrections],
        "values": dict(values or {}),
    }
    return page(request, "piece.html", now, 422 if wrong else 200, mark=kept.mark, wrong=wrong, sent=sent,
                of={form: wrong if form == sent else None for form in FORMS}, **rest)  # fmt: skip


def refused(
    request: Request,
    site: Site,
    name: str,
    now: datetime,
    error: InputError,
    sent: str,
    values: Mapping[str, str],
) -> HTMLResponse:
    """The page, which says at its form why what was typed cannot be, and keeps it."""
    return show(request, site, name, now, wrong=Wrong.of(error, values), sent=sent, values=values)


def _values(site: Site, seen: PiecePage, kept: Snapshot, words: Words, names: Mapping[int, str]) -> dict[str, Any]:
    """`names`: of the other pieces that are here, by number."""
    now, settings, report = words.now, site.desk.settings, seen.report
    axis = axis_of([report.line], now)
    advised_at, advice = _advised(site, report, kept, now)
    helps = promises.helped(report.drying, report.forecast, advice)
    care = steps_of(report.history, report.past, care_of(settings), now)
    return {
        "report": report,
        "others": {
            alarm.kind: ", ".join(names[one] for one in alarm.at_stake or () if one in names)
            for alarm in report.alarms
            if not (alarm.endangers(report.line.id) and report.line.is_wet(now))
        },
        "facts": facts(report, words),
        "milestones": milestone_rows(report, words),
        "cautions": wording.cautions(silicone=report.drying.pour.silicone),
        "weigh": wording.weigh_piece(report.forecast, now),
        "row": row(report.line, axis, words, in_danger=report.line.is_in_danger(report.alarms + report.close, now)),
        "axis": axis,
        "plots": drying_plots(report, curve_of(site, report, now), settings.alarms, words),
        "air": piece_air(report.drying, report.climates, settings.alarms, words),
        "had": past_air(report.drying, report.climates, now, limits_of(settings)),
        "photos": side_by_side(report.history.photos),
        "shows": SHOWS.get(report.line.stage, PhotoKind.DRY),
        "care": care_view(StepsOut.of(care, now, settings.tz), words),
        "seen": observation_rows(seen.seen, words),
        "beliefs": [belief.sentence for belief in seen.beliefs],
        "advice": advice_rows(advice, words),
        "advised_at": advised_at,
        "helps": promises.help_in_words(helps) if advice else "",
    }


def _advised(site: Site, report: PieceReport, kept: Snapshot, now: datetime) -> tuple[datetime, list[Advice]]:
    """When it was worked out, and what a change would do; nothing where no date is ahead that it could move."""
    if (
        report.forecast is None
        or report.forecast.reason is not None
        or not (report.line.is_wet(now) or _at_risk(report))
    ):
        return now, []
    return site.advised(report, kept, now)


def _at_risk(report: PieceReport) -> bool:
    return report.line.promised is not None and report.line.promised.at_risk


@router.post("/piece/{name:path}/found")
def found(request: Request, site: Here, desk: Sending, form: Typed, name: str) -> Response:
    """Log an observation; a name that no piece bears, or one from before the pour, stores nothing."""
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    try:
        observed = _observed(desk, name, values, now)
    except InputError as error:
        what = values.get("what", "")
        return refused(request, site, name, now, error, what if what in FORMS else "finger", values)
    return _back(site, now, name, "found", observed.observation.id)


def _observed(desk: Desk, name: str, values: dict[str, str], now: datetime) -> observing.Observed:
    at, what = partial(moment_of, values, now, desk.zone), values.get("what", "")
    if (finger := finger_of(what)) is not None:
        spot = Spot.MIDDLE if values.get("spot") == Spot.MIDDLE else Spot.EDGE
        return observing.feel(desk, name, finger, at(), now, spot)
    if what == "weighing":
        grams, step = (with_unit(values.get(name, ""), beside(values)[2]) for name in ("grams", "resolution"))
        weighed = partial(parse_weighing, grams, step or None)
        understood(weighed, at)
        return observing.weigh(desk, name, weighed().grams, weighed().resolution_g, at(), now)
    if what == "surface":
        typed = with_unit(values.get("surface", ""), values.get("unit", "C"))
        surface_c = partial(SURFACE_TEMPERATURE.parse, typed, Field.SURFACE)
        understood(surface_c, at)
        return observing.surface(desk, name, surface_c(), at(), now)
    raise InputError(Field.FINDING, what, phrase("{names}, weighing or surface", names=", ".join(Finger)))


@router.post("/piece/{name:path}/done")
def done(request: Request, site: Here, desk: Sending, form: Typed, name: str) -> Response:
    """Write down that a step was done."""
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    try:
        at = moment_of(values, now, site.desk.settings.tz)
        step = values.get("step", "")
        noted = aftercare.done(desk, name, step, at, now, anyway=values.get("anyway") == "yes")
    except InputError as error:
        values["second"] = "yes" if error.names(Field.ANYWAY) else ""
        return refused(request, site, name, now, error, "step", values)
    return _back(site, now, name, "step", noted.step.id)


@router.post("/piece/{name:path}/cleared")
def cleared(site: Here, form: Typed, name: str) -> Response:
    """A person has looked a harmed piece over."""
    now = site.clock.now()
    alarm_care.clear_damage(site.desk, name, now)
    return _back(site, now, name, "cleared")


def _back(site: Site, now: datetime, name: str, done: str, number: int | None = None) -> Response:
    """To the piece, which says what was logged and offers to take it back."""
    site.changed(now)
    return back_to(name, done, [name] if number is None else [name, number])


def back_to(name: str, done: str, of: Sequence[Any]) -> Response:
    """To the page of a piece, which says what was logged."""
    return RedirectResponse(f"/piece/{quote(name, safe='')}?{urlencode({'done': done, 'of': of}, doseq=True)}", 303)


def facts(report: PieceReport, words: Words) -> list[tuple[str, str]]:
    """What was typed of the piece, and what is believed of it now."""
    pour, forecast, recipe = report.drying.pour, report.forecast, report.drying.recipe
    read = words.reader.read
    shares = wording.shares(recipe) if recipe.stated else phrase("{shares}, assumed", shares=wording.shares(recipe))
    mix = phrase("with silicone") if pour.silicone else phrase("without silicone")
    poured = Markup("{} ({}){}").format(words.date(pour.at), words.ago(pour.at), read(wording.by(pour.logged_by)))
    told: list[tuple[str, str]] = [
        (phrase("Poured"), poured),
        (phrase("Poured as one of"), report.line.series or ""),
        (phrase("Room"), wording.where(report.drying.room, report.drying.place)),
        (phrase("Film"), phrase("{film}; on {support}", film=wording.wet_film(pour), support=SUPPORTS[pour.support])),
        (phrase("Size"), words.size(pour)),
        (phrase("Recipe"), phrase("{recipe}, {mix} ({shares})", recipe=pour.recipe, mix=mix, shares=shares)),
        (phrase("Air over it"), words.reader.speed(report.drying.air_speed)),
    ]
    if forecast is not None and forecast.reason is None:
        room, warm = report.room, forecast.film_temp_c
        air, humidity = words.temperature(room.temp_c), words.percent(room.rh_pct)
        read_at = words.ago(room.data_at)
        told.append((phrase("Air"), phrase("{temp}, {humidity}, read {ago}", temp=air, humidity=humidity, ago=read_at)))
        told.append((phrase("Film is at"), "" if warm is None else words.temperature(warm)))
        told.append((phrase("Cracks"), read(wording.cracks_of(forecast, words.now))))
        told.append((phrase("Calculated"), words.ago(forecast.made_at)))
    return [(name, value) for name, value in told if value]


def milestone_rows(report: PieceReport, words: Words) -> list[tuple[str, str, str, str, str, str, str]]:
    """Each milestone: its kind, name, three dates, and why one is missing; or when a finger found it reached."""
    return [
        (m.kind.value, words.reader.read(wording.STAGES[m.kind]), words.foreseen(m.early_at),
         words.foreseen(m.worth_checking_at),
         phrase("once found dry") if m.held else words.foreseen(m.safe_at),
         words.reader.read(m.reason or ""), words.date(m.found_at) if m.found_at else "")
        for m in (report.forecast.milestones if report.forecast else ())
    ]  # fmt: skip


@dataclass(frozen=True)
class AdviceRow:
    text: str
    caution: str


def advice_rows(advice: list[Advice], words: Words) -> list[AdviceRow]:
    """What each change of the room would do from now on; only those that would do anything."""
    return [
        AdviceRow(capital(words.reader.read(said)), words.reader.read(caution(one.change) or ""))
        for one in advice
        if (said := advised(one)) is not None
    ]
