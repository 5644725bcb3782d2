"""How well the model of finds predicts, and whether finds drift over the calendar."""

from __future__ import annotations

import numpy as np

from outcomes.analysis.finds.validation import MONTH_DAYS, Drift, Quality
from outcomes.answers.side_tests import SideTests
from outcomes.text import DAYS_PER_YEAR

_TIED = 0.9


def describe_drift(drift: Drift, side: SideTests) -> str:
    """Whether finds changed over calendar time beyond what the model explains."""
    if drift.reason is not None:
        return f"Drift over calendar time could not be asked about: {drift.reason}."
    assert drift.low is not None
    assert drift.high is not None
    if side.beyond_chance("calendar drift", "finds"):
        sentence = (
            "Finds changed over calendar time in a way that cycles, age and conditions do not "
            "explain (training, handlers, hides or records may have changed)"
        )
    else:
        year = DAYS_PER_YEAR / MONTH_DAYS
        if (drift.explained or 0.0) > _TIED:
            return (
                "Whether finds changed over calendar time could hardly be asked about: it is "
                "closely tied to cycles, age and conditions here, and a large change could hide "
                "behind them."
            )
        sentence = (
            "No sign that finds changed over calendar time beyond what cycles, age and conditions "
            "explain"
        )
        low, high = (float(np.exp(np.clip(v * year, -20, 20))) for v in (drift.low, drift.high))
        if low <= 1.0 <= high:
            sentence += (
                f". The odds of a find may still have changed by a factor between {low:.2g} and "
                f"{high:.2g} a year"
            )
    tied = drift.tied_to_age
    if (drift.explained or 0.0) > _TIED:
        sentence += (
            ". Calendar time is so closely tied to the other terms here that little of it could "
            "have been seen"
        )
    elif tied is not None and abs(tied) > 0.5:
        sentence += (
            f". A source's age goes along with the calendar (correlation {tied:.2f}), so a drift "
            "common to all sources and a loss with age are hard to tell apart"
        )
    return f"{sentence}."


def describe_quality(quality: Quality, side: SideTests) -> tuple[str, ...]:
    """Prediction, residuals, drift: one sentence each; the drift alone without predictions."""
    if quality.drift is None:
        return ()
    drift = describe_drift(quality.drift, side)
    if quality.reason is not None:
        return (drift,)
    return (describe_predictions(quality), describe_residuals(quality), drift)


def describe_predictions(quality: Quality) -> str:
    """How well the model tells finds from misses on sources it has not seen."""
    brier, of_average = quality.brier, quality.brier_of_average
    area, calibration = quality.area, quality.calibration
    if brier is None or of_average is None or area is None:
        return f"Predictions could not be checked: {quality.reason}."
    interval = ""
    if area.low is not None and area.high is not None:
        interval = f" (interval {100.0 * area.low:.0f} to {100.0 * area.high:.0f})"
    better = 100.0 * (1.0 - brier / of_average)
    if better >= 0.5:
        gain = f"Its squared error is {better:.0f} % smaller than with the unit's average alone"
    elif better <= -0.5:
        gain = f"Its squared error is {-better:.0f} % larger than with the unit's average alone"
    else:
        gain = "Its squared error is about that of the unit's average alone"
    sentence = (
        f"On sources it has not seen, the model gives a trial that was found the higher "
        f"probability than one that was missed in {100.0 * area.value:.0f} of 100 pairs"
        f"{interval}. {gain}"
    )
    if calibration is None:
        return f"{sentence}."
    off = calibration.in_the_large
    direction = "more" if off > 0 else "fewer"
    level = (
        "There were as many finds as predicted"
        if abs(off) < 0.5
        else f"There were {abs(off):.1f} in 100 {direction} finds than predicted"
    )
    sentence += f". {level}"
    slope = f"{calibration.slope:.2f}".replace("-", "−") + "; 1 is right, less is too far apart"
    if calibration.slope_high is not None and calibration.slope_high < 1.0:
        sentence += f", and predictions are too far apart (calibration slope {slope})"
    elif calibration.slope_low is not None and calibration.slope_low > 1.0:
        sentence += f", and predictions are too close together (calibration slope {slope})"
    elif calibration.slope_low is None or calibration.slope_high is None:
        sentence += (
            ", and whether predictions are too far apart these records cannot say "
            f"(calibration slope {slope})"
        )
    else:
        sentence += f", with no sign that predictions are too far apart (calibration slope {slope})"
    return f"{sentence}."


def describe_residuals(quality: Quality) -> str:
    """Dogs, sources and months whose finds lie outside what was predicted."""
    parts = []
    for name, rows in quality.by.items():
        outside = [r for r in rows if r.outside]
        counted = f"{len(outside)} of {len(rows)} {name}{'' if len(rows) == 1 else 's'}"
        if outside:
            named = sorted(outside, key=lambda r: r.points)
            listed = ", ".join(f"{r.group} {_signed(r.points)}" for r in named[:4])
            counted += f" ({listed}{', …' if len(named) > 4 else ''})"
        parts.append(counted)
    return (
        "Finds lie outside what was predicted, in percentage points, for "
        f"{'; '.join(parts)}. The intervals allow for the number of trials alone, and sources and "
        f"dogs differ beyond what is on record: more than {100.0 * quality.alpha:g} in 100 lie "
        "outside by chance."
    )


def _signed(points: float) -> str:
    return f"{points:+.0f}".replace("-", "−")


def describe_quality_in_short(quality: Quality) -> str:
    """Whether its predictions for a source it has not seen can be taken at their word."""
    area, calibration = quality.area, quality.calibration
    assert area is not None
    assert calibration is not None
    if area.low is None or area.low <= 0.5:
        return "On unseen sources the model does not reliably tell finds from misses"
    if calibration.slope_high is None or calibration.slope_low is None:
        return "How well the model predicts unseen sources, these records cannot say"
    if calibration.slope_high < 1.0:
        return "On unseen sources the model overstates how far trials differ"
    if calibration.slope_low > 1.0:
        return "On unseen sources the model understates how far trials differ"
    # Only the slope was tested here, so that nothing is said of the level.
    return "On unseen sources the predictions show no sign of being spread too far or too little"
