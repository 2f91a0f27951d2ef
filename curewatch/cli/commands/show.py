"""The commands that show: the board, a piece, its record, what may have gone wrong, two records side by side."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import Name
from curewatch.cli.output import Page, say, say_json
from curewatch.cli.session import desk_of, refresh_first
from curewatch.cli.texts import board_text, piece_text, plan_text, record_text
from curewatch.desk.reports import cure_record, planning
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.cure_record import cure_record_of
from curewatch.desk.reports.piece import piece_report
from curewatch.records.errors import Field, InputError
from curewatch.studio.diagnosis.mechanisms import Trouble


def board(ctx: typer.Context, as_json: options.AsJson = False) -> None:
    """Every piece with its stage and next dates, every room with the age of its data, and active alarms."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        seen = board_of(desk, now)
        if as_json:
            say_json("board", **board_text.values(desk.settings.tz, seen))
        else:
            say(board_text.text(desk.settings.tz, seen, Page.of(sys.stdout)))


def piece(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """One piece: its pour, its milestones with how sure they are, and what the room is doing to it."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        report = piece_report(desk, name, now)
        advice = planning.advice(desk, name, now)
        if as_json:
            values = piece_text.values(desk.settings.tz, report)
            say_json("piece", **values, advice=plan_text.advice_values(advice))
        else:
            page = Page.of(sys.stdout)
            say(piece_text.text(desk.settings.tz, report, now, page))
            if could := plan_text.advice_text(advice, page):
                say(f"\n{could}")


TROUBLES = ("cracked", "crazed", "cloudy", "tacky", "drifted", "fish-eyes")


def record(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """A piece's cure record, for whoever buys it or learns from it: dates, air, steps, and what is only estimated."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        looked = cure_record_of(desk, name, now)
        if as_json:
            say_json("record", **record_text.values(desk.settings.tz, looked))
        else:
            say(record_text.text(desk.settings.tz, looked, Page.of(sys.stdout)))


def why(
    ctx: typer.Context,
    name: Name,
    trouble: Annotated[str, typer.Argument(metavar="TROUBLE", help=f"What is wrong: {', '.join(TROUBLES)}.")],
    as_json: options.AsJson = False,
) -> None:
    """What may have gone wrong: each mechanism against the piece's own record, with its figure."""

    word = "-".join(trouble.casefold().split())
    if word not in TROUBLES:
        raise InputError(Field.TROUBLE, trouble, f"one of {', '.join(TROUBLES)}")
    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        looked = cure_record.cure_record_of(desk, name, now)
        found = cure_record.why(desk, looked, Trouble(word))
        if as_json:
            say_json("why", name=name, trouble=word, findings=record_text.finding_values(found))
        else:
            say(record_text.findings_text(name, word, found, Page.of(sys.stdout)))


def compare(
    ctx: typer.Context,
    one: Annotated[str, typer.Argument(metavar="NAME", help="A piece.")],
    other: Annotated[str, typer.Argument(metavar="OTHER", help="Another.")],
    as_json: options.AsJson = False,
) -> None:
    """Two pieces' records side by side."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        pair = [cure_record_of(desk, name, now) for name in (one, other)]
        if as_json:
            say_json("compare", pieces=[record_text.values(desk.settings.tz, looked) for looked in pair])
        else:
            say(record_text.side_by_side(desk.settings.tz, pair[0], pair[1], Page.of(sys.stdout)))
