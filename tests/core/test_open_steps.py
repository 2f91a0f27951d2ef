"""The step of after-care that is open, and how the morning's work tells it."""

from __future__ import annotations

import pytest

from curewatch.records import MilestoneKind
from curewatch.records.workshop import StepDone
from curewatch.studio import morning_digest
from curewatch.studio.board import Board, board
from curewatch.studio.care.aftercare import Care, CareStep, OpenStep, open_line, open_step_text, plan
from curewatch.studio.care.varnish_air import Window
from curewatch.studio.wording import SAFETY
from tests.core.test_aftercare import FORECAST, PEELED, did
from tests.studio_scene import at, dates, drying, local

READY = dict.fromkeys(MilestoneKind, -1.0)


def opened(hours: float, *done: StepDone, silicone: bool = False, **care: object) -> CareStep | None:
    """FORECAST: safe to handle at 60 h, ready for varnish at 900 h."""
    return open_line(plan(drying(silicone=silicone).pour, FORECAST, PEELED, done, Care(**care)), at(hours))


def named(line: CareStep | None) -> str | None:
    return None if line is None else line.step


def test_from_wash_to_wrap_one_after_the_other() -> None:
    """By hand: washed at 70 h; coats from 900 h, a day and four hours apart; wrapped two weeks after the last."""
    assert named(opened(59, silicone=True)) is None
    assert named(opened(61, silicone=True)) == "wash"
    wash = did("wash", 70)
    assert named(opened(200, wash, silicone=True)) is None
    assert named(opened(901, wash, silicone=True)) == "isolation"
    isolated = (wash, did("isolation", 901))
    assert named(opened(924, *isolated, silicone=True)) is None  # it dries for a day
    assert named(opened(926, *isolated, silicone=True)) == "varnish-1"
    coated = (*isolated, did("varnish-1", 926), did("varnish-2", 931))
    assert named(opened(931 + 13 * 24, *coated, silicone=True)) is None
    assert named(opened(931 + 15 * 24, *coated, silicone=True)) == "wrap"
    assert named(opened(2000, *coated, did("wrap", 1300), silicone=True)) is None


def test_what_was_left_out_before_a_later_coat_is_past_but_silicone_never_is() -> None:
    assert named(opened(960, did("varnish-1", 950))) == "varnish-2"
    assert named(opened(960, did("varnish-1", 950), silicone=True)) == "wash"


def test_nothing_but_wrapping_where_nobody_varnishes() -> None:
    assert named(opened(901, varnish=None)) == "wrap"


@pytest.mark.parametrize(
    ("window", "says"),
    [
        (Window(at(-1), at(4), True), "The air is good for it until today 16:00."),
        (Window(at(22), at(28), True), "Good air for it tomorrow 10:00 to 16:00."),
        (Window(at(22), at(28), False), "to 16:00, probably."),
        (Window(at(22), at(46), True), "Good air for it tomorrow 10:00 to Sun 22 Nov 10:00."),
        (None, "No good air for it is foreseen in the next two days."),
    ],
)
def test_a_coat_is_told_with_its_air_and_its_caution(window: Window | None, says: str) -> None:
    line = opened(926, did("isolation", 901))
    assert line is not None
    said = str(open_step_text(OpenStep(line, window), at(0)))
    assert said.startswith("varnish coat 1 of 2, water-borne, brushed. ")
    assert says in said
    assert str(line.caution) in said
    assert said.endswith(".")


def dry_board() -> Board:
    pieces = (drying("Heron", piece_id=1, place="rack 2"), drying("Eel", piece_id=2), drying("Reed", piece_id=3))
    return board(pieces, {n: dates(n, even=READY, safe=READY) for n in (1, 2, 3)}, [], [], at(0))


def test_the_morning_names_the_open_step_of_each_piece_and_leaves_out_those_with_none() -> None:
    wash, coat = opened(61, silicone=True), opened(926, did("isolation", 901))
    assert wash is not None
    assert coat is not None
    steps = {"Heron": OpenStep(wash, None), "Eel": OpenStep(coat, Window(at(-1), at(4), True)), "Reed": None}
    told = morning_digest.notice("Ada", dry_board(), {}, at(0), local, steps)
    assert told is not None
    assert str(told.title) == "Today: wash the silicone off one piece, varnish one piece"
    assert sorted(line[: line.index(".")] for line in str(told.text).splitlines()) == [
        "Eel, Boat shed: varnish coat 1 of 2, water-borne, brushed",
        str(SAFETY).removesuffix("."),
        "Heron, Boat shed, rack 2: wash the silicone off, both sides of the edge too",
    ]
    assert {"Heron", "Eel", "rack 2"} <= set(told.data["names"])


def test_a_studio_whose_pieces_are_all_done_hears_nothing() -> None:
    assert morning_digest.notice("Ada", dry_board(), {}, at(0), local, dict.fromkeys(("Heron", "Eel", "Reed"))) is None
