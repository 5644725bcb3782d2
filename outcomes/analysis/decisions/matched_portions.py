"""Portions of one source kept both ways: the fairest comparison of refrigerated with frozen."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.exposure.accumulate import exposure_at, regimes
from outcomes.exposure.stays import History
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings

LEAST_PAIRS = 3
LEAST_DISCORDANT = 5
_ALL_WAYS = 14  # families up to which every way of swapping is counted
_DRAWS = 10_000
_FARTHEST = 30.0  # log-odds ratio: beyond it a limit counts as none
_WAYS = ("refrigerated", "frozen")


@dataclass(frozen=True, slots=True)
class MatchedPortions:
    """Refrigerated against frozen among portions of the same source, tried by the same dogs.

    Attributes
    ----------
    parents
        The sources of which portions were tried both ways by at least one dog.
    trials, finds
        Way → trials, and finds among them, in the comparisons of one dog
        within one parent that can tell: both ways tried, not all with one result.
    comparisons
        How many such comparisons there are.
    odds_ratio, low, high
        Odds of a find refrigerated against frozen (conditional maximum
        likelihood), with exact limits at 1 - alpha; a limit is None where there is none.
    risk_difference, risk_low, risk_high
        The same as a difference in find probability, at the rate at which
        the frozen portions were found.
    p
        Exact, twice the smaller tail; below alpha exactly where the limits exclude 1.
    fewer, more
        Parents whose refrigerated portions were found less, and more, often.
    p_by_parent
        Exact test that swaps the two ways within whole parents, so that trials of one
        portion are not taken for independent: it needs six parents to fall below 0.05.
    reason
        Why nothing is compared; None where something is.
    """

    parents: tuple[str, ...]
    trials: dict[str, int]
    finds: dict[str, int]
    comparisons: int
    odds_ratio: float | None
    low: float | None
    high: float | None
    risk_difference: float | None
    risk_low: float | None
    risk_high: float | None
    p: float | None
    fewer: int
    more: int
    p_by_parent: float | None
    reason: str | None


def compare_portions(
    trials: pd.DataFrame, sources: pd.DataFrame, history: History, settings: DecisionSettings
) -> MatchedPortions:
    """Compare portions of one source that were kept both ways, as matched pairs.

    A family is a source with the portions cut from it. Each of its trials counts
    for the way the portion had been kept since it was cut (the source itself:
    since the first portion was cut from it), by the bounds on the frozen share
    in the settings of the history. Within a family each dog is compared with itself, so
    that neither what the source was, nor its age and history up to the cut, nor the dog decides.

    Parameters
    ----------
    trials
        Joined trials; only unassisted hide trials with storage on record are used.
    sources
        The unit's sources, with ``parent_id`` where portions were cut.
    history
        The storage history of every source; its settings give the bounds of the regimes.
    settings
        Gives ``alpha`` and the seed.

    Returns
    -------
    MatchedPortions
        With a ``reason`` and no estimate with fewer than 3 parents tried both
        ways, or fewer than 5 finds or 5 misses in comparisons that can tell.

    References
    ----------
    Gart JJ (1970). Point and interval estimation of the common odds ratio in
    the combination of 2 x 2 tables with fixed marginals. Biometrika 57, 471-475.
    Breslow NE, Day NE (1980). Statistical Methods in Cancer Research, vol. 1:
    The Analysis of Case-Control Studies, chapters 4 and 5. IARC, Lyon.
    """
    if "parent_id" not in sources or sources["parent_id"].isna().all():
        return _refused((), "no portions of one source are on record")
    tried = _kept_since_the_cut(trials, sources, history)
    tables = _tables(tried)
    both = tables[(tables["n_refrigerated"] > 0) & (tables["n_frozen"] > 0)]
    parents = tuple(sorted(both["parent"].unique().astype(str)))
    if len(parents) < LEAST_PAIRS:
        some = "no source was" if not parents else f"only {_sources(len(parents))}"
        return _refused(
            parents,
            f"{some} tried both ways, in portions of it, by one dog; at least {LEAST_PAIRS} "
            "are needed",
        )
    found = both["found_refrigerated"] + both["found_frozen"]
    size = both["n_refrigerated"] + both["n_frozen"]
    telling = both[(found > 0) & (found < size)]
    finds = int(found[telling.index].sum())
    misses = int(size[telling.index].sum()) - finds
    if min(finds, misses) < LEAST_DISCORDANT:
        return _refused(
            parents, "too few finds or misses where one dog tried both portions of a source"
        )
    estimate, low, high, p = common_odds_ratio(
        telling["found_refrigerated"].to_numpy(),
        telling["n_refrigerated"].to_numpy(),
        telling["found_frozen"].to_numpy(),
        telling["n_frozen"].to_numpy(),
        settings.alpha,
    )
    frozen = float(telling["found_frozen"].sum() / telling["n_frozen"].sum())
    differences = _by_parent(both)
    return MatchedPortions(
        parents=parents,
        trials={way: int(telling[f"n_{way}"].sum()) for way in _WAYS},
        finds={way: int(telling[f"found_{way}"].sum()) for way in _WAYS},
        comparisons=len(telling),
        odds_ratio=estimate,
        low=low,
        high=high,
        risk_difference=_difference(frozen, estimate),
        risk_low=_difference(frozen, 0.0 if low is None else low),
        risk_high=1.0 - frozen if high is None else _difference(frozen, high),
        p=p,
        fewer=int((differences < 0).sum()),
        more=int((differences > 0).sum()),
        p_by_parent=swapping_p(differences, random_stream(settings.seed, "matched portions")),
        reason=None,
    )


def _sources(count: int) -> str:
    return "1 source was" if count == 1 else f"{count} sources were"


def _refused(parents: tuple[str, ...], reason: str) -> MatchedPortions:
    nothing = {way: 0 for way in _WAYS}
    return MatchedPortions(
        parents, nothing, nothing, 0, None, None, None, None, None, None, None, 0, 0, None, reason
    )


def _kept_since_the_cut(
    trials: pd.DataFrame, sources: pd.DataFrame, history: History
) -> pd.DataFrame:
    """Trials of families, one row each: parent, dog, way, whether found."""
    cut = sources[sources["parent_id"].notna()][["source_id", "parent_id", "acquired_on"]]
    first = cut.groupby("parent_id")["acquired_on"].min()
    since = pd.concat([cut.set_index("source_id")["acquired_on"], first])
    since = since[~since.index.duplicated()]
    parent = pd.concat(
        [cut.set_index("source_id")["parent_id"], pd.Series(first.index, index=first.index)]
    )
    parent = parent[~parent.index.duplicated()]
    hides = trials[trials["result"].isin(["find", "miss"]) & trials["source_id"].isin(parent.index)]
    if "assisted" in hides:
        hides = hides[~hides["assisted"].fillna(False).astype(bool)]
    hides = hides[hides["documented"].fillna(False).astype(bool)].reset_index(drop=True)
    start = hides["source_id"].astype(str).map(since)
    before = exposure_at(history, hides["source_id"], start)
    frozen = hides["frozen_days"] - before["frozen_days"]
    stored = frozen + hides["refrigerated_days"] - before["refrigerated_days"]
    share = frozen.divide(stored.where(stored > 0.0))
    named = regimes(
        share.to_numpy(dtype=float),
        history.settings.frozen_at_least,
        history.settings.refrigerated_at_most,
    )
    way = pd.Series(named, index=hides.index, dtype=object)
    way[share.isna() | (hides["started_at"] < start)] = "mixed"
    return pd.DataFrame(
        {
            "parent": hides["source_id"].astype(str).map(parent).astype(str),
            "dog": hides["dog_id"].astype(str),
            "way": way,
            "found": hides["result"] == "find",
        }
    )


def _tables(tried: pd.DataFrame) -> pd.DataFrame:
    """One row a parent and dog: trials and finds either way."""
    rows = []
    for (parent, dog), own in tried.groupby(["parent", "dog"], sort=True):
        row: dict[str, object] = {"parent": parent, "dog": dog}
        for way in _WAYS:
            of_way = own.loc[own["way"] == way, "found"]
            row[f"n_{way}"], row[f"found_{way}"] = len(of_way), int(of_way.sum())
        rows.append(row)
    columns = ["parent", "dog", *(f"{what}_{way}" for way in _WAYS for what in ("n", "found"))]
    return pd.DataFrame(rows, columns=columns)


def _difference(frozen: float, odds_ratio: float | None) -> float | None:
    """Find probability refrigerated minus frozen, at the frozen portions' own."""
    if odds_ratio is None:
        return None
    if frozen >= 1.0:
        return 0.0
    odds = odds_ratio * frozen / (1.0 - frozen)
    return odds / (1.0 + odds) - frozen


