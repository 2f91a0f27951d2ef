"""Who reads Spanish reads the handbook in Spanish, under the links that everybody has."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape
from pathlib import Path

import pytest

from curewatch import handbook
from curewatch.cli import main
from curewatch.language import Reader
from tests.shell.web_parts import Studio, served, words_of

SPANISH, ENGLISH = {"accept-language": "es-MX,es;q=0.9,en;q=0.5"}, {"accept-language": "en"}


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with served(Path(tmp_path_factory.mktemp("studio"))) as studio:
        yield studio


def test_the_handbook_is_read_in_the_language_of_whoever_asks_under_the_same_links(studio: Studio) -> None:
    listed = studio.get("/help", headers=SPANISH).text
    about = Reader("es").read(handbook.TOPICS["alarms"])
    assert f"Las alarmas {about}" in words_of(listed)
    assert re.findall(r'href="(/help/\w+)"', listed) == [f"/help/{topic}" for topic in handbook.TOPICS]
    read = {said["accept-language"][:2]: studio.get("/help/alarms", headers=said).text for said in (SPANISH, ENGLISH)}
    assert '<h2 id="too-fast">Seca demasiado deprisa</h2>' in read["es"]
    assert '<h2 id="too-fast">Too fast</h2>' in read["en"]
    ids = [re.findall(r'<h\d id="([^"]+)"', page) for page in read.values()]
    assert ids[0] == ids[1]
    assert len(ids[0]) == len(set(ids[0])) >= 8
    assert '<div lang="es">' in read["es"]


def test_what_is_english_in_it_says_so(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = studio.get("/help/example", headers=SPANISH).text
    label = escape(Reader("es").phrase("Commands and what they print"))
    assert f'<pre tabindex="0" role="region" aria-label="{label}"><code lang="en">$ curewatch' in shown
    monkeypatch.setattr(handbook, "LANGUAGES", ("en",))
    left = studio.get("/help/alarms", headers=SPANISH).text
    assert '<html lang="es"' in left
    assert re.search(r'<div lang="en"><h1 id="the-alarms">The alarms</h1>', left)


def test_the_terminal_reads_it_as_its_locale_says_or_else_the_settings(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("LC_ALL", "LC_MESSAGES"):
        monkeypatch.delenv(name, raising=False)
    config = tmp_path / "curewatch.toml"
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("LANG", "es_ES.UTF-8")

    def told(settings: str, *arguments: str) -> str:
        config.write_text(settings, encoding="utf-8")
        assert main(["help", *arguments]) == 0
        return capsys.readouterr().out

    listed = told("")
    assert listed.startswith("El manual, con `curewatch help TOPIC`:")
    assert re.search(r"^  alarms +frío, helada, humedad", listed, re.M)
    assert told("", "alarms").startswith("Las alarmas\n")
    assert '"language": "es"' in told("", "alarms", "--json")
    assert told("zone = 7", "alarms").startswith("Las alarmas\n"), "settings that cannot be used are no hindrance"
    assert told('[reader]\nlanguage = "en"\n', "alarms").startswith("The alarms\n")
    monkeypatch.setenv("LANG", "C")
    assert told("").startswith("The handbook")
    assert told('[reader]\nlanguage = "es"\n', "alarms").startswith("Las alarmas\n")
