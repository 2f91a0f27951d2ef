"""The API of what goes into the cup: the shelf, what recipes are made of, and how much of each part to mix."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.exceptions import HTTPException

from curewatch.desk import mixing
from curewatch.desk.mixing import Materials, as_mixed, cup
from curewatch.desk.orders import DEFAULT_RECIPE
from curewatch.intake.typed.names import named
from curewatch.intake.typed.wet_thickness import sides
from curewatch.language import Message, phrase
from curewatch.records import WET_THICKNESS_RANGE_M, Recipe
from curewatch.records.errors import Field
from curewatch.records.names import same_name
from curewatch.studio.mixing import need, notes_on
from curewatch.studio.wording import shares
from curewatch.views.base import said
from curewatch.views.logged import LoggedOut
from curewatch.views.mixing import MaterialOut, MixOut, RecipeOut
from curewatch.web.api.answers import BASE, REFUSALS, RecipeName, logged
from curewatch.web.api.requests import RecipeIn
from curewatch.web.site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)

PIECES_MOST = 500
EDGE_CM = 2.0
Side = Annotated[float, Query(ge=2, le=500)]


@router.get("/materials")
def materials(site: Here) -> list[MaterialOut]:
    """What stands on the shelf: what comes with curewatch, and what `materials.toml` beside the settings adds."""
    return [MaterialOut.of(name, one) for name, one in Materials.of(site.desk.settings).known.items()]


@router.get("/recipes")
def recipes(site: Here) -> list[Recipe]:
    """All that are known, by what share of them dries to solids."""
    with site.desk.store.read() as tx:
        return tx.recipes()


@router.get("/recipes/{name:path}/mix")
def mix(
    site: Here,
    name: RecipeName,
    wet_thickness_mm: Annotated[float, Query(ge=WET_THICKNESS_RANGE_M[0] * 1e3, le=WET_THICKNESS_RANGE_M[1] * 1e3)],
    width_cm: Side,
    height_cm: Side,
    disc: Annotated[bool, Query(alias="round", description="Then both sides are its diameter")] = False,
    pieces: Annotated[int, Query(ge=1, le=PIECES_MOST)] = 1,
    edge_cm: Annotated[float, Query(ge=0, le=20, description="Depth of the sides that take paint")] = EDGE_CM,
    run_off: Annotated[float | None, Query(ge=0, le=0.9, description="Left out: as learned, else assumed")] = None,
) -> MixOut:
    """How much of each part to mix for so many pieces of a size; without its parts told, how much of it."""
    shape = sides(width_cm, height_cm, disc)
    assert shape is not None  # both sides are told
    shelf = Materials.of(site.desk.settings)
    name = named(name, Field.RECIPE)
    if name != DEFAULT_RECIPE:
        _known(site, name)
    told = mixing.mix_of(site.desk, name)
    believed = mixing.run_off(site.desk, name, shape.area) if run_off is None else None
    share = believed.share if believed is not None else run_off or 0.0
    needed = need(shape, pieces, wet_thickness_mm / 1e3, depth=edge_cm / 100, run_off=share)
    return MixOut.of(cup(name, told, shelf, needed, pieces, believed))


@router.get("/recipes/{name:path}")
def recipe(site: Here, name: RecipeName) -> RecipeOut:
    """What it is made of, its parts where they were told, and what they come out at."""
    known = _known(site, name)
    return RecipeOut.of(known, *as_mixed(site.desk, name, Materials.of(site.desk.settings)))


@router.put("/recipes/{name:path}")
def put_recipe(site: Here, name: RecipeName, recipe: RecipeIn) -> LoggedOut:
    """Say what a recipe is made of, or correct it; its pieces are forecast anew.

    What was said last stands. Parts that were told before a solids fraction are still what is mixed.
    """
    now, told = site.clock.now(), recipe.told(name)
    with site.desk.store.read() as tx:
        name = same_name(name, [one.name for one in tx.recipes()]) or name
        before, parts = tx.recipe(name), tx.mix_of(name)
    made, found = mixing.put_recipe(site.desk, told, now, new=recipe.new)
    notes = (
        [said(_made(made))]
        if before is None
        else [said(_made(made)), said(phrase("before: {recipe}", recipe=_made(before)))]
    )
    if found is not None:
        notes += map(said, notes_on(found))
    elif parts is not None:
        notes.append(said(phrase("the parts that were told before are still what is mixed")))
    return logged(site, now, None, notes)


def _known(site: Site, name: str) -> Recipe:
    with site.desk.store.read() as tx:
        known = tx.recipe(same_name(name, [one.name for one in tx.recipes()]) or name)
    if known is None:
        raise HTTPException(404)
    return known


def _made(made: Recipe) -> Message:
    said = phrase("{recipe}: {shares}, by volume of the wet paint", recipe=made.name, shares=shares(made))
    return said if made.stated else phrase("{recipe}, assumed", recipe=said)
