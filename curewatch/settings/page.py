"""Where the page is served, by what names and through which proxies, and who gets in."""

from __future__ import annotations

import ipaddress
import ssl
from pathlib import Path
from urllib.parse import urlsplit

from pydantic import Field, SecretStr, field_validator, model_validator

from curewatch.language import phrase
from curewatch.settings import machine
from curewatch.settings.errors import SettingsError
from curewatch.settings.values import FileBeside, Table, WebAddress, held_at, secret_in

ARGON2 = "$argon2"
"""How a password's hash begins, as `curewatch password` writes it."""
EVERY_ADDRESS = ("0.0.0.0", "::")
PAGE_PASSWORD, CERTIFICATE, KEY = "page-password", "page-certificate.pem", "page-key.pem"
"""What the files are called that setting up makes."""
"""To serve on all addresses of the machine; none that anybody could open."""
ALONE = phrase(
    "the page opens on this machine alone, or nobody has said at which address: the command curewatch phone does"
)
IN_THE_CLEAR = phrase(
    "the password goes there in the clear: `curewatch certificate` makes what https needs, as `curewatch phone "
    "--https` does, or put a proxy before"
)
Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class WebSettings(Table):
    """Without a password it answers this machine's own browsers and nobody else."""

    enabled: bool = Field(default=True, description="true or false")
    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        max_length=253,
        description="the address to serve on, such as '127.0.0.1' or '::'",
    )
    port: int = Field(default=8730, ge=1, le=65_535, description="a whole number between 1 and 65535")
    address: WebAddress | None = Field(
        default=None,
        description="the address people open, such as 'http://shed.local:8730' or 'https://house.example/paintings'",
    )
    hosts: tuple[str, ...] = Field(default=(), description="an array of further host names it may be opened by")
    password_file: FileBeside | None = Field(
        default=None, description="the path of the file that `curewatch password` wrote"
    )
    certificate: FileBeside | None = Field(
        default=None, description="the path of a certificate with its chain (PEM), as `curewatch certificate` makes one"
    )
    key: FileBeside | None = Field(default=None, description="the path of the certificate's private key (PEM)")
    trusted_proxies: tuple[str, ...] = Field(
        default=(), description="an array of addresses or networks, such as '127.0.0.1' or '192.168.1.0/24'"
    )

    @field_validator("trusted_proxies")
    @classmethod
    def _are_networks(cls, given: tuple[str, ...]) -> tuple[str, ...]:
        for one in given:
            try:
                ipaddress.ip_network(one, strict=False)
            except ValueError:
                raise ValueError("addresses or networks, such as '127.0.0.1' or '192.168.1.0/24'") from None
        return given

    @model_validator(mode="after")
    def _certificate_has_its_key(self) -> WebSettings:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key, both or neither")
        return self

    @property
    def proxies(self) -> tuple[Network, ...]:
        return tuple(ipaddress.ip_network(one, strict=False) for one in self.trusted_proxies)

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return _is_loopback(self.host)

    @property
    def scheme(self) -> str:
        """What it speaks itself."""
        return "https" if self.certificate is not None else "http"

    @property
    def is_secure(self) -> bool:
        """Whether people open it by https, its own or a proxy's."""
        return urlsplit(self.shown_address).scheme == "https"

    @property
    def prefix(self) -> str:
        """The path that it lies under at its address, such as '/paintings'; empty where it has the host to itself."""
        return urlsplit(self.address or "").path.rstrip("/")

    @property
    def shown_address(self) -> str:
        """What a person types into a browser; where nobody has said, an address that this machine has now."""
        if self.address is not None:
            return self.address.rstrip("/")
        return self.at(next(iter(machine.addresses()), "127.0.0.1") if self.host in EVERY_ADDRESS else self.host)

    def at(self, host: str) -> str:
        """Its address by one of the machine's names or addresses."""
        return f"{self.scheme}://{f'[{host}]' if ':' in host else host}:{self.port}"

    @property
    def reached_at(self) -> str | None:
        """Where others than this machine open it, to be printed and passed on; None where nobody does, or has said."""
        if self.address is None and self.host in EVERY_ADDRESS:
            return None
        of_proxy = self.address is not None and bool(self.trusted_proxies)
        alone = _is_loopback(urlsplit(self.shown_address).hostname or "") and not of_proxy
        return None if alone else self.shown_address

    @property
    def gone_address(self) -> str | None:
        """The address that was set, where this machine has another by now, as after a new lease."""
        host, found = urlsplit(self.address or "").hostname or "", machine.addresses()
        is_here = self.host not in EVERY_ADDRESS or not host or machine.is_name(host) or _is_loopback(host)
        return None if is_here or not found or host in found or self.trusted_proxies else host

    @property
    def ways(self) -> tuple[str, ...]:
        """Every address that opens it from elsewhere, the one to pass on first."""
        every: tuple[str, ...] = ()
        if self.host in EVERY_ADDRESS:
            every = tuple(self.at(host) for host in (*machine.addresses(), *machine.names()))
        return tuple(dict.fromkeys([self.reached_at, *every] if self.reached_at else every))

    @property
    def allowed_hosts(self) -> frozenset[str]:
        """Names the page may be asked for by, in lower case, without ports."""
        named = {"localhost", "127.0.0.1", "::1", self.host.casefold(), *(name.casefold() for name in self.hosts)}
        if self.address is not None:
            named.add((urlsplit(self.address).hostname or "").casefold())
        return frozenset(named - {*EVERY_ADDRESS, ""})

    def answers_to(self, name: str) -> bool:
        """Whether the page may be asked for by this name. Where other machines are served, by this one's names and by
        any address too: a stranger's page can point a name of its own at us, and no address."""
        name = name.casefold().rstrip(".")
        if name in self.allowed_hosts or self.is_loopback or name in EVERY_ADDRESS:
            return name in self.allowed_hosts
        return bool(name) and (not machine.is_name(name) or name in machine.names())

    def password_hash(self) -> SecretStr | None:
        """Read now; None where none is set. SettingsError where the file holds no hash, or where one is needed."""
        if self.password_file is not None:
            return _hash_in(self.password_file)
        if (reached := self._reached_from_outside()) is not None:
            key, given, allowed = reached
            raise SettingsError(
                [
                    f"web.{key}: got {given!r}, expected {allowed} as long as there is no web.password_file: whoever "
                    "reaches the page could change anything. `curewatch password FILE` makes one; `curewatch phone` "
                    "does all that a phone needs"
                ]
            )
        return None

    def _reached_from_outside(self) -> tuple[str, str, str] | None:
        """The key, its value and what would do, of the first that shows that others than this machine may come."""
        if not self.is_loopback:
            return "host", self.host, "a loopback address such as '127.0.0.1'"
        if self.address is not None:
            there = urlsplit(self.address)
            if not _is_loopback(there.hostname or "") or there.scheme != self.scheme or self.prefix:
                return "address", self.address, "none"
        if (other := next((name for name in self.hosts if not _is_loopback(name)), None)) is not None:
            return "hosts", other, "no name of another machine"
        return ("trusted_proxies", self.trusted_proxies[0], "none") if self.trusted_proxies else None

    def tls(self) -> ssl.SSLContext | None:
        """With the certificate as it lies there now; None where none is set. SettingsError where it cannot be used."""
        if self.certificate is None or self.key is None:
            return None
        made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        made.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            for key, path in (("certificate", self.certificate), ("key", self.key)):
                secret_in(path, f"web.{key}")  # which says what is missing; the library says "No such file" of either
            made.load_cert_chain(held_at(self.certificate), held_at(self.key))
        except (OSError, ValueError) as error:
            raise SettingsError(
                [
                    f"web.certificate: {str(self.certificate)!r} and the key {str(self.key)!r} cannot be used together "
                    f"({getattr(error, 'reason', None) or error}); `curewatch certificate` makes a pair"
                ]
            ) from None
        return made


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.casefold().rstrip(".") == "localhost"


def _hash_in(path: Path) -> SecretStr:
    held = secret_in(path, "web.password_file")
    if not held.get_secret_value().startswith(ARGON2):
        raise SettingsError(
            [f"web.password_file: {str(path)!r} holds no hash of a password; `curewatch password FILE` makes one"]
        )
    return held
