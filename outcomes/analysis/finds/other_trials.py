"""The question on finds put to other trials: fewer of them, or with more thaws than are logged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.choose_terms import PER_PARAMETER, plan_design
from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.memory import FIRST_MEETINGS
from outcomes.analysis.finds.specifications import Asked, refit_other, restrict, size_of
from outcomes.analysis.finds.unlogged_thaws import add_thaws, exposures_of, history_of
from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.exposure.trials import join
from outcomes.random_streams import random_stream
from outcomes.records.tables import Records

LEAST_SOURCES = 5
UNLOGGED = (0.10, 0.20, 0.30)
LOGGED_FROM_THE_START = "sources logged from the start only"
_DRAWS = 5
_TRIALS_REFITTED = 400_000  # trials times refits spent on leaving out sources, and on dogs
_MANY_TRIALS = 20_000
_YEAR = pd.Timedelta(365, "D")


def ask_other_trials(asked: Asked, records: Records | None) -> None:
    """Ask of fewer trials: those that are beyond some doubt; and of cycles as counted otherwise."""
    trials = asked.design.trials
    _ask_other_count(asked, records)
    name = "thaws that the log lacks not inferred"
    if records is None:
        asked.refuse(name, "records", "needs the records")
    elif records.settings.unlogged_thaws == "strict":
        asked.refuse(name, "records", "the main model already reads the log this way")
    else:
        history = history_of(
            records, records.storage, replace(records.settings, unlogged_thaws="strict")
        )
        exposures = exposures_of(history, trials)
        frozen = exposures["place"].eq("freezer").to_numpy()
        other = trials.copy()
        for column in exposures:
            other[column] = exposures[column]
        note = "trials while the log says freezer left out"
        _ask_anew(asked, name, other[~frozen], note)
    if "blinding" not in trials or trials["blinding"].isna().all():
        asked.refuse("blind trials only", "records", "blinding is not recorded")
    else:
        blind = trials["blinding"].isin(["single", "double"])
        _ask_anew(asked, "blind trials only", trials[blind])
    if "qualified" not in trials or trials["qualified"].isna().all():
        reason = "when the dogs qualified is not recorded"
        asked.refuse("qualified dogs only", "records", reason)
    else:
        qualified = trials["qualified"].fillna(False).astype(bool)
        _ask_anew(asked, "qualified dogs only", trials[qualified])
    unlogged = on_late_logs(trials)
    if unlogged.any():
        _ask_anew(asked, LOGGED_FROM_THE_START, trials[~unlogged])
    if "met_before" in trials and trials["met_before"].notna().all():
        _ask_anew(asked, FIRST_MEETINGS, trials[trials["met_before"] == 0.0])
    late = trials["started_at"] > trials["started_at"].max() - _YEAR
    _ask_anew(asked, "last 12 months only", trials[late])


def _ask_other_count(asked: Asked, records: Records | None) -> None:
    """Where sources have counts by hand and a log, cycles by the other of the two.

    Not asked where there are no counts by hand, as in most units.
    """
    trials = asked.design.trials
    if "cycles_source" not in trials or not trials["cycles_source"].eq("both").any():
        return
    if records is None:
        asked.refuse("cycles counted the other way", "records", "needs the records")
        return
    by_hand = records.settings.cycles_from == "counted"
    other: Literal["counted", "log"] = "log" if by_hand else "counted"
    name = "cycles by the storage log" if by_hand else "cycles by the counts by hand"
    read = replace(records, settings=replace(records.settings, cycles_from=other))
    anew = join(read).trials.set_index(["file", "row"])["cycles"]
    own = pd.MultiIndex.from_frame(trials[["file", "row"]])
    cycles = anew.reindex(own).to_numpy()
    differ = int((cycles != trials["cycles"].to_numpy()).sum())
    note = f"they differ in {differ:,} of {len(trials):,} trials"
    _ask_anew(asked, name, trials.assign(cycles=cycles), note)


def _ask_anew(asked: Asked, name: str, trials: pd.DataFrame, note: str = "") -> None:
    """The mixed model on some of the trials, its terms chosen anew."""
    if len(trials) == asked.fit.n and not note:
        asked.refuse(name, "records", "that is every trial: the main model")
        return
    found = trials["result"].eq("find")
    least = len(asked.terms) * PER_PARAMETER
    have = {
        "find": (int(found.sum()), least),
        "miss": (int((~found).sum()), least),
        "source": (int(trials["source_id"].nunique()), LEAST_SOURCES),
    }
    for word, (number, needed) in have.items():
        if number < needed:
            many = "misses" if word == "miss" else f"{word}s"
            counted = f"{number:,} {word if number == 1 else many}"
            asked.refuse(name, "records", f"only {counted} left, {needed} needed")
            return
    design = plan_design(trials).with_shapes(asked.design.shapes)
    if design.separated:
        asked.refuse(name, "records", "finds and misses do not overlap along the terms")
        return
    asked.add_mixed(name, "records", design, note)


def ask_with_more_thaws(asked: Asked, records: Records | None) -> None:
    """Refits with thaws added at random to the time in the freezer."""
    names = {share: f"{100 * share:.0f} % more thaws, at random" for share in UNLOGGED}
    if "cycles" not in asked.terms or records is None:
        reason = "needs the records" if records is None else "cycles are not in the main model"
        for name in names.values():
            asked.refuse(name, "records", reason)
        return
    history = history_of(records, records.storage, records.settings)
    draws = _DRAWS if asked.fit.n <= _MANY_TRIALS else 1
    for number, share in enumerate(UNLOGGED):
        rng = random_stream(asked.fit.settings.seed, "unlogged thaws", number)
        _with_thaws(asked, records, names[share], [
            add_thaws(records, history, share, rng) for _ in range(draws)
        ])  # fmt: skip


def _with_thaws(
    asked: Asked, records: Records, name: str, logs: Sequence[tuple[pd.DataFrame, int]]
) -> None:
    design = asked.design
    column = design.column_of("cycles")
    assert column is not None
    step = design.columns[column - 1]
    added = logs[0][1]
    if not added:
        reason = "no thaw was counted, or no source was in the freezer long enough for more"
        asked.refuse(name, "records", reason)
        return
    answers: dict[ExposureName, list[tuple[float, float, float]]] = {t: [] for t in asked.terms}
    for storage, _ in logs:
        history = history_of(records, storage, records.settings)
        cycles = exposures_of(history, design.trials)["cycles"].to_numpy()
        x = design.x.copy()
        x[:, column] = step.at(cycles)
        other = replace(design, x=x)
        try:
            mixed = refit_other(other, asked.fit.mixed, quick=True)
        except FitError:
            continue
        for term in asked.terms:
            answer = asked.mixed_answer(other, mixed, term)
            if answer is not None:
                answers[term].append(answer)
    for term, found in answers.items():
        if not found:
            asked.refuse(name, "records", "the model could not be fitted", (term,))
            continue
        table = np.array(found)
        m = len(table)
        spread = float(table[:, 0].var(ddof=1)) if m > 1 else 0.0
        total = float(np.sqrt((table[:, 1] ** 2).mean() + (1.0 + 1.0 / m) * spread))
        average = "" if m == 1 else f"; average of {m} draws"
        note = f"{added:,} thaws added to the log, evenly over the time frozen{average}"
        answer = (float(table[:, 0].mean()), total, float(table[0, 2]))
        asked.add(name, "records", term, answer, size_of(design), note)


def ask_leaving_out(asked: Asked) -> None:
    """Without each kind, each source, each dog."""
    trials = asked.design.trials
    kinds = np.array([], dtype=object)
    if "kind" in trials:
        kinds = trials["kind"].fillna("not recorded").astype(str).to_numpy()
    levels = sorted(set(kinds))
    if len(levels) > 1:
        for kind in levels:
            asked.add_mixed(f"without {kind}", "kind", restrict(asked.design, kinds != kind))
    for family, column in (("source", "source_id"), ("dog", "dog_id")):
        labels = trials[column].astype(str).to_numpy()
        every = sorted(set(labels))
        if len(every) < 3:
            continue
        chosen = _to_refit(asked, labels, every)
        if len(chosen) < len(every):
            asked.notes.append(
                f"of {len(every):,} {family}s only the {len(chosen)} that seem to weigh most "
                "were left out in turn"
            )
        for label in chosen:
            asked.add_mixed(
                f"without {family} {label}",
                family,
                restrict(asked.design, labels != label),
                quick=True,
            )


def _to_refit(asked: Asked, labels: np.ndarray, every: Sequence[str]) -> list[str]:
    """Which levels to leave out: all, or in a large unit those whose one-step influence is most."""
    room = max(_TRIALS_REFITTED // max(len(labels), 1), 3)
    if len(every) <= room:
        return list(every)
    design, mixed = asked.design, asked.fit.mixed
    assert mixed is not None
    eta, _ = linear_predictor(design, mixed)
    scores = design.x * (design.y - special.expit(eta))[:, None]
    codes = pd.Categorical(labels, categories=list(every)).codes
    pull = np.zeros(len(every))
    for term in asked.terms:
        column = design.column_of(term)
        moved = scores @ mixed.cov[:, column] / np.sqrt(mixed.cov[column, column])
        pull = np.maximum(pull, np.abs(np.bincount(codes, weights=moved, minlength=len(every))))
    order = np.argsort(-pull, kind="stable")[:room]
    return [every[k] for k in sorted(order)]
