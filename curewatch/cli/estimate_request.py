"""What was asked of `estimate`, from options as typed to numbers."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any, get_args

from curewatch.desk.mixing import COALESCENT, GLYCOL, SOLIDS
from curewatch.intake.files.room_csv import read_room_csv
from curewatch.intake.typed import (
    parse_air,
    parse_back,
    parse_fraction,
    parse_humidity,
)
from curewatch.intake.typed.levelling import TILT
from curewatch.intake.typed.numbers import Quantity, times, whole_number
from curewatch.intake.typed.quantities import ROOM_TEMPERATURE, SIDE, parse_support
from curewatch.intake.typed.wet_thickness import Thickness, thickness_of
from curewatch.language import phrase
from curewatch.physics.ensemble import THICKNESS_SPREAD, Pouring
from curewatch.physics.evaporation import H_BACK
from curewatch.physics.supports import BACKINGS, Backing
from curewatch.records.errors import Field, InputError
from curewatch.studio.forecasting.drying import DEFAULT_SIDE_M
from curewatch.studio.planning.estimate import EstimateInput, RoomAir
from curewatch.views.estimate import Model

MODELS: tuple[str, ...] = get_args(Model)
MOST_MEMBERS = 1024
MOST_DAYS = 730
DAYS = Quantity(
    what=phrase("a number of days"),
    units={"": times("1"), "d": times("1"), "day": times("1"), "days": times("1")},
    unit_names="d, or none",
    low=Decimal("1e-6"),
    high=Decimal(MOST_DAYS),
    span=phrase("above 0 and up to {most}", most=MOST_DAYS),
    examples="120",
    bare_unit="",
)


@dataclass(frozen=True)
class EstimateRequest:
    question: EstimateInput
    thickness: Thickness
    room: str | None
    """The path of the room's record, where one was given."""


def read_request(
    *,
    thickness: tuple[str | None, str | None, str | None, str | None, str | None],
    air: tuple[str | None, str | None, str | None],
    film: dict[str, Any],
    members: str,
    days: str,
) -> EstimateRequest:
    """Everything as typed, in the options' own groups, to one question. InputError for whatever is not understood."""
    wet = thickness_of(*thickness)
    sides = wet.size_m or (DEFAULT_SIDE_M,)
    pouring = Pouring(
        wet_thickness=wet.metres,
        thickness_spread=THICKNESS_SPREAD[wet.source],
        solids=parse_fraction(film["solids"], field=Field.SOLIDS, low=SOLIDS[0], high=SOLIDS[1]),
        glycol=parse_fraction(film["glycol"], field=Field.GLYCOL, low=GLYCOL[0], high=GLYCOL[1]),
        coalescent=parse_fraction(
            film["coalescent"] or "0", field=Field.COALESCENT, low=COALESCENT[0], high=COALESCENT[1]
        ),
        front=_front(film.get("model", MODELS[0])),
        side=min(sides) if film["side"] is None else SIDE.parse(film["side"], Field.SIDE),
        air_speed=parse_air(film["air"], field=Field.AIR),
        tilts=((0.0, TILT.parse(film["tilt"], Field.TILT)),) if film.get("tilt") is not None else (),
        **vars(_backing(film["back"], film["support"])),
    )
    count, until = whole_number(members, MOST_MEMBERS, Field.MEMBERS), DAYS.parse(days, Field.DAYS)
    return EstimateRequest(EstimateInput(pouring, _air(*air), count, until), wet, air[2])


def _front(model: str) -> bool:
    if model not in MODELS:
        raise InputError(Field.MODEL, model, phrase("{one} or {other}", one=MODELS[0], other=MODELS[1]))
    return model == "front"


def _backing(back: str | None, support: str | None) -> Backing:
    """What lies behind the film. By --back only the heat counts, and it is sealed, as in the model's own tables."""
    if support is None:
        heat = parse_back("canvas" if back is None else back, field=Field.BACK)
        return Backing(H_BACK[heat] if isinstance(heat, str) else heat)
    if back is not None:
        raise InputError(
            Field.BACK, back, phrase("one of the two"), phrase("beside --support, which tells the heat already")
        )
    return BACKINGS[parse_support(support, field=Field.SUPPORT)]


def _air(temperature: str | None, humidity: str | None, room: str | None) -> RoomAir:
    if room is None:
        if temperature is None:
            raise InputError(
                Field.TEMPERATURE,
                None,
                phrase("the room's temperature, such as 21C (and --humidity), or --room FILE.csv"),
            )
        if humidity is None:
            raise InputError(Field.HUMIDITY, None, phrase("the room's relative humidity, such as 50%"))
        return RoomAir.constant(
            ROOM_TEMPERATURE.parse(temperature, Field.TEMPERATURE), parse_humidity(humidity, field=Field.HUMIDITY)
        )
    for field, given in ((Field.TEMPERATURE, temperature), (Field.HUMIDITY, humidity)):
        if given is not None:
            raise InputError(
                field, given, phrase("one of the two"), phrase("beside --room, which tells the air already")
            )
    record = read_room_csv(room, field=Field.ROOM)
    return RoomAir(record.epoch_s - record.epoch_s[0], record.temp_c, record.rh_pct)
