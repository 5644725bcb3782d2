"""What a unit has to plan with: its rates and spreads, days, dogs, and the sources it holds."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.decisions.shelf import held_sources
from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.errors import FitError, PlanError
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.trials import Joined
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import fit_mixed_model
from outcomes.planning.document import Rates
from outcomes.records.tables import Records

# Field rates, for a unit without enough records: common practice, no source.
FIELD_FOUND = 0.88
FIELD_SD = {"dog_sd": 0.5, "source_sd": 0.5, "portion_sd": 0.3}
_PRIOR_LEVELS = 8  # dogs or sources that the field's spread counts as, beside the unit's own
_FEWEST_TRIALS, _FEWEST_MISSES, _FEWEST_LEVELS = 100, 15, 4
_RECENT_DAYS = 91
_FEWEST_ON_A_DAY = 0.1  # share of training days that a day of the week needs to be one
_FEWEST_DAYS = 4
_UNKNOWN_DAYS = (1, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSource:
    """A source that is held.

    Attributes
    ----------
    source_id, kind, regime
        As recorded; ``regime`` None where storage does not say.
    cycles, age_days
        At the end of the records; 0 cycles where none is known.
    trials, finds
        Its unassisted hide trials.
    """

    source_id: str
    kind: str
    regime: str | None
    cycles: float
    age_days: float
    trials: int
    finds: int

    @property
    def log_odds(self) -> float:
        """Log-odds of a find, drawn to those of the field as by four trials."""
        finds = self.finds + 4.0 * FIELD_FOUND
        return float(np.log(finds / (self.trials + 4.0 - finds)))


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What a unit has to plan with.

    Attributes
    ----------
    name
        Its name.
    last_day
        Date of its last trial.
    rates
        Share found and spreads.
    training_days
        Days of the week on which it trains, Monday 0.
    trials_per_week
        Trials a week over the last three months on record.
    dogs, handlers
        Dogs of the last three months, in order of name, and who mostly handles each (None:
        not recorded).
    sources
        Held, in order of id.
    past
        Its unassisted hide trials: ``source_id``, ``dog_id``, ``cycles``, ``age_days``, ``day``
        (0 on the day before the plan could begin, else negative), ``found``.
    """

    name: str
    last_day: dt.date
    rates: Rates
    training_days: tuple[int, ...]
    trials_per_week: float
    dogs: tuple[str, ...]
    handlers: tuple[str | None, ...]
    sources: tuple[HeldSource, ...]
    past: pd.DataFrame


def unit_facts(records: Records, joined: Joined) -> UnitFacts:
    """What a unit has to plan with, from its records.

    Parameters
    ----------
    records, joined
        As read, and joined.

    Raises
    ------
    PlanError
        There is no trial at all.
    """
    trials = joined.trials
    if trials.empty:
        raise PlanError("There is no trial on record, so dogs and days are not known.")
    at = trials["started_at"].max().normalize() + pd.Timedelta(1, "D")
    hides = unassisted_hides(trials)
    recent = trials[trials["started_at"] >= at - pd.Timedelta(_RECENT_DAYS, "D")]
    dogs = tuple(sorted(recent["dog_id"].dropna().unique()))
    weeks = min(_RECENT_DAYS, max(7, (at - trials["started_at"].min()).days)) / 7.0
    return UnitFacts(
        name=records.settings.unit,
        last_day=(at - pd.Timedelta(1, "D")).date(),
        rates=_rates(hides),
        training_days=_training_days(recent),
        trials_per_week=len(recent) / weeks,
        dogs=dogs,
        handlers=tuple(_handler(trials, dog) for dog in dogs),
        sources=_sources(records, joined, hides, at),
        past=pd.DataFrame(
            {
                "source_id": hides["source_id"],
                "dog_id": hides["dog_id"],
                "cycles": hides["cycles"].astype(float),
                "age_days": hides["age_days"].astype(float),
                "day": (hides["started_at"].dt.normalize() - at).dt.days + 1,
                "found": hides["result"].eq("find").astype(float),
            }
        )
        .dropna()
        .reset_index(drop=True),
    )


