"""`curewatch level NAME`: a tilt measured of a piece, stored, and what it does to its design."""

from __future__ import annotations

import math
import sys
import textwrap

import typer

from curewatch.cli.commands.facts import named
from curewatch.cli.output import Page, say, say_json
from curewatch.cli.session import desk_of, iso, moment, refresh_first
from curewatch.desk.commands.part_desk_levelling import measured
from curewatch.desk.reports.part_desk_looking_back import CureRecord
from curewatch.intake.typed import BadInput
from curewatch.intake.typed.levelling import DRIFT, TILT
from curewatch.physics import flow
from curewatch.studio.diagnosis.part_studio_levelling import STAYS, MeasuredDrift, drifting, slope_text

ITS_OWN = ("name", "tilt", "at", "viscosity", "yield_stress", "stiffening", "limit", "as_json")
"""What may be said of a piece; any other option tells of a film or of its air, which the piece tells itself."""


def level_piece(
    ctx: typer.Context, name: str, tilt: str, at: str | None, mix: flow.Rheology, limit: str, *, as_json: bool
) -> None:
    """Store `tilt` of the piece and say what it comes to. BadInput for an option of a film that was stated."""
    _refuse_films(ctx, name)
    angle, far = TILT.parse(tilt, "--tilt"), DRIFT.parse(limit, "--limit")
    with desk_of(ctx) as (desk, now):
        when = moment(at, desk, now)
        looked = measured(desk, named(name, "NAME"), angle, when, now)
        refresh_first(desk, now)
        found = drifting(looked.trace, looked.history.drying.pour.at, looked.tilts, mix, far)
        if as_json:
            say_json("level", name=name, measured_at=iso(when, desk.settings.tz), **_values(found, angle, looked))
            return
        say(f"Logged {name}: {slope_text(angle)} off level at {desk.local(when):%a %d %b %H:%M}.")
        say("\n".join(textwrap.wrap(_said(found), Page.of(sys.stdout).width)))


def _refuse_films(ctx: typer.Context, name: str) -> None:
    for option in ctx.command.params:
        source = ctx.get_parameter_source(option.name or "")
        if option.name not in ITS_OWN and source is not None and source.name == "COMMANDLINE":
            given = str(ctx.params[option.name or ""])
            raise BadInput(option.opts[0], given, "one of the two", f"beside {name!r}, whose film and air are known")


def _values(found: MeasuredDrift, angle: float, looked: CureRecord) -> dict[str, float | None]:
    return {
        "tilt_deg": _digits(math.degrees(angle)),
        "drift_mm": None if found.drift_m is None else _digits(found.drift_m * 1e3),
        "tilt_for_limit_deg": None if found.tilt_for_limit is None else _digits(math.degrees(found.tilt_for_limit)),
        "limit_mm": _digits(found.limit_m * 1e3),
        "tilt_for_5mm_deg": None if looked.trace is None else _digits(math.degrees(looked.trace.tilt_for_5mm)),
    }


def _said(found: MeasuredDrift) -> str:
    if found.drift_m is None or found.tilt_for_limit is None:
        return "The air of its room was not read, so how far that moves the design cannot be told."
    allowed = f"{found.limit_m * 1e3:.2g} mm takes {slope_text(found.tilt_for_limit)}"
    if found.drift_m < STAYS:
        return f"Level enough: until it packs that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}."
    return (
        f"Until it packs that moves the design about {found.drift_m * 1e3:.2g} mm; {allowed}. Shim the low side while "
        "it flows: the first three quarters of an hour do most of the moving."
    )


def _digits(value: float) -> float:
    return float(f"{value:.7g}")
