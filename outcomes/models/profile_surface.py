"""A profile likelihood on a lattice, every point held against its neighbours.

One likelihood maximised at many points goes wrong at some of them: a search may end on a
lower maximum, from which warm starts then carry the error on. So a value is only kept where
the gradients at it and at its neighbours agree with the differences between them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from outcomes.errors import FitError
from outcomes.models.profile_likelihood import ProfileLikelihood, ProfilePoint

CUT = 20.0  # log-likelihood below the top, past which nothing is told
_REACH = 6.0  # marginal standard errors to either side
_MOST_STEPS = 32  # to either side, where errors are so wide that 6 of them are no bound
_SLACK = 0.1  # log-likelihood; a difference of two values from that by their gradients
_SLACK_SHARE = 0.05  # the same, of the difference: far out the likelihood bends more
_PASSES = 3

Place = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ProfileSurface:
    """A profile log-likelihood on a lattice.

    Attributes
    ----------
    axes
        Values of each coefficient, multiples of a power of two, so that the points of
        several surfaces coincide.
    log_likelihood
        Below the maximum of the whole model (0 or less), one dimension per coefficient.
        NaN more than ``CUT`` below it, and where no value could be certified.
    points
        Values told.
    failed
        Points within the region for which no value could be certified.
    """

    axes: tuple[np.ndarray, ...]
    log_likelihood: np.ndarray
    points: int
    failed: int


def profile_surface(
    profile: ProfileLikelihood,
    estimate: np.ndarray,
    conditional: np.ndarray,
    marginal: np.ndarray,
    top: float,
) -> ProfileSurface:
    """Walk a profile likelihood outwards from its maximum, and certify what was found.

    Parameters
    ----------
    profile
        Of m coefficients.
    estimate
        Where all coefficients together are likeliest, shape (m,).
    conditional, marginal
        Standard errors with the other coefficients known, which set the steps, and with them
        unknown, which set how far the walk goes, shape (m,). Marginal errors may be infinite.
    top
        The log-likelihood at ``estimate``.

    Raises
    ------
    FitError
        Not even the points about the maximum could be certified.
    """
    steps = np.array([largest_power_of_two(float(c)) for c in conditional])
    reach = np.minimum(np.ceil(_REACH * marginal / steps), _MOST_STEPS).astype(int)
    centre = np.round(estimate / steps).astype(int)
    walk = _Walk(profile, steps, centre, reach, top)
    walk.outwards()
    walk.certify()
    return walk.surface()


def largest_power_of_two(most: float) -> float:
    """The largest power of two that is no more.

    Examples
    --------
    >>> largest_power_of_two(0.3), largest_power_of_two(1.0), largest_power_of_two(5.0)
    (0.25, 1.0, 4.0)
    """
    if not (np.isfinite(most) and most > 0.0):
        raise FitError("the records put no size on how well an effect is known")
    return float(2.0 ** np.floor(np.log2(most)))


class _Walk:
    """The lattice as far as it has been walked."""

    def __init__(
        self,
        profile: ProfileLikelihood,
        steps: np.ndarray,
        centre: np.ndarray,
        reach: np.ndarray,
        top: float,
    ) -> None:
        self.profile, self.steps = profile, steps
        self.centre, self.reach, self.top = centre, reach, top
        self.found: dict[Place, ProfilePoint] = {}
        self.failed: set[Place] = set()

    def inside(self, place: Place) -> bool:
        return bool((np.abs(np.array(place) - self.centre) <= self.reach).all())

    def neighbours(self, place: Place, *, diagonal: bool) -> Iterator[Place]:
        for move in product((-1, 0, 1), repeat=len(place)):
            if sum(map(abs, move)) == 0 or (not diagonal and sum(map(abs, move)) > 1):
                continue
            yield tuple(int(p) + m for p, m in zip(place, move, strict=True))

    def fit(self, place: Place, near: Sequence[np.ndarray] | None) -> ProfilePoint | None:
        try:
            return self.profile.at(np.array(place) * self.steps, near, roughly=True)
        except FitError:
            return None

    def outwards(self) -> None:
        """Every point within the cut, each begun from the neighbour it was reached by."""
        home: Place = tuple(int(k) for k in self.centre)
        waiting: deque[tuple[Place, Sequence[np.ndarray] | None]] = deque([(home, None)])
        seen = {home}
        while waiting:
            place, near = waiting.popleft()
            point = self.fit(place, near)
            if point is None and near is not None:
                point = self.fit(place, None)
            if point is None:
                self.failed.add(place)
                continue
            self.found[place] = point
            if point.log_likelihood < self.top - CUT:
                continue
            for other in self.neighbours(place, diagonal=True):
                if other not in seen and self.inside(other):
                    seen.add(other)
                    waiting.append((other, point.factors))

    def disagree(self, one: Place, other: Place) -> bool:
        """Whether the difference of two values is not the one that their gradients make."""
        a, b = self.found[one], self.found[other]
        step = (np.array(other) - np.array(one)) * self.steps
        by_gradients = float(step @ (a.gradient + b.gradient)) / 2.0
        slack = _SLACK + _SLACK_SHARE * abs(by_gradients)
        return abs(b.log_likelihood - a.log_likelihood - by_gradients) > slack

    def doubts(self) -> Mapping[Place, list[Place]]:
        """Place → neighbours it disagrees with, of places within the cut."""
        found: dict[Place, list[Place]] = {}
        for place, point in self.found.items():
            if point.log_likelihood < self.top - CUT:
                continue
            for other in self.neighbours(place, diagonal=False):
                if other in self.found and self.disagree(place, other):
                    found.setdefault(place, []).append(other)
        return found

    def certify(self) -> None:
        """Fit again what disagrees, from other starts; what still does is no value."""
        for _ in range(_PASSES):
            doubts = self.doubts()
            if not doubts:
                return
            for place, others in doubts.items():
                starts: list[Sequence[np.ndarray] | None] = [self.found[o].factors for o in others]
                for start in [*starts, None]:
                    again = self.fit(place, start)
                    if again is not None and (
                        again.log_likelihood > self.found[place].log_likelihood
                    ):
                        self.found[place] = again
        while doubts := self.doubts():
            # The one that most of its neighbours contradict goes first; ties by place.
            worst = max(sorted(doubts), key=lambda place: len(doubts[place]))
            del self.found[worst]
            self.failed.add(worst)

    def surface(self) -> ProfileSurface:
        told = {p: v for p, v in self.found.items() if v.log_likelihood >= self.top - CUT}
        if not told:
            raise FitError("the likelihood could not be certified at any point")
        places = np.array(list(told))
        low, high = places.min(axis=0), places.max(axis=0)
        values = np.full(tuple(high - low + 1), np.nan)
        # Where a point of the lattice is higher than the fit, the fit was no maximum.
        top = max(self.top, *(point.log_likelihood for point in told.values()))
        for place, point in told.items():
            values[tuple(np.array(place) - low)] = point.log_likelihood - top
        axes = tuple(
            np.arange(a, b + 1) * step for a, b, step in zip(low, high, self.steps, strict=True)
        )
        within = [p for p in self.failed if (low <= np.array(p)).all() and (p <= high).all()]
        return ProfileSurface(axes, values, len(told), len(within))
