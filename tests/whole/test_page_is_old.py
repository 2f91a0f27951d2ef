"""An open board whose daemon was killed says so by itself, and takes it back once somebody answers again."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.clock import SystemClock
from curewatch.studio import wording
from tests.shell.browser import chromium, has_chromium
from tests.shell.parts import Receiver, free_port, wait_for
from tests.whole.service import Service

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]
BANNER = "const late = document.getElementById('late'); return late.hidden ? '' : late.innerText"


def test_a_killed_daemon_is_told_by_the_open_board_with_the_time_and_its_return_too(tmp_path: Path) -> None:
    with Receiver() as receiver, Service(tmp_path / "studio") as service, chromium() as browser:
        service.settings(receiver)
        port = free_port()
        with (service.folder / "curewatch.toml").open("a") as file:
            file.write(f"[web]\nport = {port}\n")
        service.command("reading", "--room", "Shed", "--temperature", "19C", "--humidity", "55%")
        service.command("pour", "Curlew", "--room", "Shed", "--layer", "thin", "--at", "3 h ago")
        service.start()
        for width in (390, 1900):
            browser.look(width=width)
            browser.open(f"http://127.0.0.1:{port}/{'wall' if width > 1000 else ''}")
            assert browser.ask(BANNER) == ""
        service.kill()
        said = wait_for(lambda: browser.ask(BANNER), 20, "the board saying that nobody is there")
        assert re.fullmatch(r"No connection to the studio since \d\d:\d\d\. What you see is from then\.", said)
        box = browser.ask("const b = document.getElementById('late').getBoundingClientRect(); return [b.top, b.height]")
        assert 0 <= box[0] < 200, "on top of everything"
        assert box[1] > 40, "to be read across the room"
        browser.keep("late-1900")
        assert "Curlew" in browser.text(), "what was known stays to be seen"
        service.start()
        wait_for(lambda: browser.ask(BANNER) == "", 30, "the banner going by itself")


def test_ages_tick_on_in_the_browser_as_the_studio_words_them(tmp_path: Path) -> None:
    """Each age is put into the page as the server writes it for that moment, and made anew by the script."""
    now = SystemClock().now()
    lengths = [timedelta(minutes=m) for m in (0, 1, 59, 99, 100, 149, 151, 2879)]
    lengths += [timedelta(hours=h, minutes=2) for h in (48, 50, 72, 335, 336, 1300, 1400, 9000)]
    with Receiver() as receiver, Service(tmp_path / "studio") as service, chromium() as browser:
        service.settings(receiver)
        port = free_port()
        with (service.folder / "curewatch.toml").open("a") as file:
            file.write(f"[web]\nport = {port}\n")
        service.start()
        browser.look(width=390)
        browser.open(f"http://127.0.0.1:{port}/")
        put = "".join(f'<time class="age" datetime="{(now - one).isoformat()}">?</time>' for one in lengths)
        told = browser.ask(
            f"const main = document.querySelector('main'); main.innerHTML = `{put}`; "
            f"const real = Date.now; const by = {now.timestamp() * 1000 + 1000} - real(); "
            "Date.now = () => real() + by; tick(); Date.now = real; "
            "return [...main.querySelectorAll('time.age')].map((one) => one.textContent)"
        )
        assert told == [wording.age(now - one, now) for one in lengths]
