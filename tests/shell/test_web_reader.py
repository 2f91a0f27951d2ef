"""Whoever asks for a page reads it in their own language, units, clock and order of dates."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from curewatch.desk.reports.piece import piece_report
from curewatch.language import Reader
from curewatch.settings import PersonSettings, Settings
from curewatch.settings.channels import ReaderSettings
from curewatch.web.reading import CHOSEN, reader_of
from tests.shell import conftest
from tests.shell.web_parts import NOW, Studio, served, words_of

studio = conftest.looked_at

LISBON = ZoneInfo("Europe/Lisbon")
US = Reader("en", "F", "us", 12, "month", LISBON)


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
def test_the_choice_on_the_device_comes_first_then_the_profile_and_the_browser(
    accepted: str, who: str | None, cookie: str, read: Reader
) -> None:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", temperatures="C", clock=24)
    settings = Settings.model_construct(zone="Europe/Lisbon", people=(ada,))
    assert reader_of(settings, who, accepted, {CHOSEN: cookie}) == read


@pytest.mark.parametrize(
    ("studio", "who", "cookie", "read"),
    [
        ({"temperatures": "C"}, None, "", replace(US, temperatures="C")),
        ({"temperatures": "C", "clock": 24, "measures": "metric"}, None, "", Reader(order="month", zone=LISBON)),
        ({"language": "es"}, None, "", replace(US, language="es")),
        ({"temperatures": "C"}, "Ben", "", US),
        ({"temperatures": "C"}, "Ben", "temperatures=C", replace(US, temperatures="C")),
        ({"temperatures": "C"}, None, "temperatures=F", US),
    ],
)
def test_what_the_studio_sets_binds_a_browser_from_elsewhere_but_nobody_who_said_otherwise(
    studio: dict[str, object], who: str | None, cookie: str, read: Reader
) -> None:
    ben = PersonSettings(name="Ben", mail="ben@shed.example", temperatures="F")
    reads = ReaderSettings.model_validate(studio)
    settings = Settings.model_construct(zone="Europe/Lisbon", people=(ben,), reader=reads)
    assert reader_of(settings, who, "en-US,en;q=0.9", {CHOSEN: cookie}) == read


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


def test_what_is_typed_in_inches_and_ounces_is_shown_so_and_elsewhere_in_centimetres(
    tmp_path: Path,
) -> None:
    with served(tmp_path) as studio:
        studio.browser.headers["accept-language"] = "en-US"
        form = studio.page("/pour")
        assert "measured, mil" in words_of(form)
        assert 'placeholder="16x20in, or round 16in"' in form
        us = {"measures": "us", "room_typed": "Shed", "when": "now"}
        studio.post("/reading", us | {"temperature": "65", "unit": "F", "humidity": "50"})
        pour = us | {"name": "Curlew", "thickness": "gauge", "gauge": "50", "size": "12 1/2 x 16 in"}
        assert studio.post("/pour", pour).status_code == 200
        made = piece_report(studio.desk, "Curlew", NOW).drying.pour
        assert (made.width_m, made.height_m) == pytest.approx((0.3175, 0.4064))  # an inch is 25.4 mm
        assert made.wet_thickness_m == pytest.approx(1.27e-3)
        weighed = {"measures": "us", "what": "weighing", "grams": "18 1/2", "when": "now"}
        assert studio.post("/piece/Curlew/found", weighed, on="/piece/Curlew").status_code == 200
        with studio.store.read() as tx:
            (found,) = tx.observations()
        assert found.grams == pytest.approx(18.5 * 28.349523125)
        said = words_of(studio.page("/piece/Curlew"))
        assert "12 1/2 x 16 in" in said
        assert "50 mil" in said
        assert "65.0 °F" in said
        form = studio.page("/pour")
        assert 'value="12 1/2 x 16 in"' in form
        assert "50 mil assumed alike, 12 1/2 x 16 in on canvas" in words_of(form)
        # nothing is corrected by who leaves the form as it came
        kept = {"name": "Curlew", "start": "2026-11-20 09:00", "room": "Shed", "size": "12 1/2 x 16 in"}
        studio.post("/piece/Curlew/correct", us | kept | {"room_typed": "", "silicone": "yes"}, on="/piece/Curlew")
        again = piece_report(studio.desk, "Curlew", NOW).drying.pour
        assert (again.width_m, again.silicone) == (made.width_m, True)
        del studio.browser.headers["accept-language"]
        metric = words_of(studio.page("/piece/Curlew"))
        assert "31.8 x 40.6 cm" in metric
        assert "1.3 mm" in metric
        assert 'value="31.75x40.64cm"' in studio.page("/pour")
