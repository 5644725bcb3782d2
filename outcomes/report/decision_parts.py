"""Parts of ``results.json`` that are also asked for one at a time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
from outcomes.analysis.decisions.explain import Explanation
from outcomes.analysis.decisions.exposure_left import ExposureLeft
from outcomes.analysis.decisions.matched_portions import MatchedPortions
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.trade_off import alone
from outcomes.answers.facts import Facts
from outcomes.text import DAYS_PER_MONTH
from outcomes.wording.exposure_left import describe_exposure_left
from outcomes.wording.resampled_limit import describe_resampled_limit
from outcomes.wording.rule_by_both import describe_rule_by_both, either_rule
from outcomes.wording.storage_compared import describe_portions


def portions_part(found: MatchedPortions, alpha: float) -> dict[str, Any]:
    """``portions`` of ``compare``."""
    part: dict[str, Any] = tidy({**asdict(found), "sentence": describe_portions(found, alpha)})
    return part


def either_part(facts: Facts) -> dict[str, Any] | None:
    """``either`` of ``retire``, and of ``outcomes retire --either``."""
    rule = either_rule(facts)
    if rule is None:
        return None
    cycles, months = rule
    price = facts.price
    point = price.combined[0] if price.combined else None
    single = (None, None) if point is None else alone(price, point)
    part: dict[str, Any] = tidy(
        {
            "cycles": cycles,
            "age_days": months * DAYS_PER_MONTH,
            "from": "the two limits" if facts.asked.either is None else "asked for",
            **({} if point is None else asdict(point)),
            "cycles_alone": None if single[0] is None else asdict(single[0]),
            "age_alone": None if single[1] is None else asdict(single[1]),
            "sentence": describe_rule_by_both(price, cycles, months),
        }
    )
    return part


def left_part(left: ExposureLeft, confidence: float) -> dict[str, Any]:
    """``left`` of a source on the shelf."""
    part: dict[str, Any] = tidy(
        {**asdict(left), "sentence": describe_exposure_left(left, confidence)}
    )
    return part


def explanation_part(explanation: Explanation, held: ShelfSource | None) -> dict[str, Any]:
    """``explain`` of ``outcomes retire --explain SOURCE --json``."""
    return {
        "source_id": explanation.source_id,
        "held": held is not None,
        "advice": None if held is None else held.advice,
        "source_sd": tidy(explanation.source_sd),
        "trials": [
            tidy({**asdict(trial), "started_at": trial.started_at.isoformat()})
            for trial in explanation.trials
        ],
    }


def bootstrap_part(found: BootstrapThreshold) -> dict[str, Any]:
    """One entry of ``bootstrap``."""
    part: dict[str, Any] = tidy({**asdict(found), "sentence": describe_resampled_limit(found)})
    return part


def tidy(value: Any) -> Any:
    """JSON-ready: no NaN, no infinities, 10 significant digits."""
    if isinstance(value, Mapping):
        return {str(k): tidy(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.10g}") if math.isfinite(value) else None
    return value
