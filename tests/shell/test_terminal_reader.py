"""What commands print is in the language, units and dates of whoever reads at the terminal."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.language import catalogue, reader
from curewatch.language.catalogue import Catalogue, languages
from curewatch.settings.setting_up import STEPS
from curewatch.studio.care.aftercare import Step

Typed = Callable[..., str]
US = '[reader]\ntemperatures = "F"\nmeasures = "us"\n'
BETWEEN = re.compile(r"«[^«»]*»")


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Typed:
    """One command of a new studio; what it said on stdout and stderr."""
    for name in ("LC_ALL", "LC_MESSAGES", "LC_TIME", "LC_MEASUREMENT"):
        monkeypatch.delenv(name, raising=False)
    config = tmp_path / "curewatch.toml"
    config.write_text(US, encoding="utf-8")
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))

    def run(*words: str, code: int = 0) -> str:
        assert main(list(words)) == code, capsys.readouterr()
        return "".join(capsys.readouterr())

    return run


PATH: tuple[tuple[int, str], ...] = (
    (0, "reading --room Shed --temperature 66F --humidity 52% --at '3 h ago'"),
    (0, "reading --room Shed --temperature 20C --humidity 50% --at '5 min ago'"),
    (0, "recipe Tern --part 'fluid paint=1' --part 'pouring medium=2'"),
    (0, "mix Tern --size 16x20in --wet-thickness 1.2mm --pieces 2"),
    (0, "pour Heron --room Shed --recipe Tern --wet-thickness 1.2mm --at '2 h ago' --due '20 Dec 2031' --for Gull"),
    (0, "pour Eel --room Shed --layer thick --silicone --place R1 --at '40 h ago' --times 2"),
    (0, "board"),
    (0, "piece Heron"),
    (0, "feel 'Eel 1' tacky --at '1 h ago' --by Ada"),
    (0, "feel 'Eel 1' --undo"),
    (0, "weigh Heron 18oz"),
    (0, "surface Heron 63F"),
    (0, "steps 'Eel 1'"),
    (0, "done 'Eel 2' drips --at '30 h ago' --anyway"),
    (0, "undo 'Eel 2'"),
    (0, "learned"),
    (0, "correct Heron --wet-thickness 1.4mm --room Loft --new"),
    (0, "move Heron --room Shed --place R2"),
    (0, "promise Heron --none"),
    (0, "record Heron"),
    (0, "compare Heron 'Eel 1'"),
    (0, "series Eel"),
    (0, "why Heron cracked"),
    (0, "level Heron --tilt 3mm/m"),
    (0, "level --tilt 3mm/m --wet-thickness 1.2mm --temperature 21C --humidity 50%"),
    (0, "estimate --wet-thickness 1.2mm --temperature 21C --humidity 50% --members 4"),
    (0, "plan --room Shed --due '20 Dec 2031' --pieces 2 --layer medium"),
    (0, "alarms --history"),
    (0, "notices"),
    (0, "names"),
    (0, "rename place R1 R9 --room Shed"),
    (0, "gone Heron"),
    (0, "gone Heron --undo"),
    (0, "delete Heron"),
    (0, "undo Heron"),
    (0, "resend --all"),
    (0, "setup"),
    (0, "restore --list"),
    (2, "feel Heron wobbly"),
    (2, "weigh Heron"),
    (2, "why Heron late"),
    (2, "mute Shed tornado --for 8h"),
    (2, "pour Heron --room Shed --layer thick"),
)  # fmt: skip
DATES = r"\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun|Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b"
KEYS = "|".join((*(step.key for step in STEPS), *Step, "varnish-[12]"))
GIVEN = re.compile(
    rf"`[^`]*`|'[^']*'|--[\w-]+|/\S+|{DATES}|\b(?:{KEYS})\b|\b(?:curewatch|Shed|Loft|Heron|Eel|Tern|Gull|Ada|UTC)\b"
    "|fluid paint|pouring medium|house mix"
)
"""Names that people gave, commands, options, paths, keys that are typed; days and months, which are Babel's."""


def test_no_word_of_a_command_is_outside_of_the_catalogue(typed: Typed, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a language whose every sentence is marked, what stands unmarked is a name, a value or a sign between them."""

    class Marked(Catalogue):
        def text(self, english: str) -> str:
            return f"«{english}»" if english else english

        def plural(self, singular: str, plural: str, n: int) -> str:
            return self.text(singular if n == 1 else plural)

    monkeypatch.setattr(reader, "catalogue", lambda name: Marked() if name == "xa" else catalogue.catalogue(name))
    monkeypatch.setattr(catalogue, "languages", lambda: (*languages(), "xa"))
    monkeypatch.setattr("curewatch.language.languages", lambda: (*languages(), "xa"))
    monkeypatch.setenv("LANG", "xa_GB.UTF-8")
    for code, line in PATH:
        left = " ".join(typed(*shlex.split(line), code=code).split())
        while BETWEEN.search(left):
            left = BETWEEN.sub("", left)
        left = GIVEN.sub("", left)
        assert not re.search(r"[^\W\d_]{3,}", left), (line, left)


def test_a_painter_in_spain_reads_degrees_and_dates_as_the_settings_say(
    typed: Typed, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The settings' °F and inches, and the locale's language and clock; --json as it is to everybody."""
    monkeypatch.setenv("LANG", "es_ES.UTF-8")
    typed("reading", "--room", "Shed", "--temperature", "68F", "--humidity", "50%")
    said = typed("pour", "Heron", "--room", "Shed", "--wet-thickness", "50mil", "--at", "2 h ago")
    assert "Anotado: Heron." in said
    assert re.search(r"^Película +50 mil en húmedo", said, re.M), said
    assert re.search(r"^Vertido +hoy \d\d:\d\d \(hace 2 h\)|^Vertido +ayer", said, re.M), said
    board = typed("board")
    assert re.search(r"^El taller, \w{3} \d{1,2} \w{3} \d{4}, \d\d:\d\d", board), board
    assert "68,0 °F" in board
    seen = json.loads(typed("board", "--json"))
    assert seen["pieces"][0]["stage"] == "wet"
    assert seen["answers"][0]["question"] == "Touch today"
    assert "No hay ninguna sala" not in board
    refused = typed("feel", "Heron", "raro", code=2)
    assert not re.search(r"\b(got|expected|one of)\b", refused), refused
    monkeypatch.setenv("LANG", "C")
    assert "Piece" in typed("board")
