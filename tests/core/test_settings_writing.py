"""Settings that the program writes: what people wrote stays, the outcome is sound, and nobody's change is lost."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.settings import SettingsError, load_settings
from curewatch.settings.writing import Key, edited, write_whole

EXAMPLE = (Path(__file__).parents[2] / "config" / "curewatch.toml").read_text(encoding="utf-8")


def told(folder: Path, text: str | None, changes: dict[Key, Any]) -> tuple[str, list[str]]:
    """The file after the change, and the lines that went and came."""
    file = folder / "curewatch.toml"
    file.unlink(missing_ok=True)
    if text is not None:
        file.write_text(text, encoding="utf-8")
    edit = edited(file, changes)
    assert (file.read_text(encoding="utf-8") if text is not None else None) == text  # not before it is asked for
    edit.write()
    assert load_settings(file) == edit.settings
    shown = [line for line in edit.difference.split("\n")[2:] if line[:1] in "+-"]
    return file.read_text(encoding="utf-8"), shown


def test_a_key_that_stands_there_as_a_comment_is_made_one_and_keeps_its_words(tmp_path: Path) -> None:
    _, shown = told(tmp_path, EXAMPLE, {"web.host": "0.0.0.0", "web.password_file": tmp_path / "page-password"})
    on = "the address to serve on. Left out: 127.0.0.1, which only this machine"
    made = "made by `curewatch password page-password`; holds only a hash of it. A new"
    assert shown == [
        f'-host = "127.0.0.1"                      # {on}',
        f'+host = "0.0.0.0"                      # {on}',
        f'-# password_file = "page-password"       # {made}',
        f'+password_file = "{tmp_path / "page-password"}"       # {made}',
    ]


def test_what_is_new_stands_with_its_like_and_before_the_words_that_head_the_next(tmp_path: Path) -> None:
    new: dict[str, Any] = {"id": "quay", "room": "Quay", "topic": "shed/quay", "accuracy": {"humidity": 3}}
    changes: dict[Key, Any] = {
        ("sensors", 4): new,
        ("rooms", "Quay house", "air"): 0.2,
        "alarms.cold_mfft_c": 8,
        "by": "Mo",
        "heartbeat": None,
    }
    text, shown = told(tmp_path, EXAMPLE, changes)
    assert [line for line in shown if line[0] == "-" and not line.startswith(("-cold", "-# by"))] == [
        f"-{line}" for line in EXAMPLE[EXAMPLE.index("[heartbeat]") :].split("\n\n")[0].split("\n")
    ]
    lines = text.split("\n")
    last = next(n for n, line in enumerate(lines) if line.startswith("devices_most = 12"))
    new_ones = ["", "[[sensors]]", 'id = "quay"', 'room = "Quay"', 'topic = "shed/quay"', ""]
    assert lines[last + 1 : last + 10] == [*new_ones, "[sensors.accuracy]", "humidity = 3", ""]
    assert lines[last + 11].startswith("# --- What people read off and type")
    assert text.index('[rooms."Quay house"]') < text.index("# --- Alarms")
    assert 'by = "Mo"                            # who logs' in text


@pytest.mark.parametrize("text", [None, "", "# mine\n", "# mine\n\n[web]\nport = 8731", "[web]\r\nport = 1 # p\r\n"])
def test_a_file_may_be_missing_short_or_of_another_system(tmp_path: Path, text: str | None) -> None:
    file = tmp_path / "curewatch.toml"
    if text is not None:
        file.write_bytes(text.encode())
    edited(
        file, {"zone": "Europe/Lisbon", "web.host": "::1", ("people", 0): {"name": "A", "services_env": "S"}}
    ).write()
    held = tomllib.loads(file.read_bytes().decode())
    assert (held["zone"], held["web"]["host"], held["people"]) == (
        "Europe/Lisbon",
        "::1",
        [{"name": "A", "services_env": "S"}],
    )
    assert file.read_bytes().count(b"\n") == file.read_bytes().count(b"\r\n") or "\r" not in (text or "")
    assert file.read_text().startswith("# mine" if text and "mine" in text else ("zone", "# Settings"))


TWO = "[web]\nport = 1\n\n# next\n[backup]\nkeep = 3\n"
APART = "[rooms.a]\nair = 1\n\n[web]\n[rooms.b]\n"


@pytest.mark.parametrize(
    ("text", "changes", "after"),
    [
        ("web = {port = 1, host = '::1'}\n", {"web.port": 2}, "web = {port = 2, host = '::1'}\n"),
        ("web.port = 1 # p\n", {"web.port": 2}, "web.port = 2 # p\n"),
        (APART, {("rooms", "b", "air"): 2}, f"{APART}air = 2\n"),
        (TWO, {"web": None}, "\n# next\n[backup]\nkeep = 3\n"),
        (TWO, {"web.port": None}, "[web]\n\n# next\n[backup]\nkeep = 3\n"),
    ],
)
def test_tables_are_written_in_many_ways(tmp_path: Path, text: str, changes: dict[Key, Any], after: str) -> None:
    assert told(tmp_path, text, changes)[0] == after


def test_what_would_not_do_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"curewatch\.toml: web\.port: got 0, expected a whole number between"):
        told(tmp_path, EXAMPLE, {"web.port": 0})
    with pytest.raises(SettingsError, match="expected a table \\[broker\\] where \\[publish\\] is set"):
        told(tmp_path, "", {"publish.root": "x"})
    file = tmp_path / "curewatch.toml"
    file.write_text("[web\n")
    with pytest.raises(SettingsError, match="line 1, column 5: not TOML"):
        edited(file, {"web.port": 1})
    file.write_text("zone = 'UTC'\n")
    edit = edited(file, {"web.port": 1})
    file.write_text("zone = 'Europe/Lisbon'\n")
    with pytest.raises(SettingsError, match="somebody else has changed it meanwhile"):
        edit.write()
    assert file.read_text() == "zone = 'Europe/Lisbon'\n"


def test_a_key_of_another_version_stays_and_is_told_of(tmp_path: Path) -> None:
    file = tmp_path / "curewatch.toml"
    file.write_text("[web]\nglow = 3 # of the next version\n")
    edit = edited(file, {"web.port": 8731})
    edit.write()
    assert edit.warnings == load_settings(file).unknown
    assert "web: unknown key 'glow'" in edit.warnings[0]
    assert file.read_text() == "[web]\nglow = 3 # of the next version\nport = 8731\n"


def test_links_and_modes_are_kept(tmp_path: Path) -> None:
    real = tmp_path / "kept" / "settings.toml"
    real.parent.mkdir()
    real.write_text("[web]\nport = 1\n")
    real.chmod(0o640)
    (tmp_path / "curewatch.toml").symlink_to(real)
    edited(tmp_path / "curewatch.toml", {"web.port": 2}).write()
    assert (tmp_path / "curewatch.toml").is_symlink()
    assert (real.read_text(), real.stat().st_mode & 0o777) == ("[web]\nport = 2\n", 0o640)
    write_whole(tmp_path / "new", b"secret")
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o600
    assert sorted(os.listdir(tmp_path)) == ["curewatch.toml", "kept", "new"]


NAMES = st.sampled_from(["Loft", "Slipway", "Sail locker", "a.b", 'q"x', "Größe"])
SENSORS = st.fixed_dictionaries(
    {"id": st.sampled_from(["a", "b", "c", "d"]), "room": NAMES, "topic": st.just("shed/x")},
    optional={"unit": st.sampled_from(["C", "F"]), "accuracy": st.just({"humidity": 1.5})},
)
CHANGES = st.one_of(
    st.tuples(st.just("web.port"), st.integers(1, 65535) | st.none()),
    st.tuples(st.just("web.hosts"), st.lists(st.sampled_from(["shed", "a\\b", "x#y"])) | st.none()),
    st.tuples(st.just("by"), st.just("Ada") | st.none()),
    st.tuples(st.tuples(st.just("rooms"), NAMES, st.just("air")), st.floats(0.05, 5) | st.none()),
    st.tuples(st.tuples(st.just("rooms"), NAMES), st.none()),
    st.tuples(st.just("sensors"), st.lists(SENSORS, max_size=4, unique_by=lambda one: one["id"])),
    st.tuples(st.just("backup"), st.just({"keep": 3, "every_h": 2.5}) | st.none()),
    st.tuples(st.just("heartbeat"), st.just({"url": "http://x", "every_s": 60}) | st.none()),
)


@settings(deadline=None, max_examples=10)  # a slow disk is no failure
@given(st.lists(CHANGES, max_size=6), st.booleans())
def test_whatever_is_changed_no_comment_outside_of_it_is_lost(
    tmp_path_factory: pytest.TempPathFactory, made: list[tuple[Key, Any]], from_example: bool
) -> None:
    """And the outcome holds the changes and no other, which `edited` sees to itself or refuses."""
    file = tmp_path_factory.getbasetemp() / "curewatch.toml"
    file.unlink(missing_ok=True)
    if from_example:
        file.write_text(EXAMPLE, encoding="utf-8")
    for key, value in made:
        edited(file, {key: value}).write()
    if from_example:
        heads = [line for line in EXAMPLE.split("\n") if line.startswith("# ---")]
        assert [line for line in file.read_text(encoding="utf-8").split("\n") if line.startswith("# ---")] == heads