def _training_days(recent: pd.DataFrame) -> tuple[int, ...]:
    days = recent["started_at"].dt.normalize().drop_duplicates().dt.dayofweek
    counts = days.value_counts()
    if counts.sum() < _FEWEST_DAYS:
        return _UNKNOWN_DAYS
    weeks = max(1.0, _RECENT_DAYS / 7.0)
    # As many days a week as it trains, those on which it trains most; ties by the week's order.
    number = max(1, min(7, round(counts.sum() / weeks)))
    ranked = sorted(counts.index, key=lambda day: (-counts[day], day))
    usual = [d for d in ranked[:number] if counts[d] >= _FEWEST_ON_A_DAY * counts.sum()]
    return tuple(sorted(int(day) for day in usual or ranked[:1]))


def _handler(trials: pd.DataFrame, dog: str) -> str | None:
    if "handler_id" not in trials:
        return None
    own = trials.loc[trials["dog_id"] == dog, "handler_id"].dropna().value_counts()
    return None if own.empty else min(own.index, key=lambda one: (-own[one], str(one)))


def _sources(
    records: Records, joined: Joined, hides: pd.DataFrame, at: pd.Timestamp
) -> tuple[HeldSource, ...]:
    held = sorted(held_sources(records.sources, joined.history, at))
    if not held:
        return ()
    ids = pd.Series(held, dtype=object)
    now = exposure_at(joined.history, ids, pd.Series([at] * len(held)))
    kinds = records.sources.set_index("source_id")["kind"]
    found = hides.assign(found=hides["result"].eq("find")).groupby("source_id")["found"]
    trials, finds = found.size(), found.sum()
    cycles = now["cycles"].astype(float).fillna(0.0).tolist()
    age_days = now["age_days"].astype(float).fillna(0.0).tolist()
    return tuple(
        HeldSource(
            source_id=source,
            kind="not recorded" if pd.isna(kinds.get(source)) else str(kinds[source]),
            regime=str(regime) if isinstance(regime, str) else None,
            cycles=cycles[k],
            age_days=age_days[k],
            trials=int(trials.get(source, 0)),
            finds=int(finds.get(source, 0)),
        )
        for k, (source, regime) in enumerate(zip(held, now["regime"], strict=True))
    )


def _rates(hides: pd.DataFrame) -> Rates:
    """The unit's own where there is enough of them, field rates for the others."""
    found = hides["result"].eq("find").to_numpy(dtype=float)
    sizes = {"dog_sd": hides["dog_id"].nunique(), "source_sd": hides["source_id"].nunique()}
    values = dict(FIELD_SD)
    own: list[str] = []
    share = FIELD_FOUND
    if len(found) >= _FEWEST_TRIALS:
        share = float(found.mean())
        own.append("found")
        misses = min(found.sum(), len(found) - found.sum())
        spreads = _spreads(hides, found) if misses >= _FEWEST_MISSES else {}
        for name, sd in spreads.items():
            levels = sizes[name]
            if levels < _FEWEST_LEVELS:
                continue
            # A spread estimated as zero from few levels would promise too much.
            pooled = levels * sd**2 + _PRIOR_LEVELS * FIELD_SD[name] ** 2
            values[name] = float(np.sqrt(pooled / (levels + _PRIOR_LEVELS)))
            own.append(name)
    return Rates(
        found=min(max(share, 0.02), 0.98),
        from_records=tuple(own),
        trials=len(found),
        sources=int(sizes["source_sd"]),
        dogs=int(sizes["dog_sd"]),
        **values,
    )


def _spreads(hides: pd.DataFrame, found: np.ndarray) -> dict[str, float]:
    """SD between dogs and sources beside cycles and age; empty where no model fits."""
    columns = [np.ones(len(found))]
    for name in ("cycles", "age_days"):
        values = hides[name].astype(float).fillna(0.0).to_numpy()
        if values.std() > 0:
            columns.append((values - values.mean()) / values.std())
    groupings = []
    for name, column in (("dog_sd", "dog_id"), ("source_sd", "source_id")):
        codes, levels = pd.factorize(hides[column], sort=True)
        if len(levels) > 1:
            groupings.append(Grouping(name, codes, len(levels)))
    try:
        fit = fit_mixed_model(found, np.column_stack(columns), groupings, curvature=False)
    except FitError:
        return {}
    return {group.name: float(abs(group.factor[0, 0])) for group in fit.groups}
