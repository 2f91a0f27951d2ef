"""A phone that leaves the studio's network, a tab that is killed, a daemon that is not there: nothing typed is lost."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.clock import SystemClock
from curewatch.desk import PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.records.facts import Finger
from curewatch.settings import machine
from curewatch.web.access.certificates import Pair, make_pair
from curewatch.web.access.credentials import hash_of
from tests.core.pictures import jpeg
from tests.shell.browser import Browser, chromium, has_chromium
from tests.shell.parts import Receiver, free_port, wait_for
from tests.whole.service import Service
from tests.whole.test_page import AXE, breaches

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]
KEPT = "return caches.open('pages' + base).then(c => c.keys()).then(k => k.map(r => new URL(r.url).pathname))"
WAITING = "return document.getElementById('waiting')?.innerText ?? ''"


class Phone(Browser):
    """A browser whose tabs can be killed."""

    def new_tab(self) -> None:
        """Whatever was open is gone at once, and was not asked."""
        old = self.driver.current_window_handle
        self.driver.switch_to.new_window("tab")
        new = self.driver.current_window_handle
        self.driver.execute_cdp_cmd("Target.closeTarget", {"targetId": old})
        self.driver.switch_to.window(new)

    def type(self, css: str, text: str) -> None:
        found = self.find(css)
        found.clear()
        found.send_keys(text)

    def sees(self, text: str, within_s: float = 20) -> None:
        wait_for(lambda: text in self.text(), within_s, f"{text!r} on {self.driver.current_url}: {self.text()}")


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Pair | None:
    """As `curewatch certificate` makes it; None without openssl."""
    here = ["localhost", "127.0.0.1"]
    return make_pair(tmp_path_factory.mktemp("pair"), here, 30) if shutil.which("openssl") else None


@pytest.fixture(scope="module")
def phone(pair: Pair | None) -> Iterator[Phone]:
    """It trusts the pair, as it would had its authority been installed."""
    trusts = [] if pair is None else [f"--ignore-certificate-errors-spki-list={spki(pair.certificate)}"]
    with chromium(*trusts) as browser:
        browser.look(width=390)
        yield Phone(browser.driver)


def spki(certificate: Path) -> str:
    key = ["openssl", "x509", "-in", str(certificate), "-pubkey", "-noout"]
    pem = subprocess.run(key, capture_output=True, check=True).stdout
    der = subprocess.run(["openssl", "pkey", "-pubin", "-outform", "der"], input=pem, capture_output=True, check=True)
    return base64.b64encode(hashlib.sha256(der.stdout).digest()).decode()


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Service]:
    with Receiver() as receiver, Service(tmp_path / "studio") as service:
        service.settings(receiver)
        pour(service, "Curlew")
        now = SystemClock().now()
        store_readings(service.desk, [Reading(room="Shed", at=now, temp_c=19, rh_pct=55, received_at=now)])
        yield service


def pour(studio: Service, name: str) -> None:
    """Three hours ago, by another process than the page's."""
    now = SystemClock().now()
    order = PourOrder(name, "Shed", now - timedelta(hours=3), 0.6e-3, ThicknessSource.LAYER)
    log_pour(studio.desk, order, now)


def begin(studio: Service, *lines: str, port: int | None = None) -> str:
    """Serve it, with more in the settings of the page; where."""
    with (studio.folder / "curewatch.toml").open("a") as file:
        file.write("\n".join(["[web]", f"port = {port or free_port()}", *lines, ""]))
    studio.start()
    return re.findall(r"the page is at (https?://\S+)", studio.log())[-1]


def fingers(studio: Service) -> list[Finger | None]:
    with studio.desk.store.read() as tx:
        return [one.finger for one in tx.observations([piece.id for piece in tx.pieces()])]


