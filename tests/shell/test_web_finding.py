"""What people find of a piece and do to it, logged from its page and taken back; and what the page says of it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from curewatch.cli.output import Page
from curewatch.cli.texts.piece_text import steps_text
from curewatch.desk.commands import aftercare
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.undo import undo
from curewatch.desk.reports.piece import piece_report
from curewatch.language import phrase
from curewatch.records import AlarmKind, Damage
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger, ObservationKind
from curewatch.studio.care.aftercare import Odds
from curewatch.views.care import StepsOut
from curewatch.web.pages.forms import label_of
from curewatch.web.pages.piece import care_view
from curewatch.web.texts import Words
from tests.shell.web_parts import NOW, Studio, words_of


def found(studio: Studio, **fields: str) -> str:
    answer = studio.post("/piece/Curlew/found", fields, on="/reading")
    assert answer.status_code == 200, answer.text
    return answer.text


def touch_dry_at(studio: Studio) -> object:
    forecast = piece_report(studio.desk, "Curlew", NOW).forecast
    assert forecast is not None
    return next(m.worth_checking_at for m in forecast.milestones if m.kind == "touch_dry")


def test_a_finger_test_moves_the_dates_is_told_of_and_taken_back(studio: Studio) -> None:
    before = touch_dry_at(studio)
    page = found(studio, what="tacky", when="now")
    assert "Logged: still tacky. Its dates follow from that in a moment." in words_of(page)
    assert touch_dry_at(studio) > before, "still tacky: it takes longer than was believed"
    said = words_of(page)
    assert "river white: this recipe dries" in said
    assert "1 finger test on 1 piece" in said
    assert "Taken back." in studio.undo(page)
    assert touch_dry_at(studio) == before
    assert "1 finger test" not in words_of(studio.page("/piece/Curlew")).lower()


def test_each_kind_of_finding_is_stored_as_typed(studio: Studio) -> None:
    for fields in (
        {"what": "touch-dry", "when": "1 h ago"},
        {"what": "weighing", "grams": "512,5", "resolution": "", "when": "now"},
        {"what": "surface", "surface": "64", "unit": "F", "when": "30 min ago"},
    ):
        assert studio.post("/piece/Curlew/found", fields, on="/reading", allow_redirects=False).status_code == 303
    with studio.store.read() as tx:
        one, two, three = sorted(tx.observations(), key=lambda one: one.id)
    assert (one.kind, one.finger, one.at) == (ObservationKind.FINGER, Finger.TOUCH_DRY, NOW - timedelta(hours=1))
    assert (two.grams, two.resolution_g) == (512.5, 0.1)
    assert three.surface_c == pytest.approx(17.8, abs=0.05)  # 64 °F is 17.78 °C; half of the last digit here


WIDE = Page(width=500)


def shown(studio: Studio, steps: aftercare.Steps) -> StepsOut:
    return StepsOut.of(steps, NOW, studio.desk.settings.tz)


NEVER_SO = [
    ({"what": "damp"}, "tacky, touch-dry, dry-through, weighing or surface"),
    ({"what": "weighing", "grams": "heavy"}, "heavy"),
    ({"what": "weighing", "grams": "512", "resolution": "0"}, "scale's step"),
    (
        {"what": "surface", "surface": "900"},
        "Surface temperature: got '900C', expected a film's temperature between -30 °C and 60 °C",
    ),
    ({"what": "touch-dry", "when": "typed", "when_typed": "2 days ago"}, "When: got"),
    ({"what": "touch-dry", "when": "typed", "when_typed": "2027-01-01 10:00"}, "future"),
]


def test_what_cannot_be_is_said_on_the_piece_and_stores_nothing(studio: Studio) -> None:
    for fields, said in NEVER_SO:
        answer = studio.post("/piece/Curlew/found", {"when": "now"} | fields, on="/reading")
        assert answer.status_code == 422, fields
        assert "Not saved." in answer.text
        assert said in words_of(answer.text)
    with studio.store.read() as tx:
        assert tx.observations() == []


def test_what_says_nothing_of_the_dates_is_not_said_to_have_moved_them(studio: Studio) -> None:
    page = found(studio, what="weighing", grams="512", when="now")
    done = words_of(page[page.index('class="done"') :])
    assert "Logged: 512 g" in done
    assert "one weighing says nothing yet" in done
    assert "Its dates follow from that" not in done
    done = words_of(found(studio, what="touch-dry", when="now"))
    assert "Logged: touch-dry. Its dates follow from that in a moment." in done


def test_a_finding_of_a_piece_that_is_not_here_stores_nothing(studio: Studio) -> None:
    answer = studio.post("/piece/Nobody/found", {"what": "tacky", "when": "now"}, on="/reading")
    assert answer.status_code == 422
    assert "Nobody" in answer.text


def test_any_finding_can_be_taken_back_from_the_list(studio: Studio) -> None:
    found(studio, what="tacky", when="3 h ago")
    page = found(studio, what="touch-dry", when="now")
    rows = re.findall(r'<tr><th scope="row">.*?action="/undo">(.*?)</form>', page, re.DOTALL)
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', rows[-1])
    assert studio.browser.post(studio.url + "/undo", data=fields, timeout=20).status_code == 200
    with studio.store.read() as tx:
        assert [one.finger for one in tx.observations()] == [Finger.TOUCH_DRY]


def test_the_steps_stand_with_their_odds_and_cautions_and_one_is_written_down_and_taken_back(studio: Studio) -> None:
    said = words_of(studio.page("/piece/Curlew"))
    assert "Next steps" in said
    assert "varnish coat 1 of 2, water-borne, brushed" in said
    assert "(90 %)" in said
    assert re.search(r"sign it\W+safe .*?, worth checking .*?, once", said), "a step with both its odds"
    assert "Coats want 18 to 24 °C, at most 65 %RH" in said
    assert said.count("ollow the product's safety sheet") == 1
    page = studio.post("/piece/Curlew/done", {"step": "sign", "when": "now"}, on="/reading").text
    assert "Written down as done: sign it. That was before it was safe to assume" in words_of(page)
    with studio.store.read() as tx:
        assert [one.step for one in tx.steps() if one.undone_at is None] == ["sign"]
    assert "Taken back." in studio.undo(page)
    with studio.store.read() as tx:
        assert [one.undone_at for one in tx.steps()] == [NOW]


@pytest.mark.parametrize(
    ("against", "said"),
    [
        (
            ("too cold (9.7 °C, at least 18)",),
            "may be done from now on, but not in this air: too cold (9.7 °C, at least 18)",
        ),
        (None, "may be done from now on, but the room's air is not known"),
        ((), "may be done from now on"),
    ],
)
def test_a_coat_that_the_film_would_bear_is_not_called_safe_where_the_air_is_against_it(
    studio: Studio, against: tuple[str, ...] | None, said: str
) -> None:
    steps = aftercare.steps(studio.desk, "Curlew", NOW)
    coats = tuple(replace(line, odds=Odds.at(NOW)) for line in steps.lines if line.needs_air and not line.after)
    view = care_view(
        shown(studio, replace(steps, lines=coats, against=against)), Words(NOW, studio.desk.settings.studio_reader)
    )
    assert coats
    assert [row.when.partition(";")[0] for row in view.rows] == [said] * len(coats)
    typed = " ".join(steps_text(shown(studio, replace(steps, lines=coats, against=against)), NOW, WIDE).split())
    assert typed.count(f": {said}.") == len(coats)


def test_beside_a_caution_only_the_date_is_called_safe(studio: Studio) -> None:
    """Clearing drips, popping bubbles with a torch, varnishing: none of it is safe because its day has come."""
    steps = aftercare.steps(studio.desk, "Curlew", NOW)
    due = replace(steps, lines=tuple(replace(line, odds=Odds.at(NOW)) for line in steps.lines), against=())
    view = care_view(shown(studio, due), Words(NOW, studio.desk.settings.studio_reader))
    assert view.now
    assert [row.when for row in view.rows if row.is_for_now and "safe" in row.when] == []
    dated = steps_text(shown(studio, due), NOW, WIDE).partition("Coats want")[0]
    assert "safe" not in dated.replace("safety sheet", "")


def test_a_step_before_its_turn_wants_to_be_said_so(studio: Studio) -> None:
    answer = studio.post("/piece/Curlew/done", {"step": "varnish-2", "when": "now"}, on="/reading")
    assert answer.status_code == 422
    said = words_of(answer.text)
    assert "tap once more below to write it down so" in said
    assert "--anyway" not in said
    form = re.search(
        r'<form class="log" method="post" action="/piece/Curlew/done">(.*?)</form>', answer.text, re.DOTALL
    )
    assert form, "the second tap"
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
    studio.browser.post(studio.url + "/piece/Curlew/done", data=fields, timeout=20)
    with studio.store.read() as tx:
        assert [one.step for one in tx.steps()] == ["varnish-2"]


def test_a_coat_the_film_is_not_ready_for_wants_a_second_tap_and_says_what_it_risks(studio: Studio) -> None:
    sent = studio.post("/piece/Curlew/done", {"step": "varnish-1", "when": "10 min ago"}, on="/reading")
    assert sent.status_code == 422
    said = words_of(sent.text)
    assert re.search(
        r"a piece that may be ready for it \(worth checking: .*?\); before that the water and solvent", said
    )
    assert said.count("ollow the product's safety sheet") == 1
    url = studio.url + "/api/v1/pieces/Curlew/steps"
    refused = studio.browser.post(url, json={"step": "varnish-1"}, timeout=20)
    assert (refused.status_code, "; anyway to write it down so" in refused.json()["detail"]) == (422, True)
    form = re.search(r'<form class="log" method="post" action="/piece/Curlew/done">(.*?)</form>', sent.text, re.DOTALL)
    assert form
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
    assert "Written down as done: varnish coat 1." in words_of(
        studio.browser.post(studio.url + "/piece/Curlew/done", data=fields, timeout=20).text
    )
    with studio.store.read() as tx:
        assert [(one.step, one.done_at) for one in tx.steps()] == [("varnish-1", NOW - timedelta(minutes=10))]


def test_only_the_last_step_is_taken_back(studio: Studio) -> None:
    page = studio.post("/piece/Curlew/done", {"step": "skins", "when": "now"}, on="/reading").text
    studio.post("/piece/Curlew/done", {"step": "sign", "when": "now"}, on="/reading")
    form = re.search(r'<div class="done".*?action="/undo">(.*?)</form>', page, re.DOTALL)
    assert form
    fields = re.findall(r'name="(\w+)" value="([^"]*)"', form[1])
    answer = studio.browser.post(studio.url + "/undo", data=fields, timeout=20)
    assert answer.status_code == 422
    assert "(sign)" in answer.text


def test_what_would_help_it_is_said_with_its_caution_and_its_age(studio: Studio) -> None:
    said = words_of(studio.page("/piece/Curlew"))
    assert re.search(r"3 °C warmer: .*sooner", said)
    assert "Never leave a heater unattended" in said
    studio.clock.move(timedelta(minutes=10))
    assert "Best estimate, from 10 min ago." in words_of(studio.page("/piece/Curlew"))


def test_a_harmed_piece_says_so_until_somebody_has_looked_it_over(studio: Studio) -> None:
    piece = piece_report(studio.desk, "Curlew", NOW).drying.piece
    harm = Damage(
        piece_id=piece.id, kind=AlarmKind.COLD, hours=0.4, worst_c=4.2, began_at=NOW - timedelta(hours=6),
        counted_until=NOW,
    )  # fmt: skip
    with studio.store.write() as tx:
        tx.put_damages([harm])
    told = "0.4 h below the film-forming temperature while the film formed, at the coldest 4.2 °C. Look it over"
    assert f"It may be damaged: {told}" in words_of(studio.page("/piece/Curlew"))
    assert told in words_of(studio.page("/alarms"))
    record = words_of(studio.page("/record/Curlew"))
    assert "0.4 h below the film-forming temperature while the film formed, film down to 4.2 °C" in record
    page = studio.post("/piece/Curlew/cleared", {}, on="/reading").text
    assert "Curlew is looked over" in page
    assert "taken harm" not in page
    assert "Taken back." in studio.undo(page)
    assert "It may be damaged" in studio.page("/piece/Curlew")
    with studio.store.write() as tx:
        tx.clear_damages(piece.id, NOW)
        tx.put_damages([harm.model_copy(update={"hours": 0.3})])
    with pytest.raises(InputError, match="no more harm was counted"):  # two open counts of one kind cannot be
        undo(studio.desk, LogKind.CLEARED, ["Curlew"], NOW)


def test_an_error_speaks_the_words_of_the_page() -> None:
    error = InputError(Field.STEP, "x --at y", phrase("it; {anyway} to write it down so", anyway=Field.ANYWAY))
    said = error.in_words(label_of)
    assert said == "Step: got 'x --at y', expected it; tap once more below to write it down so"
