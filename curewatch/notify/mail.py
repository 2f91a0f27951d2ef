"""Notices as e-mail (RFC 5322), handed to a server by SMTP (RFC 5321), encrypted by STARTTLS or TLS."""

from __future__ import annotations

import hashlib
import smtplib
import ssl
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import format_datetime
from pathlib import Path

from pydantic import SecretStr

from curewatch import __version__
from curewatch.language import PLAIN, Reader
from curewatch.notify.channel import Bounded, GiveUp, TryLater
from curewatch.notify.http_reply import unreached
from curewatch.records import Notice
from curewatch.settings import MailSettings, SettingsError

DEADLINE_FACTOR = 3
"""Each answer of the server has `timeout_s`; a whole delivery this many times that, names included."""


class Mail:
    """The mail channel of one person. A connection for each notice: there are one or two a day."""

    def __init__(
        self, server: MailSettings, password: SecretStr | None, to: str, *, name: str, reader: Reader = PLAIN
    ) -> None:
        """Raises SettingsError where the authority's file cannot be used."""
        self._server, self._password, self._to, self._name = server, password, to, name
        self._reader = reader
        self._place = f"{server.host}:{server.port}"
        self._bounded = Bounded(self._place, name)
        self._tls = None if server.security == "none" else _trust(server.ca_file)

    @property
    def name(self) -> str:
        return self._name

    def send(self, notice: Notice) -> None:
        """Hand the notice over. Comes back within `DEADLINE_FACTOR` times the timeout."""
        message = message_of(notice, self._reader, sender=self._server.sender, to=self._to)
        self._bounded.run(lambda: self._hand_over(message), self._server.timeout_s * DEADLINE_FACTOR)

    def _hand_over(self, message: EmailMessage) -> None:
        try:
            smtp = self._connected()
            try:
                self._log_in(smtp)
                smtp.send_message(message, self._server.sender, [self._to])
                with suppress(smtplib.SMTPException, OSError):  # it is taken, however the server says good-bye
                    smtp.quit()
            finally:
                smtp.close()
        except (smtplib.SMTPException, OSError) as error:
            raise _refusal(error, self._place, self._server.timeout_s) from None

    def _log_in(self, smtp: smtplib.SMTP) -> None:
        if self._password is None or self._server.user is None:
            return
        try:
            smtp.login(self._server.user, self._password.get_secret_value())
        except UnicodeEncodeError:  # its text has a letter of the password in it
            raise TryLater(f"{self._place}: the user or the password has letters beyond ASCII, see [mail]") from None

    def _connected(self) -> smtplib.SMTP:
        server, timeout_s = self._server, self._server.timeout_s
        if server.security == "tls":
            return smtplib.SMTP_SSL(server.host, server.port, timeout=timeout_s, context=self._tls)
        smtp = smtplib.SMTP(server.host, server.port, timeout=timeout_s)
        try:
            if self._tls is not None:
                smtp.starttls(context=self._tls)
        except BaseException:
            smtp.close()
            raise
        return smtp


def message_of(notice: Notice, reader: Reader, *, sender: str, to: str) -> EmailMessage:
    """The mail: the same Message-ID on every try, so that a mailbox shows a notice once."""
    title, text = reader.read(notice.title), reader.read(notice.text)
    message = EmailMessage(policy=SMTP_POLICY)
    message["From"] = Address("curewatch", addr_spec=sender)
    message["To"] = Address(addr_spec=to)
    message["Subject"] = " ".join(title.split())
    message["Date"] = format_datetime(notice.created_at)
    message["Message-ID"] = message_id(notice.key, sender)
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies
    message["User-Agent"] = f"curewatch/{__version__}"
    if notice.urgent:
        message["Importance"] = "high"
    message.set_content(text + "\n")
    return message


def message_id(key: str, sender: str) -> str:
    """`<key@domain>`; a key that may not stand there (RFC 5322 dot-atom) as its hash."""
    plain = key.replace("/", ".")
    if not plain.isascii() or not all(part and _atom(part) for part in plain.split(".")):
        plain = hashlib.sha256(key.encode()).hexdigest()[:32]
    return f"<{plain}@{sender.rpartition('@')[2]}>"


def _atom(part: str) -> bool:
    return all(c.isalnum() or c in "!#$%&'*+-/=?^_`{|}~" for c in part)


def _trust(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        why = error.strerror or "no certificate in it"
        raise SettingsError([f"mail.ca_file: got {str(ca_file)!r}, expected a readable PEM file ({why})"]) from None


def _refusal(error: Exception, place: str, timeout_s: float) -> TryLater | GiveUp:
    """What a failure means, in plain words: never the password, and of the server's own words only the code."""
    match error:
        case smtplib.SMTPAuthenticationError():
            return TryLater(f"{place} refuses the user or the password: check the settings, [mail]")
        case smtplib.SMTPNotSupportedError():
            return TryLater(f"{place} does not offer what the settings ask for: check security in [mail]")
        case smtplib.SMTPRecipientsRefused():
            codes = sorted({code for code, _ in error.recipients.values()})
            return _by_code(codes[-1], f"{place} refuses the address ({codes[-1]})")
        case smtplib.SMTPSenderRefused():
            return TryLater(f"{place} refuses the sender ({error.smtp_code}): check sender in the settings, [mail]")
        case smtplib.SMTPDataError():
            return _by_code(error.smtp_code, f"{place} refuses the message ({error.smtp_code})")
        case smtplib.SMTPResponseException():  # its greeting, hello or STARTTLS: it has not heard of any message yet
            return TryLater(f"{place} refuses to talk to us ({error.smtp_code})")
        case smtplib.SMTPServerDisconnected():
            return TryLater(f"{place} broke the connection off")
        case TimeoutError():
            return TryLater(f"{place} did not answer within {timeout_s:g} s")
    return TryLater(unreached(error, place) or f"{place} cannot be reached ({type(error).__name__})")


def _by_code(code: int, reason: str) -> TryLater | GiveUp:
    """RFC 5321 section 4.2.1: 5yz is for good. A mailbox that is full or a greylist say 4yz."""
    return GiveUp(reason) if 500 <= code < 600 else TryLater(reason)
