"""Records → trials, each with what its source had been through by then."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.exposure.accumulate import exposure_at, freezer_temperature
from outcomes.exposure.counted import count_by_hand
from outcomes.exposure.inspections import gather_looks, seen_at
from outcomes.exposure.stays import History, storage_history
from outcomes.exposure.use_ratio import use_ratio
from outcomes.records.dates import ALL_DAY, AT_THIS_TIME, dated_only
from outcomes.records.tables import Finding, Records
from outcomes.settings import RecordsSettings


@dataclass(frozen=True, slots=True)
class Joined:
    """Trials with their exposures, and what joining set aside.

    Attributes
    ----------
    trials
        Every used trial, in the order of the records: their columns, then
        ``experience``, ``met_before``, ``qualified``, the source's ``use_ratio``, ``first_mass_g``,
        ``freezer_c`` and ``kind``, and the columns of
        :func:`~outcomes.exposure.accumulate.exposure_at`. For blank areas the
        exposures are missing (``documented`` is pandas ``boolean``). Where sources were
        inspected, the columns of :func:`~outcomes.exposure.inspections.seen_at` follow.
    set_aside
        Rows that joining set aside, beside those the checks did.
    rows_in
        Table → rows handed over, as in the records.
    settings
        The settings it was made with.
    history
        The history of every source, to be asked at other moments.
    notes
        Sources whose cycles as counted by hand and by the log differ.
    """

    trials: pd.DataFrame
    set_aside: tuple[Finding, ...]
    rows_in: Mapping[str, int]
    settings: RecordsSettings
    history: History
    notes: tuple[Finding, ...] = ()


def join(records: Records) -> Joined:
    """Give each trial the exposure of its source at the moment it started.

    A trial without a time of day belongs to the stay outside the freezer that the
    log has on its day, and has the exposure of the source when that stay began
    (see :meth:`~outcomes.exposure.stays.History.moments_of`).

    A hide trial is set aside where its source is not among the sources, or had
    been discarded by then, and, under the policy ``strict``, where the log
    says that the source was in the freezer.

    ``experience`` is the number of the dog's earlier trials, of hides and of
    blank areas, by ``started_at`` (at one time: by order in the file), those
    set aside here included: the dog did search. ``met_before`` is how many of them were on this
    source, a portion counting its own. ``first_mass_g`` is what the source weighed when taken in,
    ``freezer_c`` the temperature of the freezer it was last in by then, missing before the first.
    Where the records have a column of one of these three names, it stays as it is. ``qualified``
    tells whether the dog was qualified by the start of the trial; it is missing where ``dogs``
    does not say. ``use_ratio`` is how readily the source was taken
    (see :func:`~outcomes.exposure.use_ratio.use_ratio`).

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
    # As a category each id is looked up once, here, and not again by every step.
    source = trials["source_id"].astype(pd.CategoricalDtype(records.sources["source_id"]))
    asked = pd.DataFrame({"source_id": source, "started_at": trials["started_at"]}, copy=False)
    for name in ("set_min", "at_midnight"):
        if name in trials:
            asked[name] = trials[name]
    # What asks nothing of the storage log is worked out beside it.
    with ThreadPoolExecutor(max_workers=1) as beside:
        of_dogs = beside.submit(_dog_columns, trials, records.dogs, source.cat.codes.to_numpy())
        used = beside.submit(_use_ratio, source, trials, records.storage)
        history = storage_history(
            records.sources, records.storage, asked, settings, records.readings
        )
        moment = history.moments_of(asked)
        counted = count_by_hand(records, history, source, moment)
        exposure = exposure_at(history, source, moment).assign(cycles=counted.cycles)
    experience, met_before, qualified = of_dogs.result()
    unknown = _unknown(source, trials["source_id"])
    hide = source.notna() | unknown
    reasons = _reasons(exposure, unknown, settings)
    columns = {name: trials[name] for name in trials}
    columns |= {"experience": experience, "qualified": qualified}
    columns["use_ratio"] = used.result()
    columns["kind"] = _of_source(source, records.sources["kind"], None)
    conditions = {
        "met_before": met_before,
        "first_mass_g": _of_source(source, records.sources["mass_g"], np.nan)
        if "mass_g" in records.sources
        else pd.Series(np.nan, index=trials.index),
        "freezer_c": freezer_temperature(history, source, moment),
    }
    for name, values in conditions.items():
        columns[name] = pd.Series(values)
    columns |= {name: exposure[name] for name in exposure}
    columns["documented"] = exposure["documented"].astype("boolean").where(hide)
    looks = gather_looks(records)
    if len(looks):
        seen = seen_at(records, looks, source, moment)
        columns |= {name: seen[name] for name in seen}
    if counted.by_hand.notna().any() or counted.source.isin(("counted", "both")).any():
        columns |= {"cycles_by_hand": counted.by_hand, "cycles_source": counted.source}
    trials = pd.DataFrame(columns, copy=False)
    findings: tuple[Finding, ...] = ()
    if reasons.any():
        findings = _findings(trials, reasons, records)
        trials = trials.loc[reasons == 0].reset_index(drop=True)
    return Joined(
        trials=trials,
        set_aside=findings,
        rows_in=records.rows_in,
        settings=settings,
        history=counted.history,
        notes=counted.notes,
    )


@dataclass(frozen=True, slots=True)
class _Reason:
    """Why a trial cannot be used: the column to look at, and what to say of ``{source}``.

    ``{when}`` is when the source was in the freezer.
    """

    rule: str
    column: str
    problem: str
    mend: str


