"""Cycles or age: four nested models on the same trials, and a calibrated verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy import special

from outcomes.analysis.finds.design import UNLOGGED, Design, on_late_logs
from outcomes.analysis.finds.model import FindFit, change_along
from outcomes.analysis.results import ExposureName, Verdict
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, other_than
from outcomes.models.distributions import chi_square_tail, f_tail
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.random_streams import random_stream

REFITS = 99
_BATCH = 10  # refits between looks at whether more could change the answer
_SETTLED = 3.0  # standard errors of the mean statistic
# Shares of the trials on late logs, by simulated units: from the first on age is not named where
# the model has no term for what went unlogged, from the second on no limit is set.
SOME_MISSING, MUCH_MISSING = 0.05, 0.1
_TIED = 0.9  # correlation from which the variance of either is over five times what it might be
_FEW_SOURCES = 100  # from here on the chi-square reference is used as it stands
_MOST_TRIALS_TO_REFIT = 20_000
_WORTH_SHARING = 400_000  # trials times refits: below, starting processes costs more than it saves


@dataclass(frozen=True, slots=True)
class RatioTest:
    """One likelihood-ratio test.

    Attributes
    ----------
    statistic, df
        Twice the difference in log-likelihood, and the parameters it tests.
    p_chi_square
        Against the chi-square distribution.
    inflation
        Mean of the statistic over refits of data simulated without the effect,
        divided by ``df`` (at least 1); 1 where it was not simulated.
    refits
        Simulated data sets behind ``inflation``.
    p
        The p-value used: of ``statistic / inflation``.
    p_most
        What ``p`` could be at most, three standard errors of that mean up: simulating
        stops when the answer is settled, not when ``p`` is known. None where nothing was
        simulated.
    """

    statistic: float
    df: int
    p_chi_square: float
    inflation: float
    refits: int
    p: float
    p_most: float | None = None


@dataclass(frozen=True, slots=True)
class WhichPredicts:
    """The verdict, and what it rests on.

    Attributes
    ----------
    verdict
        One of :data:`outcomes.analysis.results.VERDICTS`.
    joint, cycles_given_age, age_given_cycles
        The tests; None where a test was not possible (the reason in ``notes``).
    correlation
        Pearson correlation of cycles and age over the trials used; None where
        one of them does not vary.
    asked
        Exposures that could be asked about.
    largest_fall
        Exposure → the largest fall in find probability, percentage points, that
        the interval still allows: per 10 cycles and per year.
    more_trials
        How many more hide trials at the present rate of misses would give the
        least amount of evidence; None where that cannot be said or is not the question.
    slopes_differ
        Exposures for which sources or dogs seem to differ in how fast they change,
        and which were therefore tested allowing for it; where the test of both together
        shows nothing, those for which they plainly differ.
    would_separate
        Where cycles and age cannot be told apart, or hide each other while no change
        shows: sources whose trials would part them, at most six: those where the two
        part most from the unit's usual course.
    notes
        What else must be known to read the verdict.
    thaws_missing
        Share of the trials on sources whose storage log begins more than 30 days after
        they were taken in.
    age_withheld
        That it is why the verdict does not name age: the model has no term for it.
    """

    verdict: Verdict
    joint: RatioTest | None
    cycles_given_age: RatioTest | None
    age_given_cycles: RatioTest | None
    correlation: float | None
    asked: tuple[ExposureName, ...]
    largest_fall: Mapping[ExposureName, float]
    more_trials: int | None
    slopes_differ: tuple[str, ...]
    would_separate: tuple[str, ...]
    notes: tuple[str, ...]
    thaws_missing: float = 0.0
    age_withheld: bool = False

    @property
    def no_limit(self) -> bool:
        """Whether too many cycles are not on record for a limit by either exposure."""
        return self.age_withheld or self.thaws_missing >= MUCH_MISSING

    @property
    def tied(self) -> bool:
        """Whether cycles and age rise (or fall) together so closely that each hides the other."""
        return _tied(self.correlation)

    @property
    def asked_together(self) -> bool:
        """Whether a curve of one exposure must let the other move along to say anything."""
        return self.verdict == "cannot be told apart" or self.tied


def which_predicts(
    fit: FindFit,
    *,
    refits: int = REFITS,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> WhichPredicts:
    """Decide between cycles, age, both, neither, and "these records cannot say".

    Parameters
    ----------
    fit
        A fit with both exposures where the records have them.
    refits
        Data sets simulated without the effect to calibrate a test (0: chi-square only).
        In a unit of more than 20,000 trials or 100 sources none are simulated.
    jobs
        Processes to refit them in, where there is work enough; the answer is the same.
    progress
        Called with the number refitted and their total, once for each; last with the total.

    Returns
    -------
    WhichPredicts

    Notes
    -----
    A likelihood-ratio statistic on few sources is too large on average. Each
    test whose chi-square p-value is below the level is therefore divided by its
    mean over data simulated from the fitted model without the effect (a
    Bartlett-type correction found by parametric bootstrap), never by less than
    1; from 99 data sets, or as few tens of them as leave no doubt which side of the
    level it falls (the same three standard errors of that mean either way; how small a
    small p is, is then known roughly). A test that is not significant against chi-square
    stays so and is not simulated. Where there are too many trials to simulate, the
    statistic is divided by what the errors of the intervals are widened by, squared, and
    held against F with their degrees of freedom. Where sources or dogs may differ in
    slope, the test is the one that belongs to the reported interval, which allows for that.
    An exposure is named only where that interval, too, holds no change no longer.
    Thaws that are not on record look like age. Where storage logs begin late the model has a
    term for how long went unlogged; where it could not have one, and one trial in twenty or
    more is on such a source, age is not named.

    References
    ----------
    Rocke DM (1989). Bootstrap Bartlett adjustment in seemingly unrelated
    regression. Journal of the American Statistical Association 84, 598-601.
    """
    design, settings = fit.design, fit.settings
    notes: list[str] = []
    correlation = _correlation(design)
    present = tuple(e for e in CYCLES_AND_AGE if design.column_of(e) is not None)
    if fit.too_few or fit.mixed is None:
        if not fit.too_few and fit.reason:
            notes.append(fit.reason)
        return _without_model(fit, correlation, present, notes)
    tests = _Tests(fit, refits, jobs, progress)
    joint = tests.drop(present) if present else None
    if joint is None or joint.p >= settings.alpha:
        verdict: Verdict = "no change detected"
        given: dict[ExposureName, RatioTest | None] = {e: tests.single(e, present) for e in present}
        # Nothing was tested allowing for it: only what is plain by itself is said.
        differ = tuple(
            e for e in present if any(s.exposure == e and s.plainly_differ for s in fit.slopes)
        )
        if joint is None:
            notes.append("neither cycles nor age varies between these trials")
    elif design.copies:
        verdict, given, differ = _decide_copies(tests, joint, present[0], settings.alpha, notes)
    else:
        verdict, given, differ = _decide(tests, joint, present, settings.alpha, notes)
    # Where cycles could not be asked about at all, there is nothing to tell age from.
    named = verdict in ("age", "both") and "cycles" in present
    missing = float(on_late_logs(design.trials).mean())
    withheld = named and missing >= SOME_MISSING and not _allowed_for(design)
    if withheld:
        verdict = "cannot be told apart"
    if tests.by_sources and joint is not None and joint.p_chi_square < settings.alpha:
        notes.append(_BY_SOURCES)
    in_doubt = verdict == "cannot be told apart" or (
        verdict == "no change detected" and _tied(correlation)
    )
    return WhichPredicts(
        verdict=verdict,
        joint=joint,
        cycles_given_age=given.get("cycles"),
        age_given_cycles=given.get("age_days"),
        correlation=correlation,
        asked=present,
        largest_fall=_largest_fall(fit, present),
        more_trials=None,
        slopes_differ=differ,
        # Where one is a copy of the other, nothing on record parts them: any name would be noise.
        would_separate=(
            _would_separate(design) if in_doubt and not design.copies and not withheld else ()
        ),
        notes=tuple(notes),
        thaws_missing=missing,
        age_withheld=withheld,
    )


def _allowed_for(design: Design) -> bool:
    """Whether the model allows for thaws before the storage logs begin.

    What sources were thawed then is not counted, and the older they are the more of it there may
    be: age would stand in for cycles.
    """
    return design.column_of(UNLOGGED) is not None


def _decide(
    tests: _Tests,
    joint: RatioTest,
    present: tuple[ExposureName, ...],
    alpha: float,
    notes: list[str],
) -> tuple[Verdict, dict[ExposureName, RatioTest | None], tuple[ExposureName, ...]]:
    """Verdict once the joint test is significant."""
    given: dict[ExposureName, RatioTest | None] = {}
    allowed: list[ExposureName] = []
    for exposure in present:
        test = joint if len(present) == 1 else tests.drop((exposure,))
        if test.p < alpha:
            sloped = tests.with_slopes(exposure)
            if sloped is not None:
                allowed.append(exposure)
                test = sloped
        given[exposure] = test
    differ = tests.seen_to_differ(allowed)
    significant = _told_by_both(tests, given, alpha, notes)
    if len(present) == 1:
        only = present[0]
        other = other_than(only).noun
        notes.append(f"{other} could not be asked about in these records")
        if not significant:
            if allowed:
                notes.append(tests.no_common_course(allowed))
            return "no change detected", given, differ
        return CYCLES_AND_AGE[only].noun, given, differ
    if len(significant) == 2:
        return "both", given, differ
    if len(significant) == 1:
        return CYCLES_AND_AGE[significant[0]].noun, given, differ
    if allowed:
        notes.append(tests.no_common_course(allowed))
        return "no change detected", given, differ
    # One that passed its test beside the other is not confused with it, only not sure enough.
    passed = any(test is not None and test.p < alpha for test in given.values())
    if passed and not exposures_tied(tests.design):
        return "no change detected", given, differ
    return "cannot be told apart", given, differ


def exposures_tied(design: Design) -> bool:
    """Whether cycles and age rise (or fall) together so closely that each hides the other."""
    return _tied(_correlation(design))


def _tied(correlation: float | None) -> bool:
    return correlation is not None and abs(correlation) > _TIED


def _told_by_both(
    tests: _Tests, given: Mapping[ExposureName, RatioTest | None], alpha: float, notes: list[str]
) -> list[ExposureName]:
    """Exposures that pass their test and whose interval holds no change no longer.

    The size is told with its interval: what that does not tell from none is not named.
    """
    told = []
    for exposure, test in given.items():
        if test is None or test.p >= alpha:
            continue
        if tests.by_interval(exposure).p < alpha:
            told.append(exposure)
        else:
            notes.append(_INTERVAL_HOLDS_NONE.format(name=CYCLES_AND_AGE[exposure].noun))
    return told


def _decide_copies(
    tests: _Tests, joint: RatioTest, exposure: ExposureName, alpha: float, notes: list[str]
) -> tuple[Verdict, dict[ExposureName, RatioTest | None], tuple[ExposureName, ...]]:
    """Verdict once the joint test is significant and one exposure is a copy of the other."""
    notes.append("cycles and age carry exactly the same information in these records")
    sloped = tests.with_slopes(exposure)
    if sloped is None:
        return "cannot be told apart", {}, ()
    differ = tests.seen_to_differ([exposure])
    if sloped.p >= alpha:
        notes.append(tests.no_common_course([exposure]))
        return "no change detected", {}, differ
    return "cannot be told apart", {}, differ


_INTERVAL_HOLDS_NONE = (
    "{name} passed the test, but the interval, which allows more for how few the sources are, "
    "still includes no change; so the verdict does not name {name}"
)
_BY_SOURCES = (
    "p-values allow for how few the sources are by the rule of the intervals, not by simulated "
    "records: there are too many trials or sources to simulate"
)


class _Tests:
    """Likelihood-ratio tests on one design, each simulated only when it matters."""

    def __init__(
        self,
        fit: FindFit,
        refits: int,
        jobs: int = 1,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        assert fit.mixed is not None
        assert fit.reduced is not None
        self.jobs, self.progress = jobs, progress
        self.design = fit.design
        self.full, self.told = fit.mixed, fit.reduced
        self.slopes = fit.slopes
        self.freedom = fit.freedom
        self.alpha = fit.settings.alpha
        self.rng = random_stream(fit.settings.seed, "verdict")
        sources = len(set(fit.design.groups.get("source", np.array([]))))
        few = sources < _FEW_SOURCES and len(fit.design.y) <= _MOST_TRIALS_TO_REFIT
        self.refits = refits if few else 0
        self.by_sources = refits > 0 and not few
        self.widening = fit.widening

    def drop(self, exposures: tuple[ExposureName, ...]) -> RatioTest:
        """Test of the exposures, everything else kept."""
        keep = self.columns_without(exposures)
        try:
            null = _fit_columns(self.design, self.design.y, keep)
        except FitError:
            return self.wald(keep)
        statistic = likelihood_ratio(self.full.log_likelihood, null.log_likelihood)
        df = len(exposures)
        plain = float(chi_square_tail(statistic, df))
        if plain >= self.alpha or not (self.refits or self.by_sources):
            return RatioTest(statistic, df, plain, 1.0, 0, plain)
        if self.by_sources:
            return self.held_against_sources(statistic, exposures)
        found = self.without_effect(null, keep, statistic, df)
        if len(found) < 2:
            return RatioTest(statistic, df, plain, 1.0, len(found), plain)
        inflation = max(float(np.mean(found)) / df, 1.0)
        p = float(chi_square_tail(statistic / inflation, df))
        most = _p_of_means(found, statistic, df)[1]
        return RatioTest(statistic, df, plain, inflation, len(found), p, most)

    def held_against_sources(
        self, statistic: float, exposures: tuple[ExposureName, ...]
    ) -> RatioTest:
        """The p-value by the rule of the intervals: widened for few sources, F for t."""
        columns = [c for e in exposures if (c := self.design.column_of(e)) is not None]
        df = len(exposures)
        inflation = float(self.widening[columns].max()) ** 2
        p = float(f_tail(statistic / df / inflation, df, float(self.freedom[columns].min())))
        return RatioTest(statistic, df, float(chi_square_tail(statistic, df)), inflation, 0, p)

    def wald(self, keep: list[int]) -> RatioTest:
        """The same question from the full model alone, where the other cannot be fitted."""
        tested = [j for j in range(len(self.full.beta)) if j not in keep]
        beta, cov = self.full.beta[tested], self.full.cov[np.ix_(tested, tested)]
        statistic = float(beta @ np.linalg.solve(cov, beta))
        df = len(tested)
        # The errors are widened already; their degrees of freedom belong to them.
        p = float(f_tail(statistic / df, df, float(self.freedom[tested].min())))
        return RatioTest(statistic, df, float(chi_square_tail(statistic, df)), 1.0, 0, p)

    def single(self, exposure: ExposureName, present: tuple[ExposureName, ...]) -> RatioTest | None:
        """Test of one exposure given the other; None where there is no other."""
        return self.drop((exposure,)) if len(present) > 1 else None

    def with_slopes(self, exposure: ExposureName) -> RatioTest | None:
        """The same question where levels differ in slope; None where they do not.

        The effect over its error, squared, as told of, with the degrees of freedom of
        the reported interval, which allow for the slopes and for few sources: the two
        cannot disagree.
        """
        if all(s.exposure != exposure for s in self.slopes):
            return None
        return self.by_interval(exposure)

    def by_interval(self, exposure: ExposureName) -> RatioTest:
        """The question as the reported interval answers it: p < alpha where that holds no 0."""
        column = self.design.column_of(exposure)
        assert column is not None
        statistic = float(self.told.beta[column] ** 2 / self.told.cov[column, column])
        p = float(f_tail(statistic, 1, self.freedom[column]))
        return RatioTest(statistic, 1, float(chi_square_tail(statistic, 1)), 1.0, 0, p)

    def seen_to_differ(self, allowed: list[ExposureName]) -> tuple[ExposureName, ...]:
        """Those exposures for which it can be said that levels differ in slope."""
        return tuple(
            e for e in allowed if any(s.exposure == e and s.seem_to_differ for s in self.slopes)
        )

    def no_common_course(self, allowed: list[ExposureName]) -> str:
        """Why an exposure that passed its test does not pass it with differing slopes."""
        slopes = [s for s in self.slopes if s.exposure in allowed]
        seen = [s for s in slopes if s.seem_to_differ]
        who = " and ".join(sorted({f"{s.grouping}s" for s in seen or slopes}, reverse=True))
        if seen:
            return f"{who} differ so much in how they change that no common course is established"
        return (
            f"{who} may differ in how they change; allowing for that, no common course is "
            "established"
        )

    def columns_without(self, exposures: tuple[ExposureName, ...]) -> list[int]:
        dropped = {self.design.column_of(e) for e in exposures}
        return [j for j in range(self.design.x.shape[1]) if j not in dropped]

    def without_effect(
        self, null: MixedFit, keep: list[int], statistic: float, df: int
    ) -> np.ndarray:
        """The statistic in data simulated without the effect, as often as settles the answer."""
        eta = self.design.x[:, keep] @ null.beta
        codes = {
            g: np.unique(labels, return_inverse=True) for g, labels in self.design.groups.items()
        }
        # All drawn here and in order: how many cores refit them changes nothing.
        drawn = []
        for _ in range(self.refits):
            log_odds = eta.copy()
            for grouping, (levels, place) in codes.items():
                log_odds += self.rng.normal(0.0, null.sd[grouping], len(levels))[place]
            drawn.append(self.rng.random(len(log_odds)) < special.expit(log_odds))
        found: list[float] = []
        number = 0
        for begin in range(0, self.refits, _BATCH):
            for number, value in enumerate(
                self.refitted(drawn[begin : begin + _BATCH], keep, null), start=begin + 1
            ):
                if value is not None:
                    found.append(value)
                if self.progress is not None:
                    self.progress(number, self.refits)
            if _settled(np.array(found), statistic, df, self.alpha):
                if self.progress is not None and number < self.refits:
                    self.progress(self.refits, self.refits)
                break
        return np.array(found)

    def refitted(
        self, drawn: list[np.ndarray], keep: list[int], null: MixedFit
    ) -> Iterable[float | None]:
        """Statistics of simulated outcomes, in their order, from as many processes as pay."""
        if self.jobs > 1 and len(self.design.y) * self.refits >= _WORTH_SHARING:
            from joblib import Parallel, delayed

            shared: Iterable[float | None] = Parallel(n_jobs=self.jobs, return_as="generator")(
                delayed(_statistic)(self.design, y, keep, null) for y in drawn
            )
            return shared
        return (_statistic(self.design, y, keep, null) for y in drawn)


def _settled(found: np.ndarray, statistic: float, df: int, alpha: float) -> bool:
    """Whether the answer is the same all the way along the mean's error, three each way."""
    if len(found) < _BATCH // 2:
        return False
    low, high = _p_of_means(found, statistic, df)
    return (low < alpha) == (high < alpha)


