"""Bad command lines, settings and stores: exit code 2, a sentence that quotes what was given, and nothing changed.

Messages have their own tables: tests/core/test_mqtt_message.py, and tests/whole for a daemon that must outlive them.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.store import Store

POUR = ("pour", "Reed", "--room", "boat shed", "--wet-thickness", "1.2mm")
READ = ("reading", "--room", "boat shed", "--temperature", "19C", "--humidity", "55%")


def changed(line: tuple[str, ...], **options: str) -> tuple[str, ...]:
    """`line` with options given another value, or added (`_` stands for `-`)."""
    words = list(line)
    for name, value in options.items():
        option = "--" + name.replace("_", "-")
        if option in words:
            words[words.index(option) + 1] = value
        else:
            words += [option, value]
    return tuple(words)


BAD_LINES = [
    # what is typed, and what the sentence must quote
    (changed(POUR, wet_thickness="nan"), "nan"),
    (changed(POUR, wet_thickness="NaNmm"), "NaNmm"),
    (changed(POUR, wet_thickness="infmm"), "infmm"),
    (changed(POUR, wet_thickness="1e400mm"), "1e400mm"),
    (changed(POUR, wet_thickness="9m"), "9m"),
    (changed(POUR, wet_thickness="1.2"), "1.2"),
    (changed(POUR, wet_thickness="1.2 parsecs"), "parsecs"),
    (changed(POUR, wet_thickness="-1mm"), "-1mm"),
    (changed(POUR, wet_thickness="0mm"), "0mm"),
    (changed(POUR, wet_thickness="1µm"), "1µm"),
    (changed(POUR, wet_thickness=""), "type a thickness, for example 1.2 mm"),
    (changed(POUR, wet_thickness="21C"), "21C"),
    (changed(POUR, wet_thickness="1mm\x1b[31m"), r"\x1b"),
    (changed(POUR, wet_thickness="9" * 100_000), "999"),
    (changed(POUR, layer="thin"), "thin"),
    (changed(POUR, poured="250ml"), "250ml"),
    (("pour", "Reed", "--room", "boat shed"), "--wet-thickness"),
    (("notices", "--limit", "0"), "got '0', expected a number greater than or equal to 1"),
    (("plan", "--due", "2026-12-20", "--pieces", "two"), "got 'two', expected a valid integer"),
    (("plan", "--due", "2026-12-20", "--pieces", "9" * 100_000), "999"),
    (("trial", "learning", "--tests-a-day", "1e9"), "got '1e9', expected a number less than or equal to 12"),
    (("pour", "Reed", "--room", "boat shed", "--layer", "lavish"), "lavish"),
    (("pour", "Reed", "--room", "boat shed", "--poured", "250ml"), "--size"),
    (("pour", "Reed", "--room", "boat shed", "--poured", "250ml", "--ran-off", "300ml", "--size", "40x50cm"), "300ml"),
    (("pour", "Reed", "--room", "boat shed", "--poured", "50l", "--ran-off", "0ml", "--size", "10x10cm"), "50l"),
    (("pour", "Reed", "--room", "boat shed", "--ran-off", "30ml"), "--poured"),
    (changed(POUR, size="40cm"), "40cm"),
    (changed(POUR, size="40x50"), "40x50"),
    (changed(POUR, size="40x5000cm"), "40x5000cm"),
    (changed(POUR, air="hurricane"), "hurricane"),
    (changed(POUR, air="0m/s"), "0m/s"),
    (changed(POUR, back="velvet"), "velvet"),
    (changed(POUR, back="7"), "7"),
    (changed(POUR, at="in 3 h"), "in 3 h"),
    (changed(POUR, at="2199-01-01T00:00Z"), "2199-01-01T00:00Z"),
    (changed(POUR, at="1969-12-31T00:00Z"), "1969-12-31T00:00Z"),
    (changed(POUR, at="the other day"), "the other day"),
    (changed(POUR, at="2026-02-30 10:00"), "2026-02-30"),
    (changed(POUR, at="2026-10-25T01:30"), "twice"),  # the clocks in Lisbon go from 02:00 back to 01:00
    (changed(POUR, at="2026-03-29T01:30"), "2026-03-29"),  # and there is no 01:30 on that one
    (changed(POUR, room=""), "--room: nothing was typed, expected a name"),
    (changed(POUR, room="two\nlines"), r"two\nlines"),
    (changed(POUR, room="r" * 81), "rrr"),
    (changed(POUR, place=" "), "' '"),
    (changed(POUR, recipe="x" * 500), "xxx"),
    (("pour", "", *POUR[2:]), "NAME: type a name"),
    (("pour", "n" * 81, *POUR[2:]), "nnn"),
    (("pour", "Heron", *POUR[2:]), "Heron"),  # is here already
    (("pour", *POUR[2:]), "NAME"),
    ((*POUR, "--colour", "red"), "--colour"),
    ((*POUR, "extra"), "extra"),
    (changed(READ, temperature="-400C"), "-400C"),
    (changed(READ, temperature="nanC"), "nanC"),
    (changed(READ, temperature="19"), "19"),
    (changed(READ, temperature="55%"), "55%"),
    (changed(READ, temperature="900F"), "900F"),
    (changed(READ, humidity="19C"), "19C"),
    (changed(READ, humidity="150%"), "150%"),
    (changed(READ, humidity="-1%"), "-1%"),
    (changed(READ, humidity="0.5"), "0.5"),
    (changed(READ, humidity="inf%"), "inf%"),
    (changed(READ, at="tomorrow"), "tomorrow"),
    (READ[:5], "--humidity"),
    (("reading", *READ[3:]), "--room"),
    (("piece", "Heronn"), "Heron"),
    (("piece", "Bittern"), "Bittern"),
    (("recipe", "river blend", "--solids", "30"), "30"),
    (("recipe", "river blend", "--solids", "nan"), "nan"),
    (("recipe", "river blend", "--solids", "0.3", "--glycol", "0.9"), "0.9"),
    (("bord",), "board"),
    (("run", "--demo"), "--demo"),
]


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with one piece and one reading, in a zone whose clocks change."""
    config = tmp_path / "studio.toml"
    config.write_text('zone = "Europe/Lisbon"\n')
    store = tmp_path / "studio.sqlite"
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("CUREWATCH_STORE", str(store))
    assert main([*READ, "--at", "1 h ago"]) == 0
    assert main(["pour", "Heron", "--room", "boat shed", "--layer", "medium"]) == 0
    return store