_UNKNOWN_SOURCE, _AFTER_DISCARD, _UNLOGGED_THAW = 1, 2, 3
_REASONS = {
    _UNKNOWN_SOURCE: _Reason(
        "unknown source",
        "source_id",
        "{source} is not among the sources that can be used",
        "Correct the name, or add it to the sources.",
    ),
    _AFTER_DISCARD: _Reason(
        "trial on a discarded source",
        "started_at",
        "{source} had been discarded by then",
        "Correct the date, the source, or the discard.",
    ),
    _UNLOGGED_THAW: _Reason(
        "trial while in the freezer",
        "started_at",
        "the log has {source} in the freezer {when}",
        'Log when it left the freezer, or set unlogged_thaws = "infer".',
    ),
}


def _of_source(source: pd.Series[Any], values: pd.Series[Any], nothing: float | None) -> Any:
    """What each trial's source has in a column of the sources; ``nothing`` for a blank area."""
    dtype = object if nothing is None else float
    own = np.array([*values, nothing], dtype=dtype)
    return pd.Series(own[source.cat.codes.to_numpy()], index=source.index, dtype=dtype)


def _unknown(source: pd.Series[Any], named: pd.Series[Any]) -> np.ndarray:
    """True where a source is named that is not among the sources, shape (n,)."""
    unknown = source.isna().to_numpy()
    # Names are asked one by one, so only those that were not found.
    unknown[unknown] = named[unknown].notna()
    return unknown


def _reasons(
    exposure: pd.DataFrame, unknown: np.ndarray, settings: RecordsSettings
) -> np.ndarray[tuple[int], np.dtype[np.int8]]:
    """Key in ``_REASONS`` of why each trial is set aside; 0 where it is used."""
    reasons = np.zeros(len(exposure), dtype=np.int8)
    if settings.unlogged_thaws == "strict":
        reasons[(exposure["place"] == "freezer").to_numpy()] = _UNLOGGED_THAW
    # A discarded source is not documented: fewer places to compare.
    outside = np.flatnonzero(~exposure["documented"].to_numpy())
    gone = (exposure["place"].iloc[outside] == "discarded").to_numpy()
    reasons[outside[gone]] = _AFTER_DISCARD
    reasons[unknown] = _UNKNOWN_SOURCE
    return reasons


def _findings(
    trials: pd.DataFrame, reasons: np.ndarray[tuple[int], np.dtype[np.int8]], records: Records
) -> tuple[Finding, ...]:
    # As the person wrote it, where a check quoted it already.
    quoted = {
        (finding.rule, finding.file, finding.row): finding.value
        for finding in records.findings
        if finding.table == "trials"
    }
    aside = trials.loc[reasons > 0]
    findings = []
    for code, file, row, source, started_at, dated in zip(
        reasons[reasons > 0],
        aside["file"],
        aside["row"],
        aside["source_id"],
        aside["started_at"].dt.strftime("%Y-%m-%d %H:%M"),
        dated_only(aside),
        strict=True,
    ):
        reason = _REASONS[code]
        found = source if reason.column == "source_id" else started_at
        finding = Finding(
            rule=reason.rule,
            severity="set aside",
            table="trials",
            file=str(file),
            row=int(row),
            column=records.settings.name_of("trials", reason.column),
            value=quoted.get((reason.rule, str(file), int(row))) or str(found),
            problem=reason.problem.format(source=source, when=ALL_DAY if dated else AT_THIS_TIME),
            mend=reason.mend,
        )
        findings.append(finding)
    return tuple(findings)


def _use_ratio(
    source: pd.Series[Any], trials: pd.DataFrame, storage: pd.DataFrame
) -> pd.Series[float]:
    missed = trials["result"] == "miss"
    return use_ratio(source, trials["started_at"], missed, _discarded_at(storage))


def _discarded_at(storage: pd.DataFrame) -> pd.Series[pd.Timestamp]:
    """Source → when the log first says it was discarded."""
    gone = storage[storage["moved_to"] == "discarded"]
    return gone.groupby("source_id", observed=True)["moved_at"].min()


def _dog_columns(
    trials: pd.DataFrame, dogs: pd.DataFrame, source: np.ndarray
) -> tuple[pd.Series[float], pd.Series[float], pd.Series[bool]]:
    """Number of the dog's earlier trials, of those on this source, and whether it was qualified.

    All are missing where the dog is; the second also where the source (code -1) is, the third
    where ``dogs`` does not say.
    """
    dog, ids = pd.factorize(trials["dog_id"])
    started_at = trials["started_at"].to_numpy()
    if "row" in trials and not trials["row"].is_monotonic_increasing:
        order = np.lexsort((trials["row"].to_numpy(), started_at))
    else:
        order = np.argsort(started_at, kind="stable")
    experience = np.empty(len(dog))
    experience[order] = pd.Series(dog[order]).groupby(dog[order], sort=False).cumcount()
    experience[dog < 0] = np.nan
    pair = dog[order].astype(np.int64) * (int(source.max(initial=0)) + 1) + source[order]
    met_before = np.empty(len(dog))
    met_before[order] = pd.Series(pair).groupby(pair, sort=False).cumcount()
    met_before[(dog < 0) | (source < 0)] = np.nan

    since = np.full(len(ids) + 1, np.datetime64("NaT"), dtype="datetime64[ns]")
    if "qualified_on" in dogs and len(dogs):
        since[:-1] = dogs.set_index("dog_id")["qualified_on"].reindex(ids).to_numpy()
    qualified_on = since[dog]
    qualified = pd.arrays.BooleanArray(started_at >= qualified_on, np.isnat(qualified_on))
    return (
        pd.Series(experience, index=trials.index),
        pd.Series(met_before, index=trials.index),
        pd.Series(qualified, index=trials.index),
    )
