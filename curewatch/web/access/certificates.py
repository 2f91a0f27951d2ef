"""A certificate that the page can be served with when nobody vouches for it: a pair of files, and what to know it by.

Made by the machine's own openssl, which is there wherever Debian's certificates are: a package for it would weigh more
than the rest of the page. A browser warns of it once; that it is the right one is told by its fingerprint.
"""

from __future__ import annotations

import hashlib
import io
import ipaddress
import re
import ssl
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import segno

from curewatch.records.errors import Field, InputError
from curewatch.settings.writing import write_whole

CERTIFICATE, KEY = "page-certificate.pem", "page-key.pem"
DAYS_MOST = 825
"""What phones take of a certificate that a person had to trust by hand (Apple, "Requirements for trusted certificates
in iOS 13 and macOS 10.15")."""
_HOST = re.compile(r"(?=.{1,253}$)[A-Za-z0-9_]([A-Za-z0-9_-]{0,62})(\.[A-Za-z0-9_-]{1,63})*")


class Pair(NamedTuple):
    certificate: Path
    key: Path
    fingerprint: str
    """SHA-256 of the whole, as browsers show it."""


def make_pair(folder: Path, names: Sequence[str], days: int) -> Pair:
    """Into the folder, over what was there: the key for its owner alone. InputError, OSError."""
    told = ",".join(_alternative_name(name) for name in names)
    with tempfile.TemporaryDirectory(prefix=".certificate-", dir=folder) as beside:
        certificate, key = Path(beside) / CERTIFICATE, Path(beside) / KEY
        command = [
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-days", str(days), "-subj", f"/CN={names[0][:64]}", "-addext", f"subjectAltName={told}",
            "-addext", "basicConstraints=critical,CA:FALSE", "-addext", "keyUsage=critical,digitalSignature",
            "-addext", "extendedKeyUsage=serverAuth", "-keyout", str(key), "-out", str(certificate),
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        except FileNotFoundError:
            raise InputError(Field.FILE, str(folder), "the program openssl, which is not there: install it") from None
        if done.returncode != 0:
            said = (done.stderr.strip().splitlines() or ["nothing"])[-1]
            raise InputError(Field.FILE, str(folder), f"openssl to make a certificate; it said: {said}")
        for path, mode in ((key, 0o600), (certificate, 0o644)):
            (folder / path.name).unlink(missing_ok=True)  # whatever mode that had
            write_whole(folder / path.name, path.read_bytes(), mode=mode)
    return Pair(folder / CERTIFICATE, folder / KEY, fingerprint_of(folder / CERTIFICATE))


def fingerprint_of(certificate: Path) -> str:
    digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate.read_text())).hexdigest().upper()
    return ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))


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
            raise InputError(Field.NAME, name, "a host name or an address, such as shed.local") from None
        return f"DNS:{name}"