def contents(store: Path) -> str:
    """A fingerprint of everything in the store."""
    with Store.open(store) as opened, opened.read() as tx:
        found = [tx.pieces(), tx.pours(), tx.stays(), tx.rooms(), tx.recipes(), tx.readings("boat shed"), tx.counts()]
    return hashlib.sha256(repr(found).encode()).hexdigest()


def test_every_bad_line_is_refused_in_words(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert len(BAD_LINES) >= 60
    before = contents(studio)
    wrong = []
    for line, quoted in BAD_LINES:
        capsys.readouterr()
        code = main(list(line))
        out, err = capsys.readouterr()
        if code != 2 or quoted not in err or out or "Traceback" in err or len(err) > 1000:
            wrong.append((line[:6], code, err[:300]))
    assert not wrong
    assert contents(studio) == before


@pytest.mark.parametrize(("line", "quoted"), BAD_LINES[::9])
def test_with_json_the_refusal_is_an_object(
    studio: Path, capsys: pytest.CaptureFixture[str], line: tuple[str, ...], quoted: str
) -> None:
    capsys.readouterr()
    assert main([*line, "--json"]) == 2
    out, err = capsys.readouterr()
    refusal = json.loads(err)
    assert out == ""
    assert refusal["schema"] == 2
    assert refusal["error"]["message"]


BAD_SETTINGS = [
    ('zone = "Europe/Atlantis"', "Atlantis"),
    ("zone = 7", "7"),
    ('zone = "Europe/Lisbn"', "Europe/Lisbn"),  # a key that is not known is passed over: tests/core/test_settings.py
    ("[alarms]\nfrost_c = nan", "nan"),
    ("[alarms]\ndamp_rh_pct = 150", "150"),
    ("[alarms]\nfrost_c = 12\ncold_mfft_c = 8", "12"),
    ("[broker]\nport = 99999\nhost = 'x'", "99999"),
    ("[broker]", "host"),
    ('[webhook]\nurl = "ftp://x"', "ftp://x"),
    ("[forecast]\nmembers = 0", "0"),
    ('[[sensors]]\nid = "s"\nroom = "r"\ntopic = "a/#/b"', "a/#/b"),
    ('[[sensors]]\nid = "s"\nroom = "r"\ntopic = "a"\nunit = "R"', "R"),
    ('[[sensors]]\nid = "s"\nroom = "r"\ntopic = "a"\ntemperature = "no slash"', "no slash"),
    ("[notices]\nmilestones = ['dry']", "dry"),
    ("zone = ", "line"),
]


@pytest.mark.parametrize(("text", "quoted"), BAD_SETTINGS)
def test_bad_settings_are_refused_by_file_key_and_value(
    studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, quoted: str
) -> None:
    before = contents(studio)
    config = tmp_path / "bad.toml"
    config.write_text(text + "\n")
    for command in (["board"], ["run"], list(POUR)):
        capsys.readouterr()
        assert main(["--config", str(config), *command]) == 2
        out, err = capsys.readouterr()
        assert (out, "Traceback" in err) == ("", False)
        assert "bad.toml" in err
        assert quoted in err
    assert contents(studio) == before


def test_settings_that_are_no_text_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "noise.toml"
    config.write_bytes(b"zone = \xff\xfe\n")
    assert main(["--config", str(config), "board"]) == 2
    assert "noise.toml" in capsys.readouterr().err
    assert main(["--config", str(tmp_path / "absent.toml"), "board"]) == 2
    assert "absent.toml" in capsys.readouterr().err


@pytest.mark.parametrize("noise", [b"a letter to the river", b"\x00" * 5000, b"{}" * 3000])
def test_a_store_that_is_no_database_is_refused_and_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], noise: bytes
) -> None:
    store = tmp_path / "letter.sqlite"
    store.write_bytes(noise)
    for command in (["board"], ["run"], list(POUR)):
        assert main(["--store", str(store), *command]) == 2
        assert "letter.sqlite" in capsys.readouterr().err
    assert store.read_bytes() == noise
    shutil.rmtree(tmp_path)
