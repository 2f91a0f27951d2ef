"""A ZIP of CSV files that is not as it should be: quoted with its place, refused whole, and no harm done.

Zip bombs, names that lead elsewhere, doubles: common practice, no one source. Places within a ZIP: APPNOTE.TXT 4.3.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any
from zipfile import ZIP_BZIP2, ZipFile, ZipInfo

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer import importing
from curewatch.desk.transfer.importing import import_facts
from curewatch.intake.files import export_file, export_json
from curewatch.records.errors import InputError
from tests.shell.moved_studio import everything, files_of, from_json, from_tables, held, zipped_again
from tests.shell.moved_studio import new as new
from tests.shell.moved_studio import old as old
from tests.shell.moved_studio import tables as tables

PIECES = "id,name,created_at\n1,Tern,2026-11-20T08:00:00Z\n"


@pytest.mark.parametrize(
    ("file", "text", "says"),
    [
        ("pours.csv", None, r"no pours\.csv'.*lacks a file"),
        ("mix_parts.csv", None, r"no mix_parts\.csv"),
        ("about.csv", None, r"no about\.csv"),
        ("about.csv", "kind,schema\nexport,2\n", r"2, in line 2 of about\.csv, column schema: say 1"),
        ("about.csv", "kind,schema\nboard,1\n", r"'board', in line 2 of about\.csv, column kind: say export"),
        ("about.csv", "kind,schema\n", "'0 rows'"),
        ("pieces.csv", "id,nmae,created_at\n", r"'nmae', in line 1 of pieces\.csv: say only the columns id, name"),
        ("pieces.csv", "id;nmae;created_at\n", r"'nmae', in line 1 of pieces\.csv: say only the columns id, name"),
        ("pieces.csv", "id,name\n", r"'id,name', in line 1 of pieces\.csv: say the column created_at too"),
        ("pieces.csv", "id,name,created_at,id\n", "'id', in line 1 .*each column once"),
        ("pieces.csv", "", "in line 1 of pieces"),
        ("pieces.csv", PIECES + "2,Knot\n", r"'2 cells', in line 3 of pieces\.csv: say 3"),
        ("pieces.csv", PIECES + "two,Knot,2026-11-20T08:00:00Z\n", r"'two', in line 3 .*, column id: say a whole"),
        ("pieces.csv", PIECES + "2,Knot,2026-11-20 08:00\n", r"08:00', in line 3 .*, column created_at: say a time"),
        ("pieces.csv", PIECES + ",Knot,2026-11-20T08:00:00Z\n", "'', in line 3 .*, column id"),
        ("pieces.csv", PIECES + '2,"Knot\n', "unexpected end of data', in line 3"),
        ("pieces.csv", PIECES + '2,"a\nb",2026-11-20T08:00:00Z\n', r"'a\\nb', in line 3 .*, column name"),
        ("pieces.csv", "id,name,created_at\n1,\xe4,2026-11-20T08:00:00Z\n".encode("cp1252"), r"pieces\.csv', .*UTF-8"),
        ("pours.csv", "piece_id;at;wet_thickness_m;thickness_source;recipe\n1;2026-11-20T08:00:00Z;1.200,5;gauge;a\n",
         r"'1\.200,5', in line 2 .*, column wet_thickness_m"),
        ("pours.csv", 'piece_id,at,wet_thickness_m,thickness_source,recipe\n1,2026-11-20T08:00:00Z,"0,001",gauge,a\n',
         r"'0,001', in line 2 .*, column wet_thickness_m: say a number, with a decimal point"),
        ("pours.csv", "piece_id,at,wet_thickness_m,thickness_source,recipe\n1,2026-11-20T08:00:00Z,1.2,gauge,a\n",
         r"1\.2, in line 2 .*, column wet_thickness_m: say less than or equal to 0\.01"),
        ("pours.csv", "piece_id,at,wet_thickness_m,thickness_source,recipe\n1,2026-11-20T08:00:00Z,1e-3,guess,a\n",
         "'guess', in line 2 .*, column thickness_source: say 'gauge', 'volume' or 'layer'"),
        ("recipes.csv", "name,stated\na,y\n", "'y', in line 2 .*, column stated: say true or false"),
        ("recipes.csv", "name,solids\na,nan\n", "'nan', in line 2 .*, column solids"),
        ("mix_parts.csv", "recipe,material,amount\n", r"'estuary blend', in line 2 of mixes\.csv, column recipe"),
        ("mix_parts.csv", "recipe,material,amount\nestuary blend,water,1\ntide,water,1\n",
         r"'tide', in line 3 of mix_parts\.csv, column recipe: say one that mixes\.csv has"),
        ("notice_data.csv", "key,path,type,value\nx,/a,null,\n", "'x', in line 2 of notice_data"),
        ("readings.csv", "room,at,temp_c,received_at\nAttic,2026-11-20T08:00:00Z,20,2026-11-20T08:00:00Z\n",
         r"'Attic', in line 2 of readings\.csv, column room: say the name of a room in rooms\.csv"),
        ("readings.csv", "room,at,temp_c,received_at\nBoat shed,2026-11-20T08:00:00Z,,2026-11-20T08:00:00Z\n",
         r"in line 2 of readings\.csv: say a reading needs a temperature"),
        ("readings.csv", "room,at,temp_c,received_at\nBoat shed,0001-01-01T00:00:00+14:00,5,2026-11-20T08:00:00Z\n",
         r"in line 2 of readings\.csv: say times between"),
        ("rooms.csv", "name\nBoat shed\nSail loft\nBoat shed\n", r"line 4 of rooms\.csv', .*UNIQUE"),
        ("stays.csv", "piece_id,room,since\n1,Boat shed,2026-11-20T08:00:00Z\n\n99,Attic,2026-11-20T08:00:00Z\n",
         r"line 4 of stays\.csv, column \w+ = (99|Attic)', expected one of (pieces\.id|rooms\.name)"),
        ("sculptures.csv", "id\n", r"'sculptures\.csv', which is in 'all\.zip': say only about\.csv, rooms\.csv"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_quoted_with_its_place_and_leaves_no_trace(
    new: Desk, tables: bytes, file: str, text: str | bytes | None, says: str
) -> None:
    files: dict[str, Any] = files_of(tables) | {file: text}
    content = zipped_again({name: text for name, text in files.items() if text is not None})
    with pytest.raises((InputError, InputError), match=says):
        import_facts(new, from_tables(content))
    with new.store.read() as tx:
        assert sum(tx.counts().values()) == 0


HEAD = "key,path,type,value\n"


@pytest.mark.parametrize(
    ("places", "says"),
    [
        (HEAD + "k,/a/b,null,\n", "'/a/b', in line 2 of notice_data.csv, column path"),
        (HEAD + "k,a,null,\n", "'a', in line 2"),
        (HEAD + "k,,null,\n", "'', in line 2"),
        (HEAD + "k,/~2,null,\n", "'/~2', in line 2"),
        (HEAD + "k,/a,null,\nk,/a,null,\n", "in line 3 .*each path once"),
        (HEAD + "k,/a,array,\nk,/a/1,null,\n", "'/a', in line 2 .*/a/0 on"),
        (HEAD + "k,/a,whole,1\n", "'whole', in line 2 of notice_data.csv, column type: say one of string, integer"),
        (HEAD + "k,/a,null,x\n", "'x', in line 2 of notice_data.csv, column value"),
        (HEAD + "k,/a,number,x\n", "'x', in line 2 of notice_data.csv, column value: say a number"),
        (HEAD + "k,/a,integer,1.5\n", "'1.5', in line 2 of notice_data.csv, column value: say a whole number"),
    ],
)
def test_data_of_a_notice_that_fits_nowhere_is_quoted(tables: bytes, places: str, says: str) -> None:
    notices = "key,kind,created_at,title,text\nk,test,2026-11-20T08:00:00Z,K,k\n"
    with pytest.raises(InputError, match=says):
        held(from_tables(zipped_again(files_of(tables) | {"notices.csv": notices, "notice_data.csv": places})))


def member(name: str, **of_it: Any) -> tuple[ZipInfo, bytes]:
    made = ZipInfo(name)
    for key, value in of_it.items():
        setattr(made, key, value)
    return made, b"name\r\n"


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("members", "says"),
    [
        ([member("../rooms.csv")], r"'\.\./rooms\.csv', which leads out"),
        ([member("/rooms.csv")], "which leads out"),
        ([member("a/../rooms.csv")], "which leads out"),
        ([member("C:/rooms.csv")], "which leads out"),
        ([member("a\\\\rooms.csv")], "which leads out"),
        ([member("rooms.csv"), member("rooms.csv")], "'rooms.csv', which is twice"),
        ([member("a/rooms.csv"), member("b/pieces.csv")], "'b', which is one folder of several"),
        ([member("rooms.csv", compress_type=ZIP_BZIP2)], "packed by method 12"),
        ([member(f"{n}.csv") for n in range(20_001)], "at most 20000 files"),
    ],
)
def test_a_zip_that_plays_tricks_is_refused(members: list[tuple[ZipInfo, bytes]], says: str) -> None:
    """Names that lead elsewhere, doubles and methods of packing are the usual ones; common practice, no one source."""
    out = io.BytesIO()
    with ZipFile(out, "w") as made:
        for info, content in members:
            made.writestr(info, content)
    with pytest.raises(InputError, match=says):
        from_tables(out.getvalue())


ENTRY = b"PK\x01\x02"
FLAGS, SIZE = 8, 24
"""Where in a member's entry of the directory its flags and its whole size stand (APPNOTE.TXT 4.3.12)."""


