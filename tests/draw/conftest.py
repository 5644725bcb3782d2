"""Made-up but realistic results to draw: no records, no model behind them."""

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.analysis.results import (
    Bin,
    ChanceAlone,
    ChancePoint,
    CurvePoint,
    FindCurve,
    Lifetime,
    RuleInUse,
)
from outcomes.draw.main_figure import ThresholdMark

FOOTER = (
    "Synthetic unit, 2024-01-03 to 2026-06-28: 1,187 hide trials, 24 sources, 7 dogs; 61 rows set "
    "aside with reasons. Association in one unit's records, not proof of cause."
)
RULE = RuleInUse(2, 3, qualified_only=True, trials=40, false_call=0.28, seen=0.9)
SUBTITLE = (
    "1,187 unassisted hide trials of 24 sources by 7 dogs; dogs, kinds and conditions held alike"
)
TITLE = "Finds fall with freeze/thaw cycles, not with age: below 85 in 100 after about 14 cycles"


RATES = {"frozen": 0.0006, "mixed": 0.0011, "refrigerated": 0.0024, "not known": 0.0017}
LASTS = {"frozen": 860.0, "mixed": 700.0, "refrigerated": 540.0, "not known": 610.0}
TAME = {"frozen": 1.0, "mixed": 0.65, "refrigerated": 0.4}


def expit(x: Any) -> Any:
    return 1.0 / (1.0 + np.exp(-x))


def made_bins(edges: Any, intercept: float, slope: float, n: int) -> tuple[Bin, ...]:
    bins = []
    edges = np.asarray(edges, dtype=float)
    for i, (low, high) in enumerate(pairwise(edges)):
        mean = (low + high) / 2
        trials = max(4, round(n * 0.8**i))
        p = float(np.clip(expit(intercept + slope * mean) + 0.02 * (-1) ** i, 0.0, 1.0))
        finds = min(trials, round(trials * p))
        half = 1.96 * np.sqrt(p * (1 - p) / trials + 0.2 / trials**2)
        bins.append(
            Bin(
                low,
                high,
                mean,
                finds,
                trials,
                max(2, 22 - 3 * i),
                finds / trials,
                max(0.0, finds / trials - half),
                min(1.0, finds / trials + half),
            )
        )
    return tuple(bins)


def made_curve(
    exposure: str = "cycles",
    last: float = 32.0,
    intercept: float = 2.6,
    slope: float = -0.062,
    edges: Any = (0, 3, 6, 10, 15, 22, 32),
    n: int = 260,
    thin_from: float | None = 26.0,
) -> FindCurve:
    at = np.linspace(0.0, last, 65)
    eta = intercept + slope * at
    half = 0.22 + 0.55 * (np.abs(at - 0.35 * last) / last) ** 1.5 * 2
    thin = np.zeros(at.size, bool) if thin_from is None else at >= thin_from
    return FindCurve(
        exposure,
        at,
        expit(eta),
        expit(eta - half),
        expit(eta + half),
        0.90,
        thin,
        made_bins(edges, intercept, slope, n),
        "dogs, sources and conditions as in the trials",
    )


def made_age(**changes: Any) -> FindCurve:
    given: dict[str, Any] = {
        "exposure": "age_days",
        "last": 900.0,
        "intercept": 2.3,
        "slope": -0.0004,
        "edges": (0, 90, 200, 330, 500, 680, 900),
        "thin_from": 800.0,
    }
    return made_curve(**(given | changes))


def made_lifetime(groups: tuple[str, ...] = ("frozen", "mixed", "refrigerated")) -> Lifetime:
    points = []
    for group in groups:
        times = np.concatenate([[0.0], np.linspace(70, LASTS[group], 9)])
        for i, time in enumerate(times):
            p = float(np.exp(-RATES[group] * time))
            half = 0.32 * np.sqrt(i / 9)
            points.append(
                CurvePoint(
                    group, float(time), p, max(0.0, p - half), min(1.0, p + half * 0.6), 12 - i
                )
            )
    return Lifetime(
        RULE,
        {10: 0.12, 20: 0.25, 50: 0.5},
        0.9,
        24,
        11,
        {g: (8, 4) for g in groups},
        tuple(points),
        {g: None for g in groups},
        {"mixed": "only 2 sources"} if "mixed" not in groups else {},
        0.05,
        median_low=dict.fromkeys(groups),
        median_high=dict.fromkeys(groups),
        curve_from=dict.fromkeys(groups, 0.0),
        curve_to={group: LASTS[group] for group in groups},
    )


def alike_lifetime() -> Lifetime:
    """Three groups whose curves end close together, and cross."""
    whole = made_lifetime()
    points = tuple(
        replace(p, time=p.time * 800.0 / LASTS[p.group], probability=p.probability ** TAME[p.group])
        for p in whole.curve
    )
    return replace(whole, curve=points)


