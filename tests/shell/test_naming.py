"""Rooms, places and recipes: what is one name, what may be a slip, and what follows when one is called otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands import observing, pours
from curewatch.desk.commands.correcting import delete
from curewatch.desk.commands.log import OF_PIECES, OF_RECIPES, OF_ROOMS
from curewatch.desk.commands.naming import merge, names_in_use, remove, rename
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings, trust_sensor
from curewatch.desk.commands.undo import undo_last
from curewatch.desk.mixing import put_recipe
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.reports.room import free_places
from curewatch.desk.snapshot.pieces import what_was_learned
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import AlarmKind, Recipe, Trust
from curewatch.records.corrections import Naming
from curewatch.records.errors import InputError
from curewatch.records.facts import Finger
from curewatch.records.names import near_name, same_name
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.moved_studio import everything, from_json
from tests.shell.test_desk import HOUR, SHED, alarm, keys, order, reading, sensed, settings_of
from tests.shell.test_desk import desk as desk
from tests.shell.test_desk import store as store
from tests.shell.web_parts import Studio, get, words_of

LATER = NOON + 30 * HOUR
KNOWN = ["boat shed", "spare room", "rack 1", "Loft", "house mix", "east room"]


@pytest.mark.parametrize(
    ("given", "same", "near"),
    [
        ("Spare  Room", "spare room", None), ("spareroom", "spare room", None), ("rack1", "rack 1", None),
        ("spare rom", None, "spare room"), ("sapre room", None, "spare room"), ("Lfot", None, "Loft"),
        ("hose mix", None, "house mix"), ("house mx", None, "house mix"),
        ("rack 2", None, None), ("rack 11", None, None), ("west room", None, None), ("boat house", None, None),
        ("Loft b", None, None), ("shed", None, None), ("帆布", None, None),
    ],
)  # fmt: skip
def test_what_is_one_name_and_what_may_be_a_slip(given: str, same: str | None, near: str | None) -> None:
    """Common practice, no source: people swap, drop and double letters, and number their racks on purpose."""
    assert same_name(given, KNOWN) == same
    assert same is not None or near_name(given, KNOWN) == near


@pytest.fixture
def lived(desk: Desk) -> Desk:
    """A room read by a sensor and by hand, in which two pieces of a recipe of parts lie and one was felt."""
    store_readings(desk, sensed(NOON - 30 * HOUR, LATER))
    put_recipe(desk, Recipe(name="thin mix", solids=0.25, stated=True), NOON)
    log_pour(desk, order(place="rack 1", recipe="thin mix"), NOON)
    log_pour(desk, order("Reed", place="rack 2", recipe="thin mix"), NOON)
    log_reading(desk, reading(NOON + HOUR, temp=26.0))
    trust_sensor(desk, SHED, Trust.SENSOR, NOON + HOUR)
    observing.feel(desk, "Heron", Finger.TACKY, NOON + 9 * HOUR, NOON + 9 * HOUR)
    refresh(desk, LATER)
    return desk


def dates(desk: Desk) -> Any:
    refresh(desk, LATER)
    report = piece_report(desk, "Heron", LATER)
    assert report.forecast is not None
    return report.forecast.milestones


def test_a_room_is_called_otherwise_and_nothing_else_changes(lived: Desk) -> None:
    with lived.store.write() as tx:
        tx.set_meta("batteries_low", "[]")
    before, taught = dates(lived), [str(one.sentence) for one in what_was_learned(lived)]
    told = keys(lived.store)
    rename(lived, Naming.ROOM, "boat  shed", "Slip house", LATER)
    assert dates(lived) == before
    assert [str(one.sentence).replace("Slip house", SHED) for one in what_was_learned(lived)] == taught
    assert sorted(key.replace("Slip_20_house", "Boat_20_shed") for key in keys(lived.store)) == sorted(told), (
        "not twice"
    )
    with lived.store.read() as tx:
        assert [room.name for room in tx.rooms()] == ["Slip house"]
        assert {stay.room for stay in tx.stays()} == {one.room for one in tx.sensor_trusts()} == {"Slip house"}
        assert tx.count_readings("Slip house") > 700
    assert free_places(lived, "Slip house") == ()
    undo_last(lived, "slip house", LATER, OF_ROOMS)
    assert dates(lived) == before
    with lived.store.read() as tx:
        assert ([room.name for room in tx.rooms()], tx.count_readings("Slip house")) == ([SHED], 0)


def test_two_rooms_that_were_one_are_made_one_and_two_again(lived: Desk) -> None:
    """As somebody whose slip was taken for a new room, long before names were compared."""
    log_reading(lived, reading(NOON + 2 * HOUR, room="Boat shde"), new=True)
    log_pour(lived, order("Eel", room="Boat shde"), NOON)
    with lived.store.read() as tx:
        before = everything(lived)
    merge(lived, Naming.ROOM, "boat shde", "boat shed", LATER)
    with lived.store.read() as tx:
        typed = [one for one in tx.readings(SHED) if one.source == "typed"]
        assert len(typed) == 2
        assert tx.reading_columns(SHED).sources == ("post", "typed")
        assert [(one.naming, one.name, one.pieces) for one in names_in_use(tx)][:3] == [
            (Naming.ROOM, SHED, 3), (Naming.PLACE, "rack 1", 1), (Naming.PLACE, "rack 2", 1),
        ]  # fmt: skip
    refresh(lived, LATER)
    log_reading(lived, reading(NOON + 3 * HOUR))  # what is typed since stays where it was typed
    undo_last(lived, SHED, LATER, OF_ROOMS)
    with lived.store.read() as tx:
        assert [one.name for one in tx.rooms()] == ["Boat shde", SHED]
        assert [one.at for one in tx.readings("Boat shde")] == [NOON + 2 * HOUR]
        assert {stay.piece_id: stay.room for stay in tx.stays()} == {1: SHED, 2: SHED, 3: "Boat shde"}
    after = everything(lived)
    for kind in ("pieces", "pours", "stays", "sensor_trusts", "rooms", "corrections"):
        assert after[kind] == before[kind], kind


def test_a_merged_studio_comes_out_and_in_as_it_is(lived: Desk, tmp_path: Path) -> None:
    log_reading(lived, reading(NOON + 2 * HOUR, room="Loft"))
    merge(lived, Naming.ROOM, "Loft", SHED, LATER)
    with Store.open(tmp_path / "other.sqlite") as other:
        desk = Desk(other, lived.settings)
        import_facts(desk, from_json(everything(lived)))
        assert everything(desk) == everything(lived)
        with pytest.raises(InputError, match="said in this store"):
            undo_last(desk, SHED, LATER, OF_ROOMS)


def test_alarms_go_along_and_are_told_once(lived: Desk) -> None:
    store_readings(lived, sensed(LATER, LATER + 4 * HOUR, temp=3.0))
    refresh(lived, LATER + 4 * HOUR)
    raised = alarm(lived.store, AlarmKind.COLD)
    assert raised is not None
    before = len(keys(lived.store))
    rename(lived, Naming.ROOM, SHED, "Slip house", LATER + 4 * HOUR)
    refresh(lived, LATER + 4 * HOUR)
    assert alarm(lived.store, AlarmKind.COLD, "Slip house") == raised.model_copy(update={"room": "Slip house"})
    assert (alarm(lived.store, AlarmKind.COLD), len(keys(lived.store))) == (None, before)


def test_places_and_recipes_go_along_with_what_was_learned_of_them(lived: Desk) -> None:
    observing.forget(lived, "thin mix", NOON)
    before = dates(lived)
    rename(lived, Naming.PLACE, "rack 1", "the long rack", LATER, room=SHED)
    rename(lived, Naming.RECIPE, "thin mix", "river thin", LATER)
    assert dates(lived) == before
    assert {one.name for one in what_was_learned(lived)} <= {f"{SHED}, the long rack", "river thin"}
    with lived.store.read() as tx:
        assert [one.name for one in tx.forgettings()] == ["river thin"]
        assert {pour.recipe for pour in tx.pours()} == {"river thin"}
    merge(lived, Naming.PLACE, "the long rack", "rack 2", LATER, room="boat shed")
    undo_last(lived, SHED, LATER, OF_ROOMS)
    undo_last(lived, SHED, LATER, OF_ROOMS)
    undo_last(lived, "River Thin", LATER, OF_RECIPES)
    with lived.store.read() as tx:
        assert [stay.place for stay in tx.stays()] == ["rack 1", "rack 2"]
        assert [one.name for one in tx.recipes()] == ["thin mix"]
    assert dates(lived) == before


def test_what_is_empty_is_removed_and_offered_no_more_until_it_is_named_again(lived: Desk) -> None:
    log_pour(lived, order("Eel", room="Loft", place="shelf", recipe="old mix"), NOON)
    for naming, name, room in (
        (Naming.ROOM, "Loft", None),
        (Naming.RECIPE, "old mix", None),
        (Naming.PLACE, "shelf", "Loft"),
    ):
        with pytest.raises(InputError, match=r"\(1 here\)"):
            remove(lived, naming, name, LATER, room=room)
    delete(lived, "Eel", LATER)
    pours.move(lived, "Reed", SHED, "rack 3", LATER)
    for naming, name, room in (
        (Naming.PLACE, "rack 2", SHED),
        (Naming.RECIPE, "old mix", None),
        (Naming.ROOM, "Loft", None),
    ):
        remove(lived, naming, name, LATER, room=room)
    assert free_places(lived, SHED) == ()
    with lived.store.read() as tx:
        assert [one.name for one in tx.rooms()] == [SHED]
        assert [one.name for one in tx.recipes()] == ["thin mix"]
    undo_last(lived, "Eel", LATER, OF_PIECES)
    undo_last(lived, "old mix", LATER, OF_RECIPES)
    undo_last(lived, "Loft", LATER, OF_ROOMS)
    pours.move(lived, "Reed", SHED, "rack 2", LATER + HOUR)
    with lived.store.read() as tx:
        assert [one.name for one in tx.rooms()] == [SHED, "Loft"]


def test_a_room_that_the_settings_name_is_answered_with_where(lived: Desk) -> None:
    desk = Desk(lived.store, settings_of(sensors=("boat SHED",), rooms={"Boat shed": {"heated": False}}))
    for put_right in (
        lambda: rename(desk, Naming.ROOM, SHED, "Slip house", LATER),
        lambda: remove(desk, Naming.ROOM, SHED, LATER),
    ):
        with pytest.raises(InputError, match=r"under \[rooms.'Boat shed'\], sensor 'boat SHED'|\(2 here\)"):
            put_right()
    rename(desk, Naming.ROOM, SHED, "BOAT SHED", LATER)  # the settings may write it as they like
    store_readings(desk, [reading(LATER, room="boat SHED", source="boat SHED")])
    with desk.store.read() as tx:
        assert [room.name for room in tx.rooms()] == ["BOAT SHED"]


def test_a_name_that_is_taken_unknown_or_a_slip_is_refused_by_every_way(
    lived: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    log_reading(lived, reading(NOON, room="Loft"))
    (tmp_path / "s.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "s.toml"))
    monkeypatch.setenv("CUREWATCH_STORE", str(lived.store.location))

    def said(*words: str) -> str:
        code = main([*words])
        printed = capsys.readouterr()
        return f"{code}: {printed.out}{printed.err}"

    assert "2: " in said("rename", "room", "Loft", "Boat shde")
    assert "merge them" in said("rename", "room", "Loft", SHED)
    assert "expected a room; did you mean 'Loft'?" in said("merge", "room", "Loftt", SHED)
    assert "the room of the place" in said("rename", "place", "rack 1", "x")
    assert "one of room, place, recipe" in said("rename", "rom", "Loft", "x")
    assert "--new" in said("pour", "Eel", "--room", "Lofft", "--layer", "thin")
    assert "--new" in said("pour", "Eel", "--room", "Loft", "--layer", "thin", "--recipe", "thn mix")
    assert "--new" in said("move", "Reed", "--room", SHED, "--place", "rakc 2")
    assert "--new" in said("recipe", "thin mx", "--solids", "0.3")
    assert said("reading", "--room", "LOFT", "--temperature", "20C", "--humidity", "50%").startswith("0: Logged Loft")
    assert said("merge", "room", "loft", SHED).startswith(f"0: Room Loft is one with {SHED}.")
    assert said("undo", "--room", SHED).startswith("0: Taken back: Room Loft is one with")
    assert "recipe thin mix: 2 pieces" in said("names")


def test_names_are_put_right_on_the_page_and_by_the_api(studio: Studio) -> None:
    def press(**fields: str) -> Any:
        return studio.post("/names", {"naming": "room", "room": "", **fields}, on="/names")

    assert "room Shed 1 piece" in words_of(studio.page("/names"))
    studio.pour("Eel", room="Spare room", place=None)
    near = press(name="Spare room", do="renamed", to="Shde")
    assert near.status_code == 422
    assert "which is near 'Shed'" in words_of(near.text)
    assert "It is new: save it" in near.text
    done = press(name="Spare room", do="renamed new", to="Shde")
    assert "Room Spare room is now Shde." in words_of(done.text)
    done = press(name="Shde", do="merged", to="Shed")
    assert "Room Shde is one with Shed." in words_of(done.text)
    assert {one["room"] for one in get(studio, "/board")["pieces"]} == {"Shed"}
    assert "Room Shde is one with Shed" in words_of(studio.page("/lately"))
    studio.undo(done.text)
    assert {one["name"] for one in get(studio, "/names") if one["naming"] == "room"} == {"Shde", "Shed"}
    body = {"do": "renamed", "naming": "recipe", "name": "river white", "to": "river blue"}
    answer = studio.browser.post(f"{studio.url}/api/v1/names", json=body, timeout=60).json()
    assert {one["name"] for one in get(studio, "/names") if one["naming"] == "recipe"} == {"river blue"}
    assert studio.browser.post(f"{studio.url}/api/v1/undo", json=answer["undo"], timeout=60).status_code == 200
    body = {"do": "deleted", "naming": "room", "name": "Shed"}
    assert studio.browser.post(f"{studio.url}/api/v1/names", json=body, timeout=60).status_code == 422