def _by_parent(both: pd.DataFrame) -> np.ndarray:
    """Weighted difference in the share found, refrigerated minus frozen, one a parent.

    Mantel-Haenszel weights within a parent, dog by dog.
    """
    n1, n2 = both["n_refrigerated"], both["n_frozen"]
    weight = n1 * n2 / (n1 + n2)
    difference = both["found_refrigerated"] / n1 - both["found_frozen"] / n2
    total = (weight * difference).groupby(both["parent"]).sum()
    return np.round(total.to_numpy(dtype=float), 12)


def swapping_p(differences: np.ndarray, rng: np.random.Generator) -> float:
    """How often a sum so far from 0 comes up when the two ways are swapped at random by parent.

    Every way of swapping is counted up to 14 parents; beyond, 10,000 are drawn.

    Examples
    --------
    Of the eight ways of swapping three parents, two are as far out:

    >>> swapping_p(np.array([-0.5, -1.0, -0.2]), np.random.default_rng(1))
    0.25
    """
    size = len(differences)
    if size <= _ALL_WAYS:
        signs = np.array(list(itertools.product((-1.0, 1.0), repeat=size)))
        extra = 0
    else:
        signs = rng.choice((-1.0, 1.0), size=(_DRAWS, size))
        extra = 1  # the records themselves are one of the ways
    sums = np.abs(signs @ differences)
    far = int((sums >= abs(differences.sum()) - 1e-9).sum())
    return (far + extra) / (len(signs) + extra)


