"""The commands that log what a finger, a scale or a thermometer found of a piece and which steps were done to it, and
those that say what that came to."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import At, Name
from curewatch.cli.output import PIPED_WIDTH, ended, say, say_json, say_notes, text_of, wrapped
from curewatch.cli.session import answer, desk_of, fresh_desk_of, moment, notes_of, refresh_first, say_view
from curewatch.cli.texts.piece_text import steps_text
from curewatch.desk import Desk
from curewatch.desk.commands import aftercare, observing
from curewatch.desk.commands.log import OF_PIECES, OF_RECIPES, OF_ROOMS
from curewatch.desk.commands.observing import Observed, keep_photo
from curewatch.desk.commands.undo import undo_last, undo_observation, undo_series
from curewatch.desk.snapshot import pieces as reports_learned
from curewatch.intake.files.photo import parse_photo_kind, read_photo
from curewatch.intake.typed.finger import parse_finger
from curewatch.intake.typed.names import named
from curewatch.intake.typed.quantities import SURFACE_TEMPERATURE, parse_weighing
from curewatch.language import Value, When, phrase
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger, ObservationKind, Spot
from curewatch.records.workshop import PhotoKind, StepDone
from curewatch.studio import wording
from curewatch.studio.learning.texts import finding
from curewatch.views.care import BeliefOut, DoneOut, ObservationOut, PhotoOut, StepsOut
from curewatch.views.logged import logged_text
from curewatch.views.sheet import PHOTO_KINDS

Undo = Annotated[
    bool,
    typer.Option("--undo", help="Take back the last one logged of this piece instead; with --at, that of this minute."),
]
Says = Annotated[
    str | None,
    typer.Argument(
        metavar="tacky|touch-dry|dry-through",
        help="At an inconspicuous edge: sticks; does not stick; does not give under the thumb. Or in your words.",
        autocompletion=lambda incomplete: [word for word in Finger if word.startswith(incomplete)],
    ),
]


Middle = Annotated[
    bool,
    typer.Option("--middle", help="The finger was in the middle, not at an edge, which dries first."),
]


def feel(ctx: typer.Context, name: Name, says: Says = None, middle: Middle = False, at: At = None,
         by: options.By = None, undo: Undo = False, as_json: options.AsJson = False) -> None:  # fmt: skip
    """Log a finger test: dates of this piece, and of later pours of its recipe and at its place, follow."""
    if (says is None) is not undo:
        raise InputError(Field.FINGER, says, phrase("one of {words}, or --undo alone", words=", ".join(Finger)))
    with desk_of(ctx, by) as (desk, now):
        finger = None if says is None else parse_finger(says)
        if finger is None:
            _undo(desk, name, ObservationKind.FINGER, at, now, as_json)
        else:
            spot = Spot.MIDDLE if middle else Spot.EDGE
            _say(desk, observing.feel(desk, name, finger, moment(at, desk, now), now, spot), "feel", now, as_json)


def weigh(
    ctx: typer.Context,
    name: Name,
    grams: Annotated[str | None, typer.Argument(metavar="MASS", help="Such as 512, 512.5g or 18 oz.")] = None,
    at: At = None,
    by: options.By = None,
    resolution: Annotated[
        str | None, typer.Option("--resolution", metavar="MASS", help="The scale's smallest step. Left out: as typed.")
    ] = None,
    undo: Undo = False,
    as_json: options.AsJson = False,
) -> None:
    """Log the weight of a piece with its support.

    One from before the pour (--at) gives the poured mass, later ones the drying curve.
    """
    if (grams is None) is not undo:
        raise InputError(Field.GRAMS, grams, phrase("a mass such as 512g, or --undo alone"))
    with desk_of(ctx, by) as (desk, now):
        if grams is None:
            _undo(desk, name, ObservationKind.WEIGHING, at, now, as_json)
            return
        mass = parse_weighing(grams, resolution)
        when = moment(at, desk, now)
        _say(desk, observing.weigh(desk, name, mass.grams, mass.resolution_g, when, now), "weigh", now, as_json)


def photo(
    ctx: typer.Context,
    name: Name,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A photo: JPEG, PNG or WebP.")],
    kind: Annotated[
        str | None,
        typer.Option(
            "--kind",
            metavar="KIND",
            help="What it shows: wet, settled, dry or flaw. Left out: as the piece's stage is.",
            autocompletion=lambda incomplete: [word for word in PhotoKind if word.startswith(incomplete)],
        ),
    ] = None,
    at: At = None,
    as_json: options.AsJson = False,
) -> None:
    """Keep a photo of a piece beside the store: made small, upright, without place and camera."""
    made = read_photo(file)
    with desk_of(ctx) as (desk, now):
        shows = None if kind is None else parse_photo_kind(kind)
        kept = keep_photo(desk, name, made.jpeg, (made.width_px, made.height_px), shows, moment(at, desk, now), now)
        if as_json:
            say_json("photo", piece=name, photo=PhotoOut.of(kept.photo, desk.settings.tz).model_dump(mode="json"))
            return
        size = f"{made.width_px} x {made.height_px}, {len(made.jpeg) // 1000} kB"
        kind_said = PHOTO_KINDS[kept.photo.kind]
        say(phrase("Kept: {name}, {photo} ({size}).", name=name, photo=kind_said, size=size))


def surface(
    ctx: typer.Context,
    name: Name,
    temperature: Annotated[str | None, typer.Argument(metavar="TEMP", help="Such as 17.5C or 63F.")] = None,
    at: At = None,
    by: options.By = None,
    undo: Undo = False,
    as_json: options.AsJson = False,
) -> None:
    """Log the temperature of a film's surface, by an infrared thermometer.

    A film cooler than the room still loses water.
    """
    if (temperature is None) is not undo:
        raise InputError(Field.SURFACE, temperature, phrase("a temperature such as 17.5C, or --undo alone"))
    with desk_of(ctx, by) as (desk, now):
        if temperature is None:
            _undo(desk, name, ObservationKind.SURFACE, at, now, as_json)
            return
        surface_c = SURFACE_TEMPERATURE.parse(temperature, Field.SURFACE)
        _say(desk, observing.surface(desk, name, surface_c, moment(at, desk, now), now), "surface", now, as_json)


def learned(
    ctx: typer.Context,
    forget: Annotated[
        str | None, typer.Option("--forget", metavar="RECIPE|PLACE", help="Let what was learned of this go.")
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """What the studio has come to believe of its recipes and places, and from what."""
    with fresh_desk_of(ctx) as (desk, now):
        notes = [] if forget is None else notes_of(observing.forget(desk, forget, now).remarks)
        known = reports_learned.what_was_learned(desk)
    if as_json:
        beliefs = [BeliefOut.of(one).model_dump(mode="json") for one in known]
        say_json("learned", forgotten=forget, beliefs=beliefs)
        return
    say_notes(notes)
    for one in known:
        say("\n".join(wrapped(phrase("{sentence}.", sentence=one.sentence), PIPED_WIDTH, rest="  ")))
    if not known:
        say(phrase("Nothing yet: log a finger test with `curewatch feel`, or a weighing with `curewatch weigh`."))


def _say(desk: Desk, observed: Observed, kind: str, now: datetime, as_json: bool) -> None:
    one = observed.observation
    if as_json:
        found = ObservationOut.of(observed, desk.settings.tz).model_dump(mode="json")
        say_json(kind, piece=observed.piece.name, observation=found)
        return
    values: dict[str, Value] = {"piece": observed.piece.name, "found": finding(one), "time": When(one.at, now)}
    say(phrase("Logged {piece}: {found} at {time}{by}.", **values, by=wording.by(one.logged_by)))
    say_notes(notes_of(observed.remarks))


def _undo(desk: Desk, name: str, kind: ObservationKind, at: str | None, now: datetime, as_json: bool) -> None:
    """The last one of its kind, or that of the minute that was named."""
    one = undo_observation(desk, name, kind, now, at=None if at is None else moment(at, desk, now))
    if as_json:
        say_json("undone", piece=name, id=one.id)
    else:
        said = phrase(
            "Taken back of {piece}: {found} at {time}.", piece=name, found=finding(one), time=When(one.at, now)
        )
        say(said)


def steps(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """What is still to be done to a piece, from when, in what air, and what was done."""
    with fresh_desk_of(ctx) as (desk, now):
        found = StepsOut.of(aftercare.steps(desk, name, now), now, desk.settings.tz)
    answer(as_json, "steps", found, lambda page: steps_text(found, now, page))


def done(
    ctx: typer.Context,
    name: Name,
    step: Annotated[str, typer.Argument(metavar="STEP", help="The step, as `curewatch steps` lists it.")],
    at: At = None,
    by: options.By = None,
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway", help="Write it down although a step that comes first was left out, or the film is not ready."
        ),
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Write down that a step was done."""
    with fresh_desk_of(ctx, by) as (desk, now):
        noted = aftercare.done(desk, name, named(step, Field.STEP), moment(at, desk, now), now, anyway=anyway)
        notes = notes_of(noted.remarks)
        if as_json:
            say_view("done", DoneOut.of(noted.step, desk.settings.tz), piece=name, notes=notes)
            return
        say_notes(notes)
        values: dict[str, Value] = {"piece": name, "step": noted.step.step, "time": When(noted.step.done_at, now)}
        say(phrase("{piece}: {step} done at {time}{by}.", **values, by=wording.by(noted.step.logged_by)))