def _p_of_means(found: np.ndarray, statistic: float, df: int) -> tuple[float, float]:
    """The p-value at either end of what the mean of the simulated statistics may be."""
    error = float(found.std(ddof=1)) / math.sqrt(len(found))
    means = np.mean(found) + np.array([-_SETTLED, _SETTLED]) * error
    low, high = chi_square_tail(statistic / np.maximum(means / df, 1.0), df)
    return float(low), float(high)


def _statistic(design: Design, y: np.ndarray, keep: list[int], null: MixedFit) -> float | None:
    """Likelihood-ratio statistic on one simulated outcome; None where a model cannot be fitted."""
    outcome = y.astype(float)
    try:
        # Simulated without differences between hides, they are refitted without them.
        idle = idle_groupings(null)
        small = _fit_columns(design, outcome, keep, idle)
        large = _fit_columns(design, outcome, list(range(design.x.shape[1])), idle)
    except FitError:
        return None
    return likelihood_ratio(large.log_likelihood, small.log_likelihood)


def _fit_columns(
    design: Design,
    y: np.ndarray,
    keep: list[int],
    at_zero: tuple[str, ...] = (),
) -> MixedFit:
    names, x = [design.names[j] for j in keep], design.x[:, keep]
    return fit_mixed(y, x, names, design.groups, details=False, at_zero=at_zero)


