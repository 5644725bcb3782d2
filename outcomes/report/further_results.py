"""The sections of ``results.json`` that stand behind the answer on finds."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite, log
from typing import Any

from outcomes.analysis.finds.confounders import Suspect, Suspects
from outcomes.analysis.finds.dog_and_source_effects import DogReview, OwnEffect
from outcomes.analysis.finds.firth import Penalised
from outcomes.analysis.finds.profile import ProfileInterval
from outcomes.analysis.finds.shape import Shapes
from outcomes.analysis.finds.specifications import SmoothTest, Specifications
from outcomes.analysis.finds.validation import Drift, Quality, Residual
from outcomes.analysis.results import FindEstimate, LeftOut
from outcomes.answers.sensitivity import Further
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.models.prediction import Calibration
from outcomes.wording.dogs import DOG_CAUTION, describe_dogs, describe_own_effect
from outcomes.wording.penalised import PENALISED_METHOD, describe_penalised
from outcomes.wording.quality import describe_drift, describe_quality
from outcomes.wording.sensitivity import (
    agreement_title,
    describe_agreement,
    describe_smooth_curve,
    describe_way,
)
from outcomes.wording.shape import SHAPE_RULE, describe_shape
from outcomes.wording.suspects import SUPPORT_MEANING, describe_suspects


def fields(of: object, names: str) -> dict[str, Any]:
    """The named attributes, in that order."""
    return {name: getattr(of, name) for name in names.split()}


FURTHER_SECTIONS = frozenset({"suspects", "shape", "quality", "dogs"})


def further_sections(further: Further) -> dict[str, Callable[[], dict[str, Any]]]:
    """Suspects, shapes, quality and dogs, by the name of their section."""
    return {
        "suspects": lambda: _suspects(further.suspects),
        "shape": lambda: {exposure: _shape(found) for exposure, found in further.shapes.items()},
        "quality": lambda: _quality(further.quality),
        "dogs": lambda: _dogs(further.dogs),
    }


def find_additions(further: Further) -> dict[str, Any]:
    """What belongs to the section ``find``: other ways of asking, and other intervals."""
    ways = further.ways
    return {
        "specifications": _specifications(ways),
        "specifications_reason": ways.reason,
        "specifications_notes": list(ways.notes),
        "agreement": {e: _agreement(ways, e) for e in ways.agreement},
        "smooth": {e: _smooth(test, ways.alpha) for e, test in ways.smooth.items()},
        "profile": {e: _profile(found) for e, found in further.profiles.items()},
        "penalised": _penalised(further.penalised),
    }


def _left_out(left_out: tuple[LeftOut, ...]) -> list[dict[str, str]]:
    return [fields(x, "term reason") for x in left_out]


def _specifications(ways: Specifications) -> list[dict[str, Any]]:
    names = "name family term unit log_odds std_error low high n sources"
    return [
        {
            **fields(row, names),
            "note": describe_way(row, ways.alpha),
            **fields(row, "reason shift"),
        }
        for row in ways.rows
    ]


def _agreement(ways: Specifications, exposure: ExposureName) -> dict[str, Any]:
    names = "rising clear ways same_sign clear_too unsure against"
    return {
        **fields(ways.agreement[exposure], names),
        "title": agreement_title(ways, exposure),
        "sentence": describe_agreement(ways, exposure),
    }


def _smooth(test: SmoothTest, alpha: float) -> dict[str, Any]:
    found = fields(test, "statistic df p knots")
    found["sentence"] = describe_smooth_curve(test.term, test.p, alpha)
    return {**found, "at": test.at.tolist(), "log_odds": test.log_odds.tolist()}


def _profile(profile: ProfileInterval) -> dict[str, Any]:
    names = "unit confidence estimate low high wald_low wald_high critical reason"
    # Not the effect of the terms, which is told less its bias.
    return {"about": "the effect by maximum likelihood", **fields(profile, names)}


def _penalised(penalised: Penalised | None) -> dict[str, Any] | None:
    if penalised is None:
        return None
    return {
        "method": PENALISED_METHOD,
        **fields(penalised, "n sources dogs"),
        "terms": [
            {
                **fields(t, "term unit"),
                "log_odds": t.log_ratio,
                "low": log(t.low) if t.low > 0.0 else None,
                "high": log(t.high) if isfinite(t.high) else None,
            }
            for t in penalised.terms
        ],
        "left_out": _left_out(penalised.left_out),
        "sentence": describe_penalised(penalised),
    }


def _suspects(suspects: Suspects) -> dict[str, Any]:
    return {
        **fields(suspects, "n finds misses dogs sources inflation joint_p condition_index"),
        "suspects": [_suspect(s) for s in suspects.suspects],
        "models": [
            fields(m, "exposures log_likelihood parameters criterion difference weight")
            for m in suspects.models
        ],
        "left_out": _left_out(suspects.left_out),
        "sentence": describe_suspects(suspects),
        "meaning": SUPPORT_MEANING,
        "reason": suspects.reason,
    }


def _suspect(suspect: Suspect) -> dict[str, Any]:
    like = suspect.most_like
    return {
        **fields(suspect, "exposure unit little much"),
        "alone": _effect(suspect.alone),
        "given_others": _effect(suspect.given_others),
        **fields(suspect, "weight importance variance_inflation"),
        "most_like": None if like is None else {"exposure": like[0], "correlation": like[1]},
        "slopes_differ": suspect.slopes_differ,
    }


def _effect(effect: FindEstimate | None) -> dict[str, Any] | None:
    if effect is None:
        return None
    return {
        "log_odds": effect.log_ratio,
        "std_error": effect.std_error,
        "odds_ratio": effect.ratio,
        **fields(effect, "low high p points points_low points_high"),
    }


def _shape(shapes: Shapes) -> dict[str, Any]:
    return {
        **fields(shapes, "chosen best bend_p knots"),
        "at": shapes.at.tolist(),
        "candidates": [
            {
                **fields(c, "shape parameters log_likelihood criterion difference weight p"),
                "probability": c.probability.tolist(),
            }
            for c in shapes.candidates
        ],
        "left_out": _left_out(shapes.left_out),
        "rule": SHAPE_RULE,
        "sentence": describe_shape(shapes),
    }


def _quality(quality: Quality) -> dict[str, Any]:
    return {
        **fields(quality, "n sources folds not_predicted brier brier_of_average"),
        "area": None if quality.area is None else fields(quality.area, "value std_error low high"),
        "calibration": _calibration(quality.calibration),
        "by": {name: [_residual(r) for r in rows] for name, rows in quality.by.items()},
        "drift": _drift(quality.drift, quality.alpha),
        "sentences": describe_quality(quality),
        "reason": quality.reason,
    }


def _calibration(calibration: Calibration | None) -> dict[str, Any] | None:
    if calibration is None:
        return None
    names = "intercept intercept_low intercept_high slope slope_low slope_high in_the_large"
    points = "predicted finds n sources proportion low high"
    return {
        **fields(calibration, names),
        "curve": [fields(point, points) for point in calibration.curve],
    }


def _residual(residual: Residual) -> dict[str, Any]:
    return fields(residual, "group n finds predicted points low high outside")


def _drift(drift: Drift | None, alpha: float) -> dict[str, Any] | None:
    if drift is None:
        return None
    names = "log_odds std_error low high p curve_p explained tied_to_age"
    return {
        **fields(drift, names),
        "sentence": describe_drift(drift, alpha),
        "reason": drift.reason,
    }


def _dogs(review: DogReview) -> dict[str, Any]:
    return {
        "dogs": [_own(own) for own in review.dogs],
        "sources": [_own(own) for own in review.sources],
        **fields(review, "dogs_differ_p sources_differ_p"),
        "responses": [
            {**fields(r, "term sd statistic p"), "slopes": dict(r.slopes)} for r in review.responses
        ],
        "experience": [
            {"dog": c.dog, "at": c.at.tolist(), "probability": c.probability.tolist()}
            for c in review.experience
        ],
        "left_out": _left_out(review.left_out),
        "sentences": describe_dogs(review),
        "caution": DOG_CAUTION,
        "reason": review.reason,
    }


def _own(own: OwnEffect) -> dict[str, Any]:
    names = (
        "name trials finds misses expected_finds effect std_error find_probability low high "
        "observed_only differs few"
    )
    return {**fields(own, names), "sentence": describe_own_effect(own)}
