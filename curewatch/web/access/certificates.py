"""A certificate that the page can be served with when nobody vouches for it: a pair of files, and what to know it by.

Made by the machine's own openssl, which is there wherever Debian's certificates are: a package for it would weigh more
than the rest of the page. A browser warns of it once; that it is the right one is told by its fingerprint. A phone that
is to keep pages has to trust it, and trusts authorities only: so one is made with it, which signs it, may vouch for
these names alone, and whose key is gone with the folder it was made in.
"""

from __future__ import annotations

import hashlib
import io
import ipaddress
import re
import secrets
import ssl
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import segno

from curewatch.language import phrase
from curewatch.records.errors import Field, InputError
from curewatch.settings.page import CERTIFICATE, KEY
from curewatch.settings.writing import write_whole

AUTHORITY = "page-authority.crt"
DAYS_MOST = 825
"""What phones take of a certificate that a person had to trust by hand (Apple, "Requirements for trusted certificates
in iOS 13 and macOS 10.15")."""
_HOST = re.compile(r"(?=.{1,253}$)[A-Za-z0-9_]([A-Za-z0-9_-]{0,62})(\.[A-Za-z0-9_-]{1,63})*")


class Pair(NamedTuple):
    certificate: Path
    key: Path
    authority: Path
    """What a phone is to trust."""
    fingerprint: str
    """SHA-256 of the whole, as browsers show it."""


def make_pair(folder: Path, names: Sequence[str], days: int) -> Pair:
    """Into the folder, over what was there: the key for its owner alone. InputError, OSError."""
    alternatives = [_alternative_name(name) for name in names]
    with tempfile.TemporaryDirectory(prefix=".certificate-", dir=folder) as beside:
        made = Path(beside)
        (made / "extensions").write_text(_EXTENSIONS.format(names=",".join(alternatives), only=_only(alternatives)))
        key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-batch"]
        from_to = ["-days", str(days), "-extfile", "extensions"]
        for command in (
            ["req", *key, "-subj", f"/CN=curewatch of {names[0][:50]}", "-keyout", "authority.key",
             "-out", "authority.csr"],
            ["x509", "-req", "-in", "authority.csr", "-signkey", "authority.key", *from_to, "-extensions", "authority",
             "-out", AUTHORITY],
            ["req", *key, "-subj", f"/CN={names[0][:64]}", "-keyout", KEY, "-out", "page.csr"],
            ["x509", "-req", "-in", "page.csr", "-CA", AUTHORITY, "-CAkey", "authority.key", *from_to,
             "-extensions", "page", "-set_serial", f"0x{secrets.token_hex(15)}", "-out", CERTIFICATE],
        ):  # fmt: skip
            _openssl(command, made, folder)
        with (made / CERTIFICATE).open("ab") as file:
            file.write((made / AUTHORITY).read_bytes())
        for name, mode in ((KEY, 0o600), (CERTIFICATE, 0o644), (AUTHORITY, 0o644)):
            (folder / name).unlink(missing_ok=True)  # whatever mode that had
            write_whole(folder / name, (made / name).read_bytes(), mode=mode)
    return Pair(folder / CERTIFICATE, folder / KEY, folder / AUTHORITY, fingerprint_of(folder / CERTIFICATE))


_EXTENSIONS = """
[authority]
basicConstraints = critical, CA:TRUE, pathlen:0
keyUsage = critical, keyCertSign
nameConstraints = critical, {only}
subjectKeyIdentifier = hash
[page]
subjectAltName = {names}
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
authorityKeyIdentifier = keyid
"""


def _only(alternatives: Sequence[str]) -> str:
    """The names that the authority may vouch for. One of each kind at least: of a kind without any, it could for all
    (RFC 5280, 4.2.1.10)."""
    kinds = {one: one for one in (*alternatives, "DNS:localhost", "IP:127.0.0.1", "IP:::1")}
    masks = {True: "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", False: "255.255.255.255"}
    return ", ".join(
        f"permitted;{one}/{masks[':' in one[3:]]}" if one.startswith("IP:") else f"permitted;{one}" for one in kinds
    )


def _openssl(command: Sequence[str], made: Path, folder: Path) -> None:
    try:
        done = subprocess.run(["openssl", *command], cwd=made, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise InputError(
            Field.FILE, str(folder), phrase("the program openssl, which is not there: install it")
        ) from None
    if done.returncode != 0:
        said = (done.stderr.strip().splitlines() or ["nothing"])[-1]
        raise InputError(Field.FILE, str(folder), phrase("openssl to make a certificate; it said: {said}", said=said))


def fingerprint_of(certificate: Path) -> str:
    """Of the first in the file, which is the page's own."""
    first = certificate.read_text().partition("-----END CERTIFICATE-----")
    digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(f"{first[0]}{first[1]}\n")).hexdigest().upper()
    return ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))


def authority_of(certificate: Path | None) -> Path | None:
    """Of a certificate that was made here."""
    beside = None if certificate is None or certificate.name != CERTIFICATE else certificate.with_name(AUTHORITY)
    return beside if beside is not None and beside.is_file() else None


def as_code(text: str) -> str:
    """To scan, by a phone's camera, off the terminal."""
    drawn = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(drawn, compact=True, border=2)
    return drawn.getvalue().rstrip("\n")


def _alternative_name(name: str) -> str:
    try:
        return f"IP:{ipaddress.ip_address(name)}"
    except ValueError:
        if _HOST.fullmatch(name) is None:
            raise InputError(Field.NAME, name, phrase("a host name or an address, such as shed.local")) from None
        return f"DNS:{name}"
