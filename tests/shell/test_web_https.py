"""https: the page's own, with a certificate that a command makes, and a real nginx before it, under a path."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import socket
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import requests
from requests.adapters import HTTPAdapter

from curewatch.cli import main
from curewatch.daemon import Verdict
from curewatch.settings import SettingsError, WebSettings
from curewatch.web.access.credentials import hash_of
from tests.shell.doors import connected, is_open
from tests.shell.parts import free_port, make_certificates, wait_for
from tests.shell.test_page_check import page_finding
from tests.shell.web_parts import PASSWORD, TIMEOUT_S, served, token_on, words_of

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With a password's file, and the pair that `curewatch certificate` makes."""
    made = tmp_path_factory.mktemp("doors")
    (made / "page-password").write_text(hash_of(PASSWORD))
    assert main(["certificate", str(made), "--name", "shed.local", "--name", "127.0.0.1"]) == 0
    return made


def own_https(folder: Path) -> dict[str, Any]:
    pair = {"certificate": folder / "page-certificate.pem", "key": folder / "page-key.pem"}
    return pair | {"password_file": folder / "page-password"}


def certificate_at(port: int, trusts: Path) -> bytes:
    context = ssl.create_default_context(cafile=trusts)
    plain = socket.create_connection(("127.0.0.1", port), timeout=10)
    with context.wrap_socket(plain, server_hostname="127.0.0.1") as held:
        return held.getpeercert(binary_form=True) or b""


