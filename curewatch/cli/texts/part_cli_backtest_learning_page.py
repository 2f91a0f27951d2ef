"""What learning is worth, as a page of text and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from curewatch.backtest.learning import JUDGED, Scores
from curewatch.cli.output import Page

_NAMES = {"touch_dry": "touch-dry", "handle": "handle", "varnish_ready": "varnish-ready"}
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
        page.bold(f"{'':<15} {'within 10-90 %':^16} {'width':>7}  {'error of the 50 % date':^24}"),
        f"{'':<15} {'before':>7} {'after':>7} {'after':>8} {'before':>9} {'after':>7} {'change':>7}",
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
        f"  {_NAMES[name]:<13} {scores.coverage(0, m):>7.0%} {scores.coverage(1, m):>7.0%} "
        f"{scores.width_ratio(m):>7.2f}x {before:>9.3f} {after:>7.3f} {change}"
    )


def _bar(count: int, most: int, page: Page) -> str:
    return ("█" if page.unicode else "#") * round(_BAR * count / most)
