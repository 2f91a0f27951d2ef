"""Recipes by their parts, and what to mix for so many pieces: what is typed to records, and records to a page."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from curewatch.cli.commands.facts import named
from curewatch.cli.output import Page
from curewatch.desk.mixing import Batch
from curewatch.intake.typed import BadInput, parse_fraction, parse_thickness
from curewatch.intake.typed.numbers import Quantity, read_amount, times
from curewatch.intake.typed.part_intake_quantities import LENGTHS_M, parse_length
from curewatch.intake.typed.part_intake_supports import parse_shape
from curewatch.records.workshop import Part, RecipeMix
from curewatch.studio import mixing
from curewatch.studio.mixing import Mixture, Portion, Shape
from curewatch.studio.part_studio_run_off import run_off_text

MOST_PIECES = 500
EDGE = Quantity(
    what="a depth",
    units=LENGTHS_M,
    unit_names="mm, cm, m, in",
    low=Decimal(0),
    high=Decimal("0.2"),
    span="between 0 (no paint on the sides) and 20 cm",
    examples="2cm",
)
AMOUNT = Quantity(
    what="a number of parts",
    units={"": times("1"), "parts": times("1"), "part": times("1"), "%": times("1")},
    unit_names="parts, %, or none",
    low=Decimal("0.0001"),
    high=Decimal(1000),
    span="above 0 and up to 1000",
    examples="2 or 0.1",
    bare_unit="",
)


def parse_mix(name: str, parts: list[str], by_weight: bool) -> RecipeMix:
    """How a recipe is mixed, as typed. Raises BadInput."""
    return RecipeMix(recipe=name, by_weight=by_weight, parts=tuple(map(_part, parts)))


def _part(text: str) -> Part:
    material, equals, amount = text.rpartition("=")
    material = " ".join(material.split())
    if not equals or read_amount(amount) is None:
        raise BadInput("--part", text, "MATERIAL=PARTS, such as 'fluid paint=1'")
    return Part(material=named(material, "--part"), amount=AMOUNT.parse(amount, "--part"))


def mix_values(mix: RecipeMix, found: Mixture) -> dict[str, Any]:
    return {
        "parts": [part.model_dump() for part in mix.parts],
        "by_weight": mix.by_weight,
        "density_kg_l": round(found.density / 1000, 4),
        "added_water_share": round(found.added_water_share, 4),
        "notes": mixing.notes_on(found),
    }


@dataclass(frozen=True)
class MixRequest:
    """What a mix is to be enough for, as typed."""

    size: str | None
    diameter: str | None
    pieces: str
    wet_thickness: str
    edge: str
    run_off: str | None
    """None: as it was learned, or else is assumed."""

    def in_si(self, share: float = mixing.RUN_OFF) -> tuple[mixing.Need, int]:
        """In SI, and for how many pieces; `share`: what runs off where nobody says. Raises BadInput."""
        count = _count(self.pieces)
        if self.run_off is not None:
            share = parse_fraction(self.run_off, field="--run-off", low=0.0, high=0.9)
        depth, film = EDGE.parse(self.edge, "--edge"), parse_thickness(self.wet_thickness)
        return mixing.need(self.shape, count, film, depth=depth, run_off=share), count

    @property
    def shape(self) -> Shape:
        """Raises BadInput."""
        return _shape(self.size, self.diameter)


def values(answer: Batch) -> dict[str, Any]:
    """What --json prints."""
    needed = answer.needed
    return {
        "recipe": answer.told.recipe,
        "pieces": answer.pieces,
        "volume_ml": _ml(needed.whole),
        "faces_ml": _ml(needed.faces),
        "edges_ml": _ml(needed.edges),
        "runs_off_ml": _ml(needed.runs_off),
        "portions": [{"material": p.material, "ml": _ml(p.volume), "g": _grams(p)} for p in answer.portions],
        "price": answer.price,
        "run_off": _run_off_values(answer),
        **mix_values(answer.told, answer.found),
    }


def _run_off_values(answer: Batch) -> dict[str, Any]:
    believed, whole = answer.run_off, answer.needed.whole
    if believed is None:
        return {"share": round(answer.needed.runs_off / whole, 4), "from": "said"}
    return {
        "share": round(believed.share, 4), "low": round(believed.low, 4), "high": round(believed.high, 4),
        "from": "pours" if believed.pours else "assumed", "pours": believed.pours, "of_this_size": believed.like_size,
    }  # fmt: skip


def text(answer: Batch, page: Page) -> str:
    needed, many = answer.needed, "s" if answer.pieces > 1 else ""
    head = f"{answer.told.recipe}: mix {_ml(needed.whole):.0f} ml for {answer.pieces} piece{many}"
    lines = [page.bold(head)]
    lines += [f"  {p.material:<24}{_ml(p.volume):>8.0f} ml{_grams(p):>8.0f} g" for p in answer.portions]
    goes = f"{_ml(needed.faces):.0f} ml on the faces, {_ml(needed.edges):.0f} on the sides"
    lines += textwrap.wrap(f"Of it {goes}, {_ml(needed.runs_off):.0f} onto the table.", page.width)
    if answer.run_off is not None:
        said = run_off_text(answer.run_off)
        lines += textwrap.wrap(f"{said[0].upper()}{said[1:]}.", page.width)
    if answer.price is not None:
        lines.append(f"It costs {answer.price:.2f}.")
    lines += [line for note in mixing.notes_on(answer.found) for line in textwrap.wrap(f"Note: {note}.", page.width)]
    return "\n".join(lines)


def _shape(size: str | None, diameter: str | None) -> Shape:
    if (size is None) == (diameter is None):
        raise BadInput("--size", size, "the piece's --size, such as 40x50cm, or the diameter of a --round one")
    if diameter is not None:
        across = parse_length(diameter, field="--round")
        return Shape(across, across, round=True)
    assert size is not None
    return Shape(*parse_shape(size))


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and 1 <= int(text) <= MOST_PIECES):
        raise BadInput("--pieces", text, f"a whole number between 1 and {MOST_PIECES}")
    return int(text)


def _grams(portion: Portion) -> float:
    return round(portion.mass * 1e3, 2)


def _ml(volume: float) -> float:
    return round(volume * 1e6, 2)