def test_the_command_makes_a_pair_and_tells_the_fingerprint_that_a_browser_shows(
    folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    beside = folder / "beside"
    beside.mkdir()
    assert main(["certificate", str(beside), "--name", "shed.local", "--json"]) == 0
    told = json.loads(capfd.readouterr().out)
    assert told["names"] == ["shed.local"]
    own, end, authority = Path(told["certificate"]).read_text().partition("-----END CERTIFICATE-----\n")
    assert authority == Path(told["authority"]).read_text()
    der = ssl.PEM_cert_to_DER_cert(own + end)
    assert told["fingerprint"].replace(":", "").lower() == hashlib.sha256(der).hexdigest()
    assert Path(told["key"]).stat().st_mode & 0o777 == 0o600
    assert main(["certificate", str(beside), "--name", "shed.local"]) == 0
    said = capfd.readouterr().out
    assert re.search(r"^([0-9A-F]{2}:){31}[0-9A-F]{2}$", said, re.MULTILINE)
    assert said.count("█") > 100, "the code to scan"
    for wrong, quoted in ((["--name", "a,DNS:b"], "--name: got 'a,DNS:b'"), (["--days", "900"], "900")):
        assert main(["certificate", str(beside), *wrong]) == 2
        assert quoted in capfd.readouterr().err
    assert main(["certificate", str(folder / "nowhere")]) == 2
    assert sorted(os.listdir(beside)) == ["page-authority.crt", "page-certificate.pem", "page-key.pem"], (
        "no key of the authority"
    )


def test_a_phone_is_given_the_authority_which_can_vouch_for_the_studio_and_for_nobody_else(
    tmp_path: Path, folder: Path
) -> None:
    def vouches(name: str) -> str:
        """By openssl, as a phone would ask: of a certificate that the authority's own key has signed for that name."""
        trusts = [
            "-CAfile",
            str(tmp_path / "phone.crt"),
            "-verify_hostname",
            name,
            str(folder / "page-certificate.pem"),
        ]
        return subprocess.run(["openssl", "verify", *trusts], capture_output=True, text=True).stderr

    with served(tmp_path, **own_https(folder)) as studio:
        trusts = str(folder / "page-certificate.pem")
        given = requests.get(f"{studio.url}/authority.crt", timeout=TIMEOUT_S, verify=trusts)
        assert given.status_code == 200, "before anybody is in"
        assert given.headers["content-type"] == "application/x-x509-ca-cert"
        (tmp_path / "phone.crt").write_bytes(given.content)
        assert requests.get(f"{studio.url}/login", timeout=TIMEOUT_S, verify=str(tmp_path / "phone.crt")).ok
    assert vouches("shed.local") == ""
    assert "hostname mismatch" in vouches("bank.example").lower()
    asked = ["openssl", "x509", "-in", str(tmp_path / "phone.crt"), "-noout", "-text"]
    said = subprocess.run(asked, capture_output=True, text=True, check=True).stdout
    allowed = said.partition("Name Constraints: critical")[2].partition("X509v3")[0].split()[1:]
    assert {one.split(":", 1)[0] for one in allowed} == {"DNS", "IP"}, "each kind is bounded"
    assert {"DNS:shed.local", "DNS:localhost"} == {one for one in allowed if one.startswith("DNS")}
    with served(tmp_path) as plain:
        assert plain.get("/authority.crt").status_code == 404


def test_the_page_speaks_https_itself_and_takes_up_a_certificate_that_was_renewed(tmp_path: Path, folder: Path) -> None:
    settings = own_https(folder)
    for name in ("certificate", "key"):
        settings[name] = Path(shutil.copy(settings[name], tmp_path))
    with served(tmp_path, **settings) as studio, studio.store.lock_for_daemon():
        studio.browser.trust_env = False  # or the machine's own list goes before what is to be trusted here
        studio.browser.verify = str(settings["certificate"])
        answer = studio.post("/login", {"password": PASSWORD})
        assert "Touch today" in answer.text
        cookie = answer.history[0].headers["set-cookie"]
        assert re.match(r"__Host-curewatch=[\w-]{43}; Path=/; Max-Age=2592000; HttpOnly; SameSite=Lax; Secure", cookie)
        assert answer.headers["strict-transport-security"] == "max-age=31536000"
        assert page_finding(tmp_path, studio.web) == (Verdict.OK, f"answers at https://127.0.0.1:{studio.web.port}")
        with connected(studio.web.port) as plain:
            plain.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            wait_for(lambda: not is_open(plain), what="the end of one that does not speak TLS")
        first = certificate_at(studio.web.port, settings["certificate"])
        other = make_certificates(tmp_path / "authority")
        shutil.copy(other.key, settings["key"])
        shutil.copy(other.cert, settings["certificate"])
        assert certificate_at(studio.web.port, other.ca) != first


def test_who_still_has_the_page_in_the_clear_is_sent_on_to_https_at_the_host_they_asked(
    tmp_path: Path, folder: Path
) -> None:
    """As the painter's own browser has it, when they have just set that it is encrypted."""
    with served(tmp_path, **own_https(folder)) as studio:
        plain = f"http://127.0.0.1:{studio.web.port}"
        seen = requests.get(f"{plain}/pour?room=Shed", verify=folder / "page-certificate.pem", timeout=TIMEOUT_S)
        (sent_on, *_) = seen.history
        assert sent_on.headers["location"] == f"https://127.0.0.1:{studio.web.port}/pour?room=Shed"
        assert 'name="password"' in seen.text
        for asked in (
            "POST /reading HTTP/1.1\r\nhost: a\r\n\r\n", "GET http://b.example/ HTTP/1.1\r\nhost: a\r\n\r\n",
            "GET / HTTP/1.1\r\n\r\n", "GET /\x01 HTTP/1.1\r\nhost: a\r\n\r\n", "GET / HTTP/1.1\r\nhost: a/b\r\n\r\n",
            "HELO shed.example\r\n\r\n",
        ):  # fmt: skip
            with socket.create_connection(("127.0.0.1", studio.web.port), timeout=TIMEOUT_S) as line:
                line.sendall(asked.encode())
                answer = line.recv(4096).decode()
                assert answer.startswith("HTTP/1.1 400 "), asked
                assert "location" not in answer
        with socket.create_connection(("127.0.0.1", studio.web.port), timeout=TIMEOUT_S) as line:
            line.sendall(b"GET /" + b"x" * 40_000)
            with suppress(ConnectionError):
                assert line.recv(4096) == b""


def test_silent_connections_before_the_handshake_keep_nobody_out(tmp_path: Path, folder: Path) -> None:
    with served(tmp_path, **own_https(folder)) as studio:
        held = [connected(studio.web.port, f"127.0.4.{n % 5}") for n in range(350)]
        try:
            trusts = str(folder / "page-certificate.pem")
            with requests.get(f"{studio.url}/login", timeout=10, verify=trusts) as answer:
                assert answer.status_code == 200
        finally:
            for one in held:
                one.close()


def test_a_pair_that_cannot_be_used_is_refused_at_the_start_and_in_check(tmp_path: Path, folder: Path) -> None:
    other = make_certificates(tmp_path / "authority")
    mixed = WebSettings(certificate=folder / "page-certificate.pem", key=other.key)
    verdict, said = page_finding(tmp_path, mixed)
    assert verdict is Verdict.FAIL
    assert "cannot be used together (KEY_VALUES_MISMATCH); `curewatch certificate` makes a pair" in said
    with pytest.raises(SettingsError, match=r"web\.key: cannot read '.*nowhere'"):
        WebSettings(certificate=folder / "page-certificate.pem", key=tmp_path / "nowhere").tls()
    with pytest.raises(ValueError, match="certificate and key, both or neither"):
        WebSettings(certificate=folder / "page-certificate.pem")


def test_a_password_that_would_travel_in_the_clear_is_worth_a_word(tmp_path: Path, folder: Path) -> None:
    web = WebSettings(host="0.0.0.0", port=free_port(), password_file=folder / "page-password")
    verdict, said = page_finding(tmp_path, web)
    assert verdict is Verdict.WARN
    assert "the password goes there in the clear: `curewatch phone --https`" in said
    safe = web.model_copy(update={"address": "https://studio.example"})
    assert page_finding(tmp_path, safe)[0] is Verdict.OK


# --- behind nginx ---

CONF = """
{user} daemon off; worker_processes 1; pid {folder}/nginx.pid; error_log {folder}/nginx.log;
events {{ worker_connections 200; }}
http {{
  access_log off; client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  server {{
    listen 127.0.0.1:{port} ssl; ssl_certificate {cert}; ssl_certificate_key {key};
    location /studio/ {{
      proxy_pass http://127.0.0.1:{page}{stripping}; proxy_http_version 1.1;
      proxy_set_header Host $http_host; proxy_set_header X-Forwarded-Proto $scheme;
      proxy_set_header X-Forwarded-For $proxy_add_x_forwarded_for;
    }}
  }}
}}
"""


@contextmanager
def nginx(folder: Path, pair: Path, port: int, page: int, *, strips: bool) -> Iterator[None]:
    """Strips the path it is asked under, or leaves it: both are usual."""
    folder.mkdir()
    user = "user root;" if os.geteuid() == 0 else ""
    made = CONF.format(folder=folder, user=user, port=port, page=page, stripping="/" if strips else "",
                       cert=pair / "page-certificate.pem", key=pair / "page-key.pem")  # fmt: skip
    (folder / "nginx.conf").write_text(made)
    command = ["nginx", "-e", str(folder / "nginx.log"), "-p", str(folder), "-c", str(folder / "nginx.conf")]
    running = subprocess.Popen(command)
    try:
        wait_for(lambda: running.poll() is not None or _listens(port), what="nginx listening")
        assert running.poll() is None, (folder / "nginx.log").read_text()
        yield
    finally:
        running.terminate()
        running.wait(10)


def _listens(port: int) -> bool:
    with socket.socket() as asking:
        return asking.connect_ex(("127.0.0.1", port)) == 0


class From(HTTPAdapter):
    """A browser at another address."""

    def init_poolmanager(self, *given: Any, **named: Any) -> None:
        super().init_poolmanager(*given, **named, source_address=("127.0.3.1", 0))


@pytest.mark.skipif(shutil.which("nginx") is None, reason="needs nginx")
@pytest.mark.parametrize("strips", [True, False])
def test_a_person_uses_the_page_through_nginx_under_a_path(tmp_path: Path, folder: Path, strips: bool) -> None:
    port = free_port()
    there = f"https://127.0.0.1:{port}/studio"
    settings = {"address": there, "password_file": folder / "page-password", "trusted_proxies": ("127.0.0.1",)}
    with (
        served(tmp_path, **settings) as studio,
        nginx(tmp_path / "nginx", folder, port, studio.web.port, strips=strips),
        requests.Session() as browser,
    ):
        browser.mount("https://", From())
        browser.trust_env = False
        browser.verify = str(folder / "page-certificate.pem")
        browser.headers["x-forwarded-for"] = "203.0.113.9"  # which anybody may say, and nginx passes on
        answer = browser.get(f"{there}/plan", timeout=TIMEOUT_S)
        assert answer.url == f"{there}/login?next=%2Fplan"
        fields = {"token": token_on(answer.text), "password": PASSWORD, "next": "/plan"}
        answer = browser.post(f"{there}/login", data=fields, timeout=TIMEOUT_S)
        assert answer.url == f"{there}/plan"
        assert answer.history[0].headers["set-cookie"].startswith("__Host-curewatch=")
        assert answer.headers["strict-transport-security"] == "max-age=31536000"
        _asks_nothing_beside(browser, answer.text, there)
        page = browser.get(f"{there}/pour", timeout=TIMEOUT_S).text
        _asks_nothing_beside(browser, page, there)
        poured = {"token": token_on(page), "name": "Otter", "room_typed": "Shed", "thickness": "thin", "when": "now"}
        answer = browser.post(f"{there}/pour", data=poured, timeout=TIMEOUT_S)
        assert answer.url.startswith(f"{there}/?done=pour")
        assert "Logged: Otter" in words_of(answer.text)
        (label,) = browser.get(f"{there}/api/v1/labels", timeout=TIMEOUT_S).json()
        assert browser.get(label["link"], timeout=TIMEOUT_S).url == f"{there}/piece/Otter"
        (mark,) = re.findall(r'data-live="([^"]+)"', browser.get(f"{there}/", timeout=TIMEOUT_S).text)
        with browser.get(f"{there}/events", params={"since": mark}, stream=True, timeout=20) as answer:
            lines = answer.iter_lines()
            assert next(lines) == b"retry: 5000"
            studio.pour("Curlew")
            assert b"event: changed" in lines
        ways_in = words_of(browser.get(f"{there}/ways-in", timeout=TIMEOUT_S).text)
        assert "(127.0.3.1, since" in ways_in.replace("( ", "("), "who asked nginx, not nginx, and not who was named"
        described = browser.get(f"{there}/api/v1/openapi.json", timeout=TIMEOUT_S).json()
        assert described["servers"] == [{"url": "/studio"}]


def _asks_nothing_beside(browser: requests.Session, page: str, there: str) -> None:
    """Every link and form of a page stays under its path, and its style and script are there."""
    paths = re.findall(r'\s(?:href|src|action)="(/[^"]*)"', page)
    assert len(paths) > 5
    assert all(path.startswith("/studio/") for path in paths), paths
    for path in {one for one in paths if "/static/" in one}:
        assert browser.get(there.removesuffix("/studio") + path, timeout=TIMEOUT_S).status_code == 200


def test_what_a_proxy_says_is_believed_of_those_that_are_trusted_and_read_from_the_right() -> None:
    from starlette.datastructures import Headers

    from curewatch.web.access.forwarded import asker

    trusted = WebSettings(trusted_proxies=("127.0.0.1", "10.0.0.0/8", "fd00::/8")).proxies

    def told(peer: str, **headers: str) -> tuple[str, bool]:
        return tuple(asker(peer, Headers({name.replace("_", "-"): said for name, said in headers.items()}), trusted))

    client = "203.0.113.9"
    assert told(client, x_forwarded_for="192.0.2.1", x_forwarded_proto="https") == (client, False), "not a proxy"
    assert told("127.0.0.1", x_forwarded_for=f"192.0.2.1, {client}", x_forwarded_proto="https") == (client, True)
    assert told("127.0.0.1", x_forwarded_for=f"192.0.2.1, {client}, 10.1.2.3") == (client, False)
    # RFC 7239, section 4: its own examples of `for`
    assert told("10.0.0.1", forwarded='For="[2001:db8:cafe::17]:4711"') == ("2001:db8:cafe::17", False)
    assert told("10.0.0.1", forwarded="for=192.0.2.60;proto=https;by=203.0.113.43") == ("192.0.2.60", True)
    assert told("10.0.0.1", forwarded='for=192.0.2.43, for="198.51.100.17:80"') == ("198.51.100.17", False)
    assert told("10.0.0.1", forwarded="for=unknown") == told("10.0.0.1", forwarded="for=_gazonk") == ("10.0.0.1", False)
    # one header from the proxy, the other passed on unread from whoever asked
    assert told("127.0.0.1", forwarded="for=192.0.2.1", x_forwarded_for=client) == ("127.0.0.1", False)
    assert told("127.0.0.1", x_forwarded_for="nonsense") == told("127.0.0.1") == ("127.0.0.1", False)
