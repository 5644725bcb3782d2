"""``results.json``: every number and sentence as plain values, by the names of the contract."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from outcomes import __version__
from outcomes.analysis.decisions.shelf import ShelfSource, recent_finds
from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.decisions.trade_off import TradeOff, TradeOffPoint
from outcomes.analysis.finds.cycles_or_age import RatioTest
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.answers.facts import Facts
from outcomes.models.ratio import Estimate
from outcomes.report.decision_parts import either_part, left_part, portions_part
from outcomes.report.further_results import (
    FURTHER_SECTIONS,
    fields,
    find_additions,
    further_sections,
)
from outcomes.report.inputs import inputs_section, settings_section
from outcomes.report.lifetime_results import lifetime_additions, watch_section
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.blinding import blinding_counts
from outcomes.wording.cautions import CAUTIONS
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.lifetime import describe_lifetime, describe_rule_in_short
from outcomes.wording.limit import describe_retirement, describe_threshold
from outcomes.wording.price import describe_price
from outcomes.wording.records import records_noted
from outcomes.wording.search_time import describe_search_time, describe_search_time_curve
from outcomes.wording.shelf import describe_advice
from outcomes.wording.storage_compared import (
    describe_bounds,
    describe_kind,
    describe_storage_compared,
)
from outcomes.wording.verdict import describe_verdict

FORMAT = 2


def results(facts: Facts, sections: Sequence[str] | None = None) -> dict[str, Any]:
    """``results.json`` as plain Python numbers, text, lists and dictionaries.

    Numbers keep 10 significant digits, so that the same records, settings and
    seed give the same bytes; whatever could not be estimated is None.

    Parameters
    ----------
    facts
        The unit's facts.
    sections
        Names of the sections wanted, in that order, behind what tells where they
        came from; all if not given. Nothing is worked out for the others.
    """
    further = facts.further if sections is None or set(sections) & FURTHER_SECTIONS else None
    made: dict[str, Callable[[], Any]] = {
        "which_predicts": lambda: _which(facts),
        "find": lambda: _find(facts),
        "search_time": lambda: _search_time(facts.search_time),
        "false_alerts": lambda: _false_alerts(facts.false_alerts),
        "lifetime": lambda: _lifetime(facts),
        "watch": lambda: watch_section(facts.lasting.watched),
        "retire": lambda: {**_retire(facts), "as_of_notes": as_of_notes(facts)},
        "shelf": lambda: _shelves(facts),
        "compare": lambda: _compare(facts),
        **({} if further is None else further_sections(further)),
        "cautions": lambda: list(CAUTIONS),
    }
    plain: dict[str, Any] = _plain(
        {
            "format": FORMAT,
            "unit": facts.records.settings.unit,
            "made_by": {"name": "outcomes", "version": __version__},
            "settings": _settings(facts),
            "inputs": inputs_section(facts),
            "records": _records(facts),
            **{name: made[name]() for name in (made if sections is None else sections)},
        }
    )
    return plain


def _plain(value: Any) -> Any:
    """JSON-ready copy: no NaN, no infinities, no library types, 10 significant digits."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if value is None or isinstance(value, str | bool):
        return value
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return float(f"{value:.10g}") if math.isfinite(value) else None
    return value


def _settings(facts: Facts) -> dict[str, Any]:
    settings, reading = facts.settings, facts.records.settings
    return {
        "floor": settings.floor,
        "confidence": settings.confidence,
        "alpha": settings.alpha,
        "seed": settings.seed,
        "thaw_after_h": reading.thaw_after_h,
        "base_c": reading.base_c,
        "freezer_c": reading.freezer_c,
        "refrigerator_c": reading.refrigerator_c,
        "ambient_c": reading.ambient_c,
        "frozen_at_least": reading.frozen_at_least,
        "refrigerated_at_most": reading.refrigerated_at_most,
        "unlogged_thaws": reading.unlogged_thaws,
        "rule": {
            "misses": settings.rule.misses,
            "window": settings.rule.window,
            "qualified_only": settings.rule.qualified_only,
        },
        "early_warning": fields(settings.early_warning, "odds_ratio false_call within"),
        "as_of": facts.shelf_day.isoformat(),
        **settings_section(reading),
    }


