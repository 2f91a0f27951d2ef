"""What may be sent to the API: each with its bounds; a misspelt name is an error."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
    WrapValidator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from curewatch.desk import PourOrder
from curewatch.desk.commands.correcting import PourChange
from curewatch.intake.typed import parse_air, parse_humidity
from curewatch.intake.typed.finger import finger_of
from curewatch.intake.typed.levelling import TILT
from curewatch.intake.typed.mixes import recipe_told
from curewatch.intake.typed.numbers import MAX_TYPED, read_amount
from curewatch.intake.typed.pours import paired, pour_orders, series
from curewatch.intake.typed.quantities import (
    MASS,
    ROOM_TEMPERATURE,
    SIDE,
    SURFACE_TEMPERATURE,
    VOLUME,
    WET_FILM,
    parse_weighing,
)
from curewatch.intake.typed.wet_thickness import RAN_OFF, Density, Thickness, of_mass, of_metres, of_volume, sides
from curewatch.language import phrase, reads
from curewatch.records import (
    RH_PCT_RANGE,
    GivenName,
    Name,
    Recipe,
    Support,
    ThicknessSource,
    Trust,
)
from curewatch.records.corrections import CorrectionKind, Naming
from curewatch.records.errors import Field as Of
from curewatch.records.errors import InputError
from curewatch.records.facts import GRAMS_RANGE, SURFACE_C_RANGE, Finger, Spot
from curewatch.records.workshop import Paint, Part, RecipeMix
from curewatch.views.base import MOMENT, At, RequestModel
from curewatch.views.estimate import Coalescent, Glycol, Solids, WetMm
from curewatch.web.api.described import MADE_OF, NAMES, PAINT, RIGHTED, SIZE

ML_LEAST, ML_MOST, G_LEAST = 1e-3, 50_000, 1e-3
"""A thousandth is less than any cup or scale of a studio can tell; what is far less would be nothing in litres."""
TIMES_MOST = 50
"""As many as one /undo takes back."""


def _worded(parse: Callable[[str, Of], float], field: Of, times: float = 1.0) -> BeforeValidator:
    """A number that may also be sent as a text with its unit, as it is typed elsewhere: `"1.2kg"`, `"64 °F"`."""

    def read(given: Any) -> Any:
        amount = read_amount(given) if isinstance(given, str) else None
        if not isinstance(given, str) or (amount is not None and not amount.unit):
            return given
        try:
            return round(parse(given, field) * times, 9)
        except InputError as error:
            if amount is None:
                return given
            why = error.why or phrase("it cannot be")
            raise ValueError(reads().read(phrase("{why}: say {allowed}", why=why, allowed=error.allowed))) from None

    return BeforeValidator(read)


_AT = TypeAdapter(At)


def _moment(given: Any, handler: Any) -> datetime | str:
    """ISO 8601 with its offset, or words as they are typed elsewhere, which are read once the zone is known."""
    if isinstance(given, str) and given[:1].strip() and not given[:4].isdigit():
        return given
    try:
        return _AT.validate_python(given)
    except ValidationError as error:
        raise PydanticCustomError("moment", "{said}", {"said": error.errors()[0]["msg"]}) from None


Spoken = Annotated[
    datetime | str,
    WrapValidator(_moment),
    WithJsonSchema(
        {
            "anyOf": [MOMENT, {"type": "string", "format": "moment-in-words", "minLength": 1, "maxLength": MAX_TYPED}],
            "examples": ["2026-11-20T18:30:00+00:00", "yesterday 18:30"],
        }
    ),
]
NOW = Field(default=None, description="ISO 8601 with its offset, or in words: 3 h ago, yesterday 18:30. Left out: now")
BY = Field(default=None, description="Who says so. Left out: by the token's name, where one was brought")
Cm = Annotated[float, Field(ge=2, le=500), _worded(SIDE.parse, Of.SIZE, 100)]
Ml = Annotated[float, Field(ge=ML_LEAST, le=ML_MOST), _worded(VOLUME.parse, Of.POURED, 1e6)]
AirSpeed = Annotated[float, Field(ge=0.05, le=5), _worded(lambda text, field: parse_air(text, field=field), Of.AIR)]
Tilt = Annotated[float, Field(ge=0, le=45), _worded(lambda text, field: math.degrees(TILT.parse(text, field)), Of.TILT)]
NEW = Field(default=False, description="A room, place or recipe that sounds like a known one is another")


class PourIn(RequestModel):
    model_config = ConfigDict(json_schema_extra={"allOf": [PAINT, SIZE]})

    name: GivenName
    room: GivenName
    wet_thickness_mm: Annotated[WetMm, _worded(WET_FILM.parse, Of.WET_THICKNESS, 1e3)] | None = Field(
        default=None, description="Left out: by poured_ml over the size"
    )
    thickness_source: ThicknessSource = Field(default=ThicknessSource.GAUGE, description="Of wet_thickness_mm")
    poured_ml: Ml | None = Field(default=None, description="Onto each piece; it and ran_off_ml teach what runs off")
    ran_off_ml: Annotated[float, Field(ge=0, le=ML_MOST), _worded(RAN_OFF.parse, Of.RAN_OFF, 1e6)] | None = None
    poured_g: Annotated[float, Field(ge=G_LEAST, le=100_000), _worded(MASS.parse, Of.PAINT, 1e3)] | None = Field(
        default=None, description="Instead of poured_ml, of each piece: the full cup less the empty one"
    )
    tilt_deg: Tilt | None = Field(default=None, description="Off level, if measured")
    at: Spoken | None = NOW
    by: GivenName | None = BY
    place: GivenName | None = None
    width_cm: Cm | None = None
    height_cm: Cm | None = None
    round: bool = Field(default=False, description="Then both sides are its diameter")
    recipe: GivenName | None = None
    silicone: bool = False
    back: Support = Support.CANVAS
    air_m_s: AirSpeed | None = Field(default=None, description="Left out: as the room's is set")
    new: bool = NEW
    times: Annotated[int, Field(ge=1, le=TIMES_MOST)] = Field(
        default=1, description="So many alike from one mix, all or none: 'name 1' to 'name N'"
    )
    pair: GivenName | None = Field(
        default=None, description="As many again to compare with: silicone (with and without), or another recipe"
    )

    due: Spoken | None = Field(default=None, description="By when it is to be ready: ISO 8601, or 12 Dec, friday")
    occasion: GivenName | None = Field(default=None, description="What for")
    ready: Literal["handle", "varnish_ready"] | None = Field(default=None, description="By then; left out: handle")

    @model_validator(mode="after")
    def _fits(self) -> PourIn:
        if self.wet_thickness_mm is None and self.poured_ml is None and self.poured_g is None:
            raise ValueError(
                "a pour is told by its wet_thickness_mm or its poured_ml, or by poured_g of a known recipe"
            )
        if self.poured_g is not None and self.poured_ml is not None:
            raise ValueError("paint is told by poured_g or by poured_ml")
        by_weight = self.poured_g is not None and self.wet_thickness_mm is None
        if self.ran_off_ml is not None and not by_weight and self.ran_off_ml >= (self.poured_ml or 0.0):
            raise ValueError("ran_off_ml is part of poured_ml")
        return self

    def orders(self, at: datetime, density: Density) -> list[PourOrder]:
        """One for each of the series. InputError for a size told by half, or a volume that makes no film."""
        orders = pour_orders(
            series(self.name, self.times if self.pair is None else 2 * self.times),
            self._thickness(density),
            self.room,
            at,
            place=self.place,
            recipe=self.recipe,
            silicone=self.silicone,
            support=self.back,
            air_speed_m_s=self.air_m_s,
            tilt_rad=None if self.tilt_deg is None else math.radians(self.tilt_deg),
            paint_g=self.poured_g,
            new=self.new,
        )
        return orders if self.pair is None else paired(orders, self.pair)

    def _thickness(self, density: Density) -> Thickness:
        shape, paint = sides(self.width_cm, self.height_cm, self.round), None
        if self.wet_thickness_mm is None and self.poured_g is not None:
            lost = None if self.ran_off_ml is None else self.ran_off_ml * 1e-6
            return of_mass(self.poured_g / 1e3, self.recipe, density, lost, shape, f"{self.poured_g:g} g")
        if self.poured_ml is not None:
            caught = None if self.ran_off_ml is None else self.ran_off_ml * 1e-6
            paint = Paint(piece_id=0, poured_m3=self.poured_ml * 1e-6, ran_off_m3=caught)
        if self.wet_thickness_mm is not None:
            return of_metres(self.wet_thickness_mm / 1e3, self.thickness_source, shape, paint)
        assert paint is not None  # it fits
        return of_volume(paint, shape, f"{self.poured_ml:g}")


class CorrectIn(RequestModel):
    """What was otherwise than it was logged; what is left out was as it is known."""

    model_config = ConfigDict(json_schema_extra=SIZE)

    name: GivenName | None = Field(default=None, description="What the piece is called")
    at: Spoken | None = Field(default=None, description="When it was poured")
    wet_thickness_mm: Annotated[WetMm, _worded(WET_FILM.parse, Of.WET_THICKNESS, 1e3)] | None = None
    thickness_source: ThicknessSource = Field(default=ThicknessSource.GAUGE, description="Of wet_thickness_mm")
    poured_ml: Ml | None = Field(default=None, description="With the size of the piece it is the thickness")
    ran_off_ml: Annotated[float, Field(ge=0, le=ML_MOST), _worded(RAN_OFF.parse, Of.RAN_OFF, 1e6)] | None = None
    width_cm: Cm | None = None
    height_cm: Cm | None = None
    round: bool = Field(default=False, description="Of the size; then both sides are its diameter")
    recipe: GivenName | None = None
    silicone: bool | None = None
    room: GivenName | None = Field(default=None, description="It was poured in")
    place: GivenName | Literal[""] | None = Field(default=None, description="Empty: none in particular")
    back: Support | None = None
    air_m_s: AirSpeed | None = None
    new: bool = NEW

    def change(self, at: datetime | None) -> PourChange:
        """InputError for a size told by half, and for what ran off of nothing."""
        shape, paint = sides(self.width_cm, self.height_cm, self.round), None
        if self.poured_ml is not None:
            caught = None if self.ran_off_ml is None else self.ran_off_ml * 1e-6
            if caught is not None and caught >= self.poured_ml * 1e-6:
                raise InputError(
                    Of.RAN_OFF,
                    f"{self.ran_off_ml:g}",
                    phrase("less than was poured ({poured})", poured=f"{self.poured_ml:g}"),
                )
            paint = Paint(piece_id=0, poured_m3=self.poured_ml * 1e-6, ran_off_m3=caught)
        elif self.ran_off_ml is not None:
            raise InputError(Of.POURED, None, phrase("the volume of which {ran_off} ran off", ran_off=Of.RAN_OFF))
        metres = (
            None if self.wet_thickness_mm is None else of_metres(self.wet_thickness_mm / 1e3, self.thickness_source)
        )
        return PourChange(
            name=self.name, at=at, room=self.room, place=self.place, recipe=self.recipe, silicone=self.silicone,
            support=self.back, air_speed_m_s=self.air_m_s, paint=paint, new=self.new,
            wet_thickness_m=None if metres is None else metres.metres, thickness_source=self.thickness_source,
            size_m=None if shape is None else (shape.width, shape.height), round=self.round,
        )  # fmt: skip


class NamesIn(RequestModel):
    """What is to become of a name."""

    model_config = ConfigDict(json_schema_extra=NAMES)

    do: Annotated[CorrectionKind, WithJsonSchema({"type": "string", "enum": [*RIGHTED, CorrectionKind.REMOVED.value]})]
    naming: Naming
    name: Name
    room: Name | None = Field(default=None, description="Of a place")
    to: GivenName | None = Field(default=None, description="What it is called from now on, or what it is one with")
    new: bool = NEW


class PromiseIn(RequestModel):
    """By when it is to be ready; another one takes its place."""

    due: Spoken | None = Field(description="ISO 8601 with its offset, or in words: 12 Dec, friday. null: it is off")
    occasion: GivenName | None = Field(default=None, description="What for")
    ready: Literal["handle", "varnish_ready"] = "handle"
    by: GivenName | None = BY


class TiltIn(RequestModel):
    tilt_deg: Annotated[Tilt, Field(description="Off level; 3 mm on a metre are 0.172")]
    at: Spoken | None = NOW


class FingerIn(RequestModel):
    """A finger at an edge nobody will see, or in the middle."""

    kind: Literal["finger"]
    finger: Annotated[Finger, BeforeValidator(lambda said: finger_of(said) or said if isinstance(said, str) else said)]
    spot: Spot = Spot.EDGE
    at: Spoken | None = NOW
    by: GivenName | None = BY


class WeighingIn(RequestModel):
    """The piece with its support, the same way each time; one from before the pour is the bare support."""

    kind: Literal["weighing"]
    grams: Annotated[float, Field(ge=GRAMS_RANGE[0], le=GRAMS_RANGE[1])]
    resolution_g: Annotated[float, Field(gt=0, le=1000, description="The scale's smallest step")] = 1.0
    at: Spoken | None = NOW
    by: GivenName | None = BY

    @model_validator(mode="before")
    @classmethod
    def _as_read_off(cls, given: Any) -> Any:
        """`"1.2kg"` is to 100 g, as everywhere."""
        if not isinstance(given, dict) or not isinstance(given.get("grams"), str):
            return given
        try:
            weighed = parse_weighing(given["grams"])
        except InputError:
            return given
        return {"resolution_g": weighed.resolution_g, **given, "grams": weighed.grams}


class SurfaceIn(RequestModel):
    """The film's own temperature, by an infrared thermometer."""

    kind: Literal["surface"]
    surface_c: Annotated[
        float, Field(ge=SURFACE_C_RANGE[0], le=SURFACE_C_RANGE[1]), _worded(SURFACE_TEMPERATURE.parse, Of.SURFACE)
    ]
    at: Spoken | None = NOW
    by: GivenName | None = BY


