"""`curewatch level NAME`: a tilt measured of a piece, stored, and what it does to its design."""

from __future__ import annotations

import math
import sys
import textwrap

import typer

from curewatch.cli.facts import named
from curewatch.cli.output import Page, say, say_json
from curewatch.cli.studio import desk_of, iso, moment
from curewatch.desk.levelling import Levelled, measured
from curewatch.intake.level import TILT
from curewatch.intake.typed import BadInput
from curewatch.studio.levelling import STAYS, in_words


def level_piece(
    ctx: typer.Context, name: str, tilt: str, at: str | None, given: dict[str, str | None], *, as_json: bool
) -> None:
    """Store `tilt` of the piece and say what it comes to. `given`: options of a film, which the piece tells itself."""
    for option, value in given.items():
        if value is not None:
            raise BadInput(option, value, "one of the two", f"beside {name!r}, whose film and air are known")
    angle = TILT.parse(tilt, "--tilt")
    with desk_of(ctx) as (desk, now):
        when = moment(at, desk, now)
        found = measured(desk, named(name, "NAME"), angle, when, now)
        desk.refresh(now)
        if as_json:
            say_json(
                "level", name=name, measured_at=iso(when, desk.settings.tz), tilt_deg=_digits(math.degrees(angle)),
                drift_mm=None if found.drift_m is None else _digits(found.drift_m * 1e3),
                tilt_for_5mm_deg=None if found.tilt_for_5mm is None else _digits(math.degrees(found.tilt_for_5mm)),
            )  # fmt: skip
            return
        say(f"Logged {name}: {in_words(angle)} off level at {desk.local(when):%a %d %b %H:%M}.")
        say("\n".join(textwrap.wrap(_said(found), Page.of(sys.stdout).width)))


def _said(found: Levelled) -> str:
    if found.drift_m is None or found.tilt_for_5mm is None:
        return "The air of its room was not read, so how far that moves the design cannot be told."
    allowed = f"5 mm takes {in_words(found.tilt_for_5mm)}"
    if found.drift_m < STAYS:
        return f"Level enough: until it packs that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}."
    return (
        f"Until it packs that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}. Shim the low side while "
        "it flows: the first three quarters of an hour do most of the moving."
    )


def _digits(value: float) -> float:
    return float(f"{value:.7g}")