def _without_model(
    fit: FindFit, correlation: float | None, present: tuple[ExposureName, ...], notes: list[str]
) -> WhichPredicts:
    needed = [
        # In whole numbers: as a quotient of floats it could come out one too many.
        -(-(fit.too_few[word][1] - have) * fit.n // have)
        for word, have in (("misses", fit.misses), ("finds", fit.finds))
        if word in fit.too_few and have > 0
    ]
    more = max(needed, default=None)
    return WhichPredicts(
        verdict="too few trials",
        joint=None,
        cycles_given_age=None,
        age_given_cycles=None,
        correlation=correlation,
        asked=present,
        largest_fall={},
        more_trials=more,
        slopes_differ=(),
        would_separate=(),
        notes=tuple(notes),
        thaws_missing=float(on_late_logs(fit.design.trials).mean()) if fit.n else 0.0,
    )


def _correlation(design: Design) -> float | None:
    frame = design.trials[["cycles", "age_days"]].astype(float)
    if len(frame) < 3 or (frame.max() == frame.min()).any():
        return None
    return float(np.corrcoef(frame["cycles"], frame["age_days"])[0, 1])


def _largest_fall(fit: FindFit, present: tuple[ExposureName, ...]) -> dict[ExposureName, float]:
    """Largest fall the interval allows, percentage points per 10 cycles and per year."""
    changes = {e: change_along(fit, e, CYCLES_AND_AGE[e].many_units) for e in present}
    return {e: max(-change[1], 0.0) for e, change in changes.items() if change is not None}


def _would_separate(design: Design) -> tuple[str, ...]:
    """Sources farthest from the unit's usual course of cycles with age, at their latest trial.

    Of those logged from the start: how seldom the others were thawed is not known.
    """
    known = design.trials[~on_late_logs(design.trials)]
    latest = known.sort_values("started_at").groupby("source_id", sort=True).tail(1)
    frame = latest[["source_id", "cycles", "age_days"]].astype({"cycles": float})
    if len(frame) < 3 or frame["age_days"].nunique() < 2:
        return ()
    slope, intercept = np.polyfit(frame["age_days"].astype(float), frame["cycles"], 1)
    apart = (frame["cycles"] - intercept - slope * frame["age_days"]).abs()
    order = apart.sort_values(ascending=False, kind="stable").index[:6]
    return tuple(str(s) for s in frame.loc[order, "source_id"])