def common_odds_ratio(
    found: Sequence[int] | np.ndarray,
    n: Sequence[int] | np.ndarray,
    found_other: Sequence[int] | np.ndarray,
    n_other: Sequence[int] | np.ndarray,
    alpha: float,
) -> tuple[float | None, float | None, float | None, float]:
    """Common odds ratio of several 2 x 2 tables, conditional on their margins, exact.

    Parameters
    ----------
    found, n
        Successes and trials on the one side, one a table, shape (k,).
    found_other, n_other
        The same on the other side.
    alpha
        The limits are at 1 - alpha, each tail half of it.

    Returns
    -------
    estimate, low, high, p
        None where the tables are at their extreme. ``p`` is twice the smaller tail.

    Examples
    --------
    Pairs of which 13 differ in favour of the one side and 5 of the other:

    >>> one, other = [1] * 13 + [0] * 5, [0] * 13 + [1] * 5
    >>> estimate, low, high, p = common_odds_ratio(one, [1] * 18, other, [1] * 18, 0.05)
    >>> round(estimate, 3), round(low, 4), round(high, 4), round(p, 4)
    (2.6, 0.8699, 9.3147, 0.0963)
    """
    weights, least = np.zeros(1), 0
    for a, n1, b, n2 in zip(found, n, found_other, n_other, strict=True):
        both = int(a) + int(b)
        low_a, high_a = max(0, both - int(n2)), min(int(n1), both)
        k = np.arange(low_a, high_a + 1)
        own = _choose(int(n1), k) + _choose(int(n2), both - k)
        scaled = np.convolve(np.exp(weights - weights.max()), np.exp(own - own.max()))
        with np.errstate(divide="ignore"):
            weights = np.log(scaled)
        least += low_a
    support = least + np.arange(len(weights))
    seen = int(np.sum(found))
    centred = (support - seen).astype(float)

    def chances(log_ratio: float) -> np.ndarray:
        return np.asarray(special.softmax(weights + log_ratio * centred))

    def root(target: float, of: np.ndarray, sign: float) -> float | None:
        def apart(log_ratio: float) -> float:
            return sign * (float(chances(log_ratio) @ of) - target)

        if apart(-_FARTHEST) * apart(_FARTHEST) >= 0.0:
            return None
        from scipy.optimize import brentq

        return float(np.exp(brentq(apart, -_FARTHEST, _FARTHEST, xtol=1e-12)))

    at_least, at_most = (support >= seen).astype(float), (support <= seen).astype(float)
    inside = support[0] < seen < support[-1]
    estimate = root(0.0, centred, 1.0) if inside else None
    low = root(alpha / 2.0, at_least, 1.0) if seen > support[0] else None
    high = root(alpha / 2.0, at_most, -1.0) if seen < support[-1] else None
    none = chances(0.0)
    p = min(1.0, 2.0 * min(float(none @ at_least), float(none @ at_most)))
    return estimate, low, high, p


def _choose(n: int, k: np.ndarray) -> np.ndarray:
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))
