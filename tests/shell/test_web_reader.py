"""Whoever asks for a page reads it in their own language, units, clock and order of dates."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from curewatch.language import Reader
from curewatch.settings import PersonSettings, Settings
from curewatch.web.reading import CHOSEN, reader_of
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, served, words_of

LISBON = ZoneInfo("Europe/Lisbon")
US = Reader("en", "F", "us", 12, "month", LISBON)


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with served(Path(tmp_path_factory.mktemp("studio"))) as studio:
        studio.pour(hours_ago=20)
        studio.read()
        refresh(studio.desk, NOW)
        yield studio


@pytest.mark.parametrize(
    ("accepted", "who", "cookie", "read"),
    [
        ("", None, "", Reader(zone=LISBON)),
        ("en", None, "", Reader(zone=LISBON)),
        ("en-US,en;q=0.9", None, "", US),
        ("en-GB", None, "", Reader(zone=LISBON)),
        ("xx-QQ;q=0.1, en-US;q=0.8", None, "", US),
        ("zz;;q=1,*;q=0.5," + "a" * 999, None, "", Reader(zone=LISBON)),
        ("en-US", "Ada", "", Reader("en", "C", "us", 24, "month", LISBON)),
        ("en-US", "Ada", "temperatures=F&measures=metric&clock=12", Reader("en", "F", "metric", 12, "month", LISBON)),
        ("", None, "temperatures=K&clock=13&dates=year&language=../..&more=1", Reader(order="year", zone=LISBON)),
    ],
)
def test_the_choice_on_the_device_comes_first_then_the_profile_the_browser_and_the_studio(
    accepted: str, who: str | None, cookie: str, read: Reader
) -> None:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", temperatures="C", clock=24)
    settings = Settings.model_construct(zone="Europe/Lisbon", people=(ada,))
    assert reader_of(settings, who, accepted, {CHOSEN: cookie}) == read


def test_what_is_chosen_on_the_page_is_kept_on_the_device_and_can_be_left_open_again(studio: Studio) -> None:
    assert "21.0 °C" in words_of(studio.page("/room/Shed"))
    chosen = {"language": "en", "temperatures": "F", "measures": "us", "clock": "12", "dates": "month"}
    answer = studio.post("/language", chosen)
    assert "Now: 65.3 °F, 12 in, 18 oz, today 9:00 am" in words_of(answer.text)
    assert re.search(r'name="temperatures" value="F" checked', answer.text)
    assert "Fri Nov 20, 2026, 9:00 am" in words_of(studio.page("/"))
    assert "Now: 18.5 °C, 30.5 cm, 510.3 g, today 09:00" in words_of(studio.post("/language", {}).text)


def test_two_who_ask_at_once_read_each_in_their_own_units(studio: Studio) -> None:
    for accepted, said in (("en-US", "9:00 am"), ("en-GB", "09:00"), ("en-US", "9:00 am")):
        answer = studio.get("/", headers={"accept-language": accepted})
        assert said in words_of(answer.text)
        assert "accept-language" in answer.headers["vary"].lower()
        assert '<html lang="en"' in answer.text
