"""What cannot be is refused in the language and units of whoever typed it, the fields named as they see them."""

from __future__ import annotations

import pickle

import pytest

from curewatch.intake.typed.quantities import ROOM_TEMPERATURE
from curewatch.intake.typed.wet_thickness import thickness_of
from curewatch.language import PLAIN, Reader, read_by
from curewatch.records.errors import Field, InputError, InputErrors, NearName


def refused(reader: Reader, *typed_so: str | None) -> str:
    read_by(reader)
    try:
        with pytest.raises(InputError) as caught:
            thickness_of(*typed_so)  # type: ignore[arg-type]
        return caught.value.in_words(lambda field: f"<{field}>")
    finally:
        read_by(PLAIN)


def test_one_refusal_is_read_in_two_languages_with_the_fields_of_the_page() -> None:
    given = (None, "500ml", None, None, None)
    assert refused(PLAIN, *given).startswith("<size>: missing, expected width x height of the piece")
    assert refused(Reader("es"), *given).startswith("<size>: falta; se espera ancho x alto de la pieza")
    both = ("1.2mm", "500ml", None, None, None)
    assert refused(Reader("es"), *both).startswith("<poured>: se escribió '500ml', junto a <wet_thickness>: di un solo")


def test_a_range_is_told_in_the_readers_degrees() -> None:
    with pytest.raises(InputError) as caught:
        ROOM_TEMPERATURE.parse("99C", Field.TEMPERATURE)
    read_by(Reader(temperatures="F"))
    assert "a room temperature between -40 °F and 140 °F" in caught.value.in_words()
    read_by(PLAIN)
    assert "between -40 °C and 60 °C" in caught.value.in_words()


def test_an_error_survives_being_sent_between_processes() -> None:
    near = NearName(Field.ROOM, "Shde", "Shed")
    several = InputErrors((near, InputError(Field.SIZE, "x", "a size")))
    for error in (near, several):
        assert str(pickle.loads(pickle.dumps(error))) == str(error)