def _records(facts: Facts) -> dict[str, Any]:
    trials = facts.joined.trials
    return {
        "sources": len(facts.records.sources),
        "storage_moves": len(facts.records.storage),
        "trials": len(trials),
        "hide_trials": int(trials["source_id"].notna().sum()),
        "blank_trials": int(trials["source_id"].isna().sum()),
        "dogs": int(trials["dog_id"].nunique()),
        "blinding": blinding_counts(trials),
        "first": trials["started_at"].min().isoformat(),
        "last": trials["started_at"].max().isoformat(),
        "rows_in": dict(facts.records.rows_in),
        "used": dict(facts.used),
        "noted": fields(
            records_noted(facts),
            "trials_in trials_aside trials_aside_sentence hides undocumented "
            "undocumented_sentence moves_in moves_aside "
            "moves_aside_sentence inferred_thaws late_logs trials_after "
            "late_logs_sentence spellings_alike other_notes sentence",
        ),
        "set_aside": [
            {
                "file": f.file,
                "row": f.row,
                "column": f.column,
                "value": f.value,
                "reason": f.problem,
            }
            for f in facts.set_aside
        ],
    }


def _test(test: RatioTest | None) -> dict[str, Any] | None:
    if test is None:
        return None
    return fields(test, "statistic df p_chi_square inflation refits p_most")


def _which(facts: Facts) -> dict[str, Any]:
    v = facts.verdict

    def p(test: RatioTest | None) -> float | None:
        return None if test is None else test.p

    return {
        "verdict": v.verdict,
        "joint_p": p(v.joint),
        "cycles_given_age_p": p(v.cycles_given_age),
        "age_given_cycles_p": p(v.age_given_cycles),
        "correlation": v.correlation,
        "sentence": describe_verdict(facts.fit, v, facts.retirement),
        "tests": {
            "joint": _test(v.joint),
            "cycles_given_age": _test(v.cycles_given_age),
            "age_given_cycles": _test(v.age_given_cycles),
        },
        "largest_fall_points": {
            ("per_10_cycles" if e == "cycles" else "per_year"): fall
            for e, fall in v.largest_fall.items()
        },
        "more_trials": v.more_trials,
        "slopes_differ": v.slopes_differ,
        "would_separate": v.would_separate,
        "thaws_missing": v.thaws_missing,
        "age_withheld": v.age_withheld,
        "notes": v.notes,
    }


def _find(facts: Facts) -> dict[str, Any]:
    fit = facts.fit
    return {
        "n": fit.n,
        "finds": fit.finds,
        "misses": fit.misses,
        "dogs": fit.dogs,
        "sources": fit.sources,
        "log_likelihood": fit.log_likelihood,
        "reason": fit.reason,
        "terms": [
            {
                **fields(t, "term unit"),
                "log_odds": t.log_ratio,
                "std_error": t.std_error,
                "odds_ratio": t.ratio,
                **fields(t, "low high p points points_low points_high"),
            }
            for t in fit.terms
        ],
        "sd": dict(fit.sd),
        "left_out": [{"term": x.term, "reason": x.reason} for x in fit.left_out],
        **({"specifications": []} if facts.further is None else find_additions(facts.further)),
    }


def _ratio(estimate: Estimate, name: str) -> dict[str, Any]:
    """An estimate with its ratio under the name it has in the file."""
    return {
        **fields(estimate, "term unit"),
        name: estimate.ratio,
        **fields(estimate, "low high p"),
    }