ObservationIn = Annotated[FingerIn | WeighingIn | SurfaceIn, Field(discriminator="kind")]


class StepIn(RequestModel):
    step: Annotated[str, Field(min_length=1, max_length=40, description="As the steps of the piece name it")]
    at: Spoken | None = NOW
    by: GivenName | None = BY
    anyway: bool = Field(
        default=False, description="Although a step before it was left out, or the film is not ready for it"
    )


class MuteIn(RequestModel):
    hours: Annotated[float, Field(ge=0.01, le=24)]


class TrustIn(RequestModel):
    trust: Trust = Field(description="Which is right; offset: the sensor, put right by the difference")
    source: str | None = Field(None, max_length=200, description="The sensor, where several were checked")


class ReadingIn(RequestModel):
    room: GivenName
    temp_c: Annotated[float, Field(ge=-40, le=60), _worded(ROOM_TEMPERATURE.parse, Of.TEMPERATURE)]
    rh_pct: Annotated[
        float,
        Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1]),
        _worded(lambda text, field: parse_humidity(text, field=field), Of.HUMIDITY),
    ]
    at: Spoken | None = NOW
    new: bool = NEW
    by: GivenName | None = BY


class MoveIn(RequestModel):
    room: GivenName
    place: GivenName | None = None
    at: Spoken | None = NOW
    air_m_s: AirSpeed | None = Field(default=None, description="Left out: as the room's is set")
    new: bool = NEW


