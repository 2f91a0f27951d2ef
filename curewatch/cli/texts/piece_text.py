"""One piece, and the steps after its pour, as pages of text."""

from __future__ import annotations

from datetime import datetime
from functools import partial

from curewatch.cli.output import Page, text_of, wrapped
from curewatch.cli.texts.alarms_text import KINDS
from curewatch.cli.texts.board_text import headings
from curewatch.desk.reports.piece import PieceReport
from curewatch.language import Joined, Percent, Temperature, When, Words, joined, phrase, reads
from curewatch.records import Forecast, MilestoneKind, Support
from curewatch.studio import wording
from curewatch.studio.alarms import damage
from curewatch.studio.board import PieceLine
from curewatch.studio.care import varnish_air
from curewatch.views.care import NOW, StepsOut, coats_want, step_when
from curewatch.views.sheet import PHOTO_KINDS

_LABEL = 10
"""Columns of what stands before a line."""


def text(report: PieceReport, now: datetime, page: Page) -> str:
    """The piece, at most `page.width` wide."""
    line, pour, forecast = report.line, report.drying.pour, report.forecast
    rows = [page.bold(f"{line.name}: {text_of(_stage(line, now))}"), *_told(report, now, page)]
    if forecast is None or forecast.reason:
        why = forecast.reason if forecast and forecast.reason else phrase("not forecast yet")
        rows.append(text_of(phrase("No dates: {reason}.", reason=why)))
    else:
        rows += _labelled(phrase("Air"), _air(report, now), page)
        rows += [*_labelled(phrase("Cracks"), wording.cracks_of(forecast, now), page), "", *_table(forecast, now, page)]
    rows += ["", *wrapped(joined(*wording.cautions(silicone=pour.silicone), wording.SAFETY), page.width)]
    rows += wrapped(wording.weigh_piece(forecast, now) or "", page.width)
    if report.dew is not None and report.line.stage is MilestoneKind.VARNISH_READY:
        rows += _labelled(phrase("Varnish"), varnish_air.in_words(report.dew, now), page)
    for harm in report.damages:
        said = phrase("harmed: {harm} Then say `curewatch cleared`.", harm=damage.in_words(harm))
        rows += wrapped(said, page.width, "! ")
    for alarm in report.alarms:
        rows += wrapped(joined(KINDS[alarm.kind], alarm.text, by=": "), page.width, "! ", "")
    for one in report.close_to:
        rows += wrapped(phrase("close to an alarm: {text}", text=one.text), page.width, "! ", "")
    return "\n".join(rows).rstrip()


def _told(report: PieceReport, now: datetime, page: Page) -> list[str]:
    """What was logged of it."""
    r, line, pour = reads(), report.line, report.drying.pour
    mix = phrase("with silicone") if pour.silicone else phrase("without silicone")
    poured = f"{r.date(pour.at, now)} ({r.age(pour.at, now)})"
    film = phrase("{film}; {recipe}, {mix}", film=wording.wet_film(pour), recipe=pour.recipe, mix=mix)
    rows = _labelled(phrase("Poured"), joined(poured, wording.by(pour.logged_by), by=""), page)
    rows += _labelled(phrase("Room"), wording.where(report.drying.room, report.drying.place), page)
    rows += _labelled(phrase("Film"), film, page)
    if line.promised is not None:
        rows += _labelled(phrase("Promised"), line.promised.in_words(), page)
    if line.series is not None:
        rows += _labelled(phrase("One of"), f"{line.series} (`curewatch series`)", page)
    if pour.support is not Support.CANVAS:
        rows += _labelled(phrase("Surface"), wording.SUPPORTS[pour.support], page)
    taken = [Joined((PHOTO_KINDS[one.kind], When(one.at, now, "date"))) for one in report.history.photos]
    return rows + (_labelled(phrase("Photos"), Joined(tuple(taken), ", "), page) if taken else [])


def _labelled(label: Words, said: Words, page: Page) -> list[str]:
    return wrapped(said, page.width, f"{text_of(label):<{_LABEL}}")


