"""Everybody who would have the page and the watch stop, in a process of their own: `python -m tests.whole.attackers`.

Reads what to attack as JSON from the standard input, begins once it is read, and goes on until the input ends; then
says as JSON what came of it. Their work is elsewhere's in life, so they are nice about the processor.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import random
import sys
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any

from paho.mqtt import client as mqtt

PLANNERS, SILENT, SLOW, STREAMS, PHONES = 80, 200, 40, 197, 60
AGAIN_S = 0.3
"""How soon somebody who was refused comes again, whatever they were told [s]."""
HEARD_WITHIN_S = 20.0
"""A phone that watches live has heard of the last readings."""


class Attack:
    def __init__(self, given: dict[str, Any]) -> None:
        self.port, self.cookies, self.topics = given["port"], given["cookies"], given["topics"]
        self.mqtt_port, self.flood_hz = given["mqtt_port"], given["flood_hz"]
        self.answers: Counter[str] = Counter()
        self.heard = [0.0] * PHONES

    async def run(self, ended: asyncio.Event) -> dict[str, Any]:
        kinds = [
            *(self.plans(n) for n in range(PLANNERS)),
            *(self.silent("127.0.6.1") for _ in range(SILENT)),
            *(self.slow(f"127.0.6.{2 + n % 4}") for n in range(SLOW)),
            *(self.stream("127.0.6.9", self.cookies[0]) for _ in range(STREAMS)),
            *(self.phone(n) for n in range(PHONES)),
            self.flood(),
        ]
        tasks = [asyncio.create_task(kind) for kind in kinds]
        await ended.wait()
        live = sum(time.monotonic() - at < HEARD_WITHIN_S for at in self.heard)
        broken = [task.exception() for task in tasks if task.done() and not task.cancelled()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        return {"phones": live, "answers": self.answers, "broken": [repr(one) for one in broken]}

    async def plans(self, n: int) -> None:
        """Each a question that nobody asked before."""
        day = datetime.now(UTC) + timedelta(days=9)
        for k in itertools.count():
            query = f"due={day:%Y-%m-%d}&room=Shed&thickness=thin&for=handle&pieces={1 + (n + PLANNERS * k) % 1000}"
            cookie = self.cookies[n % len(self.cookies)]
            said = await self._asked(f"127.0.5.{1 + n % 16}", f"/plan?{query}", cookie)
            self.answers[f"plan {said}"] += 1
            await asyncio.sleep(AGAIN_S)

    async def silent(self, address: str) -> None:
        while True:
            with contextlib.suppress(OSError):
                reading, writing = await self._connected(address)
                with contextlib.closing(writing):
                    await reading.read(1)
            await asyncio.sleep(AGAIN_S)

    async def slow(self, address: str) -> None:
        while True:
            with contextlib.suppress(OSError):
                _, writing = await self._connected(address)
                with contextlib.closing(writing):
                    writing.write(b"GET / HTTP/1.1\r\nX-Slow: ")
                    while not writing.is_closing():
                        writing.write(b"x")
                        await writing.drain()
                        await asyncio.sleep(1)
            await asyncio.sleep(AGAIN_S)

    async def stream(self, address: str, cookie: str) -> None:
        while True:
            self.answers[f"stream {await self._asked(address, '/events', cookie)}"] += 1
            await asyncio.sleep(AGAIN_S)

    async def phone(self, n: int) -> None:
        """One of a class, which means no harm: the page renews itself when it hears that something has changed."""
        while True:
            with contextlib.suppress(OSError):
                reading, writing = await self._connected(f"127.0.7.{1 + n}")
                with contextlib.closing(writing):
                    writing.write(self._request("/events", self.cookies[1 + n]))
                    while line := await reading.readline():
                        if line == b"event: changed\n":
                            self.heard[n] = time.monotonic()
            await asyncio.sleep(5)

    async def flood(self) -> None:
        """One topic, three thousand topics, what is no reading, times that lie, everything twice."""
        broker = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        broker.connect("127.0.0.1", self.mqtt_port)
        broker.loop_start()
        chance = random.Random(4)
        while True:
            for _ in range(self.flood_hz // 20):
                at = datetime.now(UTC) + timedelta(days=chance.choice((0, 0, 0, -4000, 300)))
                payload = json.dumps({"temperature": 20, "humidity": 50, "time": at.isoformat()})
                for topic in ("shed/flood", f"shed/many/{chance.randrange(self.topics)}"):
                    broker.publish(topic, chance.choice((payload, payload, payload, '{"temperature": "hot"}', "{")))
                broker.publish("shed/flood", payload)
            await asyncio.sleep(0.05)

    async def _connected(self, address: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection("127.0.0.1", self.port, local_addr=(address, 0))

    def _request(self, path: str, cookie: str) -> bytes:
        lines = (f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{self.port}", f"Cookie: {cookie}", "", "")
        return "\r\n".join(lines).encode()

    async def _asked(self, address: str, path: str, cookie: str) -> str:
        """The status; whatever follows is read to its end."""
        try:
            reading, writing = await self._connected(address)
        except OSError:
            return "no connection"
        with contextlib.closing(writing):
            try:
                writing.write(self._request(path, cookie).replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
                status = (await reading.readline()).decode().split(" ")
                while await reading.read(65536):
                    pass
            except OSError:
                return "cut"
        return status[1] if len(status) > 1 else "cut"


async def main() -> None:
    os.nice(15)
    attack, ended = Attack(json.loads(sys.stdin.readline())), asyncio.Event()
    asyncio.get_running_loop().run_in_executor(None, sys.stdin.read).add_done_callback(lambda _: ended.set())
    print(json.dumps(await attack.run(ended)), flush=True)


if __name__ == "__main__":
    asyncio.run(main())
