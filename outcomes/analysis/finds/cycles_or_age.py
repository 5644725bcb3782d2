"""Cycles or age: a verdict that allows for a bend, calibrated as a whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from outcomes.analysis.finds.any_shape import REFITS, AnyShape
from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.kinds import KindChange, change_by_kind, sources_that_fall_most
from outcomes.analysis.finds.line_tests import LineTests, RatioTest
from outcomes.analysis.finds.model import FindFit, change_along
from outcomes.analysis.finds.shapes import Shape, WeightedShape
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.analysis.results import ExposureName, Verdict
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, other_than
from outcomes.models.calibrated_test import Calibrated
from outcomes.models.mixed import idle_groupings
from outcomes.random_streams import random_stream

# Shares of the trials on late logs, by simulated units: from the first on age is not named where
# the model has no term for what went unlogged, from the second on no limit is set.
SOME_MISSING, MUCH_MISSING = 0.05, 0.1
_VETO = 5.0  # the best of many shapes is given up for the circles alone at a fifth of the level
_TIED = 0.9  # correlation from which the variance of either is over five times what it might be


LARGE_FALL = 15.0
"""Finds in 100 between always found and the usual floor: it would matter to anyone."""


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
    bend
        Test of straight lines against other shapes; None where no change was called.
    shapes
        Exposure → every shape with its support, the best first: of those that the verdict is
        about, where the records reject straight lines.
    contradicted
        Exposures whose observed finds contradict even the best of these shapes.
    kinds_differ
        Test of kinds that differ in how they change with cycles; None where not asked.
    by_kind
        Where they do, the change in each.
    falling_sources
        Where sources differ without a common change: those whose finds fall most, at most three.
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
    bend: Calibrated | None = None
    shapes: Mapping[ExposureName, tuple[WeightedShape, ...]] = field(default_factory=dict)
    contradicted: tuple[ExposureName, ...] = ()
    kinds_differ: Calibrated | None = None
    by_kind: tuple[KindChange, ...] = ()
    falling_sources: tuple[str, ...] = ()

    @property
    def kinds_falling(self) -> tuple[str, ...]:
        """Kinds whose finds fall with cycles where others' do not; empty where kinds are alike."""
        falling = tuple(k.kind for k in self.by_kind if k.falls)
        named = self.verdict in ("cycles", "both")
        return falling if named and len(falling) < len(self.by_kind) else ()

    @property
    def kinds_part(self) -> bool:
        """Whether finds fall with cycles in some kinds and not in others, whatever is named."""
        falls = [k.falls for k in self.by_kind]
        return any(falls) and not all(falls)

    @property
    def best_shapes(self) -> dict[ExposureName, Shape]:
        """The shape of each exposure that is no straight line."""
        best = {e: weighed[0].shape for e, weighed in self.shapes.items()}
        return {e: shape for e, shape in best.items() if shape.bent}

    @property
    def no_limit(self) -> bool:
        """Whether too many cycles are not on record for a limit by either exposure."""
        return self.age_withheld or self.thaws_missing >= MUCH_MISSING

    @property
    def settles_nothing(self) -> bool:
        """Whether the records leave open what matters: none is named, and a large fall may be."""
        if self.verdict == "no change detected":
            return max(self.largest_fall.values(), default=0.0) >= LARGE_FALL
        return self.verdict in ("too few trials", "cannot be told apart")

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
    tests = LineTests(fit, refits, jobs, progress)
    wide = _any_shape(fit, refits, progress) if present else None
    joint = _joint(tests, wide, present)
    if joint is None or joint.p >= settings.alpha:
        verdict: Verdict = "no change detected"
        given: dict[ExposureName, RatioTest | None] = {e: tests.single(e, present) for e in present}
        # Nothing was tested allowing for it: only what is plain by itself is said.
        differ = tuple(
            e for e in present if any(s.exposure == e and s.plainly_differ for s in fit.slopes)
        )
        named = _Named(verdict, given, differ)
        if joint is None:
            notes.append("neither cycles nor age varies between these trials")
    else:
        named = _name(tests, wide, joint, present, notes)
    verdict = named.verdict
    # Where cycles could not be asked about at all, there is nothing to tell age from.
    of_age = verdict in ("age", "both") and "cycles" in present
    missing = float(on_late_logs(design.trials).mean())
    withheld = of_age and missing >= SOME_MISSING and not _allowed_for(design)
    if withheld:
        verdict = "cannot be told apart"
    if tests.by_sources and joint is not None and joint.p < settings.alpha:
        notes.append(_BY_SOURCES)
    in_doubt = verdict == "cannot be told apart" or (
        verdict == "no change detected" and _tied(correlation)
    )
    return WhichPredicts(
        verdict=verdict,
        joint=joint,
        cycles_given_age=named.given.get("cycles"),
        age_given_cycles=named.given.get("age_days"),
        correlation=correlation,
        asked=present,
        # Never told of a line that the records reject.
        largest_fall={} if named.bent(settings.alpha) else _largest_fall(fit, present),
        more_trials=None,
        slopes_differ=named.differ,
        # Where one is a copy of the other, nothing on record parts them: any name would be noise.
        would_separate=(
            _would_separate(design) if in_doubt and not design.copies and not withheld else ()
        ),
        notes=tuple(notes),
        thaws_missing=missing,
        age_withheld=withheld,
        bend=named.bend,
        shapes=named.shapes,
        contradicted=named.contradicted,
        kinds_differ=named.kinds,
        by_kind=named.by_kind,
        falling_sources=sources_that_fall_most(design) if "cycles" in named.differ else (),
    )


