"""Observations, forgettings and lessons: in as records, out as the same records; what is no observation is refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError
from sqlalchemy import insert

from curewatch.records import Recipe
from curewatch.records.facts import Finger, Forgetting, Observation, ObservationKind, Subject
from curewatch.store import FactRefused, Store, workshop_tables
from tests.new_store import HOUR, NOON
from tests.new_store import any_store as any_store


def _piece(store: Store) -> int:
    with store.write() as tx:
        tx.put_recipe(Recipe(name="house mix"))
        return tx.add_piece("Low tide", NOON).id


def _observations(piece: int) -> list[Observation]:
    return [
        Observation(piece_id=piece, at=NOON + HOUR, kind=ObservationKind.FINGER, finger=Finger.TACKY),
        Observation(piece_id=piece, at=NOON, kind=ObservationKind.WEIGHING, grams=512.5, resolution_g=0.5),
        Observation(piece_id=piece, at=NOON + 2 * HOUR, kind=ObservationKind.SURFACE, surface_c=17.25),
    ]


def test_observations_come_back_in_time_order_with_ids(any_store: Store) -> None:
    piece = _piece(any_store)
    with any_store.write() as tx:
        stored = [tx.add_observation(one) for one in _observations(piece)]
    with any_store.read() as tx:
        assert tx.observations([piece]) == [stored[1], stored[0], stored[2]] == tx.observations()
        assert tx.observations([piece + 1]) == []


def test_one_taken_back_is_gone_and_the_others_stay(any_store: Store) -> None:
    piece = _piece(any_store)
    with any_store.write() as tx:
        first, second, third = (tx.add_observation(one) for one in _observations(piece))
        assert tx.undo_observation(first.id) == 1
        assert tx.undo_observation(first.id) == 0
        assert tx.observations() == [second, third]


def test_an_unknown_piece_is_refused(any_store: Store) -> None:
    with pytest.raises(FactRefused, match="piece_id=7"), any_store.write() as tx:
        tx.add_observation(_observations(7)[0])


def test_the_database_itself_refuses_an_observation_of_two_things(any_store: Store) -> None:
    row = _observations(_piece(any_store))[0].model_dump(exclude={"id"}) | {"surface_c": 18.0}
    with pytest.raises(FactRefused), any_store.write() as tx:
        tx._execute(insert(workshop_tables.observations), row, given=row)


@pytest.mark.parametrize("wrong", [{}, {"grams": 5.0}, {"finger": Finger.TACKY, "surface_c": 18.0}])
def test_a_record_holds_what_its_kind_is_about(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError, match="holds that and nothing else"):
        Observation.model_validate({"piece_id": 1, "at": NOON, "kind": "finger", **wrong})


def test_the_last_word_on_what_to_forget_counts(any_store: Store) -> None:
    words = [Forgetting(subject=Subject.RECIPE, name="house mix", at=NOON + h * HOUR) for h in (0, 5)]
    with any_store.write() as tx:
        for word in words:
            tx.put_forgetting(word)
        assert tx.forgettings() == [words[1]]


def test_lessons_are_replaced_as_a_whole(any_store: Store) -> None:
    piece = _piece(any_store)
    with any_store.write() as tx:
        tx.put_lessons({piece: ("abc", {"pull": [0.1, None]})})
    with any_store.write() as tx:
        assert tx.lessons() == {piece: ("abc", {"pull": [0.1, None]})}
        tx.put_lessons({})
        assert tx.lessons() == {}
