"""How soon finds come: their time against cycles, age and what else the model of finds holds.

Whether a hide is found at all is the model of finds' question; a miss has no time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.shapes import Shape
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.analysis.searches.share_found import FoundCurve, HowSoon
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.laplace import Grouping
from outcomes.models.linear_mixed import LinearMixed, fit_linear_mixed
from outcomes.models.ratio import Estimate, estimate_ratio, shortfall

LEAST_FINDS = 30
LEAST_SOURCES = 8
LEAST_DOGS = 3
LAST_PART = 0.75  # of the time limit: where its last quarter begins
MOST_IN_LAST_PART = 0.05  # share of finds there, from which the limit is said to hide some
_NEW_INFORMATION = 1e-6  # of a column's variation, beyond the columns before it
_GROUPS = ("dog", "source")


@dataclass(frozen=True, slots=True)
class SearchTimeFit:
    """How soon finds come.

    Attributes
    ----------
    n, finds, sources, dogs
        Trials with a usable time, finds among them, and the sources and dogs of those finds.
    terms
        By how much the time of a find is multiplied, one row per term.
    sd
        Standard deviations of the log time: ``dog``, ``source``, ``residual``.
    last_quarter
        Share of the finds that came in the last quarter of their time limit; None where the
        limit is on record for fewer than half of them.
    left_out
        Terms and trials the model does without, and why.
    reason
        Why there are no terms; None where there are.
    copies
        Exposures that say the same as another: name → that other.
    alpha
        Intervals are at 1 - alpha.
    how_soon
        The model itself; None without terms.
    curve
        Share of hides found by every minute; None where ``no_curve`` says why.
    no_curve
        Why there is no curve.
    shapes
        Exposures whose term is no straight line, as in the model of finds: one unit of it is then
        not one step of the exposure.
    """

    n: int
    finds: int
    sources: int
    dogs: int
    terms: tuple[Estimate, ...]
    sd: Mapping[str, float]
    last_quarter: float | None
    left_out: tuple[LeftOut, ...]
    reason: str | None
    copies: Mapping[str, str]
    alpha: float
    how_soon: HowSoon | None = None
    curve: FoundCurve | None = None
    no_curve: str | None = None
    shapes: Mapping[ExposureName, Shape] = field(default_factory=dict)

    @property
    def cut_off(self) -> bool:
        """Whether the limit hides searches that would have taken longer: sizes are then least."""
        return self.last_quarter is not None and self.last_quarter > MOST_IN_LAST_PART

    def term(self, name: str) -> Estimate | None:
        """The row of a numeric term; None if the model does without it."""
        return next((t for t in self.terms if t.term == name), None)


def fit_search_time(fit: FindFit) -> SearchTimeFit:
    """Fit the logarithm of the time of finds against the terms of the model of finds.

    Normal effects of dog and source, by restricted maximum likelihood. Intervals of cycles, age
    and what else varies mainly between sources use Student's t with sources less such terms
    degrees of freedom. Misses have no time: they do not count here. (A model in which they are
    searches cut off by the limit reads fewer finds as longer searches: held by
    ``tests/studies/test_search_time.py``.)

    Parameters
    ----------
    fit
        Fit of finds: its design is used, whether or not a model could be fitted.

    Returns
    -------
    SearchTimeFit
        Without terms, and with the reason, for fewer than 30 finds with a time, or 8 sources or
        3 dogs of such finds, or where no maximum is found. The curve is added by
        :func:`outcomes.answers.side_questions.ask_search_time`.

    References
    ----------
    Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are
    unequal. Biometrika 58, 545-554.
    """
    trials = fit.design.trials
    time = seconds_searched(trials)
    found = (trials["result"] == "find").to_numpy()
    timed = found & np.isfinite(time)
    own = trials[timed]
    limit = time_limits(trials)[timed]
    counts = (len(own), int(own["source_id"].nunique()), int(own["dog_id"].nunique()))
    known = np.isfinite(limit)
    last_quarter = None
    if len(own) and 2 * known.sum() >= len(own):
        last_quarter = float((time[timed] > LAST_PART * limit)[known].mean())
    nothing = SearchTimeFit(
        n=int(np.isfinite(time).sum()),
        finds=counts[0],
        sources=counts[1],
        dogs=counts[2],
        terms=(),
        sd={},
        last_quarter=last_quarter,
        left_out=(*fit.design.left_out, *_untimed(found, time)),
        reason=_too_few(*counts),
        copies=fit.design.copies,
        alpha=fit.settings.alpha,
        shapes=fit.design.shapes,
    )
    if nothing.reason is not None:
        return nothing
    design, dropped, copies = _among_finds(fit.design, timed)
    nothing = replace(
        nothing, left_out=(*nothing.left_out, *dropped), copies={**nothing.copies, **copies}
    )
    if not any(column.term in CYCLES_AND_AGE for column in design.columns):
        return replace(nothing, reason="neither cycles nor age varies enough between the finds")
    log_time = np.log(time[timed])
    groupings = tuple(_grouping(name, own[f"{name}_id"]) for name in _GROUPS)
    try:
        model = fit_linear_mixed(log_time, design.x, groupings)
    except FitError as error:
        return replace(nothing, reason=str(error))
    spread = dict(zip(_GROUPS, model.sd.tolist(), strict=True))
    return replace(
        nothing,
        terms=_terms(design, model, fit.settings.alpha),
        sd={**spread, "residual": model.residual_sd},
        how_soon=HowSoon(design, np.flatnonzero(timed), log_time, limit, model),
    )


def seconds_searched(trials: pd.DataFrame) -> np.ndarray:
    """Seconds until each search of a hide ended, shape (n,); NaN where that is not on record.

    Of a miss its time limit where its search time is not on record.
    """
    searched, limit = _number(trials, "search_s"), _number(trials, "limit_s")
    missed = (trials["result"] == "miss").to_numpy()
    time = np.where(np.isnan(searched) & missed, limit, searched)
    return np.asarray(np.where(time > 0.0, time, np.nan))


def time_limits(trials: pd.DataFrame) -> np.ndarray:
    """Seconds that each search was limited to, shape (n,); NaN where that is not on record.

    Without a limit on record, a miss was limited to the time that it took.
    """
    limit = _number(trials, "limit_s")
    missed = (trials["result"] == "miss").to_numpy()
    limit = np.where(np.isnan(limit) & missed, _number(trials, "search_s"), limit)
    return np.asarray(np.where(limit > 0.0, limit, np.nan))


def _number(trials: pd.DataFrame, name: str) -> np.ndarray:
    if name not in trials:
        return np.full(len(trials), np.nan)
    return trials[name].to_numpy(dtype=float)


def _untimed(found: np.ndarray, time: np.ndarray) -> tuple[LeftOut, ...]:
    notes = []
    for word, rows in (("finds", found), ("misses", ~found)):
        lacking = int((rows & np.isnan(time)).sum())
        if lacking:
            notes.append(LeftOut("trials", f"{lacking:,} of the {word}: no usable search time"))
    return tuple(notes)


def _too_few(finds: int, sources: int, dogs: int) -> str | None:
    short = shortfall(
        (
            ("find with a search time", "finds with a search time", finds, LEAST_FINDS),
            ("source", "sources", sources, LEAST_SOURCES),
            ("dog", "dogs", dogs, LEAST_DOGS),
        )
    )
    return f"too few trials that can be used ({short})" if short else None


def _among_finds(
    design: Design, rows: np.ndarray
) -> tuple[Design, tuple[LeftOut, ...], dict[str, str]]:
    """The design of some trials, without columns that say nothing among them."""
    x = design.x[rows]
    kept, left_out, copies = [0], [], {}
    for j, column in enumerate(design.columns, start=1):
        values = x[:, j] - x[:, j].mean()
        own = float(values @ values)
        before = x[:, kept]
        left = values - before @ np.linalg.lstsq(before, values, rcond=None)[0]
        if float(left @ left) > _NEW_INFORMATION * own and own > 0.0:
            kept.append(j)
            continue
        if own <= 0.0:
            left_out.append(LeftOut(column.name, "the same in every find used"))
            continue
        left_out.append(LeftOut(column.name, "carries the same information as other terms"))
        if column.term in CYCLES_AND_AGE:
            copies[column.name] = design.columns[kept[-1] - 1].name
    among = replace(
        design,
        trials=design.trials[rows],
        y=design.y[rows],
        x=x[:, kept],
        columns=tuple(design.columns[j - 1] for j in kept[1:]),
        groups={"source": design.trials["source_id"].astype(str).to_numpy()[rows]},
    )
    return among, tuple(left_out), copies


def _grouping(name: str, labels: pd.Series) -> Grouping:
    codes, levels = pd.factorize(labels.astype(str), sort=True)
    return Grouping(name, codes, len(levels))


def _terms(design: Design, model: LinearMixed, alpha: float) -> tuple[Estimate, ...]:
    freedom = small_sample(design)[0]
    errors = np.sqrt(np.diag(model.cov))
    return tuple(
        estimate_ratio(
            column.term, column.unit, float(model.beta[j]), float(errors[j]), alpha,
            float(freedom[j]),
        )
        for j, column in enumerate(design.columns, start=1)
    )  # fmt: skip
