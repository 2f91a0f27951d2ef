"""The commands that show: the board, a piece, its record, what may have gone wrong, two records side by side."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import Name
from curewatch.cli.output import Page, say, say_json, text_of, wrapped
from curewatch.cli.session import answer, fresh_desk_of, say_view
from curewatch.cli.texts import board_text, piece_text, plan_text, record_text
from curewatch.desk.orders import series_here
from curewatch.desk.reports import cure_record, planning
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.cure_record import compared, cure_record_of
from curewatch.desk.reports.piece import piece_report
from curewatch.language import phrase
from curewatch.records.errors import Field, InputError
from curewatch.studio.board import SeriesLine
from curewatch.studio.diagnosis.mechanisms import Trouble
from curewatch.studio.planning import promises
from curewatch.views.board import BoardOut, SeriesOut
from curewatch.views.plan import AdviceOut
from curewatch.views.record import ComparedOut, FindingOut, PieceReportOut, RecordOut

TROUBLES = ", ".join(Trouble)


def board(ctx: typer.Context, as_json: options.AsJson = False) -> None:
    """Every piece with its stage and next dates, every room with the age of its data, and active alarms."""
    with fresh_desk_of(ctx) as (desk, now):
        seen = BoardOut.of(board_of(desk, now), desk.settings.tz)
    answer(as_json, "board", seen, lambda page: board_text.text(seen, page))


def piece(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """One piece: its pour, its milestones with how sure they are, and what the room is doing to it."""
    with fresh_desk_of(ctx) as (desk, now):
        report = piece_report(desk, name, now)
        could = planning.advice(desk, report, now)
        advice = [AdviceOut.of(one) for one in could]
        if as_json:
            told = [one.model_dump(mode="json") for one in advice]
            say_view("piece", PieceReportOut.of_report(report, now, desk.settings.tz), advice=told)
            return
        page = Page.of(sys.stdout)
        say(piece_text.text(report, now, page))
        if text := plan_text.advice_text(advice, page):
            say(f"\n{text}")
        if report.line.promised is not None and report.line.promised.at_risk:
            helps = promises.help_in_words(promises.helped(report.drying, report.forecast, could))
            say("\n".join(["", *wrapped(helps, page.width)]))


def record(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """A piece's cure record, for whoever buys it or learns from it: dates, air, steps, and what is only estimated."""
    with fresh_desk_of(ctx) as (desk, now):
        looked = cure_record_of(desk, name, now)
        seen = RecordOut.of(looked, desk.settings.tz)
    answer(as_json, "record", seen, lambda page: record_text.text(looked, page))


def why(
    ctx: typer.Context,
    name: Name,
    trouble: Annotated[str, typer.Argument(metavar="TROUBLE", help=f"What is wrong: {TROUBLES}.")],
    as_json: options.AsJson = False,
) -> None:
    """What may have gone wrong: each mechanism against the piece's own record, with its figure."""
    with fresh_desk_of(ctx) as (desk, now):
        word = trouble_of(trouble)
        found = cure_record.why(desk, cure_record_of(desk, name, now), word)
    if as_json:
        findings = [FindingOut.of(one).model_dump(mode="json") for one in found]
        say_json("why", name=name, trouble=word, findings=findings)
    else:
        say(record_text.findings_text(name, word, found, Page.of(sys.stdout)))


def trouble_of(typed: str) -> Trouble:
    """As typed, in English or as it is shown. Raises InputError."""
    word = " ".join(typed.casefold().replace("-", " ").split())
    for one, said in record_text.TROUBLES.items():
        if word in (one.value.replace("-", " "), text_of(said).casefold()):
            return one
    raise InputError(Field.TROUBLE, typed, phrase("one of {names}", names=TROUBLES))


def compare(
    ctx: typer.Context,
    one: Annotated[str, typer.Argument(metavar="NAME", help="A piece; without OTHER, a series.")],
    other: Annotated[str | None, typer.Argument(metavar="[OTHER]", help="Another piece.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """Records side by side: of two pieces, or of a series poured to be compared."""
    with fresh_desk_of(ctx) as (desk, now):
        found = compared(desk, one, other, now)
        with desk.store.read() as tx:
            of = 0 if other is not None else len(series_here(tx, one))
        seen = ComparedOut(pieces=[RecordOut.of(looked, desk.settings.tz) for looked in found])
    answer(as_json, "compare", seen, lambda page: record_text.side_by_side(found, page))
    if len(found) < of and not as_json:
        said = phrase("{n} of the {of} pieces of {series}; any two: {command}.", n=len(found), of=of, series=one,
                      command="`curewatch compare NAME OTHER`")  # fmt: skip
        say(said)


def series(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="SERIES", help="The name that the pieces were poured under.")],
    as_json: options.AsJson = False,
) -> None:
    """The pieces of a series, each with its stage and next dates."""
    with fresh_desk_of(ctx) as (desk, now):
        with desk.store.read() as tx:
            members = {piece.name for piece in series_here(tx, name)}
        seen = board_of(desk, now)
        lines = tuple(line for line in seen.pieces if line.name in members)
        out = SeriesOut.of(SeriesLine(name, lines), desk.settings.tz)
    answer(as_json, "series", out, lambda page: board_text.series_text(out, now, page))