def forged(content: bytes, offset: int, value: bytes) -> bytes:
    """The last member's entry otherwise."""
    at = content.rindex(ENTRY) + offset
    return content[:at] + value + content[at + len(value) :]


def test_a_zip_with_a_password_is_refused(tables: bytes) -> None:
    with pytest.raises(InputError, match=r"'readings\.csv', which is locked"):
        from_tables(forged(tables, FLAGS, b"\x01\x00"))


def test_a_zip_that_says_it_is_too_large_is_refused(tables: bytes) -> None:
    with pytest.raises(InputError, match="unpacks to at most 2147 MB"):
        from_tables(forged(tables, SIZE, (2**31).to_bytes(4, "little")))


def test_a_zip_that_unpacks_to_more_than_it_says_is_cut_there_and_refused(old: Desk, tables: bytes) -> None:
    """Nothing beyond what was declared is ever unpacked."""
    told = 40_000
    facts, seen = held(from_tables(forged(tables, SIZE, told.to_bytes(4, "little")))), []
    with pytest.raises(InputError, match=r"'readings\.csv', which is damaged"):
        seen.extend(facts.readings)
    assert sum(len(line) for line in files_of(tables)["readings.csv"].splitlines()) > 2 * told
    assert 0 < len(seen) < told / 60  # no line is shorter than that


