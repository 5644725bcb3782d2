"""The question on finds put to other models of the same trials."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Column
from outcomes.analysis.finds.specifications import (
    Asked,
    independent_columns,
    means_by_source,
    place_of,
    usable_columns,
    with_columns,
)
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.clustered import fit_clustered, fit_conditional, fit_gee
from outcomes.text import count

_FEW_CLUSTERS = 40
_DOG = Column("dog", "dog", "", 0.0, 1.0, None)


def ask_other_models(asked: Asked) -> None:
    """Ask models without random effects, within sources, and without the ratio of use."""
    design = asked.design
    sources = design.trials["source_id"].astype(str).to_numpy()
    dogs = design.trials["dog_id"].astype(str).to_numpy()
    found = pd.Series(design.y).groupby(dogs).transform("mean").to_numpy()
    told = (found > 0.0) & (found < 1.0)
    y, x = design.y[told], design.x[told]
    # Dogs last: a term that the dogs already carry must not cost a dog, nor an exposure.
    indicators = pd.get_dummies(pd.Series(dogs[told]), dtype=float).to_numpy()[:, 1:]
    full = np.column_stack([x, indicators])
    columns = [*design.columns, *[_DOG] * indicators.shape[1]]
    usable = usable_columns(y, full, columns)
    wide = full[:, [0, *usable]]
    places = {t: place_of(design.column_of(t), usable, 1) for t in asked.terms}
    note = "averaged over sources"
    if not told.all():
        note += "; trials of dogs with finds alone or misses alone are left out"
    session = _sessions(design.trials)[told]
    in_source = sources[told]
    clusters = len(set(in_source))
    if clusters < _FEW_CLUSTERS:
        few = (
            f"; with {count(clusters, 'source')} such errors are rough, and more often too small "
            "than not"
        )
    else:
        few = ""
    ways: list[tuple[str, np.ndarray | None]] = [
        ("no source effects, errors by source", None),
        ("no source effects, errors by source and session", session),
    ]
    for name, second in ways:
        try:
            made = fit_clustered(y, wide, in_source, second)
        except FitError as error:
            asked.refuse(name, "model", str(error))
        else:
            asked.add_clustered(name, made, places, note + few, clusters)
    name = "averages over sources (GEE)"
    # Without dog terms: an error corrected for few sources needs more sources than terms.
    own = usable_columns(y, x, design.columns)
    places = {t: place_of(design.column_of(t), own, 1) for t in asked.terms}
    try:
        made = fit_gee(y, x[:, [0, *own]], in_source)
    except FitError as error:
        asked.refuse(name, "model", str(error))
    else:
        errors = f"{note}; {made.errors} errors"
        asked.add_clustered(name, made, places, errors, clusters)
    _within_sources(asked, sources)
    _split(asked, sources)
    _without_use_ratio(asked)


def _sessions(trials: pd.DataFrame) -> np.ndarray:
    """Session of each trial; its day where none is given."""
    day = trials["started_at"].dt.strftime("%Y-%m-%d")
    if "session_id" not in trials:
        return np.asarray(day, dtype=object)
    session = trials["session_id"].where(trials["session_id"].notna(), day)
    return np.asarray(session.astype(str), dtype=object)


def _within_sources(asked: Asked, sources: np.ndarray) -> None:
    """Conditional logistic regression, with dog terms, on what varies within sources."""
    name = "each source against itself (conditional)"
    design = asked.design
    codes = pd.factorize(sources)[0]
    size = np.bincount(codes)
    share = (np.bincount(codes, weights=design.y) / size)[codes]
    told = (share > 0.0) & (share < 1.0)
    if not told.any():
        asked.refuse(name, "model", "no source has both finds and misses")
        return
    dogs = pd.get_dummies(design.trials["dog_id"][told].astype(str), dtype=float).to_numpy()
    x = np.column_stack([design.x[told], dogs[:, 1:]])
    columns = [*design.columns, *[_DOG] * (dogs.shape[1] - 1)]
    y, codes = design.y[told], codes[told]
    separable = []
    for j, column in enumerate(columns, start=1):
        result = y[x[:, j] == 1.0] if column.contrast is not None or column is _DOG else y
        if len(result) and result.min() < result.max():
            separable.append(j)
    within = x[:, separable] - means_by_source(x[:, separable], codes)
    usable = [separable[k] for k in independent_columns(within)]
    if not usable:
        asked.refuse(name, "model", "nothing varies within sources")
        return
    try:
        made = fit_conditional(y, x[:, usable], codes)
    except FitError as error:
        asked.refuse(name, "model", str(error))
        return
    places = {t: place_of(design.column_of(t), usable, 0) for t in asked.terms}
    note = "sources with both finds and misses only"
    asked.add_clustered(name, made, places, note, made.clusters)


def split_within(
    x: np.ndarray, positions: Sequence[int], codes: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A design whose exposures are split into own deviation and mean of the cluster.

    Parameters
    ----------
    x
        Design, shape (n, p).
    positions
        Columns to split.
    codes
        Cluster of each row, integers from 0, shape (n,).

    Returns
    -------
    within, means
        The design with those columns as deviations from their cluster's mean,
        shape (n, p), and the means, shape (n, len(positions)).
    """
    means = means_by_source(x[:, list(positions)], codes)
    within = x.copy()
    within[:, list(positions)] -= means
    return within, means


def _split(asked: Asked, sources: np.ndarray) -> None:
    """Within/between-source split in the mixed model; the change within sources is reported."""
    name = "own change of each source (Mundlak)"
    design = asked.design
    positions = [c for c in (design.column_of(t) for t in asked.terms) if c is not None]
    within, means = split_within(design.x, positions, pd.factorize(sources)[0])
    between = [
        Column(
            f"{CYCLES_AND_AGE[t].noun} of the source",
            f"{t}: mean of the source",
            "",
            0.0,
            1.0,
            None,
        )
        for t in asked.terms
    ]
    # The means follow the exposures at once: what they carry is not left to later terms.
    own = [j for j in range(within.shape[1]) if j not in positions and j != 0]
    x = np.column_stack([within[:, [0, *positions]], means, within[:, own]])
    columns = [
        *(design.columns[j - 1] for j in positions),
        *between,
        *(design.columns[j - 1] for j in own),
    ]
    made = with_columns(design, design.trials, design.y, x, columns, design.groups)
    note = "sources with more cycles or greater age are not compared with others"
    asked.add_mixed(name, "model", made, note)


def _without_use_ratio(asked: Asked) -> None:
    """The main model, blind to which sources were taken more readily."""
    name = "without how readily sources are taken"
    design = asked.design
    column = design.column_of("use_ratio")
    if column is None:
        asked.refuse(name, "model", "the main model does without it")
        return
    keep = [j for j in range(1, design.x.shape[1]) if j != column]
    columns = [design.columns[j - 1] for j in keep]
    x = design.x[:, [0, *keep]]
    asked.add_mixed(
        name,
        "model",
        with_columns(design, design.trials, design.y, x, columns, design.groups),
        "if strong sources were used more, these hide a part of the change",
    )
