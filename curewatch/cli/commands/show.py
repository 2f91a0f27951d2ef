"""The commands that show the studio: the board, and one piece."""

from __future__ import annotations

import sys

import typer

from curewatch.cli import options
from curewatch.cli.commands.facts import Name
from curewatch.cli.output import Page, say, say_json


def board(ctx: typer.Context, as_json: options.AsJson = False) -> None:
    """Every piece with its stage and next dates, every room with the age of its data, and active alarms."""
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.cli.texts import board_text

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        seen = desk.board(now)
        if as_json:
            say_json("board", **board_text.values(desk.settings.tz, seen))
        else:
            say(board_text.text(desk.settings.tz, seen, Page.of(sys.stdout)))


def piece(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """One piece: its pour, its milestones with how sure they are, and what the room is doing to it."""
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.cli.texts import piece_text, plan_text
    from curewatch.desk.reports import planning

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        report = desk.piece(name, now)
        advice = planning.advice(desk, name, now)
        if as_json:
            values = piece_text.values(desk.settings.tz, report)
            say_json("piece", **values, advice=plan_text.advice_values(advice))
        else:
            page = Page.of(sys.stdout)
            say(piece_text.text(desk.settings.tz, report, now, page))
            if could := plan_text.advice_text(advice, page):
                say(f"\n{could}")