def test_a_line_that_never_ends_is_refused(tables: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    files = files_of(tables) | {"rooms.csv": "name\n" + "x" * 5_000_000}
    with pytest.raises(InputError, match=r"in line 2 of rooms\.csv: say lines of at most"):
        held(from_tables(zipped_again(files)))


@pytest.mark.parametrize("cut", [10, 1000, -30, -400])
def test_a_zip_cut_short_is_refused(new: Desk, tables: bytes, cut: int) -> None:
    with pytest.raises(InputError, match="damaged"):
        import_facts(new, from_tables(tables[:cut]))


def test_every_flipped_byte_is_taken_as_it_was_or_refused(old: Desk, tables: bytes) -> None:
    """A ZIP's own checksums tell; only names and times within it are covered by none, and matter to nothing."""
    whole = held(from_tables(tables))
    readings = list(whole.readings)
    for at in range(0, len(tables), max(1, len(tables) // 250)):
        spoilt = tables[:at] + bytes([tables[at] ^ 0x55]) + tables[at + 1 :]
        try:
            facts = held(from_tables(spoilt))
            assert list(facts.readings) == readings
        except InputError:
            continue
        assert facts.records == whole.records


@pytest.mark.parametrize("cap", ["MOST_OF_A_KIND", "MOST_READINGS"])
def test_more_of_a_kind_than_is_held_is_refused_and_leaves_no_trace(
    cap: str, old: Desk, new: Desk, tables: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (importing, export_file, export_json):  # each of the two ways reads it where it is used
        if hasattr(module, cap):
            monkeypatch.setattr(module, cap, 1)
    for way in (lambda: from_tables(tables), lambda: from_json(everything(old))):
        with pytest.raises(InputError, match=r"got 'more than 1 (\w+)'.*at most 1 of \1"):
            import_facts(new, way())
        with new.store.read() as tx:
            assert sum(tx.counts().values()) == 0


def test_a_store_that_holds_anything_is_said_before_the_file_is_looked_at(
    old: Desk, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bomb = tmp_path / "all.json"
    bomb.write_bytes(b"[" * 1_000_000)
    assert main(["--store", old.store.location, "import", str(bomb)]) == 2
    assert "an empty store to take it in" in capsys.readouterr().err
    assert main(["--store", old.store.location, "import", str(tmp_path / "nowhere")]) == 2
    assert "an empty store to take it in" in capsys.readouterr().err
