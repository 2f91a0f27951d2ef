"""What goes into a cup: the materials that come with curewatch, and a person's own beside their settings."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from curewatch.records import GivenName
from curewatch.settings.errors import refused
from curewatch.settings.loading import read_toml, to_json
from curewatch.settings.values import Table

FILE = "materials.toml"


class MaterialSettings(Table):
    """One material as it comes from the bottle; shares are of its wet volume, the rest is water."""

    kind: Literal["paint", "medium", "water"] = Field(description="'paint', 'medium' or 'water'")
    solids: float = Field(ge=0, le=1, description="a fraction between 0 and 1")
    glycol: float = Field(default=0.0, ge=0, le=1, description="a fraction between 0 and 1")
    coalescent: float = Field(default=0.0, ge=0, le=1, description="a fraction between 0 and 1")
    density: float = Field(ge=0.5, le=3.0, description="a number of kg per litre between 0.5 and 3")
    price: float | None = Field(default=None, ge=0, le=100_000, description="the price of one litre, 0 or more")

    @model_validator(mode="after")
    def _fits_the_bottle(self) -> MaterialSettings:
        together = self.solids + self.glycol + self.coalescent
        if together > 1:
            raise ValueError(f"solids, glycol and coalescent to be at most 1 together, not {together:g}")
        return self


class _Materials(Table):
    materials: dict[GivenName, MaterialSettings] = Field(description='tables ["NAME"]')


def load_materials(settings_file: Path | None) -> dict[str, MaterialSettings]:
    """By name, the materials that come with curewatch, and over them those of `materials.toml` beside the settings.

    Raises SettingsError with every problem of a file at once.
    """
    shelf = _materials_of(_shipped(), FILE)
    own = settings_file.absolute().parent / FILE if settings_file is not None else None
    if own is None or not own.is_file():
        return shelf
    return {**shelf, **_materials_of(read_toml(own), str(own))}


def _shipped() -> dict[str, Any]:
    import tomllib

    return tomllib.loads((files("curewatch") / "_config" / FILE).read_text(encoding="utf-8"))


def _materials_of(tables: dict[str, Any], file: str) -> dict[str, MaterialSettings]:
    try:
        return _Materials.model_validate_json(to_json({"materials": tables}, file)).materials
    except ValidationError as found:
        raise refused(found, _Materials, file) from None
