"""What many could use up: answers that take seconds of work, and streams that stay open. Each visitor has a share.

A costly answer waits its turn without holding a thread, and is worked out by threads of its own: a class that all asks
for plans keeps nobody from the board. Who may record goes before who may only look, and the last thread and the last
places in the line are theirs alone. One question is worked out once: whoever asks the same meanwhile waits for it, and
then finds it kept.
"""

from __future__ import annotations

import asyncio
import functools
import inspect
import math
from collections import Counter, deque
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

import anyio.to_thread
from anyio import CapacityLimiter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from curewatch.records.access import Scope
from curewatch.store import StoreError
from curewatch.web.access.guard import Visitor

T = TypeVar("T")
THREADS, FOR_LOOKERS = 2, 1
"""Costly answers worked out at once, and how many of them for who may only look."""
LINE_MOST, LINE_FOR_LOOKERS = 24, 16
"""How many may wait for their turn."""
SHARE = 6
"""How many costly answers one visitor may wait for at once: more than a browser asks of one host."""
USUAL_S = 2.0
"""What a costly answer is taken to take, for when to come again [s]."""
STREAMS_MOST, STREAMS_FOR_LOOKERS, STREAMS_A_VISITOR = 200, 160, 6
"""Open streams: a class of 60 and a projector, twice over, and some to spare for who may record."""


class Busy(Exception):
    """Not now. `own`: the visitor has a share of it already, and it is that which is full."""

    def __init__(self, what: str, again_s: float, *, own: bool) -> None:
        super().__init__(what)
        self.again_s, self.own = again_s, own


class CostlyAnswers:
    """The line for costly answers. All of it runs in the server's loop but the answers themselves."""

    def __init__(self) -> None:
        self._line: dict[bool, deque[asyncio.Future[None]]] = {True: deque(), False: deque()}
        self._running: Counter[bool] = Counter()
        """By whether they may record."""
        self._waits_for: Counter[str] = Counter()
        self._questions: dict[str, tuple[asyncio.Lock, int]] = {}
        self._limiter: CapacityLimiter | None = None

    async def worked_out(self, visitor: Visitor, question: str, answer: Callable[[], T], left: Left) -> T:
        """Raises Busy. `left`: whether who asked has gone since; then nothing is worked out."""
        if self._waits_for[visitor.key] >= SHARE:
            raise Busy("you already wait for several answers that take long", USUAL_S, own=True)
        self._waits_for[visitor.key] += 1
        try:
            async with self._alone_with(question):
                return await self._in_turn(visitor.may_record, answer, left)
        finally:
            self._waits_for[visitor.key] -= 1
            self._waits_for += Counter()  # forgets whoever waits for nothing

    async def _in_turn(self, may_record: bool, answer: Callable[[], T], left: Left) -> T:
        line = self._line[may_record]
        waiting = len(line) if not may_record else sum(map(len, self._line.values()))
        if waiting >= (LINE_MOST if may_record else LINE_FOR_LOOKERS):
            raise Busy("too many answers that take long are asked for just now", USUAL_S * waiting, own=False)
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        line.append(turn)
        self._give_turns()
        try:
            await turn
            if await left():
                raise Busy("nobody waits for it any more", USUAL_S, own=True)
            if self._limiter is None:
                self._limiter = CapacityLimiter(THREADS)
            return await anyio.to_thread.run_sync(answer, limiter=self._limiter)
        finally:
            if turn.done() and not turn.cancelled():
                self._running[may_record] -= 1
            else:
                line.remove(turn)
            self._give_turns()

    def _give_turns(self) -> None:
        for may_record in (True, False):
            line = self._line[may_record]
            while line and self._running.total() < THREADS:
                if not may_record and self._running[False] >= FOR_LOOKERS:
                    break
                self._running[may_record] += 1
                line.popleft().set_result(None)

    def _alone_with(self, question: str) -> _Alone:
        return _Alone(self._questions, question)


Left = Callable[[], Awaitable[bool]]


class _Alone:
    """Whoever asks the same question comes one after the other."""

    def __init__(self, all: dict[str, tuple[asyncio.Lock, int]], question: str) -> None:
        self._all, self._question = all, question

    async def __aenter__(self) -> None:
        self._lock, others = self._all.get(self._question, (asyncio.Lock(), 0))
        self._all[self._question] = self._lock, others + 1
        try:
            await self._lock.acquire()
        except BaseException:
            self._forget()
            raise

    async def __aexit__(self, *error: object) -> None:
        self._lock.release()
        self._forget()

    def _forget(self) -> None:
        lock, here = self._all.pop(self._question)
        if here > 1:
            self._all[self._question] = lock, here - 1


def costly(answer: Callable[..., Any] | None = None, *, only_with: str = "") -> Callable[..., Any]:
    """Of a route that takes long, or does `only_with` that in its query: it is answered in turn."""
    if answer is None:
        return functools.partial(costly, only_with=only_with)
    worked_out, signature = answer, inspect.signature(answer)
    takes_request = "request" in signature.parameters
    if not takes_request:  # which it is asked with all the same: FastAPI hands over what the signature names
        asked = inspect.Parameter("request", inspect.Parameter.KEYWORD_ONLY, annotation=Request)
        signature = signature.replace(parameters=[*signature.parameters.values(), asked])

    @functools.wraps(worked_out)
    async def in_turn(*, request: Request, **given: Any) -> Any:
        make = functools.partial(worked_out, **given, **({"request": request} if takes_request else {}))
        if only_with and not request.query_params.get(only_with):
            return await run_in_threadpool(make)
        line: CostlyAnswers = request.app.state.site.costly
        question = f"{request.url.path}?{request.url.query}"
        return await line.worked_out(request.state.visitor, question, make, request.is_disconnected)

    in_turn.__signature__ = signature  # type: ignore[attr-defined]
    return in_turn


class Streams:
    """Counts those that are open."""

    def __init__(self) -> None:
        self._open: Counter[str] = Counter()
        self._looking = asyncio.Lock()
        self._looked_at = -math.inf
        self._seen: str | None = None

    async def looked_up(self, look: Callable[[], str], every_s: float) -> str | None:
        """What `look` found not longer ago than that, however many ask; None where the store did not answer."""
        async with self._looking:
            if (now := asyncio.get_running_loop().time()) - self._looked_at >= every_s:
                self._looked_at, self._seen = now, None
                with suppress(StoreError):
                    self._seen = await asyncio.to_thread(look)
            return self._seen

    @contextmanager
    def one_more(self, visitor: Visitor) -> Iterator[None]:
        """For as long as it is open. Raises Busy."""
        most = STREAMS_MOST if visitor.scope > Scope.READ else STREAMS_FOR_LOOKERS
        if (own := self._open[visitor.key] >= STREAMS_A_VISITOR) or self._open.total() >= most:
            raise Busy("too many pages are open that renew themselves", 60, own=own)
        self._open[visitor.key] += 1
        try:
            yield
        finally:
            self._open[visitor.key] -= 1
            self._open += Counter()
