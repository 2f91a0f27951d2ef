"""A cure record as its page shows it: dates with the year, for a sheet of paper is read when "today" is long past."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.reports.part_desk_looking_back import CureRecord
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.diagnosis.mechanisms import THICKNESS_FROM
from curewatch.studio.diagnosis.part_studio_past_air import PastAir
from curewatch.web.pages.logged import finding
from curewatch.web.pages.part_web_found_view import HOW
from curewatch.web.texts import FIT, Words, number, size

HONESTY = (
    "Dates of drying are estimates by a model of the film in the air as it was read, not measurements; what a person "
    "found by touch or scale stands under “Found by hand”. This record is no guarantee and no test report."
)
Pair = tuple[str, str]


@dataclass(frozen=True)
class RecordView:
    """Everything on the sheet; pairs are a heading and what stands beside it."""

    facts: tuple[Pair, ...]
    milestones: tuple[tuple[str, str, str, str], ...]
    """Name, and the dates of 10, 50 and 90 %."""
    air: tuple[Pair, ...]
    found: tuple[Pair, ...]
    steps: tuple[Pair, ...]
    harm: tuple[Pair, ...]
    left_at: str | None
    written_at: str
    honesty: str = HONESTY


def record_view(looked: CureRecord, words: Words) -> RecordView:
    def date(at: datetime | None) -> str:
        return "not foreseen" if at is None else f"{words.local(at):%-d %b %Y, %H:%M}"

    found = looked.history
    gone_at, forecast = found.drying.piece.gone_at, found.forecast
    return RecordView(
        facts=tuple(_facts(looked, date(found.drying.pour.at))),
        milestones=tuple(
            (FIT[m.kind], date(m.early_at), date(m.worth_checking_at), date(m.safe_at))
            for m in (forecast.milestones if forecast else ())
        ),
        air=(*_air("While it dried", looked.wet_air), *_air("Since the pour", looked.whole_air)),
        found=tuple((date(one.at), f"{HOW[one.kind.value]}: {finding(one)}") for one in looked.observations),
        steps=tuple(
            (date(one.done_at), f"{one.step}{' (before its safe date)' if one.too_early else ''}")
            for one in looked.steps
        ),
        harm=tuple(
            (one.kind.value, f"{length_and_what(one)}, film down to {number(one.worst_c, 1)} °C"
             f"{', looked over since' if one.cleared_at else ', not looked over yet'}")
            for one in found.damages
        ),
        left_at=None if gone_at is None else date(gone_at),
        written_at=date(looked.now),
    )  # fmt: skip


def _facts(looked: CureRecord, poured: str) -> Sequence[Pair]:
    drying, trace = looked.history.drying, looked.trace
    pour, recipe = drying.pour, drying.recipe
    told = [
        ("Poured", poured),
        ("Film", f"{pour.wet_thickness_m * 1e3:.2g} mm wet, {THICKNESS_FROM[pour.thickness_source]}"),
        ("On", ", ".join(filter(None, (pour.support.value, size(pour))))),
        ("Mix", f"{recipe.name}: {recipe.solids:.0%} solids{'' if recipe.stated else ' (assumed)'}, "
                f"{'with' if pour.silicone else 'without'} silicone"),
        ("Dried in", ", then ".join(dict.fromkeys(stay.room for stay in drying.stays))),
    ]  # fmt: skip
    if trace is not None and trace.gap_h is not None and trace.usual_gap_h is not None:
        told.append(
            ("Skin before core", f"{trace.gap_h:.0f} h (estimate); usual for this film {trace.usual_gap_h:.0f} h")
        )
    return told


def _air(heading: str, past: PastAir | None) -> Sequence[Pair]:
    if past is None:
        return ((heading, "its room was not read"),)
    t, rh = past.temp_c, past.rh_pct
    said = (
        f"{t.mean:.1f} °C ({t.least:.1f} to {t.most:.1f}), {rh.mean:.0f} % humidity ({rh.least:.0f} to {rh.most:.0f})"
    )
    out = {"too cold": past.cold_h, "too damp": past.damp_h, "too warm": past.hot_h, "too dry": past.dry_h}
    beyond = [f"{hours:.0f} h {word}" for word, hours in out.items() if hours >= 0.5]
    said += f"; {', '.join(beyond)}" if beyond else "; never out of range"
    if past.unread_h >= 0.5:
        said += f"; {past.unread_h:.0f} h of it unread, straight lines fill in"
    return ((heading, said),)
