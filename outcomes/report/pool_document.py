"""``pool.json``: what several units say together, for programs and for ``brief --with-pool``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from outcomes.errors import UsageError
from outcomes.pool.answer import CONFIDENCE, Method, PoolAnswer, SlopeTogether
from outcomes.pool.prior import PooledSlopes
from outcomes.pool.share import Definition, DogBand, Maker, ShapeShared, ShareError
from outcomes.pool.unit_surface import SharedName
from outcomes.report.results.document import MADE_BY
from outcomes.report.results.values import Number, plain
from outcomes.wording.pool import describe_pool

FORMAT: Literal[1] = 1
_MOST_BYTES = 10_000_000
_Slope = Annotated[float, Meta(ge=-1e6, le=1e6)]
_Code = Annotated[str, Meta(max_length=12)]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitInPool:
    """One unit as its share tells of it; ``added``: its surface is in the sums."""

    unit_code: _Code
    through: str
    shape: ShapeShared
    added: bool
    trials: int
    misses: int
    sources: int
    dogs: DogBand


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonSlope:
    """The units' mean slope, log-odds of a find."""

    log_odds: _Slope
    std_error: _Slope | None
    low: _Slope | None
    high: _Slope | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadBetween:
    """Standard deviation of the slope between units."""

    sd: _Slope
    low: _Slope
    high: _Slope | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeOfAnother:
    """Where another unit's slope lies."""

    low: _Slope
    high: _Slope

    def __post_init__(self) -> None:
        """Refuse what cannot be; the reader of JSON makes one line of it."""
        if not self.low < self.high:
            raise ValueError("low is not below high")


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeOfUnit:
    """One unit's own slope; ``apart``: its limits leave out the common one."""

    unit_code: _Code
    log_odds: _Slope
    low: _Slope | None
    high: _Slope | None
    apart: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FromEstimates:
    """The mean slope from estimates and errors alone, by Hartung and Knapp.

    ``spread_by``: how the variance between units was found, ``sd`` its root.
    """

    spread_by: str
    units: int
    log_odds: float
    std_error: float
    low: float
    high: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledSlope:
    """What the units say of one exposure, per ``unit``."""

    unit: str
    method: Method
    common: CommonSlope
    between_units: SpreadBetween | None
    prediction: SlopeOfAnother | None
    unlike_p: Number
    units: Annotated[tuple[SlopeOfUnit, ...], Meta(max_length=10_000)]
    beside: tuple[FromEstimates, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolDocument:
    """All of it. Limits are two-sided at ``confidence``."""

    format: Literal[1]
    made_by: Maker
    confidence: float
    definition: Definition
    units: Annotated[tuple[UnitInPool, ...], Meta(max_length=10_000)]
    slopes: dict[SharedName, PooledSlope]
    sentence: Annotated[str, Meta(max_length=2000)]


UNIT_OF: dict[SharedName, str] = {"cycles": "10 cycles", "age": "year"}


def make_pool_document(answer: PoolAnswer) -> PoolDocument:
    """The document of an answer."""
    shares = sorted((*answer.added, *answer.beside), key=lambda s: s.unit_code)
    return PoolDocument(
        format=FORMAT,
        made_by=Maker(name=MADE_BY.name, version=MADE_BY.version),
        confidence=CONFIDENCE,
        definition=answer.definition,
        units=tuple(
            UnitInPool(
                unit_code=s.unit_code,
                through=s.through,
                shape=s.shape,
                added=s.surface is not None,
                trials=s.counts.trials,
                misses=s.counts.misses,
                sources=s.counts.sources,
                dogs=s.counts.dogs,
            )
            for s in shares
        ),
        slopes={name: _slope(slope) for name, slope in answer.slopes.items()},
        sentence=describe_pool(answer),
    )


def _slope(slope: SlopeTogether) -> PooledSlope:
    between, prediction = slope.between_units, slope.prediction
    return PooledSlope(
        unit=UNIT_OF[slope.exposure],
        method=slope.method,
        common=CommonSlope(
            log_odds=slope.estimate, std_error=slope.std_error, low=slope.low, high=slope.high
        ),
        between_units=None
        if between is None
        else SpreadBetween(sd=between.sd, low=between.low, high=between.high),
        prediction=None
        if prediction is None
        else SlopeOfAnother(low=prediction.low, high=prediction.high),
        unlike_p=slope.unlike_p,
        units=tuple(
            SlopeOfUnit(
                unit_code=u.unit_code, log_odds=u.estimate, low=u.low, high=u.high, apart=u.apart
            )
            for u in slope.units
        ),
        beside=tuple(
            FromEstimates(
                spread_by=by,
                units=found.units,
                log_odds=found.estimate,
                std_error=found.hartung_knapp_error,
                low=found.low,
                high=found.high,
                sd=found.variance**0.5,
            )
            for by, found in slope.beside.items()
        ),
    )


def read_pool_document(path: Path) -> PoolDocument:
    """A pool from its file.

    Raises
    ------
    UsageError
        There is no such file.
    ShareError
        It is no pool, or a damaged one.
    """
    try:
        if not path.is_file():
            raise UsageError(
                f"{path}: there is no such file. Name a pool.json that `outcomes pool` wrote."
            )
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"{str(path)!r} cannot be read ({reason}).") from error
    try:
        if len(text) > _MOST_BYTES:
            raise msgspec.ValidationError("it is larger than any pool")
        return msgspec.json.decode(text, type=PoolDocument)
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
        reason = str(error).splitlines()[0][:200]
        raise ShareError(
            f"{path} is not a pool of format {FORMAT}, or is damaged ({reason}). Make it again "
            "with `outcomes pool`."
        ) from None


def slopes_of_pool(document: PoolDocument) -> PooledSlopes:
    """What another unit needs of a pool."""
    slopes = document.slopes
    of_units: dict[str, dict[SharedName, float]] = {}
    for name, slope in slopes.items():
        for own in slope.units:
            of_units.setdefault(own.unit_code, {})[name] = own.log_odds
    told = [
        name
        for name, slope in slopes.items()
        if (slope.common.high is not None and slope.common.high < 0.0)
        or (slope.common.low is not None and slope.common.low > 0.0)
    ]
    return PooledSlopes(
        units={name: len(slope.units) for name, slope in slopes.items()},
        predictions={
            name: (slope.prediction.low, slope.prediction.high)
            for name, slope in slopes.items()
            if slope.prediction is not None
        },
        means={name: slope.common.log_odds for name, slope in slopes.items()},
        told=tuple(told),
        of_units=of_units,
        definition=document.definition,
    )


def pool_told(document: PoolDocument) -> object:
    """What goes into the file: plain numbers of 10 digits."""
    return plain(document)
