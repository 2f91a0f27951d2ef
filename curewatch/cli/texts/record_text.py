"""A cure record as a page to print; what may have gone wrong; two records side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.desk.reports.cure_record import CureRecord
from curewatch.records.observations import Observation
from curewatch.studio import wording
from curewatch.studio.diagnosis.drying_history import PastAir, slope_text
from curewatch.studio.diagnosis.mechanisms import THICKNESS_FROM, Diagnosis
from curewatch.views.record import HONESTY


def _observed(one: Observation) -> str:
    if one.finger is not None:
        return one.finger.value
    return f"{one.grams:g} g" if one.grams is not None else f"{one.surface_c:g} °C"


Rows = list[tuple[str, str]]


def rows(tz: ZoneInfo, looked: CureRecord) -> Rows:
    """The record as headings and what stands beside them."""
    drying, forecast, seen = looked.history.drying, looked.history.forecast, looked.trace

    def date(at: datetime | None) -> str:
        return "-" if at is None else f"{at.astimezone(tz):%d %b %Y %H:%M}"

    wet = f"{drying.pour.wet_thickness_m * 1e3:.2g} mm wet, {THICKNESS_FROM[drying.pour.thickness_source]}"
    mix = "" if drying.recipe.stated else ", assumed"
    silicone = "with" if drying.pour.silicone else "without"
    found = [
        ("Poured", date(drying.pour.at)),
        ("Film", wet),
        ("On", wording.SUPPORTS[drying.pour.support]),
        ("Mix", f"{drying.recipe.name}: {drying.recipe.solids:.0%} solids{mix}, {silicone} silicone"),
        ("Rooms", ", ".join(dict.fromkeys(stay.room for stay in drying.stays))),
    ]
    found += [("Tilt", f"{slope_text(tilt.tilt_rad)}, {date(tilt.measured_at)}") for tilt in looked.tilts]
    for one in forecast.milestones if forecast else ():
        stage = wording.STAGES[one.kind]
        found.append(
            (stage.capitalize(), f"{date(one.worth_checking_at)} at even odds, {date(one.safe_at)} safe (est.)")
        )
    if seen is not None and seen.gap_h is not None and seen.usual_gap_h is not None:
        found.append(("Skin gap", f"{seen.gap_h:.0f} h, usual for this film {seen.usual_gap_h:.0f} h (est.)"))
    found += _air_rows("Air, drying", looked.wet_air) + _air_rows("Air, so far", looked.whole_air)
    found += [("Found", f"{_observed(one)} ({one.kind.value}), {date(one.at)}") for one in looked.observations]
    for step in looked.steps:
        found.append(
            ("Done", f"{step.step}, {date(step.done_at)}{' (before its safe date)' if step.too_early else ''}")
        )
    for harm in looked.history.damages:
        cleared = ", looked over since" if harm.cleared_at else ""
        found.append(("Harm", f"{harm.kind.value}: {harm.hours:.0f} h, down to {harm.worst_c:.1f} °C{cleared}"))
    if drying.piece.gone_at:
        found.append(("Left", date(drying.piece.gone_at)))
    return found


def _air_rows(heading: str, past: PastAir | None) -> Rows:
    if past is None:
        return [(heading, "not read")]
    t, rh = past.temp_c, past.rh_pct
    spread = (
        f"{t.least:.1f}/{t.mean:.1f}/{t.most:.1f} °C, {rh.least:.0f}/{rh.mean:.0f}/{rh.most:.0f} %RH (min/mean/max)"
    )
    out = {"cold": past.cold_h, "damp": past.damp_h, "hot": past.hot_h, "dry": past.dry_h}
    beyond = [f"{hours:.0f} h {word}" for word, hours in out.items() if hours >= 0.5]
    said = f"out of range: {', '.join(beyond) or 'never'}"
    if past.unread_h >= 0.5:
        said += f"; for {past.unread_h:.0f} h of it nobody read the room, and straight lines fill in"
    return [(heading, spread), ("", said)]


def text(tz: ZoneInfo, looked: CureRecord, page: Page) -> str:
    """The record on one page."""
    lines = [page.bold(f"Cure record: {looked.history.name}")]
    for heading, said in rows(tz, looked):
        lines += textwrap.wrap(f"{heading:<15}{said}", page.width, subsequent_indent=" " * 15)
    written = f"Written {looked.now.astimezone(tz):%d %b %Y %H:%M}. {HONESTY} {wording.VARNISH_CAUTION}"
    return "\n".join([*lines, "", *textwrap.wrap(written, page.width)])


def side_by_side(tz: ZoneInfo, one: CureRecord, other: CureRecord, page: Page) -> str:
    """Two records in two columns, heading by heading."""
    left, right = (_by_heading(rows(tz, looked)) for looked in (one, other))
    wide = (page.width - 17) // 2
    lines = [page.bold(f"{'':<15}{one.history.name:<{wide}}  {other.history.name}".rstrip())]
    for heading in dict.fromkeys([*left, *right]):
        cells = [textwrap.wrap(side.get(heading, "-"), wide) or ["-"] for side in (left, right)]
        for at in range(max(map(len, cells))):
            first, second = (cell[at] if at < len(cell) else "" for cell in cells)
            lines.append(f"{heading if at == 0 else '':<15}{first:<{wide}}  {second}".rstrip())
    return "\n".join([*lines, "", *textwrap.wrap(HONESTY, page.width)])


def _by_heading(said: Rows) -> dict[str, str]:
    """One cell a heading: what stands under it, joined."""
    found: dict[str, str] = {}
    last = ""
    for heading, words in said:
        last = heading or last
        found[last] = f"{found[last]}; {words}" if last in found else words
    return found


def findings_text(name: str, trouble: str, found: Sequence[Diagnosis], page: Page) -> str:
    lines = [page.bold(f"{name}, {trouble}: what may have done it")]
    for one in found:
        lines += textwrap.wrap(
            f"{one.verdict.value:<11} {one.mechanism}: {one.figure}.", page.width, subsequent_indent=" " * 12
        )
        if one.verdict != "unlikely":
            said = f"Next time: {one.next_time}."
            lines += textwrap.wrap(said, page.width, initial_indent=" " * 12, subsequent_indent=" " * 12)
    ending = "Judged from this piece's record by rules of thumb; no diagnosis."
    return "\n".join([*lines, "", ending])