@dataclass(frozen=True, slots=True)
class _Named:
    """What the verdict names, and on what ground."""

    verdict: Verdict
    given: Mapping[ExposureName, RatioTest | None]
    differ: tuple[ExposureName, ...]
    bend: Calibrated | None = None
    shapes: Mapping[ExposureName, tuple[WeightedShape, ...]] = field(default_factory=dict)
    contradicted: tuple[ExposureName, ...] = ()
    kinds: Calibrated | None = None
    by_kind: tuple[KindChange, ...] = ()

    def bent(self, alpha: float) -> bool:
        """Whether the records reject straight lines."""
        return self.bend is not None and self.bend.p < alpha


def _any_shape(
    fit: FindFit, refits: int, progress: Callable[[int, int], None] | None
) -> AnyShape | None:
    """The tests of any shape; None where sources do not differ by a grouping of their own."""
    if "source" not in fit.design.groups:
        return None
    assert fit.mixed is not None
    rng = random_stream(fit.settings.seed, "shapes")
    return AnyShape(
        fit.design,
        alpha=fit.settings.alpha,
        rng=rng,
        idle=idle_groupings(fit.mixed),
        refits=refits,
        progress=progress,
    )


def _joint(
    tests: LineTests, wide: AnyShape | None, present: tuple[ExposureName, ...]
) -> RatioTest | None:
    """Whether anything changes, in whatever shape; along lines where that cannot be asked."""
    if not present:
        return None
    if wide is not None:
        try:
            return RatioTest.of_any_shape(wide.joint())
        except FitError:
            pass
    return tests.drop(present)


def _name(
    tests: LineTests,
    wide: AnyShape | None,
    joint: RatioTest,
    present: tuple[ExposureName, ...],
    notes: list[str],
) -> _Named:
    """What changes finds, once it is clear that something does."""
    bend: Calibrated | None = None
    if wide is not None and joint.statistic is None:
        wide.look_at_slopes()
        bend = wide.bend()
    bent = bend is not None and bend.p < tests.alpha
    if tests.design.copies:
        copied = _decide_copies(tests, present[0], tests.alpha, notes)
        contradicted = tuple(CYCLES_AND_AGE) if bent else ()
        return replace(copied, bend=bend, contradicted=contradicted)
    kinds = None if wide is None else wide.kinds()
    by_kind = kinds is not None and kinds.p < tests.alpha
    if wide is not None and (bent or by_kind):
        named = _name_any_shape(tests, wide, present, notes, bent=bent, by_kind=by_kind)
    else:
        named = _decide(tests, present, tests.alpha, notes)
        if wide is not None and named.verdict == "cannot be told apart":
            named = _if_common(named, tests, wide, notes)
    told = change_by_kind(tests.design, tests.alpha) if by_kind else ()
    return replace(named, bend=bend, kinds=kinds, by_kind=told)


def _if_common(named: _Named, tests: LineTests, wide: AnyShape, notes: list[str]) -> _Named:
    """What neither exposure is named for, unless sources differ in slope without a common one."""
    course = wide.common_course()
    if course is None or course.p < tests.alpha:
        return named
    notes.append(tests.no_common_course(["cycles"]))
    given = {**named.given, "cycles": RatioTest.of_any_shape(course)}
    return replace(named, verdict="no change detected", given=given, differ=("cycles",))


