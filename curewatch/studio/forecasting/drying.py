"""One piece's facts as far as its drying goes, in the model's terms."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from math import exp, sqrt
from statistics import NormalDist

from curewatch.physics import ensemble
from curewatch.physics.evaporation import AIR_SPEED
from curewatch.physics.supports import BACKINGS
from curewatch.records import Piece, Pour, Recipe, Stay
from curewatch.records.facts import Observation
from curewatch.records.workshop import Promise, Tilt
from curewatch.studio.air.climate import Air, Climate, along
from curewatch.studio.air.sensors import ReadError
from curewatch.studio.inference.posterior import Posterior
from curewatch.studio.standing import Standing, standing

DEFAULT_SIDE_M = 0.25
BLOWN_M_S = AIR_SPEED["still"] * exp(ensemble.AIR_SPREAD / 2)
"""Half a standard deviation above a still room's air."""


@dataclass(frozen=True)
class Drying:
    """One piece's facts as far as its drying goes."""

    piece: Piece
    pour: Pour
    recipe: Recipe
    stays: tuple[Stay, ...]
    posterior: Posterior | None = field(default=None, compare=False)
    """What was learned about it from observations; None: nothing."""
    findings: tuple[Observation, ...] = field(default=(), compare=False)
    """Its finger tests, by time."""
    read_error: ReadError = field(default_factory=ReadError)
    """Of the room that it lies in."""
    promise: Promise | None = field(default=None, compare=False)
    """By when it is to be ready; None: nobody waits for it."""
    tilts: tuple[Tilt, ...] = field(default=(), compare=False)
    """As measured of its support, by time."""

    def standing(self, now: datetime) -> Standing:
        """What holds of it by its finger tests, whatever else is believed."""
        return standing(self.findings, self.pour.at, now)

    @property
    def room(self) -> str:
        """Where it is now."""
        return self.stays[-1].room

    @property
    def place(self) -> str | None:
        return self.stays[-1].place

    @property
    def air_speed(self) -> float:
        """Of the air over it where it is now [m/s], at even odds: as it was told, and by what was found since."""
        return self.air_speed_beyond(0.5)

    @property
    def is_blown_on(self) -> bool:
        """Whether more than a still room's air moves over it."""
        return self.air_speed > BLOWN_M_S

    def air_speed_beyond(self, odds: float) -> float:
        """The speed [m/s] that the air over it exceeds with these odds [0-1]."""
        column, mean, sd = ensemble.SPREADS.index("air_speed"), 0.0, 1.0
        if self.posterior is not None:
            mean, sd = self.posterior.belief.mean[column], sqrt(self.posterior.belief.cov[column, column])
        beyond = mean + sd * NormalDist().inv_cdf(1.0 - odds)
        return float(self.pouring.last_air_speed * exp(ensemble.AIR_SPREAD * beyond))

    @cached_property
    def pouring(self) -> ensemble.Pouring:
        """The facts in the model's terms, SI."""
        pour, recipe = self.pour, self.recipe
        sides = [side for side in (pour.width_m, pour.height_m) if side is not None]
        return ensemble.Pouring(
            wet_thickness=pour.wet_thickness_m,
            thickness_spread=ensemble.THICKNESS_SPREAD[pour.thickness_source],
            solids=recipe.solids,
            glycol=recipe.glycol,
            coalescent=recipe.coalescent,
            side=min(sides) if sides else DEFAULT_SIDE_M,
            air_speed=pour.air_speed_m_s,
            tilts=tuple(((one.measured_at - pour.at).total_seconds(), one.tilt_rad) for one in self.tilts),
            turns=self._turns(),
            air_temp_off=self.read_error.off[0],
            air_rh_off=self.read_error.off[1] / 100,
            air_temp_sd=self.read_error.sd[0],
            air_rh_sd=self.read_error.sd[1] / 100,
            **vars(BACKINGS[pour.support]),
        )

    def _turns(self) -> tuple[tuple[float, float], ...]:
        """When it came into other air, and how fast that moves ([s from the pour], [m/s])."""
        found: list[tuple[float, float]] = []
        speed = self.pour.air_speed_m_s
        for stay in self.stays_since_pour[1:]:
            if stay.air_speed_m_s is not None and stay.air_speed_m_s != speed:
                speed = stay.air_speed_m_s
                found.append(((stay.since - self.pour.at).total_seconds(), speed))
        return tuple(found)

    @cached_property
    def facts(self) -> str:
        """Hash of what was typed about the piece, and of what was found and learned about it."""
        stays = [(stay.room, stay.since.timestamp()) for stay in self.stays]
        text = repr((self.pouring, self.pour.at.timestamp(), stays))
        if self.posterior is not None:
            text += self.posterior.fingerprint
        if self.findings:
            text += repr([(one.finger, one.at.timestamp()) for one in self.findings])
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    @cached_property
    def stays_since_pour(self) -> tuple[Stay, ...]:
        """Its stays since the pour, the one that the pour fell in included."""
        ends = [*(stay.since for stay in self.stays[1:]), None]
        return tuple(s for s, end in zip(self.stays, ends, strict=True) if end is None or end > self.pour.at)

    def unread(self, climates: Mapping[str, Climate]) -> str | None:
        """A room that it lies or has lain in and whose air is not known."""
        return next((stay.room for stay in self.stays_since_pour if stay.room not in climates), None)

    def air(self, climates: Mapping[str, Climate]) -> Air | None:
        """The air it has had since its pour (see climate.along), None if a room it lay in was never read."""
        if self.unread(climates) is not None:
            return None
        rooms = [(stay.since.timestamp(), climates[stay.room]) for stay in self.stays_since_pour]
        return along(rooms, self.pour.at.timestamp())

    @property
    def air_key(self) -> str | int:
        """Names `series`: its room's where it has lain in one alone, else the piece's own."""
        return self.piece.id if len({stay.room for stay in self.stays_since_pour}) > 1 else self.room

    def series(self, air: Air, climates: Mapping[str, Climate]) -> Air:
        """The same air for the solver: its room's whole record where it has lain in one alone, to be shared."""
        if self.air_key != self.room:
            return air
        climate = climates[self.room]
        return climate.time_s, climate.temp_c, climate.rh_pct