class GoneIn(RequestModel):
    at: Spoken | None = NOW


class ResendIn(RequestModel):
    key: Annotated[str, Field(min_length=1, max_length=1000)] | None = Field(
        default=None, description="Of one that was given up; null: all of them"
    )


class ForgetIn(RequestModel):
    name: GivenName = Field(description="Of a recipe or a place, as what was learned names it")


class PartIn(RequestModel):
    material: GivenName
    parts: Annotated[float, Field(ge=0.0001, le=1000)]


class RecipeIn(RequestModel):
    """Either the solids, from a data sheet, or the parts that go into the cup."""

    model_config = ConfigDict(json_schema_extra=MADE_OF)

    solids: Solids | None = Field(default=None, description="By volume, wet")
    glycol: Glycol | None = Field(
        default=None,
        description=f"Slow solvent, by volume; beside solids, left out: {Recipe.model_fields['glycol'].default}",
    )
    coalescent: Coalescent | None = Field(
        default=None, description="A solvent slower than glycol, by volume; beside solids, left out: none"
    )
    parts: Annotated[list[PartIn], Field(min_length=1, max_length=40)] | None = None
    by_weight: bool = Field(default=False, description="The parts are weighed, not measured out")
    new: bool = NEW

    def told(self, name: str) -> Recipe | RecipeMix:
        """InputError where it is told by both, or by neither."""
        parts = tuple(Part(material=one.material, amount=one.parts) for one in self.parts or ())
        solvents = {Of.GLYCOL: self.glycol, Of.COALESCENT: self.coalescent}
        return recipe_told(name, self.solids, solvents, parts or None, self.by_weight)