def undo(
    ctx: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="PIECE", help="The piece's name, or a series'.")] = None,
    room: Annotated[str | None, typer.Option("--room", metavar="ROOM", help="Of this room, not of a piece.")] = None,
    recipe: Annotated[str | None, typer.Option("--recipe", metavar="RECIPE", help="Of this recipe.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """Take back what was logged last of a piece, room or recipe: a pour, reading, move, finding, step or correction of
    the last day."""
    told = [one for one in (name, room, recipe) if one is not None]
    if len(told) != 1:
        allowed = phrase(
            "the name of one piece or series, or {room} NAME, or {recipe} NAME", room=Field.ROOM, recipe=Field.RECIPE
        )
        raise InputError(Field.PIECE, " ".join(told) or None, allowed, phrase("more than one name") if told else None)
    with desk_of(ctx) as (desk, now):
        kinds = OF_PIECES if name is not None else OF_ROOMS if room is not None else OF_RECIPES
        with desk.store.read() as tx:
            pieces = tx.pieces()
        named_so = {piece.name for piece in pieces}
        whole = name is not None and name not in named_so and name in {piece.series for piece in pieces}
        about = name or room or recipe or ""
        entries = undo_series(desk, about, now) if whole else [undo_last(desk, about, now, kinds)]
        refresh_first(desk, now)
    entry = entries[0]
    text, step = text_of(logged_text(entries)), entry.fact if isinstance(entry.fact, StepDone) else None
    if as_json:
        values = {} if step is None else DoneOut.of(step, desk.settings.tz).model_dump(mode="json")
        say_json("undo", piece=name, room=room, recipe=recipe, done=entry.kind.value, text=text, **values)
    else:
        again = phrase("{piece}: {step} is open again.", piece=about, step=step.step if step else "")
        say(phrase("Taken back: {what}", what=ended(text)) if step is None else again)
