"""The climb to the maximum of a mixed model's likelihood, and whether it is one."""

from __future__ import annotations

import numpy as np

from outcomes.errors import FitError
from outcomes.models.laplace import LaplaceLikelihood, Mode, Point

_STEPS = 200
_LAST_STEPS = 20
_NEAR = 1e-6  # squared distance to the maximum, in standard errors: close enough to look closely
_ROUGHLY_THERE = 2e-3
_CERTAIN = 1e-12  # farther than this no fit is believed
_AIM = 1e-20
_LESS_BY = 0.2  # of the last distance; a step that gains less has met the limit of rounding
_LONGEST = 1.5  # step of a spread, log-odds
SMALL_SPREAD = 0.15  # log-odds; a spread below may well be zero
_NO_LOSS = 1e-7  # log-likelihood; a spread that gains no more than this is zero
_TRY_RISE = 0.02
_RISES = 0.3
_NOTHING = 1e-3  # log-odds; a spread so small after the last steps
_MOST_TURNS = 8
_MOST_SPREAD = 25.0  # log-odds: no finite size
_FAR_SPREAD = 4.0  # of 100 levels, 95 from 1 in 3,000 to all but 1 in 3,000
_SAME = 1e-7
_PROBE = 1e-3  # standard errors, for the difference quotients of the curvature
_SPREAD_PROBE = 0.3  # what stands for the standard error of a spread there
_NEAR_REACH = 1e-4
_LEAST_BEND = 2.0
_FLAT = 1e-6  # least curvature that is more than rounding
_ENTANGLED = 0.01  # least curvature, scaled: less, and approximations will not do
_FIRST_SPREADS = (0.5, 2.0, 0.1)
_FIRST_SLOPE_SPREAD = 0.6  # of that of the intercept


class SpreadError(FitError):
    """The differences within one grouping have no finite size; ``grouping`` names it."""

    def __init__(self, grouping: str) -> None:
        super().__init__(f"differences by {grouping} come out larger than any that could be")
        self.grouping = grouping


def best_of_starts(
    likelihood: LaplaceLikelihood,
    first: np.ndarray,
    small: bool,
    near: np.ndarray | None = None,
    roughly: bool = False,
) -> Search:
    """The highest maximum over the starts: one, two in a small set, more where those fail.

    Where it lies far out, the search goes on from small spreads, and a maximum near by is
    preferred: Laplace's approximation has maxima far out that the likelihood itself has not.
    """
    found: list[Search] = []
    failed: FitError | None = None
    starts = [_spreads_alike(likelihood, spread) for spread in _FIRST_SPREADS]
    if near is not None:
        starts = [near, *starts]
    for number, start in enumerate(starts if likelihood.t else starts[:1]):
        enough = any(not one.is_far for one in found)
        if enough and (roughly or not (small and number == 1)):
            break
        try:
            found.append(Search(likelihood, first, start).climb(roughly))
        except FitError as error:
            failed = failed or error
    if not found:
        assert failed is not None
        raise failed
    plausible = [one for one in found if not one.is_far]
    best, *others = plausible or found
    for other in others:
        # Two starts that meet at one maximum differ by rounding: the first is kept.
        if other.point.log_likelihood > best.point.log_likelihood + _SAME:
            best = other
    return best


def _spreads_alike(likelihood: LaplaceLikelihood, spread: float) -> np.ndarray:
    """A start with all groupings alike, shape (t,)."""
    theta = np.zeros(likelihood.t)
    for k, entry in enumerate(likelihood.spreads):
        if entry.diagonal:
            theta[k] = spread * (_FIRST_SLOPE_SPREAD if entry.by_slope else 1.0)
    return theta


