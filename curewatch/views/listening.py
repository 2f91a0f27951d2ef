"""What a broker lets us hear, and what is or could be read of it, as `curewatch listen --json` prints it and the API
answers."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import ConfigDict, Field

from curewatch.views.base import View


class _Seen(View):
    model_config = ConfigDict(from_attributes=True)


class HeardReadingOut(_Seen):
    source: str
    room: str
    temp_c: float | None
    rh_pct: float | None
    battery_pct: float | None

    def in_words(self) -> str:
        said = [
            f"{value:.1f} {unit}"
            for value, unit in ((self.temp_c, "°C"), (self.rh_pct, "%"))
            if value is not None
        ]  # fmt: skip
        return ", ".join(said + ([] if self.battery_pct is None else [f"battery {self.battery_pct:.0f} %"]))


class GuessOut(_Seen):
    """Keys of a [[sensors]] entry that would read it; None: nothing of the kind is in it."""

    reads: Literal["json", "temperature", "humidity"]
    temperature: str | None
    humidity: str | None
    time: str | None
    battery: str | None
    unit: Literal["C", "F", "K"]

    def in_words(self) -> str:
        kinds = ("temperature", "humidity", "time", "battery")
        found = [f'reads = "{self.reads}"'] if self.reads != "json" else []
        found += [f'{kind} = "{at}"' for kind in kinds if (at := getattr(self, kind)) is not None]
        return ", ".join(found + ([f'unit = "{self.unit}"'] if self.unit != "C" else []))


class TopicOut(_Seen):
    topic: str
    payload: str = Field(description="The last message, its first 300 characters")
    at: datetime
    retained: bool = Field(description="The broker had kept it: when it was sent is not known")
    times: int = Field(description="Messages heard since listening began")
    readings: list[HeardReadingOut] = Field(description="What the sensors entries read of it")
    refused: str | None = Field(description="Why one of them reads nothing of it")
    says: str | None = Field(description="What it says of itself, such as offline")
    guess: GuessOut | None = Field(description="Where its numbers seem to stand, if nothing reads them yet")
    reading: HeardReadingOut | None = Field(description="What would be read so")

    def in_words(self) -> str:
        """What is made of it."""
        if self.says is not None:
            return f"says that it is {self.says}"
        if self.readings:
            return "; ".join(f"{one.source} in {one.room}: {one.in_words()}" for one in self.readings)
        could = f"could be {self.reading.in_words()}: {self.guess.in_words()}" if self.guess and self.reading else None
        if self.refused is not None:
            return f"no reading: {self.refused}" + (f"; {could}" if could else "")
        return could or "nothing of a room's air that could be seen"


class ListeningOut(_Seen):
    broker: str | None = Field(description="Name or address and port; null: none is set")
    trouble: str | None = Field(description="Why nothing can be heard")
    topics: list[TopicOut]
    unheard: dict[str, str] = Field(description="By a sensor's id, why nothing of it may have come")
