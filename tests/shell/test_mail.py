"""Mail to a real SMTP server on loopback: encrypted or not at all, once by its Message-ID, in the reader's units."""

from __future__ import annotations

import socketserver
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from pydantic import SecretStr

from curewatch.language import PLAIN, Reader, Temperature, When, phrase
from curewatch.notify import GiveUp, TryLater
from curewatch.notify.mail import Mail, message_id
from curewatch.records import Notice
from curewatch.settings import MailSettings, SettingsError
from tests.shell.parts import Certificates, free_port, make_certificates

# The server speaks TLS before SMTP, of which it does not know.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")

PASSWORD = "tide-table-7"
NOTICE = Notice(
    key="piece-3/touch_dry/safe",
    kind="milestone",
    created_at=datetime(2026, 11, 20, 15, 5, tzinfo=UTC),
    title=phrase("{piece}: safe to assume touch-dry", piece="Noon 12:30"),
    text=phrase(
        "{piece} is touch-dry by now. The room was at {temp} ({at}).",
        piece="Noon 12:30",
        temp=Temperature(-1.5, 1),
        at=When(datetime(2026, 11, 20, 16, 40, tzinfo=UTC)),
    ),
)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


class Mailbox:
    """Keeps what the server accepts; `refuse` is what it answers to the next recipients instead."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.refuse: list[str] = []
        self.refuse_data: str | None = None
        self.encrypted: list[bool] = []

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if self.refuse:
            return self.refuse.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuse_data is not None:
            return self.refuse_data
        self.encrypted.append(session.ssl is not None or server.transport.get_extra_info("ssl_object") is not None)
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.mails.append(message)
        return "250 OK"


@contextmanager
def serving(certificates: Certificates | None, how: str) -> Iterator[tuple[Mailbox, int]]:
    """A mail server on a free port: `starttls`, `tls` or `none`. It wants a password where it is encrypted."""
    context = None
    if certificates is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificates.cert, certificates.key)

    def check(server: Any, session: Any, envelope: Any, mechanism: str, given: Any) -> AuthResult:
        assert isinstance(given, LoginPassword)
        return AuthResult(success=(given.login, given.password) == (b"shed", PASSWORD.encode()), handled=False)

    box, port = Mailbox(), free_port()
    options: dict[str, Any] = {"hostname": "127.0.0.1", "port": port}
    if how == "starttls":
        options |= {"tls_context": context, "require_starttls": True, "auth_required": True, "authenticator": check}
    if how == "tls":
        options |= {"ssl_context": context, "auth_required": True, "auth_require_tls": False, "authenticator": check}
    controller = Controller(box, **options)
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()


def mail(port: int, security: str, ca: Path | None, password: str | None = PASSWORD, reader: Reader = PLAIN) -> Mail:
    settings = MailSettings(
        host="127.0.0.1",
        port=port,
        security=security,  # type: ignore[arg-type]
        sender="curewatch@shed.example",
        user=None if security == "none" else "shed",
        password_env=None if security == "none" else "SHED",
        ca_file=ca,
        timeout_s=2,
    )
    secret = None if password is None or security == "none" else SecretStr(password)
    return Mail(settings, secret, "ada@shed.example", name="mail:Ada", reader=reader)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_notice_arrives_encrypted(security: str, certificates: Certificates) -> None:
    with serving(certificates, security) as (box, port):
        mail(port, security, certificates.ca).send(NOTICE)
        mail(port, security, certificates.ca).send(NOTICE)
    first, again = box.mails
    assert box.encrypted == [True, True]
    assert first["Message-ID"] == again["Message-ID"] == "<piece-3.touch_dry.safe@shed.example>"
    assert (first["To"], first["Subject"]) == ("ada@shed.example", str(NOTICE.title))
    assert first["Auto-Submitted"] == "auto-generated"
    assert first.get_content() == f"{NOTICE.text}\r\n"


def test_a_notice_comes_in_the_readers_units_and_names_stay(certificates: Certificates) -> None:
    with serving(certificates, "tls") as (box, port):
        mail(port, "tls", certificates.ca, reader=Reader(temperatures="F", clock=12, order="month")).send(NOTICE)
    (got,) = box.mails
    assert got["Subject"] == "Noon 12:30: safe to assume touch-dry"
    said = "Noon 12:30 is touch-dry by now. The room was at 29.3 °F (Fri Nov 20, 2026, 4:40 pm).\r\n"
    assert got.get_content() == said


def test_without_encryption_only_where_the_settings_say_so() -> None:
    with serving(None, "none") as (box, port):
        mail(port, "none", None).send(NOTICE)
        with pytest.raises(TryLater, match="does not offer what the settings ask for"):
            mail(port, "starttls", None).send(NOTICE)
    assert len(box.mails) == 1


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_server_that_nobody_vouches_for_gets_neither_password_nor_notice(
    security: str, certificates: Certificates
) -> None:
    with (
        serving(certificates, security) as (box, port),
        pytest.raises(TryLater, match=r"certificate of 127.0.0.1:\d+ is not trusted") as caught,
    ):
        mail(port, security, None).send(NOTICE)
    assert not box.mails
    assert PASSWORD not in str(caught.value)


def test_a_wrong_password_is_said_and_not_repeated(certificates: Certificates) -> None:
    with (
        serving(certificates, "starttls") as (_, port),
        pytest.raises(TryLater, match="refuses the user or the password") as caught,
    ):
        mail(port, "starttls", certificates.ca, "low-tide-9").send(NOTICE)
    assert "low-tide-9" not in repr(caught.value)


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [("450 greylisted", TryLater), ("452 mailbox full", TryLater), ("550 no such user", GiveUp)],
)
def test_refusals_for_now_and_for_good(answer: str, outcome: type[Exception]) -> None:
    with serving(None, "none") as (box, port):
        box.refuse.append(answer)
        with pytest.raises(outcome, match=rf"refuses the address \({answer[:3]}\)"):
            mail(port, "none", None).send(NOTICE)


@contextmanager
def saying(*answers: str) -> Iterator[int]:
    """A server's port that greets with the first answer, and gives one more to each line it hears."""

    class Terse(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for answer in answers:
                self.wfile.write(f"{answer}\r\n".encode())
                if not self.rfile.readline():
                    return

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Terse) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            yield server.server_address[1]
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize(
    "answers",
    [
        ["554 no mail from your address today"],
        ["220 hello", "550 I do not like your name", "550 nor this one"],
        ["220 hello", "250-here\r\n250 STARTTLS", "554 TLS is out of order"],
    ],
    ids=["greeting", "hello", "starttls"],
)
def test_a_server_that_refuses_to_talk_has_said_nothing_of_the_notice(answers: list[str]) -> None:
    """RFC 5321 section 3.1 has it greet with 554. A listed address, a broken server are mended; the notice waits."""
    with saying(*answers) as port, pytest.raises(TryLater, match=r"refuses to talk to us \(55[04]\)"):
        mail(port, "starttls" if "TLS" in answers[-1] else "none", None).send(NOTICE)


