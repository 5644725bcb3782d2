"""What a unit hands over for pooling: two slopes and what their records say of them, no rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
import numpy as np
from msgspec import Meta

from outcomes.errors import FitError, RecordsError
from outcomes.models.likelihood_surface import LikelihoodSurface
from outcomes.models.profile_surface import CUT
from outcomes.pool.unit_surface import PER, SharedName, UnitSurface
from outcomes.settings import UnloggedThaws

FORMAT: Literal[1] = 1
ROUND = 0.01
_MOST_POINTS = 200  # along an axis
_LEAST_POINTS = 4  # along an axis, for a curve between them
_LEAST_KNOWN = 9
_FARTHEST = 1e3
# Second differences of a likelihood in steps of an error at most: near -1 at the top. Of 280
# simulated units none was beyond -1.3 and 0.9.
_MOST_DOWN, _MOST_UP = -4.0, 2.0

CyclesCounted = Literal["log", "counted", "both"]
ShapeShared = Literal["line", "bend"]
DogBand = Literal["3-5", "6-10", "11-20", "over 20"]
Slopes = Annotated[
    tuple[Annotated[float, Meta(ge=-_FARTHEST, le=_FARTHEST)], ...], Meta(max_length=_MOST_POINTS)
]
Row = Annotated[
    tuple[Annotated[float, Meta(ge=-1000, le=1)] | None, ...], Meta(max_length=_MOST_POINTS)
]
Count = Annotated[int, Meta(ge=0, le=10_000_000)]


class ShareError(RecordsError):
    """A share that cannot be used; the text says what is wrong with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """The program that made a file."""

    name: Annotated[str, Meta(max_length=40)]
    version: Annotated[str, Meta(max_length=40)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """How the unit counts what its slopes are of.

    Attributes
    ----------
    cycles_from
        What its cycles were counted from.
    thaw_after_h, unlogged_thaws
        What counts as a thaw, as in the settings.
    age
        Which age it is.
    terms
        Terms that the unit's model held the same, by the names of the records' columns.
    """

    cycles_from: CyclesCounted
    thaw_after_h: Annotated[float, Meta(ge=0, le=168)]
    unlogged_thaws: UnloggedThaws
    age: Literal["age_days"]
    terms: Annotated[tuple[Annotated[str, Meta(max_length=40)], ...], Meta(max_length=60)]


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesMet:
    """Cycles of 95 in 100 trials at most (rounded to 5), and sources ever frozen."""

    p95: Count
    frozen_sources: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeMet:
    """Age of 95 in 100 trials at most, days, rounded to 50."""

    p95_days: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposuresMet:
    """What the unit's trials reach; ``cycles`` is null where no source was thawed."""

    cycles: CyclesMet | None
    age: AgeMet


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedCounts:
    """Rounded down to 5; dogs in bands."""

    trials: Count
    misses: Count
    sources: Count
    dogs: DogBand


@dataclass(frozen=True, slots=True, kw_only=True)
class StepOfSlopes:
    """The steps that slopes are per."""

    cycles: float
    age_days: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedSurface:
    """A profile log-likelihood on a lattice.

    Attributes
    ----------
    unit
        Steps that the slopes are per.
    cycles, age
        Slopes at the points of the lattice, log-odds of a find; ``cycles`` is empty where the
        surface is of age alone.
    log_likelihood
        A row for each of ``cycles`` (one row where that is empty), a value for each of
        ``age``, below the unit's best; null where it is lower than ``cut`` or was not certain.
    cut, round
        Where values end, and what they are rounded to.
    certified
        Each value was held against its neighbours.
    """

    unit: StepOfSlopes
    cycles: Slopes
    age: Slopes
    log_likelihood: Annotated[tuple[Row, ...], Meta(max_length=_MOST_POINTS)]
    cut: Annotated[float, Meta(ge=5, le=1000)]
    round: Annotated[float, Meta(ge=0, le=0.1)]
    certified: bool

    @property
    def exposures(self) -> tuple[SharedName, ...]:
        """What its axes are of."""
        return ("cycles", "age") if self.cycles else ("age",)

    def as_function(self) -> LikelihoodSurface:
        """The surface between its points."""
        values = np.array(
            [[np.nan if v is None else v for v in row] for row in self.log_likelihood]
        )
        if not self.cycles:
            return LikelihoodSurface([np.array(self.age)], values[0])
        return LikelihoodSurface([np.array(self.cycles), np.array(self.age)], values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What a unit hands over.

    Attributes
    ----------
    format, made_by
        Of this layout, and what wrote it.
    unit_code
        Drawn at random once, and kept by later shares of the unit.
    through
        The quarter whose end the trials end with.
    definition
        How cycles and age are counted.
    shape
        A bend is told and never added to others.
    joint_p
        Of the unit's own joint test, rounded to 0.01; null where there is none.
    tied
        Cycles and age rise together too closely to part them.
    correlation
        Between them, rounded to 0.1.
    exposures, counts
        What the records reach, and how many they are.
    surface
        Null where the shape is a bend.
    sentence
        What this share can add.
    """

    format: Literal[1]
    made_by: Maker
    unit_code: Annotated[str, Meta(pattern=r"\A[a-z0-9]{4,12}\Z")]
    through: Annotated[str, Meta(pattern=r"\A[12][0-9]{3}-Q[1-4]\Z")]
    definition: Definition
    shape: ShapeShared
    joint_p: Annotated[float, Meta(ge=0, le=1)] | None
    tied: bool
    correlation: Annotated[float, Meta(ge=-1, le=1)] | None
    exposures: ExposuresMet
    counts: SharedCounts
    surface: SharedSurface | None
    sentence: Annotated[str, Meta(max_length=2000)]


def shared_surface(found: UnitSurface) -> SharedSurface:
    """A unit's surface as it is handed over: rounded, what is unknown left out.

    Raises
    ------
    FitError
        Too little of it could be certified.
    """
    values = np.atleast_2d(found.surface.log_likelihood)
    axes = dict(zip(found.exposures, found.surface.axes, strict=True))
    made = SharedSurface(
        unit=StepOfSlopes(cycles=PER["cycles"], age_days=PER["age"]),
        cycles=tuple(axes.get("cycles", np.zeros(0)).tolist()),
        age=tuple(axes["age"].tolist()),
        log_likelihood=tuple(
            tuple(None if np.isnan(v) else min(round(float(v), 2), 0.0) for v in row)
            for row in values
        ),
        cut=CUT,
        round=ROUND,
        certified=True,
    )
    wrong = _wrong_with_surface(made)
    if wrong is not None:
        raise FitError(f"what these records say could not be worked out well enough: {wrong}")
    return made


def read_share(text: bytes) -> Share:
    """A share from the bytes of its file.

    Raises
    ------
    ShareError
        It is damaged, of another layout, or holds what no share can.
    """
    try:
        share = msgspec.json.decode(text, type=Share)
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
        reason = str(error).splitlines()[0][:200]
        raise ShareError(f"is not a share of format {FORMAT}, or is damaged ({reason})") from None
    wrong = _wrong_with(share)
    if wrong is not None:
        raise ShareError(f"is damaged: {wrong}")
    return share


def _wrong_with(share: Share) -> str | None:
    if any(not term.isidentifier() for term in share.definition.terms):
        return "a term has a name that no column has"
    if (share.surface is None) != (share.shape == "bend"):
        return "a bend comes without a surface, and a line with one"
    if share.surface is None:
        return None
    if share.surface.cycles and share.exposures.cycles is None:
        return "it has slopes of cycles but tells of none"
    return _wrong_with_surface(share.surface)


def _wrong_with_surface(surface: SharedSurface) -> str | None:
    """What no surface of ours can be; None where there is nothing."""
    if not surface.certified:
        return "its values were not certified"
    rows, columns = max(len(surface.cycles), 1), len(surface.age)
    if len(surface.log_likelihood) != rows or {len(r) for r in surface.log_likelihood} != {columns}:
        return "its values do not fit its lattice"
    for axis in (surface.cycles, surface.age):
        if axis and not _is_lattice(np.array(axis)):
            return "its slopes are not steps of a power of two"
    known = [v for row in surface.log_likelihood for v in row if v is not None]
    if len(known) < _LEAST_KNOWN:
        return "hardly any of its values are known"
    if max(known) > 0.0 or max(known) < -2.0 or min(known) < -surface.cut - 1.0:
        return "its values are not below its best"
    return None if _is_smooth(surface) else "its values jump, as no likelihood does"


def _is_smooth(surface: SharedSurface) -> bool:
    """Whether the bend from point to point is one that steps of an error can have."""
    values = np.array([[np.nan if v is None else v for v in row] for row in surface.log_likelihood])
    bends = np.concatenate([np.diff(values, 2, axis=axis).ravel() for axis in (0, 1)])
    bends = bends[np.isfinite(bends)]
    return bool((bends > _MOST_DOWN).all() and (bends < _MOST_UP).all())


def _is_lattice(axis: np.ndarray) -> bool:
    if len(axis) < _LEAST_POINTS:
        return False
    step = axis[1] - axis[0]
    if not step > 0.0:
        return False
    power = np.log2(step)
    return bool(
        power == round(power)
        and np.array_equal(axis, np.round(axis[0] / step) * step + step * np.arange(len(axis)))
    )


def same_definition(one: Definition, other: Definition) -> str | None:
    """What two definitions differ in; None where slopes by them can be added."""
    for name in ("cycles_from", "thaw_after_h", "unlogged_thaws", "age"):
        if getattr(one, name) != getattr(other, name):
            return name
    return None