def chance_lifetime() -> Lifetime:
    """One group that falls beside what chance gives, and one of which none met the rule."""
    whole = made_lifetime(("frozen", "refrigerated"))
    points = tuple(
        replace(p, probability=1.0, low=0.6, high=1.0) if p.group == "refrigerated" else p
        for p in whole.curve
    )
    curve = tuple(
        ChancePoint(group, time, 1 - time / 4000, 1 - time / 2000, 1.0)
        for group in ("frozen", "refrigerated")
        for time in np.linspace(0.0, LASTS[group], 20).tolist()
    )
    chance = ChanceAlone(2.1, 0.0, 5.0, 0.003, 300, "more than chance", curve)
    return replace(whole, curve=points, chance=chance)


def late_lifetime() -> Lifetime:
    """Two groups followed from late on, two not drawn, and the sources behind them."""
    whole = made_lifetime(("frozen", "refrigerated"))
    points = tuple(replace(p, time=p.time + 40.0) for p in whole.curve)
    followed = pd.DataFrame(
        {
            "source_id": [f"S{i:02d}" for i in range(8)],
            "regime": ["frozen"] * 5 + ["refrigerated"] * 3,
            "entry_days": [0.0, 10.0, 40.0, 40.0, 300.0, 20.0, 40.0, 200.0],
            "exit_days": [700.0, 365.0, 900.0, 180.0, 800.0, 580.0, 365.0, 400.0],
            "in_curve": [True, True, True, True, False, True, True, True],
        }
    )
    return replace(
        whole,
        curve=points,
        curve_from=dict.fromkeys(whole.curve_from, 40.0),
        followed=followed,
        not_drawn={
            "mixed": "3 met the rule; a curve needs 5",
            "not known": "fewer than 3 of its sources were followed at the same time",
        },
    )


def thin_twice(curve: FindCurve) -> FindCurve:
    thin = curve.thin.copy()
    thin[:4] = True
    return replace(curve, thin=thin)


NO_LIFETIME = Lifetime(
    RULE,
    {},
    None,
    24,
    0,
    {},
    (),
    {},
    {"frozen": "no source met the rule", "refrigerated": "only 2 sources followed"},
    0.05,
)
LIFETIMES = {
    "three groups": made_lifetime(),
    "four groups": made_lifetime(("frozen", "mixed", "not known", "refrigerated")),
    "alike": alike_lifetime(),
    "late": late_lifetime(),
    "chance": chance_lifetime(),
    "none": NO_LIFETIME,
}


def made_difference(
    apart: float, reach: float | None = 0.06, refrigerated: int = 8, frozen: int = 17
) -> Difference:
    low, high = (None, None) if reach is None else (apart - reach, apart + reach)
    counts: dict[Any, int] = {"refrigerated": refrigerated, "frozen": frozen}
    p = None if reach is None else 0.4 if abs(apart) < reach else 0.01
    return Difference(apart, low, high, 0.84 + apart, 0.84, p, counts)


def made_comparison(
    difference: Difference | None, reason: str | None = None, **by_kind: Difference
) -> Comparison:
    counts: dict[Any, int] = {"refrigerated": 8, "frozen": 17}
    kinds = ("blood", "fat", *(k for k in by_kind if k not in ("blood", "fat")))
    return Comparison(difference, by_kind, counts, 1187, 0, kinds, (), (), reason)


LONG_REASON = (
    "among kinds kept both ways only 2 refrigerated sources were tried, and at least 3 are needed "
    "on either side before anything is compared; the other refrigerated sources are of kinds that "
    "this unit keeps one way only, so that kind and storage cannot be told apart"
)
COMPARISONS = {
    "all kinds": made_comparison(made_difference(0.13)),
    "by kind": made_comparison(
        made_difference(0.13),
        blood=made_difference(0.21, 0.14, 4, 6),
        fat=made_difference(-0.09, 0.08),
    ),
    "five kinds": made_comparison(
        made_difference(0.002, 0.07),
        **{f"a kind of tissue with a name of its own {k}": made_difference(0.05 * k - 0.1, 0.11)
           for k in range(5)},
    ),
    "few": made_comparison(made_difference(0.1, 0.2, 3, 4)),
    "no interval": made_comparison(made_difference(-0.08, None)),
    "no difference": made_comparison(made_difference(0.0, 0.018)),
    "one kind": replace(made_comparison(made_difference(-0.6, 0.3)), kinds=("wet bone",)),
    "refused": made_comparison(None, "no refrigerated source was tried"),
    "refused at length": made_comparison(None, LONG_REASON),
}  # fmt: skip
MARK = ThresholdMark(13.9, 10.8, 18.2, 10.0)
AGE_MARK = ThresholdMark(None, None, None, None)