def _search_time(fit: SearchTimeFit) -> dict[str, Any]:
    return {
        "n": fit.n,
        "events": fit.events,
        "sources": fit.sources,
        "dogs": fit.dogs,
        "terms": [
            {**_ratio(t, "hazard_ratio"), "proportional_p": t.proportional_p} for t in fit.terms
        ],
        "time_ratio": {
            ("per_cycle" if t.term == "cycles" else "per_30_days"): {
                "ratio": t.ratio,
                "low": t.low,
                "high": t.high,
                "p": t.p,
            }
            for t in fit.time_ratio
        },
        "time_model": fit.time_model,
        "proportional_p": fit.proportional_p,
        "source_sd": fit.source_sd,
        "left_out": [{"term": x.term, "reason": x.reason} for x in fit.left_out],
        "reason": fit.reason,
        "curve": None
        if fit.curve is None
        else {
            **fields(fit.curve, "exposure confidence held"),
            "sentence": describe_search_time_curve(fit.curve),
            "points": [fields(p, "at median_s low high thin") for p in fit.curve.points],
            "observed": [
                fields(o, "low high mean n finds sources median_s median_low median_high")
                for o in fit.curve.observed
            ],
        },
        "sentence": describe_search_time(fit),
    }


def _false_alerts(fit: FalseAlertFit) -> dict[str, Any]:
    return {
        "n": fit.n,
        "hours": fit.hours,
        "alerts": fit.alerts,
        "rate_per_hour": fit.rate_per_hour,
        "rate_low": fit.rate_low,
        "rate_high": fit.rate_high,
        "blanks": fit.blanks,
        "blank_alerts": fit.blank_alerts,
        "per_blank": fit.per_blank,
        "per_blank_low": fit.per_blank_low,
        "per_blank_high": fit.per_blank_high,
        "model": fit.model,
        "terms": [_ratio(t, "rate_ratio") for t in fit.terms],
        "left_out": [{"term": x.term, "reason": x.reason} for x in fit.left_out],
        "reason": fit.reason,
        "by_dog": [
            fields(
                d,
                "dog hours alerts rate_per_hour rate_low rate_high blanks blank_alerts per_blank "
                "per_blank_low per_blank_high",
            )
            for d in fit.by_dog
        ],
        "sentence": describe_false_alerts(fit),
    }


def _lifetime(facts: Facts) -> dict[str, Any]:
    lifetime = facts.lifetime
    return {
        "rule": describe_rule_in_short(lifetime),
        "rule_false_call": {str(k): v for k, v in lifetime.rule_false_call.items()},
        "baseline": lifetime.baseline,
        "sources": lifetime.sources,
        "events": lifetime.events,
        "by_group": {
            group: {"sources": sources, "events": events}
            for group, (sources, events) in lifetime.by_group.items()
        },
        "curve": [fields(c, "group time probability low high at_risk") for c in lifetime.curve],
        "median": dict(lifetime.median),
        "not_drawn": dict(lifetime.not_drawn),
        "sentence": describe_lifetime(lifetime),
        **lifetime_additions(facts.lasting),
    }


def _threshold(threshold: Threshold) -> dict[str, Any]:
    return {
        "by": threshold.by,
        "floor": threshold.floor,
        "confidence": threshold.confidence,
        "estimate": threshold.estimate,
        "low": threshold.low,
        "high": threshold.high,
        "retire_after": threshold.retire_after,
        "observed_to": threshold.observed_to,
        "outcome": threshold.outcome,
        "sentence": describe_threshold(threshold),
    }


def _retire(facts: Facts) -> dict[str, Any]:
    thresholds = facts.retirement.thresholds
    nothing: dict[str, Any] = {
        "by": None,
        "floor": facts.settings.floor,
        "confidence": facts.settings.confidence,
        "estimate": None,
        "low": None,
        "high": None,
        "retire_after": None,
        "observed_to": None,
        "outcome": None,
    }
    leading = _threshold(thresholds[0]) if thresholds else nothing
    return {
        **leading,
        "sentence": describe_retirement(facts.verdict, facts.retirement),
        "also": [_threshold(t) for t in thresholds[1:]],
        "curves": [
            {
                "exposure": c.exposure,
                "held": c.held,
                "confidence": c.confidence,
                "at": c.at.tolist(),
                "probability": c.probability.tolist(),
                "low": c.low.tolist(),
                "high": c.high.tolist(),
                "bins": [
                    fields(
                        b, "low high mean finds n sources proportion proportion_low proportion_high"
                    )
                    for b in c.bins
                ],
            }
            for c in facts.retirement.curves
        ],
        **_price(facts.price, facts.retirement),
        "rate_of_use": _rate_of_use(facts),
        "either": either_part(facts),
    }