def test_a_message_that_is_refused_for_good_is_given_up() -> None:
    """RFC 5321 section 4.2.1."""
    with serving(None, "none") as (box, port):
        box.refuse_data = "554 not such words"
        with pytest.raises(GiveUp, match=r"refuses the message \(554\)"):
            mail(port, "none", None).send(NOTICE)


def test_a_password_that_cannot_be_sent_is_said_in_plain_words(certificates: Certificates) -> None:
    """Python's smtplib sends ASCII only; RFC 4616 would allow more."""
    with (
        serving(certificates, "tls") as (_, port),
        pytest.raises(TryLater, match="letters beyond ASCII") as caught,
    ):
        mail(port, "tls", certificates.ca, "Flut-täglich").send(NOTICE)
    assert "ä" not in str(caught.value)


def test_a_server_that_is_not_there() -> None:
    with pytest.raises(TryLater, match="refuses connections"):
        mail(free_port(), "tls", None).send(NOTICE)


def test_an_authority_file_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("nothing")
    with pytest.raises(SettingsError, match=r"mail\.ca_file"):
        mail(25, "tls", tmp_path / "ca.pem")


@pytest.mark.parametrize("key", ["alarm/cold/Sail_20_loft/raised/1", "two words", "ä", "a//b", "a>b"])
def test_every_key_makes_a_message_id(key: str) -> None:
    made = message_id(key, "curewatch@shed.example")
    assert made.isascii()
    assert made.startswith("<")
    assert made.endswith("@shed.example>")
    assert " " not in made
    assert ".." not in made
    assert made.count(">") == 1
