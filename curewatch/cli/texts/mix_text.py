"""What to mix, as text."""

from __future__ import annotations

import textwrap
from typing import Any

from curewatch.cli.output import Page
from curewatch.desk.mixing import Batch
from curewatch.records.workshop import RecipeMix
from curewatch.studio import mixing
from curewatch.studio.mixing import Mixture, Portion, run_off_text


def mix_values(mix: RecipeMix, found: Mixture) -> dict[str, Any]:
    return {
        "parts": [part.model_dump() for part in mix.parts],
        "by_weight": mix.by_weight,
        "density_kg_l": round(found.density / 1000, 4),
        "added_water_share": round(found.added_water_share, 4),
        "notes": mixing.notes_on(found),
    }


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


def _grams(portion: Portion) -> float:
    return round(portion.mass * 1e3, 2)


def _ml(volume: float) -> float:
    return round(volume * 1e6, 2)