_PRICE = (
    "find_probability low high share_below_floor share_low share_high sources_per_year "
    "sources_low sources_high trials"
)


def _price(price: TradeOff, retirement: Retirement) -> dict[str, Any]:
    """What each limit buys and costs, by the exposure the verdict names first and by both."""
    rows = price.by_age if price.leading == "age_days" else price.by_cycles
    present, advantage = price.present, price.advantage
    discards = "source_id at cycles age_days"
    return {
        "trade_off": [_priced(p) for p in rows],
        "trade_off_by_cycles": [_priced(p) for p in price.by_cycles],
        "trade_off_by_age": [_priced(p) for p in price.by_age],
        "trade_off_reason": price.reason,
        "trade_off_sentence": describe_price(price, retirement),
        "present_practice": None
        if present is None
        else {
            **fields(present, _PRICE),
            "discards": [{**fields(d, discards), "at": d.at.isoformat()} for d in present.discards],
        },
        "cycles_against_age": None
        if advantage is None
        else fields(advantage, "sources_per_year points low high cycles age_days"),
    }


def _rate_of_use(facts: Facts) -> dict[str, Any]:
    use = facts.use
    columns = "held cycles_per_year first_cycles first_age_days"
    return {
        **fields(facts.price, "years places undocumented"),
        "by_source": [
            {"source_id": name, **{c: getattr(use, c)[k] for c in columns.split()}}
            for k, name in enumerate(use.source_ids)
        ],
    }


def _priced(point: TradeOffPoint) -> dict[str, Any]:
    limit = point.age_days if point.cycles is None else point.cycles
    return {"retire_after": limit, **fields(point, f"cycles age_days {_PRICE}")}


def _shelves(facts: Facts) -> list[dict[str, Any]]:
    recent = recent_finds(facts.fit, facts.as_of)
    rows = [
        {**_shelf(s, facts.settings.floor), "recent_finds": recent.get(s.source_id)}
        for s in facts.shelf
    ]
    for row, left in zip(rows, facts.left, strict=False):
        row["left"] = left_part(left, facts.settings.confidence)
    return rows


def _shelf(source: ShelfSource, floor: float) -> dict[str, Any]:
    return {
        "source_id": source.source_id,
        "kind": source.kind,
        "regime": source.regime,
        "cycles": source.cycles,
        "age_days": source.age_days,
        "trials": source.trials,
        "finds": source.finds,
        "find_probability": source.find_probability,
        "low": source.low,
        "high": source.high,
        "advice": source.advice,
        "ground": source.ground,
        "reason": describe_advice(source, floor),
        "trials_to_settle": source.trials_to_settle,
        "trials_used": source.trials_used,
        "log_begins_late": source.log_begins_late,
    }


def _compare(facts: Facts) -> dict[str, Any]:
    c = facts.comparison
    return {
        "at_age_days": c.at_age_days,
        "risk_difference": c.risk_difference,
        "low": c.low,
        "high": c.high,
        "refrigerated": c.refrigerated,
        "frozen": c.frozen,
        "sources": dict(c.sources),
        "kinds": c.kinds,
        "kinds_left_out": c.kinds_left_out,
        "both_ways": c.both_ways,
        "without_kind": c.without_kind,
        "p": c.p,
        "portions": portions_part(facts.portions, facts.settings.alpha),
        "bounds": [
            {"bound": b.bound, **fields(b.comparison, "risk_difference low high reason")}
            for b in facts.bounds
        ],
        "by_kind": [
            {
                "kind": k.kind,
                **fields(
                    k.comparison,
                    "at_age_days risk_difference low high refrigerated frozen p reason",
                ),
                "sources": dict(k.comparison.sources),
                "sentence": describe_kind(k, facts.settings.alpha),
            }
            for k in facts.kinds
        ],
        "bounds_sentence": describe_bounds(facts.bounds),
        "sentence": describe_storage_compared(c, facts.settings.alpha),
    }
