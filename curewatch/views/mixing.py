"""Recipes, what they are mixed from and how much to mix, as they are shown."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from curewatch.desk.mixing import Batch
from curewatch.language import phrase
from curewatch.records import Recipe
from curewatch.records.workshop import RecipeMix
from curewatch.settings import MaterialSettings
from curewatch.studio.mixing import Mixture, Portion, notes_on, run_off_text
from curewatch.views.base import View, said


class MaterialOut(View):
    """As it comes from the bottle; shares are of its wet volume, the rest is water."""

    name: str
    kind: Literal["paint", "medium", "water"]
    solids: float
    glycol: float
    coalescent: float
    density_kg_l: float
    price: float | None = Field(description="Of a litre, where it was said")

    @classmethod
    def of(cls, name: str, one: MaterialSettings) -> MaterialOut:
        return cls(
            name=name,
            kind=one.kind,
            solids=one.solids,
            glycol=one.glycol,
            coalescent=one.coalescent,
            density_kg_l=one.density,
            price=one.price,
        )


class PartOut(View):
    material: str
    parts: float


class RecipeOut(View):
    """`parts` null: nobody told them. What they come out at null: nor can that be said, a material is not known."""

    name: str
    solids: float
    glycol: float
    coalescent: float
    stated: bool = Field(description="false: assumed, nobody has said")
    parts: list[PartOut] | None
    by_weight: bool
    density_kg_l: float | None
    added_water_share: float | None = Field(description="Of the paint's volume")
    notes: list[str]

    @classmethod
    def of(cls, recipe: Recipe, told: RecipeMix | None, found: Mixture | None) -> RecipeOut:
        return cls(
            **recipe.model_dump(),
            parts=None if told is None else parts_of(told),
            by_weight=told is not None and told.by_weight,
            density_kg_l=None if found is None else round(found.density / 1000, 4),
            added_water_share=None if found is None else round(found.added_water_share, 4),
            notes=[] if found is None else [said(one) for one in notes_on(found)],
        )


def parts_of(told: RecipeMix) -> list[PartOut]:
    return [PartOut(material=one.material, parts=one.amount) for one in told.parts]


class PortionOut(View):
    material: str
    ml: float
    g: float

    @classmethod
    def of(cls, one: Portion) -> PortionOut:
        return cls(material=one.material, ml=_ml(one.volume), g=round(one.mass * 1e3, 2))


class RunOffOut(View):
    """Of all that is poured, what ends on the table; in four cases of five between `low` and `high`."""

    share: float
    low: float | None
    high: float | None
    source: Literal["said", "assumed", "pours"]
    pours: int = Field(description="From how many it was learned")
    of_this_size: bool
    text: str | None = Field(description="null: it was said")

    @classmethod
    def of(cls, made: Batch) -> RunOffOut:
        believed = made.run_off
        if believed is None:
            share = round(made.needed.runs_off / made.needed.whole, 4)
            return cls(share=share, low=None, high=None, source="said", pours=0, of_this_size=False, text=None)
        return cls(
            share=round(believed.share, 4),
            low=round(believed.low, 4),
            high=round(believed.high, 4),
            source="pours" if believed.pours else "assumed",
            pours=believed.pours,
            of_this_size=believed.like_size,
            text=said(run_off_text(believed)),
        )


class MixOut(View):
    """How much of each part to mix for so many pieces."""

    recipe: str
    pieces: int
    volume_ml: float
    faces_ml: float
    edges_ml: float
    runs_off_ml: float
    portions: list[PortionOut]
    price: float | None = Field(description="Of all of it; null as long as one part has none")
    run_off: RunOffOut
    density_kg_l: float | None = Field(
        description="null: nobody told its parts, so it is known only how much is needed"
    )
    added_water_share: float | None
    parts: list[PartOut]
    by_weight: bool
    notes: list[str]

    @classmethod
    def of(cls, made: Batch) -> MixOut:
        needed, found = made.needed, made.found
        return cls(
            recipe=made.recipe,
            pieces=made.pieces,
            volume_ml=_ml(needed.whole),
            faces_ml=_ml(needed.faces),
            edges_ml=_ml(needed.edges),
            runs_off_ml=_ml(needed.runs_off),
            portions=[PortionOut.of(one) for one in made.portions],
            price=made.price,
            run_off=RunOffOut.of(made),
            density_kg_l=None if found is None else round(found.density / 1000, 4),
            added_water_share=None if found is None else round(found.added_water_share, 4),
            parts=[] if made.told is None else parts_of(made.told),
            by_weight=made.told is not None and made.told.by_weight,
            notes=[said(one) for one in ([UNTOLD] if found is None else notes_on(found))],
        )


UNTOLD = phrase(
    "its parts were never told, so how much of each is not known: `curewatch recipe NAME --part …` tells them"
)


def _ml(volume: float) -> float:
    return round(volume * 1e6, 2)
