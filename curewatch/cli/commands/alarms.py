"""The commands about alarms and the notices of them: what is on, acknowledge, mute, clear a harmed piece; what was
told, and sending it again."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import Page, say, say_json, text_of, warn_old
from curewatch.cli.session import answer, desk_of, fresh_desk_of, say_view
from curewatch.cli.texts import alarms_text
from curewatch.cli.texts.alarms_text import KINDS
from curewatch.desk.commands import alarm_care, notice_care
from curewatch.desk.commands import undo as undoing
from curewatch.desk.commands.alarm_care import alarms_now
from curewatch.desk.commands.log import LogKind
from curewatch.intake.typed import parse_duration
from curewatch.language import Value, When, phrase
from curewatch.records import Alarm, AlarmKind
from curewatch.records.errors import Field, InputError
from curewatch.studio.alarms import damage
from curewatch.views.alarms import AlarmOut, AlarmsOut, HarmOut
from curewatch.views.notices import NoticeOut

HISTORY = 50
RoomName = Annotated[str, typer.Argument(metavar="ROOM", help="The room's name.")]
_Undo = Annotated[bool, typer.Option("--undo", help="Take it back.")]
Kind = Annotated[str, typer.Argument(metavar="KIND", help="cold, frost, damp, too-fast or no-fresh-data.")]


def alarms(
    ctx: typer.Context,
    history: Annotated[bool, typer.Option("--history", help="Also what alarms did lately.")] = False,
    room: Annotated[str | None, typer.Option("--room", metavar="ROOM", help="Only this room's.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """Alarms that are on or muted, and pieces that may be damaged."""
    with fresh_desk_of(ctx) as (desk, now):
        found = alarms_now(desk, now, history=HISTORY if history else 0, room=room)
        seen = AlarmsOut.of(found, desk.settings.tz)
    answer(as_json, "alarms", seen, lambda page: alarms_text.text(seen, now, page, with_history=history))


def acknowledge(
    ctx: typer.Context, room: RoomName, kind: Kind, undo: _Undo = False, as_json: options.AsJson = False
) -> None:
    """Say that you are on it: no reminders follow."""
    with fresh_desk_of(ctx) as (desk, now):
        wanted = parse_alarm_kind(kind)
        if undo:
            (entry,) = undoing.undo(desk, LogKind.ACKNOWLEDGE, [room, wanted], now)
            assert isinstance(entry.fact, Alarm)
            alarm = entry.fact
        else:
            alarm = alarm_care.acknowledge(desk, room, wanted, now)
        if as_json:
            say_view("undone" if undo else "acknowledge", AlarmOut.of(alarm, desk.settings.tz))
        elif undo:
            said = phrase(
                "No longer acknowledged: {alarm} in {room}. It will be told again if it lasts.",
                alarm=KINDS[alarm.kind],
                room=room,
            )
            say(said)
        else:
            said = phrase(
                "Acknowledged: {alarm} in {room}. You will hear when it is over.", alarm=KINDS[alarm.kind], room=room
            )
            say(said)


def mute(
    ctx: typer.Context,
    room: RoomName,
    kind: Kind,
    length: Annotated[str, typer.Option("--for", metavar="TIME", help="How long, such as 8h; at most 24h.")],
    as_json: options.AsJson = False,
) -> None:
    """Mute an alarm for a while; it stays listed."""
    with desk_of(ctx) as (desk, now):
        wanted, how_long = parse_alarm_kind(kind), parse_duration(length, field=Field.HOURS)
        alarm = alarm_care.mute(desk, room, wanted, how_long, now)
        if as_json:
            say_view("mute", AlarmOut.of(alarm, desk.settings.tz))
            return
        said = phrase(
            "Muted: {alarm} in {room}, until {date}. If it is on then, you will hear of it.",
            alarm=KINDS[alarm.kind],
            room=room,
            date=When(alarm.muted_until or now, now, "date"),
        )
        say(said)


def unmute(ctx: typer.Context, room: RoomName, kind: Kind, as_json: options.AsJson = False) -> None:
    """End a mute before its time."""
    with desk_of(ctx) as (desk, now):
        wanted = parse_alarm_kind(kind)
        alarm = alarm_care.unmute(desk, room, wanted, now)
        if as_json:
            say_view("unmute", AlarmOut.of(alarm, desk.settings.tz))
        else:
            say(phrase("No longer muted: {alarm} in {room}.", alarm=KINDS[alarm.kind], room=room))


def cleared(
    ctx: typer.Context,
    piece: Annotated[str, typer.Argument(metavar="PIECE", help="The piece's name.")],
    undo: _Undo = False,
    as_json: options.AsJson = False,
) -> None:
    """Say that you have checked a damaged piece: the warning goes."""
    with desk_of(ctx) as (desk, now):
        if undo:
            back = undoing.undo_last(desk, piece, now, [LogKind.CLEARED]).fact
            assert isinstance(back, tuple)
            gone = tuple(one for one in back if damage.stands(one))
        else:
            gone = alarm_care.clear_damage(desk, piece, now)
        if as_json:
            harm = [HarmOut.of(piece, one, desk.settings.tz).model_dump(mode="json") for one in gone]
            say_json("undone" if undo else "cleared", piece=piece, harm=harm)
            return
        for one in gone:
            values: dict[str, Value] = {"piece": piece, "harm": damage.length_and_what(one)}
            again = phrase("Stands again: {piece}, {harm}.", **values)
            say(again if undo else phrase("Cleared: {piece}, {harm}.", **values))


def parse_alarm_kind(typed: str) -> AlarmKind:
    """A kind of alarm as typed, in English or as it is shown. Raises InputError."""
    word = " ".join(typed.casefold().replace("-", " ").replace("_", " ").split())
    for kind, said in KINDS.items():
        if word in (kind.value.replace("_", " "), text_of(said).casefold()):
            return kind
    allowed = ", ".join(kind.value.replace("_", "-") for kind in AlarmKind)
    raise InputError(Field.KIND, typed, phrase("one of {names}", names=allowed))


MOST_NOTICES = 1000


def notices(
    ctx: typer.Context,
    undelivered: Annotated[bool, typer.Option("--undelivered", help="Only those that arrived nowhere.")] = False,
    dead: Annotated[bool, typer.Option("--dead", hidden=True)] = False,
    limit: Annotated[
        int, typer.Option("--limit", metavar="N", min=1, max=MOST_NOTICES, help="How many, the newest.")
    ] = 20,
    as_json: options.AsJson = False,
) -> None:
    """What people were told, and whether it arrived."""
    if dead:
        warn_old("`notices --dead`", "`notices --undelivered`")
    undelivered = undelivered or dead
    with desk_of(ctx) as (desk, now):
        found = notice_care.dead(desk)[:limit] if undelivered else notice_care.newest_notices(desk, limit=limit)
        seen = [NoticeOut.of(one, desk.settings.tz) for one in found]
    if as_json:
        say_json("notices", notices=[one.model_dump(mode="json") for one in seen])
    else:
        say(alarms_text.notices_text(seen, now, Page.of(sys.stdout), undelivered=undelivered))


def resend(
    ctx: typer.Context,
    key: Annotated[str | None, typer.Argument(metavar="[KEY]", help="The notice's key.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="All undelivered ones.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Send an undelivered message again. The daemon does it, at once if it runs."""
    if key is None and not everything:
        raise InputError(
            Field.KEY, None, phrase("the key of a notice (see `curewatch notices --undelivered`), or --all")
        )
    if key is not None and everything:
        raise InputError(Field.EVERYTHING, "--all", phrase("a key, or --all, not both"))
    with desk_of(ctx) as (desk, now):
        again = notice_care.send_again(desk, key, now)
    if as_json:
        say_json("resend", again=[{"key": one.notice.key, "channel": one.channel} for one in again])
        return
    for one in again:
        say(phrase("Waits again for {channel}: {title}", channel=one.channel, title=text_of(one.notice.title)))
    if not again:
        say(phrase("Nothing was given up."))