def _stage(line: PieceLine, now: datetime) -> Words:
    """`probably touch-dry`, or `tacky, found today 06:57`."""
    known = line.stage is not None and not (line.is_held and line.stage_found_at is not None)
    said = wording.STAGES[line.stage] if known else line.stage_in_words
    if line.stage_found_at is not None:
        return phrase("{stage}, found {date}", stage=said, date=When(line.stage_found_at, now, "date"))
    return said if line.stage_is_safe else phrase("probably {stage}", stage=said)


def _air(report: PieceReport, now: datetime) -> Words:
    forecast, room = report.forecast, report.room
    assert forecast is not None
    temp = "?" if room.temp_c is None else Temperature(room.temp_c, 1)
    rh = "?" if room.rh_pct is None else Percent(room.rh_pct)
    said = phrase("{temp}, {humidity}, read {ago}", temp=temp, humidity=rh, ago=reads().age(room.data_at, now))
    if forecast.film_temp_c is None:
        return said
    return joined(said, phrase("the film is at {temp}", temp=Temperature(forecast.film_temp_c, 1)), by="; ")


def _table(forecast: Forecast, now: datetime, page: Page) -> list[str]:
    r, wide = reads(), (max(16, *(len(text_of(one)) for one in wording.STAGES.values())), 20, 20, 20)
    heads = (phrase("earliest"), phrase("worth checking"), phrase("safe to assume"))
    odds = ["", *(r.percent(one) for one in (10, 50, 90))]
    rows = [page.bold(line) for row in (["", *map(text_of, heads)], odds) for line in headings(row, wide)]
    said = None
    for milestone in forecast.milestones:
        stage = f"{text_of(wording.STAGES[milestone.kind]):<{wide[0]}} "
        if milestone.found_at is not None:
            rows.append(stage + text_of(phrase("found {date}", date=When(milestone.found_at, now, "date"))))
            continue
        dates = (milestone.early_at, milestone.worth_checking_at, milestone.safe_at)
        shown = ["-" if at is None else r.foreseen(at, now) for at in dates]
        rows.append(stage + " ".join(f"{date:<20}" for date in shown).rstrip())
        if milestone.reason and milestone.reason != said:
            rows += wrapped(milestone.reason, page.width, "  ")
        said = milestone.reason
    return rows


SIGNS = {"safe": "[ ]", "worth checking": "[?]", "not yet": " . ", "waits": " . ", "over": " - ", "done": "[x]"}
SAID = {
    "[ ]": phrase("safe to assume"),
    "[?]": phrase("worth checking"),
    " . ": phrase("not yet"),
    " - ": phrase("past"),
    "[x]": phrase("done"),
}


def steps_text(found: StepsOut, now: datetime, page: Page) -> str:
    """The steps, the next ones with their caution."""
    rows = [page.bold(text_of(phrase("{piece}: the steps after its pour", piece=found.piece)))]
    names = {step: step for line in found.steps for step in line.waits_for}
    dated, indent = partial(reads().date, now=now), " " * 15
    for line in found.steps:
        when = step_when(line, found, now, dated, names)
        rows += wrapped(f"{SIGNS[line.state]} {line.step:<10} {line.title}: {when}.", page.width, "", indent)
        if line.state in NOW:
            rows += wrapped(line.caution, page.width, indent)
    if any(line.needs_varnish_air and line.done_at is None for line in found.steps):
        rows += ["", *wrapped(coats_want(found, now, dated), page.width)]
    for step in found.history:
        if step.undone_at:
            date = When(step.recorded_at, now, "date")
            rows.append(text_of(phrase("Taken back: {step}, written down {date}.", step=step.step, date=date)))
    used = {SIGNS[line.state] for line in found.steps}
    key = ", ".join(f"{sign.strip()} {text_of(said)}" for sign, said in SAID.items() if sign in used)
    ending = phrase("{key}. Dates are estimates: the varnish's own label comes first.", key=key)
    return "\n".join([*rows, "", *wrapped(joined(ending, wording.SAFETY), page.width)])
