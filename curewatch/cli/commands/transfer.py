"""The commands that bring a logger's record in, and take everything out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from datetime import UTC, tzinfo
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from curewatch.cli import options
from curewatch.cli.options import RoomName
from curewatch.cli.output import each, say, say_json, say_pieces, working
from curewatch.cli.session import desk_of, iso, new_file, refresh_first
from curewatch.desk.commands.readings import import_readings as take_in
from curewatch.desk.commands.readings import room_called
from curewatch.desk.transfer import exporting
from curewatch.desk.transfer.importing import import_facts, require_empty
from curewatch.intake.files.export_file import export_at
from curewatch.intake.files.logger_csv import TO_C, Layout, logger_csv
from curewatch.intake.typed.names import named
from curewatch.language import Joined, Words, phrase, phrase_n, reads
from curewatch.records.errors import Field, InputError


def import_readings(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A logger's CSV file.")],
    room: RoomName,
    time: Annotated[
        str, typer.Option("--time", metavar="COL", help="The column of times, by heading or number.")
    ] = "time_utc",
    temperature: Annotated[
        str, typer.Option("--temperature", metavar="COL", help="Of temperatures; '' for none.")
    ] = "temp_c",
    humidity: Annotated[str, typer.Option("--humidity", metavar="COL", help="Of humidities; '' for none.")] = "rh_pct",
    unit: Annotated[str, typer.Option("--unit", metavar="UNIT", help="Of temperatures: C, F or K.")] = "C",
    zone: Annotated[
        str | None,
        typer.Option("--zone", metavar="ZONE", help="Of times without an offset, such as UTC. Left out: the studio's."),
    ] = None,
    time_format: Annotated[
        str | None,
        typer.Option("--time-format", metavar="FORMAT", help="Such as '%d/%m/%Y %H:%M'. Left out: ISO 8601."),
    ] = None,
    source: Annotated[str, typer.Option("--source", metavar="NAME", help="What to call the logger.")] = "logger",
    skip_bad: Annotated[bool, typer.Option("--skip-bad", help="Pass over rows that cannot be taken.")] = False,
    new: options.New = False,
    as_json: options.AsJson = False,
) -> None:
    """Take a logger's record in as a room's history. What is stored already stays as it is."""
    with desk_of(ctx) as (desk, now):
        layout = _layout(time, temperature, humidity, unit, _zone(zone, desk.settings.tz, time), time_format, skip_bad)
        room, source = room_called(desk, named(room, Field.ROOM), new=new), named(source, Field.SOURCE)
        taking = phrase("Taking {file} in", file=file)
        with ExitStack() as reading:
            with working(taking):  # all of it is looked through before anything is stored
                record = reading.enter_context(logger_csv(file, layout, room=room, source=source, now=now))
            found = record.contents
            rows = each(record.readings(), taking, of=found.rows - found.ahead)
            stored = take_in(desk, room, rows, found.first_at)
        already = found.rows - found.ahead - stored
        if as_json:
            tz = desk.settings.tz
            say_json(
                "import_readings", room=room, rows=found.rows, new=stored, stored_already=already,
                in_the_future=found.ahead, empty=found.empty, bad=found.bad, first_bad=found.first_bad,
                first_at=iso(found.first_at, tz), last_at=iso(found.last_at, tz),
            )  # fmt: skip
            return
        said: Words = phrase_n("{n} new reading", "{n} new readings", stored)
        if found.first_at is not None and found.last_at is not None:
            first, last = (reads().day(at, weekday=False) for at in (found.first_at, found.last_at))
            said = phrase("{readings}, {first} to {last}", readings=said, first=first, last=last)
        say(phrase("{room}: {readings}; {n} were stored already.", room=room, readings=said, n=already))
        for count, row in (
            (found.empty, phrase("Rows empty: {n}.", n=found.empty)),
            (found.bad, phrase("Rows passed over: {n}.", n=found.bad)),
            (found.ahead, phrase("Rows in the future, left out: {n}.", n=found.ahead)),
        ):
            if count:
                say(row)
        if found.first_bad:
            say(phrase("The first passed over: {why}", why=found.first_bad))


def export(
    ctx: typer.Context,
    readings_of: Annotated[
        str | None, typer.Option("--readings-of", metavar="ROOM", help="Instead: a room's readings as CSV.")
    ] = None,
    csv_to: Annotated[
        str | None,
        typer.Option("--csv", metavar="FILE", help="Instead: everything as CSV files, into a new ZIP file."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="The same: everything is JSON, but for --csv and --readings-of.")
    ] = False,
) -> None:
    """Everything out: all facts and readings as one JSON object, or as CSV files; or a room's readings as CSV."""
    chosen = [name for name, on in (("--csv", csv_to), ("--readings-of", readings_of), ("--json", as_json)) if on]
    if len(chosen) > 1:
        raise InputError(chosen[1], chosen[1], phrase("one of the two"), phrase("beside {option}", option=chosen[0]))
    with desk_of(ctx) as (desk, now):
        if csv_to is not None:
            with new_file(csv_to, Field.CSV) as out:
                counts = exporting.write_tables(desk, now, out)
            say(phrase("Everything is in {file}: {counts}.", file=csv_to, counts=_counted(counts)))
            if (until := exporting.means_until(desk)) is not None:
                day = desk.dated(until)
                said = phrase(
                    "Sensors' readings before {day} are means of five minutes; the single ones were let go.", day=day
                )
                say(said)
            return
        if readings_of is not None:
            found = exporting.rows(exporting.readings_of(desk, named(readings_of, Field.READINGS_OF)))
            say(_as_csv(found))
            return
        say_pieces(exporting.as_json(desk))