def _name_any_shape(
    tests: LineTests,
    wide: AnyShape,
    present: tuple[ExposureName, ...],
    notes: list[str],
    *,
    bent: bool,
    by_kind: bool,
) -> _Named:
    """The exposures that matter beside the other one in any shape of its own; their shapes."""
    alpha = tests.alpha
    course = None if by_kind else wide.common_course()
    # Sources that differ in slope by themselves make no common course of cycles.
    common = course is None or course.p < alpha
    asked = [e for e in present if common or e != "cycles"]
    given = {e: RatioTest.of_any_shape(wide.given_the_other(e, differ=by_kind)) for e in asked}
    told = tuple(e for e in asked if given[e].p < alpha or len(present) == 1)
    if course is not None and not common:
        # Their own test, which allows for it: cycles were asked about, and showed nothing.
        given["cycles"] = RatioTest.of_any_shape(course)
    if len(present) == 1:
        notes.append(f"{other_than(present[0]).noun} could not be asked about in these records")
    differ: tuple[ExposureName, ...] = () if course is None else ("cycles",)
    if not common and not told:
        notes.append(tests.no_common_course(["cycles"]))
        return _Named("no change detected", given, differ)
    shapes = {e: wide.weigh(e, alone=not told) for e in told or present} if bent else {}
    contradicted = tuple(
        e
        for e, weighed in shapes.items()
        if wide.contradicted(e, weighed[0].shape, alone=not told).p <= alpha / _VETO
    )
    verdict: Verdict = "both"
    if not told:
        verdict = "cannot be told apart"
    elif len(told) == 1:
        verdict = CYCLES_AND_AGE[told[0]].noun
    return _Named(verdict, given, differ, shapes=shapes, contradicted=contradicted)


def _allowed_for(design: Design) -> bool:
    """Whether the model allows for thaws before the storage logs begin.

    What sources were thawed then is not counted, and the older they are the more of it there may
    be: age would stand in for cycles.
    """
    return design.column_of(UNLOGGED) is not None


def _decide(
    tests: LineTests,
    present: tuple[ExposureName, ...],
    alpha: float,
    notes: list[str],
) -> _Named:
    """What is named along straight lines, once the joint test is significant."""
    given: dict[ExposureName, RatioTest | None] = {}
    allowed: list[ExposureName] = []
    for exposure in present:
        test = tests.drop((exposure,))
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
            return _Named("no change detected", given, differ)
        return _Named(CYCLES_AND_AGE[only].noun, given, differ)
    if len(significant) == 2:
        return _Named("both", given, differ)
    if len(significant) == 1:
        return _Named(CYCLES_AND_AGE[significant[0]].noun, given, differ)
    if allowed:
        notes.append(tests.no_common_course(allowed))
        return _Named("no change detected", given, differ)
    # One that passed its test beside the other is not confused with it, only not sure enough.
    passed = any(test is not None and test.p < alpha for test in given.values())
    if passed and not exposures_tied(tests.design):
        return _Named("no change detected", given, differ)
    return _Named("cannot be told apart", given, differ)


def exposures_tied(design: Design) -> bool:
    """Whether cycles and age rise (or fall) together so closely that each hides the other."""
    return _tied(_correlation(design))


def _tied(correlation: float | None) -> bool:
    return correlation is not None and abs(correlation) > _TIED


def _told_by_both(
    tests: LineTests, given: Mapping[ExposureName, RatioTest | None], alpha: float, notes: list[str]
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
    tests: LineTests, exposure: ExposureName, alpha: float, notes: list[str]
) -> _Named:
    """The same where one exposure is a copy of the other."""
    notes.append("cycles and age carry exactly the same information in these records")
    sloped = tests.with_slopes(exposure)
    if sloped is None:
        return _Named("cannot be told apart", {}, ())
    differ = tests.seen_to_differ([exposure])
    if sloped.p >= alpha:
        notes.append(tests.no_common_course([exposure]))
        return _Named("no change detected", {}, differ)
    return _Named("cannot be told apart", {}, differ)


_INTERVAL_HOLDS_NONE = (
    "{name} passed the test, but the interval, which allows more for how few the sources are, "
    "still includes no change; so the verdict does not name {name}"
)
_BY_SOURCES = (
    "p-values allow for how few the sources are by the rule of the intervals, not by simulated "
    "records: there are too many trials or sources to simulate"
)


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
