"""Who asked, where a proxy that is trusted stands between: RFC 7239 `Forwarded`, or `X-Forwarded-For`.

Each proxy writes at the right what it saw itself, so it is read from the right, past every proxy that is trusted; what
is left of the first that is not may be invented. Where both headers are there and disagree, one of them came with the
request and was passed on unread: then nothing is believed but the connection.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Collection
from typing import NamedTuple

from starlette.datastructures import Headers

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
_PAIR = re.compile(r'\s*([A-Za-z-]+)=("(?:[^"\\]|\\.)*"|[^\s;,"]*)\s*')
HEADERS = frozenset(
    {"forwarded", "via", "x-real-ip", "true-client-ip", "cf-connecting-ip", "x-client-ip", "x-cluster-client-ip"}
)


class Asker(NamedTuple):
    address: str
    https: bool
    """Whether a trusted proxy says that it was asked by https."""


def passed_on(headers: Headers) -> str | None:
    """The header that shows that a request came through a proxy; None where none does."""
    return next((name for name in headers if name in HEADERS or name.startswith("x-forwarded")), None)


def is_trusted(address: str, trusted: Collection[Network]) -> bool:
    found = _address(address)
    return found is not None and any(found in network for network in trusted)


def asker(peer: str, headers: Headers, trusted: Collection[Network]) -> Asker:
    """`peer` is who holds the connection."""
    if not is_trusted(peer, trusted):
        return Asker(peer, False)
    by_standard, https = _forwarded(headers.getlist("forwarded"))
    by_custom = ",".join(headers.getlist("x-forwarded-for")).split(",")
    seen = {_first_stranger(hops, trusted) for hops in (by_standard, by_custom) if any(hop.strip() for hop in hops)}
    address = seen.pop() if len(seen) == 1 else None
    last_proto = headers.get("x-forwarded-proto", "").split(",")[-1].strip().lower()
    return Asker(address or peer, https if https is not None else last_proto == "https")


def _forwarded(lines: list[str]) -> tuple[list[str], bool | None]:
    """Each hop's `for`, and whether the last says that it was asked by https; None where it does not say."""
    hops, https = [], None
    for element in re.findall(r'(?:[^,"]|"(?:[^"\\]|\\.)*")+', ",".join(lines)):
        pairs = {name.lower(): value.strip('"') for name, value in _PAIR.findall(element)}
        hops.append(pairs.get("for", ""))
        https = pairs["proto"].lower() == "https" if "proto" in pairs else None
    return hops, https


def _first_stranger(hops: list[str], trusted: Collection[Network]) -> str | None:
    """From the right, the first that is no trusted proxy; None where that is no address."""
    last: str | None = None
    for hop in reversed(hops):
        found = _address(hop)
        if found is None:
            return last
        last = str(found)
        if not any(found in network for network in trusted):
            return last
    return last


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """With or without brackets and port: `192.0.2.43:4711`, `[2001:db8::17]:4711`."""
    text = text.strip().strip('"')
    found = re.fullmatch(r"\[([^\]]+)\](?::\d+)?|([^:]+):\d+", text)
    try:
        made = ipaddress.ip_address((found[1] or found[2]) if found else text)
    except ValueError:
        return None
    return made.ipv4_mapped or made if isinstance(made, ipaddress.IPv6Address) else made