def test_what_is_logged_out_of_reach_waits_through_a_killed_tab_and_is_sent_once(
    phone: Phone, studio: Service, tmp_path: Path
) -> None:
    url = begin(studio)
    (tmp_path / "IMG_1.jpg").write_bytes(jpeg(640, 480))
    phone.open(f"{url}/piece/Curlew")
    wait_for(lambda: phone.ask("return navigator.serviceWorker.controller !== null"), what="the service worker")
    phone.open(f"{url}/piece/Curlew")  # seen with the worker at work
    pages = {"/", "/pour", "/reading", "/offline", "/piece/Curlew"}
    wait_for(lambda: pages <= set(phone.ask(KEPT)), what="the pages")
    studio.kill()
    phone.new_tab()
    phone.open(f"{url}/piece/Curlew")
    wait_for(lambda: phone.all("#late:not([hidden])"), what="since when nobody answers")
    phone.press('button[value="tacky"]')
    phone.sees("Curlew: still tacky")
    phone.press("details:has(input[type=file]) summary")
    phone.find("input[type=file]").send_keys(str(tmp_path / "IMG_1.jpg"))
    phone.press("form:has(input[type=file]) div > button")
    phone.sees("Curlew: IMG_1.jpg")
    phone.press("#promise > summary")
    phone.type('#promise input[name="due"]', "in 3 weeks")
    phone.press("#promise form button:not(.plain)")
    phone.sees("in 3 weeks")
    phone.press("#move > summary")
    phone.type('#move input[name="place"]', "sill")
    phone.press("#move form button")
    phone.sees("sill")
    phone.open(f"{url}/pour")
    phone.type('input[name="name"]', "Otter at dusk")
    phone.press('input[name="thickness"][value="medium"]')
    phone.press("button.go")
    phone.sees("Otter at dusk")
    assert len(phone.all("#waiting li")) == 5
    if AXE is not None:
        assert breaches(phone) == ""
    phone.open(f"{url}/help/alarms")
    phone.sees("The studio is out of reach")
    phone.new_tab()
    phone.open(f"{url}/")
    phone.driver.switch_to.new_window("tab")
    phone.open(f"{url}/reading")  # two tabs, which both find the studio back and send
    assert fingers(studio) == []
    studio.start()
    wait_for(lambda: phone.ask(WAITING) == "", 40, "what waited being sent")
    with studio.desk.store.read() as tx:
        here = {piece.name: piece.id for piece in tx.pieces()}
        assert [one.kind.value for one in tx.photos(list(here.values()))] == ["wet"]
        assert [one.place for one in tx.stays([here["Curlew"]])] == [None, "sill"], "moved once"
        assert [one.due_at is not None for one in tx.promises([here["Curlew"]])] == [True]
    assert fingers(studio) == [Finger.TACKY]
    assert sorted(here) == ["Curlew", "Otter at dusk"]


def test_renewal_leaves_alone_what_is_typed_marked_and_open_tells_what_is_new_and_can_be_paused(
    phone: Phone, studio: Service
) -> None:
    phone.open(f"{begin(studio)}/")
    wait_for(lambda: "Curlew" in phone.text() and "no dates" not in phone.text(), 20, "Curlew's dates, by themselves")
    phone.ask(
        "document.querySelector('details.narrow').open = true; window.before = document.querySelector('.piece'); "
        "const who = document.querySelector('.piece .who a'); getSelection().selectAllChildren(who); "
        "window.marked = who.firstChild"
    )
    phone.find('input[name="q"]').send_keys("cur")
    pour(studio, "Dunlin")
    said = "return document.getElementById('said').textContent"
    told = wait_for(lambda: "Dunlin: " in phone.ask(said) and phone.ask(said), 15, "what is new")
    assert "Curlew" not in told, "which is as it was"
    assert phone.all('a[href="/piece/Dunlin"]')
    assert phone.ask("return document.activeElement.value") == "cur"
    assert phone.ask("return document.querySelector('details.narrow').open")
    assert phone.ask("return window.before.isConnected && window.marked.isConnected"), "patched, not made anew"
    phone.press("#pause")
    phone.sees("Renewal is paused: go on")
    pour(studio, "Eider")
    heard = "return window.told = window.told ?? (document.addEventListener('heard', () => { told = 'yes' }), '')"
    phone.ask(heard)
    wait_for(lambda: phone.ask("return window.told") == "yes", 15, "the stream telling of it")
    assert "Eider" not in phone.text()
    phone.press("#pause")
    phone.sees("Eider")
    assert [one for one in phone.complaints() if "Uncaught" in one or "Policy" in one] == []


PASSWORD = "slack water at noon"


def behind_a_password(studio: Service, host: str, *lines: str, scheme: str = "http", path: str = "") -> str:
    """Served as on a home network; the address."""
    (studio.folder / "page-password").write_text(hash_of(PASSWORD))
    port = free_port()
    url = f"{scheme}://{host}:{port}{path}"
    begin(studio, 'host = "0.0.0.0"', 'password_file = "page-password"', f'address = "{url}"', *lines, port=port)
    return url


def sign_in(phone: Phone) -> None:
    phone.type('input[name="password"]', PASSWORD)
    phone.press("button.go")


@pytest.mark.skipif(not machine.addresses(), reason="needs a network of its own")
def test_by_plain_http_an_open_page_keeps_what_is_typed_until_the_studio_answers(phone: Phone, studio: Service) -> None:
    url = behind_a_password(studio, machine.addresses()[0])
    phone.open(f"{url}/reading")
    sign_in(phone)
    wait_for(lambda: phone.all('input[name="humidity"]'), what="the form")
    assert not phone.ask("return isSecureContext"), "no service worker here"
    studio.kill()
    phone.type('input[name="temperature"]', "17.5")
    phone.type('input[name="humidity"]', "61")
    phone.press("button.go")
    phone.sees("17.5, 61")
    phone.type('input[name="temperature"]', "18")  # and another, which nobody has sent yet
    phone.driver.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "frozen"})  # asleep in a pocket
    studio.start()
    phone.driver.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "active"})
    wait_for(lambda: phone.ask(WAITING) == "", 30, "what waited being sent, by itself")
    assert readings(studio) == [17.5, 19.0]
    phone.new_tab()
    phone.open(f"{url}/reading")
    assert phone.find('input[name="temperature"]').get_attribute("value") == "18"
    phone.sees("What you typed here before stands here again.")
    phone.press(".restored button")
    assert phone.find('input[name="temperature"]').get_attribute("value") == ""


