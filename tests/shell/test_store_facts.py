"""Rooms, recipes, pieces, stays and pours: records in, the same records out, and what is refused."""

from __future__ import annotations

from datetime import timedelta, timezone

import pytest
from sqlalchemy import insert

from curewatch.records import Recipe, Room, Stay
from curewatch.store import DuplicateName, FactRefused, Store, StoreError, tables
from tests.new_store import HOUR, LOFT, NOON, SHED, pour, reading
from tests.new_store import any_store as any_store


def test_rooms_come_back_and_adding_one_again_changes_nothing(any_store: Store) -> None:
    with any_store.write() as tx:
        tx.add_room(SHED)
    with any_store.read() as tx:
        assert tx.rooms() == [SHED, LOFT]
        assert tx.room(LOFT.name) == LOFT
        assert tx.room("Attic") is None


def test_names_are_compared_exactly(any_store: Store) -> None:
    """Neither case, nor a trailing space, nor another spelling of the same glyph makes two names one."""
    names = ["Rack", "rack", "Rack ", "Caf\u00e9", "Cafe\u0301"]
    with any_store.write() as tx:
        for name in names:
            tx.add_room(Room(name=name))
            tx.add_piece(name, NOON)
    with any_store.read() as tx:
        assert {room.name for room in tx.rooms()} >= set(names)
        assert [tx.room(name) for name in names] == [Room(name=name) for name in names]
        assert tx.room("RACK") is None
        assert [piece.name for piece in tx.pieces()] == names


def test_a_recipe_is_replaced_by_one_of_its_name(any_store: Store) -> None:
    first, second = Recipe(name="house mix"), Recipe(name="house mix", solids=0.41, glycol=0.0, stated=True)
    with any_store.write() as tx:
        tx.put_recipe(first)
        assert tx.recipe("house mix") == first
        tx.put_recipe(second)
        assert tx.recipes() == [second]
        assert tx.recipe("House Mix") is None


def test_a_piece_keeps_its_time_to_the_microsecond_and_in_utc(any_store: Store) -> None:
    far_east = NOON.astimezone(timezone(timedelta(hours=13, minutes=45)))
    with any_store.write() as tx:
        made = tx.add_piece("Low tide", far_east)
    with any_store.read() as tx:
        assert tx.piece("Low tide") == made
        assert made.created_at == NOON
        assert made.created_at.utcoffset() == timedelta(0)


def test_a_name_is_free_again_once_its_piece_is_gone(any_store: Store) -> None:
    with any_store.write() as tx:
        first = tx.add_piece("Low tide", NOON)
        with pytest.raises(DuplicateName, match="'Low tide' is still here"):
            tx.add_piece("Low tide", NOON + HOUR)
        tx.set_gone(first.id, NOON + HOUR)
        assert tx.piece("Low tide") == first.model_copy(update={"gone_at": NOON + HOUR})
        second = tx.add_piece("Low tide", NOON + 2 * HOUR)
        assert tx.piece("Low tide") == second, "the one that is here comes before the one that is gone"
        with pytest.raises(DuplicateName):
            tx.set_gone(first.id, None)
        tx.set_gone(second.id, NOON + 3 * HOUR)
        newest_gone = tx.piece("Low tide")
        assert newest_gone is not None
        assert newest_gone.id == second.id
        tx.set_gone(first.id, None)
    with any_store.read() as tx:
        assert [piece.id for piece in tx.pieces()] == [first.id]
        assert [piece.id for piece in tx.pieces(gone=True)] == [second.id]
        assert tx.piece("High tide") is None


def test_the_database_itself_refuses_a_second_piece_of_a_name_that_is_here(any_store: Store) -> None:
    row = {"name": "Low tide", "created_at": NOON}
    with any_store.write() as tx:
        tx.add_piece("Low tide", NOON)
    with pytest.raises(StoreError, match="failed"), any_store.write() as tx:
        tx._connection.execute(insert(tables.pieces), row)  # past the code that looks first


def test_marking_an_unknown_piece_gone_is_refused(any_store: Store) -> None:
    with any_store.write() as tx, pytest.raises(FactRefused, match="no piece with id 99"):
        tx.set_gone(99, NOON)


def test_stays_come_back_by_piece_and_time(any_store: Store) -> None:
    with any_store.write() as tx:
        one, two = tx.add_piece("one", NOON).id, tx.add_piece("two", NOON).id
        moved = Stay(piece_id=one, room=LOFT.name, since=NOON + HOUR)
        came = Stay(piece_id=one, room=SHED.name, place="rack 2, top", since=NOON)
        other = Stay(piece_id=two, room=SHED.name, since=NOON)
        for stay in (moved, other, came):
            tx.add_stay(stay)
    with any_store.read() as tx:
        assert tx.stays() == [came, moved, other]
        assert tx.stays([two]) == [other]
        assert tx.stays({one, 99}) == [came, moved]
        assert tx.stays([]) == []


def test_a_piece_is_in_one_known_room_at_a_time(any_store: Store) -> None:
    with any_store.write() as tx:
        one = tx.add_piece("one", NOON).id
        tx.add_stay(Stay(piece_id=one, room=SHED.name, since=NOON))
    for wrong in (
        Stay(piece_id=one, room=LOFT.name, since=NOON),
        Stay(piece_id=one, room="Attic", since=NOON + HOUR),
        Stay(piece_id=99, room=SHED.name, since=NOON),
    ):
        with pytest.raises(FactRefused, match="refuses Stay"), any_store.write() as tx:
            tx.add_stay(wrong)
    with any_store.read() as tx:
        assert len(tx.stays()) == 1


def test_a_pour_comes_back_and_is_the_only_one_of_its_piece(any_store: Store) -> None:
    with any_store.write() as tx:
        tx.put_recipe(Recipe(name="house mix"))
        one, two = tx.add_piece("one", NOON).id, tx.add_piece("two", NOON).id
        tx.add_pour(pour(two))
        tx.add_pour(pour(one))
    with pytest.raises(FactRefused, match="refuses Pour"), any_store.write() as tx:
        tx.add_pour(pour(one))
    with pytest.raises(FactRefused, match="no such mix"), any_store.write() as tx:
        tx.add_pour(pour(one).model_copy(update={"piece_id": two, "recipe": "no such mix"}))
    with any_store.read() as tx:
        assert tx.pours() == [pour(one), pour(two)]
        assert tx.pours([two]) == [pour(two)]
        assert tx.pours([]) == []


def test_counts_and_meta(any_store: Store) -> None:
    with any_store.write() as tx:
        assert tx.get_meta("newest data") is None
        tx.set_meta("newest data", "a")
        tx.set_meta("newest data", "bé")
        assert tx.get_meta("newest data") == "bé"
        tx.add_readings([reading(), reading(1)])
        counts = tx.counts()
    assert (counts.pop("rooms"), counts.pop("readings")) == (2, 2)
    assert set(counts.values()) == {0}
    assert set(counts) == {"recipes", "pieces", "stays", "pours", "forecasts", "alarms", "notices", "deliveries"}
