"""One piece, and the steps after its pour, as pages of text."""

from __future__ import annotations

import textwrap
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.texts.dates import date
from curewatch.desk.reports.piece import PieceReport
from curewatch.language import Reader
from curewatch.records import Forecast, MilestoneKind, Support
from curewatch.studio import wording
from curewatch.studio.alarms import damage
from curewatch.studio.board import PieceLine
from curewatch.studio.care import varnish_air
from curewatch.views.care import NOW, StepsOut, coats_want, step_when


def text(tz: ZoneInfo, report: PieceReport, now: datetime, page: Page) -> str:
    """The piece, at most `page.width` wide."""
    line, pour, forecast = report.line, report.drying.pour, report.forecast
    mix = f"{pour.recipe}, {'with' if pour.silicone else 'without'} silicone"
    poured = f"{wording.date(pour.at, lambda at: at.astimezone(tz), now)} ({wording.age(pour.at, now)})"
    rows = [
        page.bold(f"{line.name}: {_stage(tz, line, now)}"),
        f"Poured    {poured}{wording.by(pour.logged_by)}",
        f"Room      {wording.where(report.drying.room, report.drying.place)}",
        f"Film      {wording.wet_film(pour)}; {mix}",
    ]
    if line.promised is not None:
        said = f"Promised  {Reader(zone=tz).read(line.promised.in_words())}"
        rows += textwrap.wrap(said, page.width, subsequent_indent=" " * 10)
    if line.series is not None:
        rows.append(f"One of    {line.series} (`curewatch series`)")
    if pour.support is not Support.CANVAS:
        rows.append(f"Surface   {wording.SUPPORTS[pour.support]}")
    if photos := report.history.photos:
        taken = [f"{one.kind.value} {wording.date(one.at, lambda at: at.astimezone(tz), now)}" for one in photos]
        rows += textwrap.wrap(f"Photos    {', '.join(taken)}", page.width, subsequent_indent=" " * 10)
    if forecast is None or forecast.reason:
        rows.append(f"No dates: {forecast.reason if forecast else 'not forecast yet'}.")
    else:
        rows += [_air(report, now), *_cracks(report, now, page), "", *_table(tz, forecast, now, page)]
    rows += [
        "",
        *textwrap.wrap(" ".join(map(str, [*wording.cautions(silicone=pour.silicone), wording.SAFETY])), page.width),
    ]
    rows += textwrap.wrap(str(wording.weigh_piece(forecast, now) or ""), page.width)
    if report.dew is not None and report.line.stage is MilestoneKind.VARNISH_READY:
        rows += textwrap.wrap(
            f"Varnish   {varnish_air.in_words(report.dew, now)}", page.width, subsequent_indent=" " * 10
        )
    for harm in report.damages:
        said = f"! harmed: {damage.in_words(harm)} Then say `curewatch cleared`."
        rows += textwrap.wrap(said, page.width, subsequent_indent="  ")
    for alarm in report.alarms:
        rows += textwrap.wrap(f"! {alarm.kind.value.replace('_', ' ')}: {Reader(zone=tz).read(alarm.text)}", page.width)
    for one in report.close_to:
        rows += textwrap.wrap(f"! close to an alarm: {Reader(zone=tz).read(one.text)}", page.width)
    return "\n".join(rows).rstrip()


def _stage(tz: ZoneInfo, line: PieceLine, now: datetime) -> str:
    """`probably touch-dry`, or `tacky, found today 06:57`."""
    if line.stage_found_at is not None:
        found = wording.date(line.stage_found_at, lambda at: at.astimezone(tz), now)
        said = wording.STAGES[line.stage] if line.stage is not None and not line.is_held else line.stage_in_words
        return f"{said}, found {found}"
    said = wording.STAGES[line.stage] if line.stage is not None else line.stage_in_words
    return str(said) if line.stage_is_safe else f"probably {said}"


def _air(report: PieceReport, now: datetime) -> str:
    forecast, room = report.forecast, report.room
    assert forecast is not None
    temp = "?" if room.temp_c is None else f"{room.temp_c:.1f} °C"
    rh = "?" if room.rh_pct is None else f"{room.rh_pct:.0f} %"
    film = "" if forecast.film_temp_c is None else f"; the film is at {forecast.film_temp_c:.1f} °C"
    return f"Air       {temp}, {rh}, read {wording.age(room.data_at, now)}{film}"


def _cracks(report: PieceReport, now: datetime, page: Page) -> list[str]:
    said = wording.cracks_of(report.forecast, now)
    return textwrap.wrap(f"Cracks    {said}" if said else "", page.width, subsequent_indent=" " * 10)


def _table(tz: ZoneInfo, forecast: Forecast, now: datetime, page: Page) -> list[str]:
    heads = (("earliest", "worth checking", "safe to assume"), ("10 %", "50 %", "90 %"))
    rows = [page.bold(f"{'':<16} " + " ".join(f"{head:<20}" for head in heading).rstrip()) for heading in heads]
    said = None
    for milestone in forecast.milestones:
        if milestone.found_at is not None:
            found = wording.date(milestone.found_at, lambda at: at.astimezone(tz), now)
            rows.append(f"{wording.STAGES[milestone.kind]:<16} found {found}")
            continue
        dates = (milestone.early_at, milestone.worth_checking_at, milestone.safe_at)
        shown = ["-" if at is None else wording.foreseen(at, lambda at: at.astimezone(tz), now) for at in dates]
        rows.append(f"{wording.STAGES[milestone.kind]:<16} " + " ".join(f"{date:<20}" for date in shown).rstrip())
        if milestone.reason and milestone.reason != said:
            rows += textwrap.wrap(f"  {milestone.reason}", page.width, subsequent_indent="  ")
        said = milestone.reason
    return rows


SIGNS = {"safe": "[ ]", "worth checking": "[?]", "not yet": " . ", "waits": " . ", "over": " - ", "done": "[x]"}
SAID = {"[ ]": "safe to assume", "[?]": "worth checking", " . ": "not yet", " - ": "past", "[x]": "done"}


def steps_text(found: StepsOut, now: datetime, page: Page) -> str:
    """The steps, the next ones with their caution."""
    rows = [page.bold(f"{found.piece}: the steps after its pour")]
    names = {step: step for line in found.steps for step in line.waits_for}
    dated = partial(date, now=now)
    for line in found.steps:
        when = step_when(line, found, now, dated, names)
        head = f"{SIGNS[line.state]} {line.step:<10} {line.title}: {when}."
        rows += textwrap.wrap(head, page.width, subsequent_indent=" " * 15)
        if line.state in NOW:
            rows += _wrapped(line.caution, page)
    if any(line.needs_varnish_air and line.done_at is None for line in found.steps):
        rows += ["", *textwrap.wrap(coats_want(found, now, dated), page.width)]
    undone = [step for step in found.history if step.undone_at]
    rows += [f"Taken back: {step.step}, written down {date(step.recorded_at, now)}." for step in undone]
    used = {SIGNS[line.state] for line in found.steps}
    key = ", ".join(f"{sign.strip()} {said}" for sign, said in SAID.items() if sign in used)
    ending = f"{key}. Dates are estimates: the varnish's own label comes first. {wording.SAFETY}"
    return "\n".join([*rows, "", *textwrap.wrap(ending, page.width)])


def _wrapped(said: str, page: Page) -> list[str]:
    indent = " " * 15
    return textwrap.wrap(said, page.width, initial_indent=indent, subsequent_indent=indent)
