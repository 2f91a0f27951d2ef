"""What this machine is called, and at which addresses others reach it."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import shutil
import socket
import struct
from collections.abc import Iterator
from pathlib import Path

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
_INWARD = ("lo", "docker", "br-", "veth", "virbr", "podman", "cni", "lxc", "lxd")
"""How interfaces begin that lead to what runs on this machine and to nobody else."""
IN_CONTAINER = "CUREWATCH_IN_CONTAINER"
"""Set by deploy/Containerfile. What else tells a container stands in machines that are reached like any other, too."""
_ASK_ADDRESSES, _DUMP, _NEW_ADDRESS, _ADDRESS_OF, _LOCAL = 22, 0x301, 20, 1, 2
_FLEETING = 0x01 | 0x20 | 0x40
"""IPv6 addresses that are temporary, deprecated or not yet sure (rtnetlink(7), linux/if_addr.h)."""


NO_MOSQUITTO = "there is no mosquitto on this machine: `sudo apt-get install mosquitto`, or its like of another system"


def mosquitto() -> str | None:
    """The broker's program, if it is installed: not every user's path leads to it."""
    folders = (os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
    return shutil.which("mosquitto", path=os.pathsep.join(folders))


def free_port(first: int, host: str) -> int:
    """The first from there on that nobody listens at; `first` where none is found."""
    for port in range(first, first + 50):
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trying:
            trying.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trying.bind((host, port))
            return port
    return first


def names() -> tuple[str, ...]:
    """As others may call it: the short name with `.local`, which phones ask all machines around for (RFC 6762), the
    short name by itself, and the whole one; of a container none, which nobody else knows."""
    whole = socket.gethostname().casefold().rstrip(".")
    short = whole.partition(".")[0]
    if not short or short == "localhost" or os.environ.get(IN_CONTAINER):
        return ()
    return tuple(dict.fromkeys((f"{short}.local", short, whole)))


def answers_by_name() -> bool:
    """Whether something here answers to the name with `.local`, as far as it can be seen: port 5353 is taken."""
    with contextlib.suppress(OSError):
        return any(f":{5353:04X} " in Path(f"/proc/net/{kind}").read_text() for kind in ("udp", "udp6"))
    return not hasattr(socket, "AF_NETLINK")  # macOS and Windows do it themselves


def addresses() -> tuple[str, ...]:
    """Where others can reach it, without a name: the one that it is seen by from outside first, IPv4 before IPv6. None
    in a container, whose addresses are of use to nobody but its host."""
    if os.environ.get(IN_CONTAINER):
        return ()
    outward = [found for family in (socket.AF_INET, socket.AF_INET6) if (found := _outward(family))]
    try:
        known = list(_asked_kernel())
        held = {address for address, _ in known}
        leading = [one for one in outward if one in held]
    except OSError:  # another system than Linux, or one that does not let us ask
        known, leading = [(address, "") for address in _looked_up()], outward
    usable = [address for address, where in known if not where.startswith(_INWARD)]
    every = (ipaddress.ip_address(text) for text in (*leading, *usable))
    return tuple(dict.fromkeys(str(one) for one in sorted(every, key=lambda one: one.version) if _reaches(one)))


def is_name(host: str) -> bool:
    """Whether it is no address: names can be pointed at any machine, and addresses cannot."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return True
    return False


def _reaches(one: Address) -> bool:
    return not (one.is_loopback or one.is_link_local or one.is_unspecified or one.is_multicast)


def _outward(family: int) -> str | None:
    """The address that packets to the net would bear; none is sent."""
    there = "192.0.2.1" if family == socket.AF_INET else "2001:db8::1"  # RFC 5737, RFC 3849: nobody's
    with contextlib.suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as asking:
        asking.connect((there, 9))
        return str(asking.getsockname()[0])
    return None


def _looked_up() -> list[str]:
    with contextlib.suppress(OSError):
        found = socket.getaddrinfo(socket.gethostname(), None, type=socket.SOCK_STREAM)
        return [str(one[4][0]).partition("%")[0] for one in found]
    return []


def _asked_kernel() -> Iterator[tuple[str, str]]:
    """Every address with its interface's name, by Linux's rtnetlink(7). Raises OSError."""
    if not hasattr(socket, "AF_NETLINK"):
        raise OSError("no rtnetlink")
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as asking:
        asking.settimeout(2)
        asking.send(struct.pack("=LHHLL8x", 24, _ASK_ADDRESSES, _DUMP, 1, 0))
        while True:
            held = asking.recv(1 << 16)
            while held:
                length, kind = struct.unpack_from("=LH", held)
                if kind != _NEW_ADDRESS:  # the end, or an error
                    return
                yield from _one_address(held[16:length])
                held = held[(length + 3) & ~3 :]


def _one_address(message: bytes) -> Iterator[tuple[str, str]]:
    _, _, flags, _, index = struct.unpack_from("=BBBBI", message)
    told: dict[int, bytes] = {}
    rest = message[8:]
    while len(rest) >= 4:
        length, kind = struct.unpack_from("=HH", rest)
        told[kind] = rest[4:length]
        rest = rest[(max(length, 4) + 3) & ~3 :]
    here = told.get(_LOCAL) or told.get(_ADDRESS_OF)
    if here is not None and not flags & _FLEETING:
        with contextlib.suppress(OSError, ValueError):
            yield str(ipaddress.ip_address(here)), socket.if_indextoname(index)
