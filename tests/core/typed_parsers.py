"""The parsers of what people type, each with the field it is mostly for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from curewatch.intake import typed
from curewatch.intake.typed import quantities
from curewatch.records.errors import Field


def _for(field: Field, parse: Callable[..., Any]) -> Callable[..., Any]:
    def parsed(text: Any, *more: Any, **others: Any) -> Any:
        return parse(text, *more, **{"field": field} | others)

    parsed.__name__ = f"parse_{field}"
    return parsed


parse_thickness = _for(Field.WET_THICKNESS, quantities.WET_FILM.parse)
parse_length = _for(Field.SIDE, quantities.SIDE.parse)
parse_size = _for(Field.SIZE, typed.parse_size)
parse_shape = _for(Field.SIZE, typed.parse_shape)
parse_volume = _for(Field.POURED, quantities.VOLUME.parse)
parse_mass = _for(Field.GRAMS, quantities.MASS.parse)
parse_temperature = _for(Field.TEMPERATURE, quantities.ROOM_TEMPERATURE.parse)
parse_humidity = _for(Field.HUMIDITY, typed.parse_humidity)
parse_air = _for(Field.AIR, typed.parse_air)
parse_back = _for(Field.BACK, typed.parse_back)
parse_support = _for(Field.SUPPORT, typed.parse_support)
parse_fraction = _for(Field.SOLIDS, typed.parse_fraction)
parse_duration = _for(Field.HOURS, typed.parse_duration)
parse_time = _for(Field.AT, typed.parse_time)
not_future = _for(Field.AT, typed.not_future)
