"""What is sent: of which type it has to be, how long it may be, and how long in coming."""

from __future__ import annotations

import asyncio
from typing import IO

from starlette.datastructures import Headers
from starlette.types import Message, Receive
from starlette.types import Scope as Request

BODY_MOST, BODY_WITHIN_S = 64 * 1024, 15.0
"""No form of ours is longer [bytes], or takes longer to come [s]."""
LARGE = ("/api/v1/import", "/api/v1/import.zip", "/api/v1/readings.csv")
"""What takes a studio's or a logger's whole record, one at a time."""
LARGE_MOST, LARGE_WITHIN_S = 32 * 1024 * 1024, 120.0
PHOTO = "/photo"
"""Where a photo of a piece is sent: to its page, or the API's piece, by a way that ends so."""
IMAGES = ("image/jpeg", "image/png", "image/webp")
_TYPES = {".csv": "text/csv", ".zip": "application/zip"}


def is_large(scope: Request) -> bool:
    """Whether more than a form may come."""
    path = scope["path"]
    return path in LARGE or (scope["method"] == "POST" and path.endswith(PHOTO))


def is_bare(headers: Headers) -> bool:
    """Whether nothing is sent, and of no type; a form always has one."""
    return headers.get("content-length", "0") == "0" and not {"content-type", "transfer-encoding"} & set(headers)


def types_of(path: str) -> tuple[str, ...]:
    """The types of what is sent there: such as no form of another site can have."""
    if path.endswith(PHOTO):
        return IMAGES
    return (_TYPES.get(path[path.rfind(".") :], "application/json"),)


async def comes(body: IO[bytes], headers: Headers, receive: Receive, most: int, within_s: float) -> bool:
    """Whether what is sent came whole; not where it is longer than `most` [bytes]. Raises OSError."""
    length = headers.get("content-length", "0")
    if not length.isascii() or not length.isdigit() or len(length) > 12 or int(length) > most:
        return False
    try:
        async with asyncio.timeout(within_s):
            while True:
                message = await receive()
                body.write(message.get("body", b""))
                if body.tell() > most or message["type"] == "http.disconnect":
                    return False
                if not message.get("more_body"):
                    return True
    except TimeoutError:
        return False


def replayed(body: IO[bytes], receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body.read(), "more_body": False}

    return again
