"""Every page in a language whose sentences are marked: what stands unmarked is a name, a value, a unit or a mistake."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, ClassVar
from unittest import mock

import pytest

from curewatch.demo import seed_demo
from curewatch.desk import PourOrder
from curewatch.desk.commands import aftercare, correcting, observing
from curewatch.desk.commands.correcting import PourChange
from curewatch.desk.commands.pours import log_pours, move, promise
from curewatch.language import Reader, catalogue, reader
from curewatch.language.catalogue import Catalogue
from curewatch.records import MilestoneKind, ThicknessSource
from curewatch.records.facts import Finger
from curewatch.records.workshop import Promise
from curewatch.settings import Settings
from curewatch.web import site
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, served

MARKED = "en_XA"
BETWEEN = re.compile(r"«[^«»]*»")


class Marked(Catalogue):
    def text(self, english: str) -> str:
        return f"«{english}»" if english else english

    def plural(self, singular: str, plural: str, n: int) -> str:
        return self.text(singular if n == 1 else plural)


class Said(HTMLParser):
    """What a page says: text between tags, and what is read aloud or shown of an element."""

    ALOUD = ("aria-label", "title", "alt", "placeholder", "data-text", "data-news", "content")
    SILENT: ClassVar = {"style", "script", "code", "pre", "kbd", "svg"}

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag not in ("input", "br", "meta", "link", "img", "hr", "col", "path", "circle", "rect", "line"):
            self.within.append("code" if "handbook" in (named.get("class") or "") else tag)
        if tag == "meta" and named.get("name") != "description":
            return
        self.said += [value for name, value in attrs if name in self.ALOUD and value]
        if named.get("type") in ("submit", "button"):
            self.said.append(named.get("value") or "")

    def handle_endtag(self, tag: str) -> None:
        if self.within:
            self.within.pop()

    def handle_data(self, data: str) -> None:
        if not self.SILENT & set(self.within):
            self.said.append(data)


@pytest.fixture(scope="module", autouse=True)
def marked() -> Iterator[None]:
    real, asked = catalogue.catalogue, site.reader_of

    def known(name: str) -> Catalogue:
        return Marked() if name == MARKED else real(name)

    def reads(*given: Any) -> Reader:
        return replace(asked(*given), language=MARKED)

    studios = property(lambda settings: Reader(MARKED, zone=settings.tz))
    with (
        mock.patch.object(reader, "catalogue", known),
        mock.patch.object(site, "reader_of", reads),
        mock.patch.object(Settings, "studio_reader", studios),  # of labels, which nobody in particular reads
    ):
        yield


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with served(Path(tmp_path_factory.mktemp("empty"))) as studio:
        yield studio


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """The demo, and beside it a bit of each that can be logged."""
    with served(Path(tmp_path_factory.mktemp("full"))) as studio:
        desk = studio.desk
        seed_demo(desk, NOW)
        pair = PourOrder("Smew 1", "Boat shed", NOW - timedelta(hours=9), 1.2e-3, ThicknessSource.GAUGE, series="Smew")
        log_pours(desk, [pair, replace(pair, name="Smew 2", silicone=True, size_m=(0.3, 0.4))], NOW)
        observing.feel(desk, "Smew 1", Finger.TACKY, NOW - timedelta(hours=2), NOW)
        correcting.correct(desk, "Smew 1", PourChange(wet_thickness_m=1.4e-3), NOW)
        move(desk, "Smew 2", "Sail loft", "sill", NOW, at=NOW - timedelta(hours=1))
        due = Promise(
            piece_id=0, due_at=NOW + timedelta(days=9), ready=MilestoneKind.HANDLE, occasion="fair", logged_at=NOW
        )
        promise(desk, "Smew 1", due, NOW)
        aftercare.done(desk, "Smew 1", "level", NOW - timedelta(hours=8), NOW)
        refresh(desk, NOW)
        yield studio


NAMES = re.compile(r"Smew|house mix|English|español|level|curewatch")
VALUES = re.compile(
    r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun|Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b"
    r"|[\d.,]+ ?(°C|°F|cm|mm|ml|mil|in|oz|fl oz|m/s|ft/min|g)\b|%RH|\b(cm|ml|oz|in|fl oz|mm|mil|am|pm)\b"
)
"""Days, months and units: CLDR's, or the same in every language that there is."""


def left_over(studio: Studio, path: str, names: re.Pattern[str]) -> set[str]:
    """The words of a page that no catalogue has and nobody typed."""
    answer = studio.get(path)
    page = Said()
    page.feed(answer.text)
    left = " ¶ ".join(page.said)
    while BETWEEN.search(left):
        left = BETWEEN.sub("", left)
    for known in (names, NAMES, VALUES):
        left = known.sub("", left)
    return {part.strip() for part in left.split("¶") if re.search(r"[^\W\d_]{2,}", part)}


def typed_names(studio: Studio) -> re.Pattern[str]:
    with studio.store.read() as tx:
        pieces = [piece.name for piece in tx.pieces()]
        names = [*pieces, *(room.name for room in tx.rooms()), *(one.name for one in tx.recipes())]
        names += [stay.place for stay in tx.stays() if stay.place] + [one.series for one in tx.pieces() if one.series]
        names += [one.source for room in tx.rooms() for one in tx.readings(room.name)[-50:]]
        names += [one.occasion for one in tx.promises() if one.occasion]
    return re.compile("|".join(sorted(map(re.escape, dict.fromkeys(names)), key=len, reverse=True)) or "$.")


COMMON = (
    "/", "/wall", "/pour", "/reading", "/plan", "/alarms", "/lately", "/names", "/labels", "/offline", "/language",
    "/ways-in", "/setup", "/nothing/here", "/piece/Nobody", "/plan?due=1999-01-01", "/series/none",
    *(f"/setup/{step}" for step in ("zone", "room", "broker", "sensor", "person", "phone", "heartbeat", "calibrate")),
    "/record/Nobody", "/room/Nowhere", "/login",
)  # fmt: skip


OF_THE_FULL = (
    "/?ask=danger&by=place", "/piece/Smew 1", "/piece/Smew 2", "/record/Smew 1", "/series/Smew", "/room/Boat shed",
    "/room/Sail loft?span=week", "/labels?grid=a4-24",
    "/plan?due=2026-11-30&room=Boat shed&thickness=medium&for=handle&pieces=2", "/room/Boat shed?span=day",
)  # fmt: skip


def test_an_empty_studio_says_nothing_outside_of_the_catalogue(empty: Studio) -> None:
    assert {one: left for one in COMMON if (left := left_over(empty, one, re.compile("$.")))} == {}


def test_a_full_studio_says_nothing_outside_of_the_catalogue(full: Studio) -> None:
    with full.store.read() as tx:
        pieces = [piece.name for piece in tx.pieces()]
    names, each = typed_names(full), [f"/{page}/{name}" for name in pieces for page in ("piece", "record")]
    assert {one: left for one in (*COMMON, *OF_THE_FULL, *each) if (left := left_over(full, one, names))} == {}