def import_everything(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="What `curewatch export` wrote.")],
    as_json: options.AsJson = False,
) -> None:
    """Everything in again: what `export` wrote, as JSON or as CSV files, into an empty store."""
    with desk_of(ctx) as (desk, now):
        require_empty(desk)
        with working(phrase("Taking {file} in", file=file)), export_at(file) as facts:
            taken = import_facts(desk, facts)
        refresh_first(desk, now)
    if as_json:
        say_json("import", **taken)
        return
    say(phrase("Taken in: {counts}.", counts=_counted(taken)))


def _counted(counts: Mapping[str, int]) -> Joined:
    told = (
        phrase_n("{n} piece", "{n} pieces", counts["pieces"]),
        phrase_n("{n} room", "{n} rooms", counts["rooms"]),
        phrase_n("{n} recipe", "{n} recipes", counts["recipes"]),
        phrase_n("{n} reading", "{n} readings", counts["readings"]),
        phrase_n("{n} observation", "{n} observations", counts["observations"]),
        phrase_n("{n} step", "{n} steps", counts["steps"]),
    )
    return Joined(told, ", ")


def _layout(
    time: str, temperature: str, humidity: str, unit: str, zone: tzinfo, time_format: str | None, skip_bad: bool
) -> Layout:

    if unit.upper() not in TO_C:
        raise InputError(Field.UNIT, unit, phrase("C, F or K"))
    if not temperature and not humidity:
        raise InputError(Field.HUMIDITY, humidity, phrase("a column of temperatures, of humidities, or both"))
    return Layout(time, temperature or None, humidity or None, unit.upper(), zone, time_format, skip_bad)


def _zone(typed: str | None, studio: tzinfo, time: str) -> tzinfo:
    """The zone of times without an offset; a column that is called time_utc says it by itself."""
    if typed is None:
        return UTC if time == "time_utc" else studio
    try:
        return ZoneInfo(typed)
    except (KeyError, ValueError, OSError):
        raise InputError(Field.ZONE, typed, phrase("an IANA time zone, such as UTC or Europe/Lisbon")) from None


def _as_csv(rows: Iterable[tuple[str, ...]]) -> str:

    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().removesuffix("\n")