def readings(studio: Service) -> list[float | None]:
    with studio.desk.store.read() as tx:
        now = SystemClock().now()
        return sorted(one.temp_c or 0.0 for one in tx.readings("Shed", since=now - timedelta(days=2), until=now))


def test_over_https_who_was_signed_out_loses_nothing_a_refusal_is_mended_and_leaving_empties_the_device(
    phone: Phone, studio: Service, pair: Pair | None
) -> None:
    """Under a path of its own, as behind a proxy."""
    if pair is None:
        pytest.skip("needs openssl")
    own = f'certificate = "{pair.certificate}"', f'key = "{pair.key}"'
    url = behind_a_password(studio, "localhost", *own, scheme="https", path="/studio")
    phone.open(f"{url}/piece/Curlew")
    sign_in(phone)
    wait_for(lambda: phone.all('button[value="tacky"]'), what="the piece")
    wait_for(lambda: set(phone.ask(KEPT)) >= {"/studio/", "/studio/pour", "/studio/offline"}, what="the pages")
    phone.open(f"{url}/piece/Curlew")
    studio.kill()
    phone.press("details:has(input[name=grams]) summary")
    phone.type('input[name="grams"]', "512")
    phone.press('form:has(input[name=grams]) input[name="when"][value="10 min ago"]')
    phone.press("form:has(input[name=grams]) div > button")
    phone.sees("Curlew: 512")
    phone.press("details:has(input[name=surface]) summary")
    phone.type('input[name="surface"]', "17.5")
    phone.press('form:has(input[name=surface]) input[name="when"][value="typed"]')
    phone.type('form:has(input[name=surface]) input[name="when_typed"]', "2020-01-01 10:00")
    phone.press("form:has(input[name=surface]) > div > button")
    wait_for(lambda: len(phone.all("#waiting li")) == 2, what="both waiting")
    typed_at = SystemClock().now()
    with studio.desk.store.write() as tx:
        tx.end_page_sessions()
    studio.start()
    wait_for(lambda: phone.all("#waiting .out"), what="being asked to sign in")
    phone.press('#waiting a[href="/studio/login"]')
    wait_for(lambda: phone.ask(KEPT + ".then(k => k.length)") == 0, what="the pages gone: nobody is in")
    sign_in(phone)
    phone.sees("after the pour")
    with studio.desk.store.read() as tx:
        (weighed,) = tx.observations([piece.id for piece in tx.pieces()])
    assert weighed.grams == 512
    assert abs(weighed.at - (typed_at - timedelta(minutes=10))) < timedelta(seconds=15)
    phone.press("#waiting button")
    phone.sees("after the pour")
    field = 'form:has(input[name=surface]) input[name="when_typed"]'
    assert phone.find(field).get_attribute("value") == "2020-01-01 10:00"
    phone.type(field, "1 h ago")
    phone.press("form:has(input[name=surface]) > div > button")
    wait_for(lambda: phone.all(".done button"), what="its undo")
    wait_for(lambda: phone.ask(WAITING) == "", what="nothing waiting")
    with studio.desk.store.read() as tx:
        found = tx.observations([piece.id for piece in tx.pieces()])
    assert {one.surface_c for one in found} == {None, 17.5}
    assert len(found) == 2
    for path in ("setup", "ways-in", "pour"):
        phone.open(f"{url}/{path}")
    texts = "return caches.open('pages' + base).then(c => c.keys().then(k => Promise.all(k.map("
    kept = phone.ask(f"{texts}r => c.match(r).then(a => a.text()).then(t => [r.url, t])))))")
    assert not [where for where, _ in kept if "setup" in where or "ways-in" in where or "login" in where]
    assert not [where for where, page in kept if re.search(r'name="token" value="[^"]', page)], "no word that lets in"
    phone.type('input[name="name"]', "Half typed")
    phone.press("footer form button")
    wait_for(lambda: phone.all('input[name="password"]'), what="the password being asked for")
    assert phone.ask("return localStorage.length") == 0
    assert phone.ask(KEPT + ".then(k => k.length)") == 0
    assert [one for one in phone.complaints() if "Content Security Policy" in one or "Uncaught" in one] == []