def variants() -> dict[str, dict[str, Any]]:
    one = {
        "title": TITLE,
        "subtitle": SUBTITLE,
        "curves": [made_curve()],
        "floor": 0.85,
        "thresholds": {"cycles": MARK},
        "comparison": COMPARISONS["all kinds"],
        "footer": FOOTER,
    }
    two = one | {
        "curves": [made_curve(), made_age()],
        "thresholds": {"cycles": MARK, "age_days": AGE_MARK},
    }
    flat = made_curve(slope=-0.002)
    steep = made_curve(intercept=3.2, slope=-0.16)
    eight = (0, 1, 2, 3, 5, 8, 13, 21, 32)
    long_title = (
        "Over these two and a half years finds fell with the number of freeze/thaw cycles of a "
        "source rather than with its age, and most clearly so for muscle and blood kept in vented "
        "packaging in a freezer"
    )
    return {
        "one": one,
        "two": two,
        "steep": one
        | {"curves": [steep], "thresholds": {"cycles": ThresholdMark(9.2, 7.6, 10.9, 7.0)}},
        "flat": one | {"curves": [flat], "thresholds": {"cycles": AGE_MARK}},
        "floor_50": one | {"floor": 0.5, "thresholds": {"cycles": AGE_MARK}},
        "floor_95": one | {"floor": 0.95, "thresholds": {"cycles": AGE_MARK}},
        "two_bins": one | {"curves": [made_curve(edges=(0, 8, 32))]},
        "eight_bins": two
        | {"curves": [made_curve(edges=eight), made_age(edges=np.array(eight) * 28.0)]},
        "long_title": two
        | {
            "title": long_title,
            "subtitle": SUBTITLE + "; " + SUBTITLE,
            "thresholds": {"cycles": MARK, "age_days": ThresholdMark(701.0, 480.0, None, 426.0)},
        },
        "no_thresholds": one | {"thresholds": {"cycles": None}},
        "two_by_kind": two | {"comparison": COMPARISONS["by kind"]},
        "two_refused": two | {"comparison": COMPARISONS["refused at length"]},
        "big_n": two
        | {
            "curves": [
                made_curve(edges=eight, n=123456),
                made_age(edges=np.array(eight) * 28.0, n=98765),
            ]
        },
        "no_curves": one
        | {
            "title": "These records cannot say whether cycles or age change what the dogs find",
            "subtitle": "Too few trials: 21 misses and 6 sources where at least 30 and 8 are "
            "needed. About 140 more hide trials on at least 2 more sources would do.",
            "curves": [],
            "thresholds": {},
        },
        "observed_only": one
        | {
            "curves": [
                FindCurve(
                    "cycles", *(np.array([]),) * 4, 0.9, np.array([], bool), made_curve().bins, ""
                )
            ],
            "thresholds": {},
        },
        "open_interval": one | {"thresholds": {"cycles": ThresholdMark(13.9, None, 29.0, None)}},
        "wide_interval": two
        | {"thresholds": {"cycles": ThresholdMark(30.0, None, None, 31.0), "age_days": AGE_MARK}},
        "thin_at_both_ends": two | {"curves": [thin_twice(made_curve()), thin_twice(made_age())]},
        "young": one | {"curves": [made_age(last=390.0, edges=(0, 60, 150, 390), thin_from=None)]},
        "by_kind": one | {"comparison": COMPARISONS["by kind"]},
        "five_kinds": one | {"comparison": COMPARISONS["five kinds"]},
        "few": one | {"comparison": COMPARISONS["few"]},
        "no_interval": two | {"comparison": COMPARISONS["no interval"]},
        "no_difference": one | {"comparison": COMPARISONS["no difference"]},
        "one_kind": one | {"comparison": COMPARISONS["one kind"]},
        "refused": one | {"comparison": COMPARISONS["refused"]},
        "refused_at_length": one | {"comparison": COMPARISONS["refused at length"]},
        "stress": two
        | {
            "title": f"{long_title}, and {long_title}",
            "subtitle": SUBTITLE + "; " + SUBTITLE,
            "footer": FOOTER + " " + FOOTER,
            "comparison": COMPARISONS["five kinds"],
            "thresholds": {"cycles": MARK, "age_days": ThresholdMark(701.0, 480.0, 760.0, 426.0)},
        },
        "nothing": one | {"curves": [], "thresholds": {}, "comparison": COMPARISONS["refused"]},
    }


VARIANTS = variants()


@pytest.fixture(params=list(VARIANTS))
def variant(request: pytest.FixtureRequest) -> dict[str, Any]:
    """What to draw, in turn."""
    return VARIANTS[request.param]


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """The makers and the variants by name."""
    return SimpleNamespace(
        variants=VARIANTS,
        curve=made_curve,
        age=made_age,
        lifetime=made_lifetime,
        lifetimes=LIFETIMES,
        difference=made_difference,
        comparison=made_comparison,
        comparisons=COMPARISONS,
    )
