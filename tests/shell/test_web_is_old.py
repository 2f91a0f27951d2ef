"""A page, a feed and the metrics that are old say so by themselves, also when nobody is there who would."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import requests
from icalendar import Calendar

from curewatch.web.site import Upkeep
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, PASSWORD, served


def upkeep(since: list[datetime | None], folder: Path) -> Upkeep:
    """Of a daemon that has got nothing done since the moment in the list, if there is one."""
    return Upkeep(
        folder / "curewatch.toml",
        str(folder / "studio.sqlite"),
        False,
        lambda: since[0],
        lambda: None,
        threading.Event(),
        "",
        lambda: None,
    )


def test_a_page_whose_daemon_hangs_says_since_when_and_so_do_health_stream_and_metrics(tmp_path: Path) -> None:
    since: list[datetime | None] = [None]
    with served(tmp_path, upkeep=upkeep(since, tmp_path)) as studio:
        studio.pour()
        studio.read()
        assert "hidden></p>" in studio.page("/")
        assert studio.get("/healthz").text == "ok\n"
        assert "curewatch_watching 1.0" in studio.get("/metrics").text

        since[0] = datetime(2026, 11, 20, 8, 41, tzinfo=UTC)
        for path in ("/", "/pour", "/piece/Curlew", "/nothing/here"):
            text = studio.get(path).text
            assert "No connection to the studio since today 08:41. What you see is from then." in text, path
            assert "hidden></p>" not in text
        health = studio.get("/healthz")
        assert (health.status_code, health.text) == (503, "late: nothing was done since 2026-11-20T08:41:00Z\n")
        assert "curewatch_watching 0.0" in studio.get("/metrics").text
        with requests.get(f"{studio.url}/events", stream=True, timeout=30) as lines:
            told = next(line for line in lines.iter_lines() if line.startswith(b"data: ") and line != b"data: board")
        assert told == f"data: {since[0].timestamp()}".encode()


def test_health_is_told_to_whoever_asks_and_nothing_else_with_it(tmp_path: Path) -> None:
    from curewatch.web.access.credentials import hash_of

    (tmp_path / "page-password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "page-password") as studio:
        studio.pour("Secret heron")
        assert studio.get("/healthz", allow_redirects=False).text == "ok\n"
        assert studio.get("/metrics", allow_redirects=False).status_code == 401


def test_a_calendar_says_of_each_date_when_it_was_foreseen_and_counts_no_event_up_for_that(tmp_path: Path) -> None:
    with served(tmp_path) as studio:
        studio.pour()
        studio.read()
        refresh(studio.desk, NOW)

        def dates() -> dict[str, tuple[str, int]]:
            told = Calendar.from_ical(studio.get("/calendar.ics").text)
            return {str(one["uid"]): (str(one["description"]), int(one["sequence"])) for one in told.walk("VEVENT")}

        before = dates()
        assert before
        assert all("As foreseen on Fri 20 Nov 2026 09:00. If that is days ago" in text for text, _ in before.values())
        now = studio.clock.move(timedelta(hours=1))
        refresh(studio.desk, now)
        after = dates()
        assert all("As foreseen on Fri 20 Nov 2026 10:00." in text for text, _ in after.values())
        unmoved = [
            uid
            for uid in after
            if after[uid][0].partition("As foreseen")[0] == before[uid][0].partition("As foreseen")[0]
        ]
        assert all(after[uid][1] == before[uid][1] for uid in unmoved)
        assert unmoved


def test_air_that_nobody_has_read_for_long_is_no_figure_any_more(tmp_path: Path) -> None:
    with served(tmp_path) as studio:
        studio.pour()
        studio.read()
        figure = 'curewatch_room_temperature_celsius{room="Shed"} 21.0'
        assert figure in studio.get("/metrics").text
        studio.clock.move(timedelta(minutes=61))
        told = studio.get("/metrics").text
        assert figure not in told
        assert 'curewatch_room_reading_timestamp_seconds{room="Shed"}' in told, "when it was read stays"
