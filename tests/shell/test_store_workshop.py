"""Mixes and steps in the store: what is kept, what is replaced, what the database refuses."""

from __future__ import annotations

import pytest

from curewatch.records import Recipe
from curewatch.records.workshop import Part, RecipeMix, StepDone
from curewatch.store import FactRefused, Store
from tests.new_store import HOUR, NOON
from tests.new_store import any_store as any_store

TIDE = RecipeMix(recipe="tide", parts=(Part(material="fluid paint", amount=1), Part(material="water", amount=0.1)))


def step(piece_id: int, name: str = "wash") -> StepDone:
    return StepDone(piece_id=piece_id, step=name, done_at=NOON, recorded_at=NOON + HOUR, too_early=True)


def test_a_mix_comes_back_as_it_was_and_the_next_replaces_it(any_store: Store) -> None:
    with any_store.write() as tx:
        tx.put_recipe(Recipe(name="tide"))
        tx.put_mix(TIDE)
    with any_store.write() as tx:
        assert tx.mix_of("tide") == TIDE
        assert tx.mix_of("ebb") is None
        tx.put_mix(weighed := TIDE.model_copy(update={"by_weight": True}))
    with any_store.read() as tx:
        assert tx.mixes() == [weighed]


def test_a_mix_of_no_recipe_is_refused(any_store: Store) -> None:
    with pytest.raises(FactRefused), any_store.write() as tx:
        tx.put_mix(TIDE)


def test_a_step_stands_once_and_its_undoing_stays(any_store: Store) -> None:
    with any_store.write() as tx:
        piece = tx.add_piece("Heron", NOON).id
        first = tx.add_step(step(piece))
    with pytest.raises(FactRefused), any_store.write() as tx:
        tx.add_step(step(piece))
    with any_store.write() as tx:
        tx.undo_step(first.id, NOON + 2 * HOUR)
    with any_store.write() as tx:
        second = tx.add_step(step(piece))
        other = tx.add_step(step(piece, "sign"))
    with any_store.read() as tx:
        assert tx.steps([piece]) == [first.model_copy(update={"undone_at": NOON + 2 * HOUR}), second, other]
        assert tx.steps([piece + 1]) == []
        assert len(tx.steps()) == 3
    with pytest.raises(FactRefused, match="stands as done"), any_store.write() as tx:
        tx.undo_step(first.id, NOON)


def test_a_step_of_no_piece_is_refused(any_store: Store) -> None:
    with pytest.raises(FactRefused), any_store.write() as tx:
        tx.add_step(step(99))
