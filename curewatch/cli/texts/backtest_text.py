"""What the outlook and what learning is worth, as text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from curewatch.backtest.learning import JUDGED, Scores
from curewatch.backtest.outlook import QUANTITIES, DailyScore, Score, summary
from curewatch.cli.output import Page

_UNITS = {"temp_c": "°C", "rh_pct": "%RH"}
_QUANTITIES = {"temp_c": "Temperature", "rh_pct": "Humidity"}
_BASELINES = {
    "persist": "persistence",
    "last24": "same hour, last day",
    "clim7": "trailing week's mean of the hour",
    "damptuned": "tuned damped anomaly",
    "sarimax": "SARIMAX",
}


def outlook_values(found: list[Score], beyond: list[DailyScore]) -> dict[str, Any]:
    """What --json prints. MAE in °C and %RH."""
    return {
        "scores": [{**asdict(score), "ratio_to_best": round(score.ratio, 4)} for score in found],
        "later": [asdict(one) for one in beyond],
        "summary": asdict(summary(found)),
    }


def outlook_text(found: list[Score], beyond: list[DailyScore], page: Page) -> str:
    names = list(found[0].baselines)
    parts = [table(found, quantity, names, page) for quantity in QUANTITIES]
    whole = summary(found)
    lines = [
        page.bold("In all"),
        f"{whole.ratio_to_best:.2f} of the error of the best of these in hindsight; at worst "
        f"{whole.worst_ratio_to_best:.2f}.",
        "By room: " + ", ".join(f"{room} {ratio:.2f}" for room, ratio in whole.ratio_by_room.items()) + ".",
        *(f"{ratio:.2f} of {_BASELINES.get(name, name)}" for name, ratio in whole.ratio_to_each.items()),
        f"{100 * whole.coverage:.0f} % of what came lay in the 10-90 % band.",
    ]
    if beyond:
        held = sum(one.coverage * one.pairs for one in beyond) / sum(one.pairs for one in beyond)
        lines.append(f"Of the means of days three to seven {100 * held:.0f} % did.")
    return "\n\n".join([*parts, *_beyond(beyond, page), "\n".join(lines)])


def _beyond(found: list[DailyScore], page: Page) -> list[str]:
    """The usual days after the outlook, a line for each room, quantity and day."""
    if not found:
        return []
    width = min(max(len(one.room) for one in found), 20)
    lines = [
        page.bold("Usual days, after the outlook: mean absolute error of a day's mean"),
        f"{'Room':<{width}} {'':<11} {'ahead':>5} {'pairs':>5} {'usual':>7} {'last day':>8} {'last week':>9} "
        f"{'in band':>7}",
    ]
    lines += [
        f"{one.room[:width]:<{width}} {_QUANTITIES[one.quantity]:<11} {one.hours_ahead:>3} h {one.pairs:>5} "
        f"{one.mae:>7.2f} "
        f"{one.last_day:>8.2f} {one.last_week:>9.2f} {100 * one.coverage:>5.0f} %"
        for one in found
    ]
    return ["\n".join(lines)]


def table(found: list[Score], quantity: str, names: list[str], page: Page) -> str:
    """Mean absolute errors of one quantity, a line for each room and horizon."""
    width = min(max(len(score.room) for score in found), 20)
    head = f"{'Room':<{width}} {'ahead':>5} {'pairs':>5} {'outlook':>8} " + " ".join(f"{n:>9}" for n in names)
    lines = [
        page.bold(f"{_QUANTITIES[quantity]}: mean absolute error, {_UNITS[quantity]}"),
        f"{head} {'ratio':>6} {'in band':>7}",
    ]
    for score in found:
        if score.quantity == quantity:
            others = " ".join(f"{score.baselines[name]:>9.2f}" for name in names)
            lines.append(
                f"{score.room[:width]:<{width}} {score.hours_ahead:>3} h {score.pairs:>5} {score.mae:>8.2f} {others} "
                f"{score.ratio:>6.2f} {100 * score.coverage:>5.0f} %"
            )
    return "\n".join(lines)


_NAMES = {"touch_dry": "touch-dry", "handle": "dry to handle", "varnish_ready": "ready to varnish"}
_BAR = 20


def values(found: Mapping[str, Scores]) -> dict[str, Any]:
    return {
        "groups": {
            group: {
                "studios": scores.truth.shape[1],
                "finger_tests": scores.tests,
                "questioned": scores.questioned,
                "milestones": {
                    name: {
                        "coverage_before": scores.coverage(0, m),
                        "coverage_after": scores.coverage(1, m),
                        "width_ratio": _finite(scores.width_ratio(m)),
                        "error_before": _finite(scores.error(0, m)),
                        "error_after": _finite(scores.error(1, m)),
                        "reliability_before": scores.reliability(0, m),
                        "reliability_after": scores.reliability(1, m),
                    }
                    for m, name in enumerate(JUDGED)
                },
            }
            for group, scores in found.items()
        }
    }


def _finite(value: float) -> float | None:
    return value if value == value else None


def text(found: Mapping[str, Scores], page: Page) -> str:
    """The table, then how truths fall over the tenths of the forecasts, before and after."""
    rows = [
        page.bold(f"{'':<18} {'within 10-90 %':^16} {'width':>7}  {'error of the 50 % date':^24}"),
        f"{'':<18} {'before':>7} {'after':>7} {'after':>8} {'before':>9} {'after':>7} {'change':>7}",
    ]
    for group, scores in found.items():
        tests = scores.tests / scores.truth.shape[1]
        rows += ["", f"{group}: {scores.truth.shape[1]} studios, {tests:.1f} finger tests each"]
        rows += [_row(name, scores, m) for m, name in enumerate(JUDGED)]
        if scores.questioned:
            rows.append(f"  {scores.questioned} observations were questioned")
    for group, scores in found.items():
        rows += ["", page.bold(f"{group}: truths by tenth of the forecast for handle (even is right)")]
        before, after = (scores.reliability(when, JUDGED.index("handle")) for when in (0, 1))
        most = max(*before, *after, 1)
        rows += [
            f"{10 * i:>3}-{10 * i + 10:>3} %  before {_bar(b, most, page):<{_BAR}} {b:>3}   after "
            f"{_bar(a, most, page):<{_BAR}} {a:>3}".rstrip()
            for i, (b, a) in enumerate(zip(before, after, strict=True))
        ]
    return "\n".join(rows)


def _row(name: str, scores: Scores, m: int) -> str:
    before, after = scores.error(0, m), scores.error(1, m)
    change = f"{after / before - 1:>+7.0%}" if before > 0 else f"{'-':>7}"
    return (
        f"  {_NAMES[name]:<16} {scores.coverage(0, m):>7.0%} {scores.coverage(1, m):>7.0%} "
        f"{scores.width_ratio(m):>7.2f}x {before:>9.3f} {after:>7.3f} {change}"
    )


def _bar(count: int, most: int, page: Page) -> str:
    return ("█" if page.unicode else "#") * round(_BAR * count / most)
