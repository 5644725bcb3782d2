"""Whether finds change with cycles or age, whatever shape the change has, and in which kinds.

Score tests of many shapes from one fit without them, each held against itself on outcomes drawn
from that fit, so that the best of many is not believed for being the best.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import EXPOSURES, Design
from outcomes.analysis.finds.refits import Fitted, Refitter, draw_outcomes
from outcomes.analysis.finds.shapes import (
    LINE,
    Shape,
    WeightedShape,
    candidate_shapes,
    smooth_columns,
    step_shapes,
)
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import ExposureName
from outcomes.errors import FitError
from outcomes.models.calibrated_test import Calibrated, calibrate
from outcomes.models.distributions import chi_square_tail
from outcomes.models.score_test import Scores

REFITS = 99
_REFITS_WITH_SLOPES = 39
# Beyond, the distributions that tests have in large sets are near enough, and refits take minutes.
_MOST_TRIALS, _MANY_SOURCES = 3_000, 100
_SLOPES_MATTER = 2.7  # twice the gain in log-likelihood of letting sources differ in slope
_SOURCES_A_KIND = 3
_VARIES = 1e-9
_SPANS, _SOURCES_A_SPAN = 7, 4
# Of the level, where nothing is drawn: the line, the other shapes, kinds.
_SHARES = (0.7, 0.06, 0.06, 0.06, 0.12)

_LINES_FIRST = 2.5  # the weight of straight lines among all shapes: what is usual is sought first


def _tail(statistic: float, df: int) -> float:
    """Minus the logarithm of the chi-square tail, large for what is unlikely."""
    return -float(np.log(max(float(chi_square_tail(max(statistic, 0.0), df)), 1e-300)))


class _Candidates:
    """Columns of every shape of the exposures, and of kinds by exposure, side by side."""

    def __init__(
        self, exposures: dict[ExposureName, np.ndarray], kind: np.ndarray, source: np.ndarray
    ) -> None:
        self.exposures = exposures
        self.shapes = {e: candidate_shapes(v, source) for e, v in exposures.items()}
        self.place: dict[str, list[int]] = {}
        columns: list[np.ndarray] = []

        def add(name: str, made: list[np.ndarray]) -> None:
            self.place[name] = list(range(len(columns), len(columns) + len(made)))
            columns.extend(made)

        for e, values in exposures.items():
            add(e, [shape.values(values) for shape in self.shapes[e]])
            add(f"smooth {e}", list(smooth_columns(values).T))
            add(f"{e} by kind", [values * (kind == k) for k in np.unique(kind)])
        self.raw = _scaled(np.column_stack(columns))
        # How often a source was thawed may hang on how good it is, so only what happens to the
        # same source counts; nobody chooses how old a source is for that.
        self.within = self.raw.copy()
        of_cycles = [j for name, own in self.place.items() if "cycles" in name for j in own]
        self.within[:, of_cycles] = _centred(self.raw[:, of_cycles], source)

    def steps(self, exposure: ExposureName) -> list[int]:
        """Columns of its steps."""
        own = self.place[exposure]
        return [own[i] for i, s in enumerate(self.shapes[exposure]) if s.kind == "step"]

    def line(self, exposure: ExposureName) -> int:
        """Column of its line."""
        return self.place[exposure][0]


def _scaled(columns: np.ndarray) -> np.ndarray:
    spread = columns.std(axis=0)
    return columns / np.where(spread > 0.0, spread, 1.0)


def _centred(columns: np.ndarray, source: np.ndarray) -> np.ndarray:
    """Columns less their mean within each source."""
    size = np.bincount(source)
    means = [np.bincount(source, c) / size for c in columns.T]
    return np.asarray(columns - np.reshape(means, (-1, len(size))).T[source])


class AnyShape:
    """Tests of cycles and age that allow for a line, a logarithm, a bend, a step and kinds.

    Parameters
    ----------
    design
        Of a model along lines, with at least one exposure and with sources.
    alpha
        Level of each test.
    rng
        Source of randomness.
    idle
        Groupings whose spread is zero, and which are left away.
    refits
        Outcomes drawn for a test, at most; never fewer than the level needs. 0: none, and p-values
        are those of large sets.
    progress
        Called, test by test, with how many were drawn, and of how many.

    Raises
    ------
    FitError
        The model without exposures cannot be fitted.

    References
    ----------
    Davison AC, Hinkley DV (1997). Bootstrap Methods and their Application. Cambridge University
    Press, section 4.2, for tests by simulation.
    """

    def __init__(
        self,
        design: Design,
        *,
        alpha: float,
        rng: np.random.Generator,
        idle: tuple[str, ...] = (),
        refits: int = REFITS,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        self.alpha, self.rng, self.refits, self.progress = alpha, rng, refits, progress
        asked = [e for e in EXPOSURES if design.column_of(e) is not None]
        own = [design.column_of(e) for e in asked]
        self.plain = np.delete(design.x, [o for o in own if o is not None], axis=1)
        # Statistics are those of models with dogs and sources alone, in a tenth of the time; drawn
        # are outcomes with sessions or hides, too, so that each is held against its like.
        beside = tuple(g for g in design.groups if g not in ("dog", "source"))
        self.fitter = Refitter(design, beside)
        self.drawing = Refitter(design, idle)
        sources = len(np.unique(design.groups["source"]))
        self.simulates = refits > 0 and len(design.y) <= _MOST_TRIALS and sources < _MANY_SOURCES
        self.source = pd.factorize(design.groups["source"], sort=True)[0]
        self.kind = kind = kinds_of(design.trials)
        exposures = {e: design.trials[e].to_numpy(dtype=float) for e in asked}
        self.asked = asked
        self.candidates = _Candidates(exposures, kind, self.source)
        between = 1 + len(asked)
        sources = int(self.source.max()) + 1
        self.widen = float(np.sqrt(sources / max(sources - between - 3, 1)))
        self.best: dict[ExposureName, int] = {}
        self.slopes = 0.0
        self.along: np.ndarray | None = None

    def to_draw_from(self, fitted: Fitted, slope: np.ndarray | None = None) -> Fitted:
        """A model without the effect, with every grouping that differs, as outcomes are drawn."""
        if not self.simulates or len(self.drawing.groupings) == len(self.fitter.groupings):
            return fitted
        return self.drawing.fit(fitted.x, slope=slope)

    def calibrated(
        self,
        observed: np.ndarray,
        draw: Callable[[], np.ndarray],
        shares: Sequence[float],
        *,
        lead: np.ndarray | None = None,
        most: int | None = None,
        first: int = 30,
    ) -> Calibrated:
        """p-value of the largest statistic, by refits; in large units of each by its share."""
        if not self.simulates:
            tails = np.exp(-observed / self.widen**2) / np.asarray(shares)
            return Calibrated(float(min(1.0, tails.min())), 0)
        return calibrate(
            observed,
            draw,
            level=self.alpha,
            lead=lead,
            most=self.refits if most is None else min(self.refits, most),
            first=first,
            progress=self.progress,
        )

    # ---- whether anything changes ------------------------------------------------------

    def joint_statistics(self, y: np.ndarray) -> tuple[Fitted, np.ndarray, dict[ExposureName, int]]:
        """Fit without exposures; the two statistics; the best column of each exposure."""
        c = self.candidates
        fitted = self.fitter.fit(self.plain, y)
        scores = self.fitter.scores(fitted, c.within, y)
        parts = [_tail(*scores.statistic([c.line(e) for e in self.asked]))]
        parts.append(_tail(*scores.statistic([c.place[e][1] for e in self.asked])))
        parts.append(
            _tail(*scores.statistic([j for e in self.asked for j in c.place[f"smooth {e}"]]))
        )
        best, _ = self.best_columns(scores, {e: c.place[e] for e in self.asked})
        stepped = {e: [c.line(e), *c.steps(e)] for e in self.asked}
        _, stepwise = self.best_columns(scores, stepped)
        parts.append(_tail(stepwise, 2 * len(self.asked)))
        both = [parts[0], max(parts[1:])] if self.simulates else parts
        if "cycles" in self.asked:
            others = [c.line(e) for e in self.asked if e != "cycles"]
            kinds = [j for j in c.place["cycles by kind"] if c.within[:, j].std() > _VARIES]
            both.append(_tail(*scores.statistic([*kinds, *others])))
        return fitted, np.array(both), best

    def best_columns(
        self, scores: Scores, among: dict[ExposureName, list[int]]
    ) -> tuple[dict[ExposureName, int], float]:
        """The columns, one an exposure, with the largest score statistic together."""
        u, v = scores.score, scores.information
        if len(among) == 1:
            ((e, own),) = among.items()
            values = u[own] ** 2 / np.maximum(np.diag(v)[own], 1e-12)
            at = int(np.argmax(values))
            return {e: own[at]}, float(values[at])
        (e, rows), (f, columns) = among.items()
        r, s = np.array(rows), np.array(columns)
        vr, vs, vrs = np.diag(v)[r][:, None], np.diag(v)[s][None, :], v[np.ix_(r, s)]
        determinant = vr * vs - vrs**2
        ur, us = u[r][:, None], u[s][None, :]
        with np.errstate(divide="ignore", invalid="ignore"):
            values = (ur**2 * vs + us**2 * vr - 2.0 * ur * us * vrs) / determinant
        values = np.where(determinant > 1e-6 * vr * vs, values, -1.0)
        i, j = np.unravel_index(int(np.argmax(values)), values.shape)
        return {e: int(r[i]), f: int(s[j])}, float(values[i, j])

    def joint(self) -> Calibrated:
        """Whether finds change with cycles or age at all, in whatever shape or kinds.

        Of cycles, what happens to the same source counts: how often a source is thawed may hang
        on how good it is, while nobody chooses how old it is for that.
        """
        fitted, observed, self.best = self.joint_statistics(self.fitter.y)
        null = self.to_draw_from(fitted)
        return self.calibrated(
            observed,
            lambda: self.joint_statistics(draw_outcomes(null, self.rng, self.widen))[1],
            _SHARES if len(observed) == len(_SHARES) else _SHARES[:-1],
            # Minus the logarithm of a p-value has a standard deviation of 1.
            lead=np.array([np.log(_LINES_FIRST), 0.0, 0.0])[: len(observed)],
        )

    # ---- differing sources, and kinds --------------------------------------------------

    def look_at_slopes(self) -> None:
        """Whether sources differ in how they change with cycles, along a line or the best shape.

        Where they do, later tests let them.
        """
        if "cycles" not in self.asked:
            return
        within = self.candidates.within
        rest = [within[:, [self.best[e]]] for e in self.asked if e != "cycles"]
        x = np.hstack([self.plain, *rest])
        for j in dict.fromkeys([self.candidates.line("cycles"), self.best["cycles"]]):
            f = within[:, j]
            wide = np.hstack([x, f[:, None]])
            try:
                gain = 2.0 * (
                    self.fitter.fit(wide, slope=f).log_likelihood
                    - self.fitter.fit(wide).log_likelihood
                )
            except FitError:
                continue
            if gain > max(self.slopes, _SLOPES_MATTER):
                self.slopes, self.along = gain, f

    def common_course(self) -> Calibrated | None:
        """Whether cycles matter where sources differ in slope; None where they do not differ."""
        if self.along is None:
            return None
        within = self.candidates.within
        rest = [within[:, [self.best[e]]] for e in self.asked if e != "cycles"]
        x = np.hstack([self.plain, *rest])
        return _tested(self.beside_slopes, x, self.along, self.best["cycles"])

    def kinds(self) -> Calibrated | None:
        """Whether kinds differ along cycles, where single sources may; None where not asked."""
        if self.along is None:
            return None
        within = self.candidates.within
        rest = [within[:, [self.best[e]]] for e in self.asked if e != "cycles"]
        line = within[:, self.candidates.line("cycles")]
        return _tested(self.kinds_differ, np.hstack([self.plain, *rest]), line)

    # ---- shapes ------------------------------------------------------------------------

    def bend(self) -> Calibrated:
        """Whether the records reject straight lines of cycles and age.

        Every other shape of either beside both lines, and finds by spans of each.
        """
        c = self.candidates
        lines = c.raw[:, [c.line(e) for e in self.asked]]
        x = np.hstack([self.plain, lines])
        parts = []
        for e in self.asked:
            others = [j for j in c.place[e] if j != c.line(e)]
            parts.append((c.raw[:, others], False))
            parts.append((_spans(c.exposures[e], self.source), True))
        parts = [(columns, together) for columns, together in parts if columns.shape[1]]
        if not parts:
            return Calibrated(1.0, 0)
        extra = np.hstack([columns for columns, _ in parts])
        edges = np.cumsum([0, *(columns.shape[1] for columns, _ in parts)])
        slope = self.along

        def statistics(y: np.ndarray) -> tuple[Fitted, np.ndarray]:
            fitted = self.fitter.fit(x, y, slope=slope)
            scores = self.fitter.scores(fitted, extra, y)
            one_by_one = _one_by_one(scores)
            found = []
            for (_, together), start, end in zip(parts, edges, edges[1:], strict=False):
                if together:
                    found.append(_tail(*scores.statistic(list(range(start, end)))))
                else:
                    found.append(_tail(float(one_by_one[start:end].max()), 1))
            return fitted, np.array(found)

        fitted, observed = statistics(self.fitter.y)
        null = self.to_draw_from(fitted, slope)
        # Without draws, each best of several shapes stands for about four tries.
        shares = [1.0 / len(parts) / (1.0 if together else 4.0) for _, together in parts]
        return self.calibrated(
            observed, lambda: statistics(draw_outcomes(null, self.rng, self.widen))[1], shares
        )

    def contradicted(self, exposure: ExposureName, shape: Shape, *, alone: bool) -> Calibrated:
        """Whether observed finds, by spans of the exposure, contradict the curve told of it.

        A score test of the spans beside the shape, with slopes by source where they matter.
        The shape was chosen to fit, which makes the test a little too forgiving.
        """
        c = self.candidates
        values = c.exposures[exposure]
        others = [] if alone else [e for e in self.asked if e != exposure]
        own = _scaled(shape.values(values)[:, None])
        x = np.hstack([self.plain, *(c.raw[:, [c.line(e)]] for e in others), own])
        spans = _spans(values, self.source)
        if spans.shape[1] < 2:
            return Calibrated(1.0, 0)
        slope = self.along if exposure == "cycles" else None

        def statistic(y: np.ndarray) -> tuple[Fitted, np.ndarray]:
            fitted = self.fitter.fit(x, y, slope=slope)
            scores = self.fitter.scores(fitted, spans, y)
            return fitted, np.array([_tail(*scores.statistic(list(range(spans.shape[1]))))])

        told, observed = statistic(self.fitter.y)
        null = self.to_draw_from(told, slope)
        return self.calibrated(
            observed, lambda: statistic(draw_outcomes(null, self.rng, self.widen))[1], (1.0,)
        )

    def weigh(self, exposure: ExposureName, *, alone: bool) -> tuple[WeightedShape, ...]:
        """Every shape of one exposure with its support, the best first.

        The kinds of shape count alike beforehand; within one, each knot by the part of the
        exposures (on a log scale) that it stands for. A step is tried at every exposure, not
        only where the tests look.
        """
        c = self.candidates
        others = [] if alone else [e for e in self.asked if e != exposure]
        base = np.hstack([self.plain, *(c.raw[:, [c.line(e)]] for e in others)])
        values = c.exposures[exposure]
        smooth = (shape for shape in c.shapes[exposure] if shape.kind != "step")
        found: list[tuple[Shape, float]] = []
        for shape in (*smooth, *step_shapes(values, self.source)):
            try:
                fitted = self.fitter.fit(np.hstack([base, _scaled(shape.values(values)[:, None])]))
            except FitError:
                continue
            # Ties are settled by order, the line first, not by the last digit.
            found.append((shape, round(-2.0 * fitted.log_likelihood, 3)))
        if not found:
            return (WeightedShape(LINE, 1.0, np.nan),)
        deviance = np.array([d for _, d in found])
        support = np.exp(-0.5 * (deviance - deviance.min())) * _shares([s for s, _ in found])
        support /= support.sum()
        weighed = [
            WeightedShape(shape, float(w), d + 2.0 * shape.parameters)
            for (shape, d), w in zip(found, support, strict=True)
        ]
        return tuple(sorted(weighed, key=lambda w: w.criterion))

    def kind_columns(self, f: np.ndarray) -> np.ndarray | None:
        """F by kind, beside the first, for kinds of at least 3 sources in which f varies."""
        usable = []
        for k in np.unique(self.kind):
            own = self.kind == k
            varying = sum(
                f[own & (self.source == s)].std() > _VARIES for s in np.unique(self.source[own])
            )
            if varying >= _SOURCES_A_KIND:
                usable.append(k)
        if len(usable) < 2:
            return None
        return np.column_stack([f * (self.kind == k) for k in usable[1:]])

    def beside_slopes(self, x: np.ndarray, along: np.ndarray, best: int) -> Calibrated:
        """Cycles, as line, best shape or by kind, where sources may differ in slope."""
        within, own = self.candidates.within, self.candidates.place["cycles"]
        line = within[:, own[0]]
        by_kind = self.kind_columns(line)

        def statistics(y: np.ndarray, shape: np.ndarray) -> np.ndarray:
            found = []
            for h in (line, shape):
                small = self.fitter.fit(x, y, slope=h)
                large = self.fitter.fit(np.hstack([x, h[:, None]]), y, slope=h)
                found.append(_tail(2.0 * (large.log_likelihood - small.log_likelihood), 1))
                if h is line:
                    first = small
            if by_kind is not None:
                wide = np.hstack([x, line[:, None], by_kind])
                large = self.fitter.fit(wide, y, slope=line)
                gain = 2.0 * (large.log_likelihood - first.log_likelihood)
                found.append(_tail(gain, 1 + by_kind.shape[1]))
            return np.array(found)

        null = self.to_draw_from(self.fitter.fit(x, slope=along), along)

        def draw() -> np.ndarray:
            y = draw_outcomes(null, self.rng, self.widen)
            scores = self.fitter.scores(self.fitter.fit(x, y), within[:, own], y)
            spread = np.maximum(np.diag(scores.information), 1e-9)
            return statistics(y, within[:, own[int(np.argmax(scores.score**2 / spread))]])

        return self.calibrated(
            statistics(self.fitter.y, within[:, best]),
            draw,
            (0.8, 0.1, 0.1)[: 2 if by_kind is None else 3],
            most=_REFITS_WITH_SLOPES,
            first=20,
        )

    def kinds_differ(self, x: np.ndarray, f: np.ndarray) -> Calibrated:
        """Whether kinds differ along f, where single sources may, too."""
        by_kind = self.kind_columns(f)
        if by_kind is None:
            return Calibrated(1.0, 0)
        common = np.hstack([x, f[:, None]])

        def gain(y: np.ndarray) -> tuple[Fitted, np.ndarray]:
            small = self.fitter.fit(common, y, slope=f)
            large = self.fitter.fit(np.hstack([common, by_kind]), y, slope=f)
            twice = 2.0 * (large.log_likelihood - small.log_likelihood)
            return small, np.array([_tail(twice, by_kind.shape[1])])

        fitted, observed = gain(self.fitter.y)
        null = self.to_draw_from(fitted, f)
        return self.calibrated(
            observed,
            lambda: gain(draw_outcomes(null, self.rng, self.widen))[1],
            (1.0,),
            most=_REFITS_WITH_SLOPES,
            first=20,
        )

    # ---- naming ------------------------------------------------------------------------

    def given_the_other(self, exposure: ExposureName, *, differ: bool) -> Calibrated:
        """Test of one exposure, of any shape, the other free to have any shape of its own."""
        others = [e for e in self.asked if e != exposure]
        slope = self.along if exposure == "age_days" and not differ else None
        raw, c = self.candidates.raw, self.candidates

        def free(y: np.ndarray) -> np.ndarray:
            x = self.plain
            for other in others:
                x = np.hstack([x, raw[:, c.place[f"smooth {other}"]]])
                if differ:
                    x = np.hstack([x, raw[:, c.place[f"{other} by kind"][1:]]])
                steps = c.steps(other)
                if steps:
                    scores = self.fitter.scores(self.fitter.fit(x, y), raw[:, steps], y)
                    values = _one_by_one(scores)
                    x = np.hstack([x, raw[:, [steps[int(np.argmax(values))]]]])
            return x

        kinds = c.place[f"{exposure} by kind"] if differ else []

        def statistics(y: np.ndarray) -> tuple[Fitted, np.ndarray]:
            fitted = self.fitter.fit(free(y), y, slope=slope)
            columns = [*c.place[exposure], *kinds]
            scores = self.fitter.scores(fitted, raw[:, columns], y)
            own_shapes = _one_by_one(scores)[: len(c.place[exposure])]
            # The line by itself, too, so that it is not held against all that could be tried.
            values = [_tail(float(own_shapes[0]), 1), _tail(float(own_shapes.max()), 1)]
            if kinds:
                own = list(range(len(columns) - len(kinds), len(columns)))
                values.append(_tail(*scores.statistic(own)))
            return fitted, np.array(values)

        fitted, observed = statistics(self.fitter.y)
        null = self.to_draw_from(fitted, slope)
        return self.calibrated(
            observed,
            lambda: statistics(draw_outcomes(null, self.rng, self.widen))[1],
            (0.7, 0.15 / len(c.place[exposure]), 0.15)[: 3 if kinds else 2],
        )


def _tested(test: Callable[..., Calibrated], *of: object) -> Calibrated:
    """The test, or one that shows nothing where its model cannot be fitted to the records."""
    try:
        return test(*of)
    except FitError:
        return Calibrated(1.0, 0)


def _spans(values: np.ndarray, source: np.ndarray) -> np.ndarray:
    """Indicators of spans of an exposure with at least 4 sources each, shape (n, spans)."""
    edges = np.unique(np.quantile(values, np.arange(1, _SPANS) / _SPANS))
    place = np.searchsorted(edges, values, side="left")
    spans: list[np.ndarray] = []
    for number in np.unique(place):
        inside = place == number
        if len(np.unique(source[inside])) >= _SOURCES_A_SPAN:
            spans.append(inside.astype(float))
    return np.column_stack(spans) if spans else np.zeros((len(values), 0))


def _shares(shapes: list[Shape]) -> np.ndarray:
    """Support of each shape beforehand, shape (k,)."""
    kinds = np.array([s.kind for s in shapes])
    shares = np.ones(len(shapes))
    for kind in set(kinds):
        own = np.flatnonzero(kinds == kind)
        if len(own) > 1:
            knots = np.log([shapes[i].knot or 1.0 for i in own])
            width = np.gradient(knots)
            shares[own] = width / width.sum()
    return shares


def _one_by_one(scores: Scores) -> np.ndarray:
    """Score statistic of each column by itself; 0 where the others give it already."""
    spread = np.diag(scores.information)
    return np.where(spread > 1e-2, scores.score**2 / np.maximum(spread, 1e-9), 0.0)
