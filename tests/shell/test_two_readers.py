"""One studio told to two people, each in their own degrees, clock and dates; and nothing that no catalogue has."""

from __future__ import annotations

import re

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.language import Reader, catalogue, reader
from curewatch.language.catalogue import Catalogue
from curewatch.notify import batching
from curewatch.notify.mail import message_of
from curewatch.notify.routing import person_of
from curewatch.records import Notice
from curewatch.store import Store
from tests.new_store import NOON
from tests.shell.test_desk import HOUR, SHED, look_every, notices, order, settings_of
from tests.shell.test_desk import store as store
from tests.shell.test_desk_cold_nights import ADA, DAY, MAIL, QUICK, nights

BEN = {"name": "Ben", "mail": "ben@shed.example", "temperatures": "F", "clock": 12, "dates": "month", "morning_hour": 7}
SETTINGS = settings_of(
    sensors=(SHED,), people=(ADA | {"morning_hour": 7}, BEN), mail=MAIL, forecast=QUICK, zone="Europe/Lisbon"
)
MARKED, BETWEEN = "«»", re.compile(r"«[^«»]*»")


@pytest.fixture
def told(store: Store) -> list[Notice]:
    """A cold night, what the evening said of it, and the morning's work; then all of it as one message."""
    desk = Desk(store, SETTINGS)
    store_readings(desk, nights(NOON - 4 * DAY, NOON + DAY))
    log_pour(desk, order(wet_thickness_m=2.5e-3), NOON)
    log_pour(desk, order(name="Reed", wet_thickness_m=0.6e-3), NOON)
    look_every(desk, HOUR, NOON, NOON + 26 * HOUR)
    found = notices(store)
    assert {"foreseen", "alarm", "alarm_over", "morning"} <= {one.kind for one in found}
    return [*found, batching.together(found, "mail:Ada", NOON + DAY)]


def mail_to(name: str, notice: Notice) -> str:
    person = person_of(SETTINGS, f"mail:{name}")
    assert person is not None
    mail = message_of(notice, SETTINGS.reader_of(person), sender="shed@x.example", to=f"{name.lower()}@x.example")
    return f"{mail['Subject']}\n{mail.get_content()}"


def test_each_reads_the_same_values_in_their_own_units_and_hours(told: list[Notice]) -> None:
    """Whole degrees and tenths of °C are as many tenths of °F, to the rounding of both; each hour is the same hour."""
    compared = 0
    for notice in told:
        ada, ben = mail_to("Ada", notice), mail_to("Ben", notice)
        assert "°F" not in ada
        assert "°C" not in ben
        assert not re.search(r"\d [ap]m\b", ada)
        celsius = [float(x) for x in re.findall(r"(-?\d+(?:\.\d+)?) °C", ada)]
        fahrenheit = [float(x) for x in re.findall(r"(-?\d+(?:\.\d+)?) °F", ben)]
        for c, f in zip(celsius, fahrenheit, strict=True):
            assert abs(c * 9 / 5 + 32 - f) <= 0.5 * 1.8 + 0.5, notice.key
        hours = [(int(h) % 12, m) for h, m in re.findall(r"\b(\d\d):(\d\d)\b", ada)]
        twelve = [(int(h) % 12, m) for h, m in re.findall(r"\b(\d{1,2}):(\d\d) [ap]m\b", ben)]
        assert hours == twelve, notice.key
        compared += len(celsius) + len(hours)
    assert compared > 20


def test_the_alarm_itself_is_stored_once_and_read_by_both(told: list[Notice]) -> None:
    (alarm,) = [one for one in told if one.kind == "alarm"][:1]
    assert re.search(r"The room was at -?[\d.]+ °C, \d+ %RH \(Fri 20 Nov \d\d:\d\d\)", mail_to("Ada", alarm))
    assert re.search(r"The room was at [\d.]+ °F, \d+ %RH \(Fri Nov 20, \d{1,2}:\d\d [ap]m\)", mail_to("Ben", alarm))
    assert Notice.model_validate_json(alarm.model_dump_json()) == alarm


def test_no_word_of_a_notice_is_outside_of_the_catalogue(told: list[Notice], monkeypatch: pytest.MonkeyPatch) -> None:
    """In a language whose every sentence is marked, what stands unmarked is a name, a value or a sign between them."""

    class Marked(Catalogue):
        def text(self, english: str) -> str:
            return f"«{english}»" if english else english

        def plural(self, singular: str, plural: str, n: int) -> str:
            return self.text(singular if n == 1 else plural)

    monkeypatch.setattr(reader, "catalogue", lambda name: Marked() if name == "en_XA" else catalogue.catalogue(name))
    pseudo = Reader("en_XA")
    for notice in told:
        for words in (notice.title, notice.text):
            left = pseudo.read(words)
            while BETWEEN.search(left):
                left = BETWEEN.sub("", left)
            assert not re.search(r"[^\W\d_]{2,}", left), (notice.key, left)


def test_what_was_written_before_is_shown_as_it_was() -> None:
    old = Notice(key="a", kind="alarm", created_at=NOON, title="Shed: too cold", text="The room was at 8.5 °C.")
    assert "The room was at 8.5 °C." in mail_to("Ben", old)
