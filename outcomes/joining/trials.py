"""Records → trials, each with what its source had been through by then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.stays import History, storage_history
from outcomes.records.tables import Finding, Records
from outcomes.settings import Settings


@dataclass(frozen=True, slots=True)
class Joined:
    """Trials with their exposures, and what joining set aside.

    Attributes
    ----------
    trials
        Every used trial, in the order of the records: their columns, then
        ``experience``, ``qualified``, ``kind`` (the source's) and the columns of
        :func:`~outcomes.exposure.accumulate.exposure_at`. For blank areas the
        exposures are missing (``documented`` is pandas ``boolean``).
    set_aside
        Rows that joining set aside, beside those the checks did.
    rows_in
        Table → rows handed over, as in the records.
    settings
        The settings it was made with.
    history
        The history of every source, to be asked at other moments.
    """

    trials: pd.DataFrame
    set_aside: tuple[Finding, ...]
    rows_in: Mapping[str, int]
    settings: Settings
    history: History


def join(records: Records) -> Joined:
    """Give each trial the exposure of its source at the moment it started.

    A hide trial is set aside where its source is not among the sources, or had
    been discarded by then, and, under the policy ``strict``, where the log
    says that the source was in the freezer.

    ``experience`` is the number of the dog's earlier trials, of hides and of
    blank areas, by ``started_at`` (at one time: by order in the file), those
    set aside here included: the dog did search. ``qualified`` tells whether
    the dog was qualified by the start of the trial; it is missing where
    ``dogs`` does not say.

    Parameters
    ----------
    records
        As read and checked; nothing in them is changed.

    Returns
    -------
    Joined

    Raises
    ------
    RecordsError
        If the sources' parents or the log's places cannot be used.
    """
    settings = records.settings
    # Shares the columns, which nothing changes; only the list of columns is its own.
    trials = records.trials.copy(deep=False)
    trials.index = pd.RangeIndex(len(trials))
    history = storage_history(records.sources, records.storage, trials, settings)
    exposure = exposure_at(history, trials["source_id"], trials["started_at"])
    reasons = _reasons(trials, exposure, history)
    hide = trials["source_id"].notna()
    trials["experience"] = _experience(trials)
    trials["qualified"] = _qualified(trials, records.dogs)
    trials["kind"] = trials["source_id"].map(records.sources.set_index("source_id")["kind"])
    for name in exposure:
        trials[name] = exposure[name]
    trials["documented"] = trials["documented"].astype("boolean").where(hide)
    findings: tuple[Finding, ...] = ()
    if reasons.any():
        findings = _findings(trials, reasons, settings)
        trials = trials.loc[reasons == 0].reset_index(drop=True)
    return Joined(
        trials=trials,
        set_aside=findings,
        rows_in=records.rows_in,
        settings=settings,
        history=history,
    )


_REASONS = (
    ("", "", ""),
    (
        "unknown source",
        "this source is not among the sources that can be used",
        "Add it to the sources, or correct the name.",
    ),
    (
        "trial after discard",
        "the source had been discarded by the start of this trial",
        "Correct the date of the trial or of the discard, or the name of the source.",
    ),
    (
        "unlogged thaw",
        "the storage log says the source was in the freezer at the start of this trial",
        'Log when it left the freezer, or set unlogged_thaws = "infer".',
    ),
)
_UNKNOWN_SOURCE, _AFTER_DISCARD, _UNLOGGED_THAW = 1, 2, 3


def _reasons(
    trials: pd.DataFrame, exposure: pd.DataFrame, history: History
) -> np.ndarray[tuple[int], np.dtype[np.int8]]:
    """Position in ``_REASONS`` of why each trial is set aside; 0 where it is used."""
    reasons = np.zeros(len(exposure), dtype=np.int8)
    hide = trials["source_id"].notna().to_numpy()
    place = exposure["place"]
    if history.settings.unlogged_thaws == "strict":
        reasons[(place == "freezer").to_numpy()] = _UNLOGGED_THAW
    reasons[(place == "discarded").to_numpy()] = _AFTER_DISCARD
    known = trials["source_id"].isin(history.source_ids).to_numpy()
    reasons[hide & ~known] = _UNKNOWN_SOURCE
    return reasons


def _findings(
    trials: pd.DataFrame, reasons: np.ndarray[tuple[int], np.dtype[np.int8]], settings: Settings
) -> tuple[Finding, ...]:
    column = settings.columns.get("trials", {}).get("source_id", "source_id")
    rows = np.flatnonzero(reasons)
    aside = trials.iloc[rows]
    return tuple(
        Finding(
            rule=_REASONS[reason][0],
            severity="set aside",
            table="trials",
            file=str(file),
            row=int(row),
            column=column,
            value=str(source),
            problem=_REASONS[reason][1],
            mend=_REASONS[reason][2],
        )
        for reason, file, row, source in zip(
            reasons[rows], aside["file"], aside["row"], aside["source_id"], strict=True
        )
    )


def _experience(trials: pd.DataFrame) -> pd.Series[float]:
    """Number of the dog's earlier trials; missing where the dog is."""
    keys = [key for key in ("started_at", "row") if key in trials]
    in_order = trials[["dog_id", *keys]].sort_values(keys, kind="stable")
    earlier = in_order.groupby("dog_id", sort=False).cumcount().astype(float)
    return earlier.where(in_order["dog_id"].notna()).reindex(trials.index)


def _qualified(trials: pd.DataFrame, dogs: pd.DataFrame) -> pd.Series[bool]:
    """Whether the dog was qualified by the start; missing where ``dogs`` does not say."""
    if "qualified_on" not in dogs or not len(dogs):
        return pd.Series(pd.NA, index=trials.index, dtype="boolean")
    dates = dogs.set_index("dog_id")["qualified_on"]
    qualified_on = trials["dog_id"].map(dates)
    qualified = (trials["started_at"] >= qualified_on).astype("boolean")
    return qualified.mask(qualified_on.isna())
