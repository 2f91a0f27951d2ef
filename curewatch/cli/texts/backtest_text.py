"""What `backtest outlook` found, as a table and as JSON."""

from __future__ import annotations

from dataclasses import asdict

from curewatch.backtest.outlook import QUANTITIES, Score, summary
from curewatch.backtest.part_studio_backtest_later import DailyScore
from curewatch.cli.output import Page
from curewatch.cli.session import Values

_UNITS = {"temp_c": "°C", "rh_pct": "%RH"}
_QUANTITIES = {"temp_c": "Temperature", "rh_pct": "Humidity"}
_BASELINES = {
    "persist": "persistence",
    "last24": "same hour, last day",
    "clim7": "trailing week's mean of the hour",
    "damptuned": "tuned damped anomaly",
    "sarimax": "SARIMAX",
}


def outlook_values(found: list[Score], beyond: list[DailyScore]) -> Values:
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
        *(f"{ratio:.2f} of {_BASELINES.get(name, name)}" for name, ratio in whole.ratio_to_each.items()),
        f"{100 * whole.coverage:.0f} % of what came lay in the 10-90 % band.",
    ]
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
        f"{one.room[:width]:<{width}} {_QUANTITIES[one.quantity]:<11} {one.hours_ahead:>3} h {one.pairs:>5} {one.mae:>7.2f} "
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