class Search:
    """The climb to the maximum from one start.

    ``at`` is the present point, ``beta`` and ``theta`` together; ``point`` the likelihood
    there; ``free`` the parameters that are not held at zero; ``inverse`` the inverse
    curvature as far as it is known.
    """

    def __init__(self, likelihood: LaplaceLikelihood, first: np.ndarray, theta: np.ndarray) -> None:
        self.likelihood = likelihood
        self.p, self.t = likelihood.p, likelihood.t
        self.at = np.concatenate([first, theta])
        self.free = np.ones(self.p + self.t, dtype=bool)
        self.turns = 0
        self.roughly = True
        self.point = self._evaluate(self.at, None)
        self.inverse = self._first_inverse()

    @property
    def is_far(self) -> bool:
        """Whether some spread is larger than any between real things."""
        return bool((np.abs(self.at[self.p :]) > _FAR_SPREAD).any())

    def climb(self, roughly: bool = False) -> Search:
        """Climb until nothing is left to gain, with spreads that are zero held at zero."""
        if roughly:
            self._climb_to(_ROUGHLY_THERE)
            self._hold_zeros(SMALL_SPREAD)
            return self
        while True:
            self.roughly = True
            self._climb_to(_NEAR)
            self._hold_zeros(SMALL_SPREAD)
            self.roughly = False
            self.point = self._evaluate(self.at, self.point.mode)
            if not self._sharpen():
                continue
            self._refuse_runaways()
            # What was sharpened to next to nothing is nothing.
            if self._hold_zeros(_NOTHING) or self._rise_again():
                self._turn()
                continue
            return self

    def _refuse_runaways(self) -> None:
        for value, entry in zip(self.at[self.p :], self.likelihood.spreads, strict=True):
            if abs(value) > _MOST_SPREAD:
                raise SpreadError(self.likelihood.groupings[entry.grouping].name)

    def covariance_here(self) -> np.ndarray:
        """Covariance of the fixed effects at the spreads found."""
        return np.linalg.inv(self.likelihood.information(self.point.mode))

    def covariance_at_maximum(self, curvature: bool) -> np.ndarray:
        """Covariance of the fixed effects; an error where this is no maximum."""
        free = np.flatnonzero(self.free)
        gradient = self.point.gradient[free]

        def look(curved: np.ndarray) -> tuple[np.ndarray, float, float]:
            own = curved[np.ix_(free, free)]
            least = _least_curvature(own)
            if not least > _FLAT:
                return own, least, np.inf
            return own, least, float(gradient @ np.linalg.solve(own, gradient))

        own, least, distance = look(self._curvature(beta_too=True) if curvature else self.curved)
        if not curvature and (self.is_far or least < _ENTANGLED or distance >= _CERTAIN):
            # Where approximations will not do, the whole curvature decides.
            own, least, distance = look(self._curvature(beta_too=True))
        if not least > _FLAT:
            flat = least > -_FLAT
            raise FitError(
                "no maximum was found: the likelihood "
                + ("is flat in some direction" if flat else "still bends upwards")
            )
        if not distance < _CERTAIN:
            raise FitError("no maximum was found: the search stopped short of it")
        return np.linalg.inv(own)[: self.p, : self.p] if curvature else self.covariance_here()

    # ---- steps -------------------------------------------------------------------------

    def _evaluate(self, at: np.ndarray, near: Mode | None) -> Point:
        try:
            return self.likelihood.at(at[: self.p], at[self.p :], near, roughly=self.roughly)
        except FloatingPointError as error:
            raise FitError(f"the model could not be fitted ({error})") from error

    def _climb_to(self, near: float) -> None:
        """Quasi-Newton steps (BFGS) until the squared distance is below ``near``."""
        for _ in range(_STEPS):
            step = np.where(
                self.free, self.inverse @ np.where(self.free, self.point.gradient, 0.0), 0.0
            )
            distance = float(step @ self.point.gradient)
            if not np.isfinite(distance) or distance < 0.0:
                self.inverse = self._first_inverse()
                continue
            if distance < near:
                return
            if not self._line_search(step, distance):
                break
            self._refuse_runaways()
        else:
            raise FitError("no maximum was found: the search did not settle")

    def _line_search(self, step: np.ndarray, distance: float) -> bool:
        """Go along a step as far as it gains; whether it gained at all."""
        longest = float(np.abs(step[self.p :]).max(initial=0.0))
        size = min(1.0, _LONGEST / longest) if longest > 0.0 else 1.0
        # Values this close are told apart by rounding alone.
        noise = 1e-12 * (1.0 + abs(self.point.log_likelihood))
        near = self.likelihood.follow(self.point.mode, size * step)
        for _ in range(30):
            try:
                there = self._evaluate(self.at + size * step, near)
            except FitError:
                there = None
            if there is not None:
                gained = there.log_likelihood - self.point.log_likelihood
                if gained > 1e-4 * size * distance - noise:
                    self._learn(size * step, there.gradient)
                    self.at, self.point = self.at + size * step, there
                    return True
            size, near = 0.4 * size, self.point.mode
        return False

    def _learn(self, moved: np.ndarray, gradient: np.ndarray) -> None:
        """BFGS update of the inverse curvature, in the free parameters."""
        change = np.where(self.free, self.point.gradient - gradient, 0.0)
        along = float(moved @ change)
        if along <= 1e-300:
            return
        carried = self.inverse @ change
        rate = 1.0 / along
        self.inverse = (
            self.inverse
            + (rate + rate * rate * float(change @ carried)) * np.outer(moved, moved)
            - rate * (np.outer(carried, moved) + np.outer(moved, carried))
        )

    def _first_inverse(self) -> np.ndarray:
        """A first guess of the inverse curvature: the spreads apart from all else."""
        mode, p = self.point.mode, self.p
        inverse = np.zeros((p + self.t, p + self.t))
        inverse[:p, :p] = np.linalg.inv(self.likelihood.information(mode))
        known = self.likelihood.known(mode)
        for k, entry in enumerate(self.likelihood.spreads):
            if self.free[p + k]:
                size = self.at[p + k] if entry.diagonal else self.at[p + k - 1]
                bend = 2.0 * known[k] / max(size * size, 1e-4)
                inverse[p + k, p + k] = 1.0 / max(bend, _LEAST_BEND)
        return inverse

    # ---- spreads that are zero ---------------------------------------------------------

    def _hold_zeros(self, small: float) -> bool:
        """Hold at zero each small spread whose size adds nothing; whether there was one.

        Beside a slope, an intercept's spread of zero leaves only the size of the slope to
        count: the likelihood then rises in one of both directions of the intercept, unless
        the slope's spread is zero, too. So what is held there is the slope's own part, and
        the two go together perfectly.
        """
        held_any = False
        for k, entry in enumerate(self.likelihood.spreads):
            place = self.p + k
            if not entry.diagonal or not self.free[place]:
                continue
            tried, held = self.at.copy(), [place]
            if self._has_slope(k):
                size = float(np.hypot(self.at[place + 1], self.at[place + 2]))
                if abs(self.at[place]) > small or not self.free[place + 2]:
                    continue
                if size > small:
                    # Their covariance is what so small a spread shows of itself.
                    kept = self.at[place] * self.at[place + 1] / size
                    tried[place : place + 3] = kept, size, 0.0
                    held = [place + 2]
                else:
                    tried[place : place + 3] = 0.0
                    held = [place, place + 1, place + 2]
            elif abs(self.at[place]) > small:
                continue
            else:
                tried[place] = 0.0
            point = self._evaluate(tried, self.point.mode)
            if point.log_likelihood >= self.point.log_likelihood - _NO_LOSS:
                self.at, self.point = tried, point
                self.free[held] = False
                held_any = True
        return held_any

    def _has_slope(self, k: int) -> bool:
        """Whether entry ``k`` is an intercept's, followed by covariance and slope of the same."""
        spreads = self.likelihood.spreads
        return (
            not spreads[k].by_slope
            and k + 1 < self.t
            and spreads[k + 1].grouping == spreads[k].grouping
        )

    def _rise_again(self) -> bool:
        """Free a spread held at zero that could rise after all; whether there was one."""
        for k, entry in enumerate(self.likelihood.spreads):
            place = self.p + k
            if not entry.diagonal or self.free[place]:
                continue
            ways, freed = [{place: 1.0}], [place]
            if self._has_slope(k):
                # Both held: each alone, and both together or against each other.
                freed = [place, place + 1]
                ways = [{place: 1.0}, {place + 1: 1.0}]
                ways += [{place: 1.0, place + 1: sign} for sign in (1.0, -1.0)]
            for way in ways:
                probe = self.at.copy()
                for at, share in way.items():
                    probe[at] = _TRY_RISE * share
                there = self._evaluate(probe, self.point.mode)
                if there.log_likelihood <= self.point.log_likelihood + _NO_LOSS:
                    continue
                self.free[freed] = True
                for at, share in way.items():
                    probe[at] = _RISES * share
                self.at, self.point = probe, self._evaluate(probe, self.point.mode)
                self.inverse = self._first_inverse()
                return True
        return False

    def _turn(self) -> None:
        """Count a change of course; too many mean that there is no end to it."""
        self.turns += 1
        if self.turns > _MOST_TURNS:
            raise FitError("no maximum was found: the search did not settle")

    # ---- the last digits ---------------------------------------------------------------

    def _sharpen(self) -> bool:
        """Steps by the curvature itself, until rounding is all that is left; False at a saddle."""
        free = np.flatnonzero(self.free)
        self.curved = self._curvature(beta_too=False, reach=_NEAR_REACH)
        curved = self.curved[np.ix_(free, free)]
        if not _least_curvature(curved) > _ENTANGLED:
            # Far out the fixed effects' curvature is not that at given spreads.
            self.curved = self._curvature(beta_too=True)
            curved = self.curved[np.ix_(free, free)]
        if not _least_curvature(curved) > 0.0:
            self._leave_saddle(curved, free)
            return False
        inverse = np.zeros_like(self.inverse)
        inverse[np.ix_(free, free)] = np.linalg.inv(curved)
        self.inverse = inverse
        last = np.inf
        for _ in range(_LAST_STEPS):
            step = self.inverse @ np.where(self.free, self.point.gradient, 0.0)
            distance = float(step @ self.point.gradient)
            if distance < _AIM or (distance < _CERTAIN and distance > _LESS_BY * last):
                break
            last = distance
            if not self._line_search(step, distance):
                break
        return True

    def _leave_saddle(self, curved: np.ndarray, free: np.ndarray) -> None:
        """Step off a point that is no maximum, along the direction that bends upwards."""
        self._turn()
        direction = np.zeros(len(self.at))
        direction[free] = np.linalg.eigh(curved)[1][:, 0]
        sign = 1.0 if direction @ self.point.gradient >= 0.0 else -1.0
        self.at = self.at + sign * _RISES * direction / float(np.abs(direction).max())
        self.roughly = True
        self.point = self._evaluate(self.at, None)
        self.inverse = self._first_inverse()

    def _curvature(self, *, beta_too: bool, reach: float | None = None) -> np.ndarray:
        """Negative second derivatives at the present point, shape (p + t, p + t).

        Rows of spreads by differences of the gradient, to one side over a given
        ``reach`` or to both over a short one; those of the fixed effects likewise
        with ``beta_too``, else at the spreads found.
        """
        likelihood, p, size = self.likelihood, self.p, self.p + self.t
        mode = self.point.mode
        found = np.zeros((size, size))
        found[:p, :p] = likelihood.information(mode)
        errors = 1.0 / np.sqrt(np.maximum(np.diag(found)[:p], 1e-12))
        for k in range(0 if beta_too else p, size):
            if not self.free[k]:
                continue
            step = np.zeros(size)
            step[k] = reach or _PROBE * (errors[k] if k < p else _SPREAD_PROBE)
            ahead = self._evaluate(self.at + step, likelihood.follow(mode, step)).gradient
            if reach is None:
                behind = self._evaluate(self.at - step, likelihood.follow(mode, -step)).gradient
                row = (behind - ahead) / (2.0 * step[k])
            else:
                row = (self.point.gradient - ahead) / step[k]
            found[k, :] = row
            if k >= p:
                found[:p, k] = row[:p]
        return (found + found.T) / 2.0


def _least_curvature(curved: np.ndarray) -> float:
    """Smallest eigenvalue once every parameter is scaled to a curvature of 1."""
    if not len(curved):
        return 1.0
    diagonal = np.diag(curved)
    if not np.isfinite(curved).all() or diagonal.min() <= 0.0:
        return -1.0
    scale = np.sqrt(diagonal)
    return float(np.linalg.eigvalsh(curved / np.outer(scale, scale)).min())
