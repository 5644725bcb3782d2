"""Trials: results, search times, the storage log at the time, one dog at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import places_counted_as
from outcomes.records.checking.findings import Array, Log, Sheet, date_text
from outcomes.records.checking.sources import reads_as_none
from outcomes.records.checking.storage import first_discards
from outcomes.records.columns import TABLES
from outcomes.records.dates import ALL_DAY, AT_THIS_TIME, dated_only
from outcomes.records.reading.cells import shown
from outcomes.records.reading.words import means_nothing, named_word
from outcomes.settings import RecordsSettings


def check_results(trials: Sheet, nameless: Array, log: Log) -> None:
    """Results against what was searched; a source of unknown name may mean a blank area."""
    if not trials.has("source_id", "result"):
        return
    hide = ~trials.missing("source_id")
    blank = ~hide & ~log.in_doubt(trials, "source_id")
    result = trials.frame["result"]
    on_blank = result.isin(("clear", "false alert")).to_numpy()
    on_hide = result.isin(("find", "miss")).to_numpy()
    name = trials.names["source_id"]
    log.flag(
        "result contradicts blank area",
        trials,
        blank & on_hide,
        "result",
        lambda _: {
            "what": f"a hide's result, but {name} is empty, which means a blank area",
            "mend": f"Fill in {name}, or write clear or false alert.",
        },
    )
    named = hide & ~nameless & on_blank
    texts = trials.frame["source_id"].to_numpy()

    def of_named(at: int) -> Mapping[str, Any]:
        said = str(texts[at])
        mend = (
            "If a source was there, write find or miss, or let unit.toml read the word as miss; "
            f"empty {name} only where there was none."
        )
        return {
            "what": f"a blank area's result, but {name} names a source ({said!r})",
            "mend": reads_as_none(said) if means_nothing(said) else mend,
        }

    log.flag("result contradicts blank area", trials, named, "result", of_named)
    if trials.has("false_alerts"):
        count = trials.frame["false_alerts"]
        wrong = ((result == "clear") & (count > 0)) | ((result == "false alert") & (count == 0))
        log.flag(
            "result contradicts false alerts",
            trials,
            wrong.to_numpy(),
            "false_alerts",
            lambda i: {"result": result.to_numpy()[i], "count": count.to_numpy()[i]},
        )


LONGEST_OVER_MIDNIGHT = pd.Timedelta(hours=6)  # of a search that ends on the next day; our choice


def with_search_times(trials: Sheet, log: Log) -> Sheet:
    """Seconds searched, from the two times of a search where they are not given themselves."""
    if not trials.has("started_at", "ended_at"):
        return trials
    started, ended = trials.frame["started_at"], trials.frame["ended_at"]
    day = pd.Timedelta(days=1)
    took = ended - started
    over_midnight = (took < pd.Timedelta(0)) & (took <= LONGEST_OVER_MIDNIGHT - day)
    took = took.mask(over_midnight, took + day)
    both = log.usable(trials) & took.notna().to_numpy()
    known = trials.frame.get("search_s", pd.Series(np.nan, index=trials.frame.index))
    wrong = both & ((took < pd.Timedelta(0)) | (took > day)).to_numpy()
    log.flag("search ended before it began", trials, wrong, "ended_at")
    same = both & ~wrong & (took == pd.Timedelta(0)).to_numpy() & known.isna().to_numpy()
    log.flag("search ended as it began", trials, same, "ended_at")
    seconds = took.dt.total_seconds().where(both & ~wrong & ~same)
    frame = trials.frame.assign(search_s=known.fillna(seconds))
    if trials.has("search_s"):
        return replace(trials, frame=frame)
    names = {**trials.names, "search_s": trials.names["ended_at"]}
    cells = {**trials.cells, "search_s": trials.cells["ended_at"]}
    return replace(trials, names=names, cells=cells, frame=frame)


def check_search_times(trials: Sheet, log: Log) -> None:
    """Search times against the result, the limit and the words beside them."""
    if not trials.has("search_s"):
        return
    searched = trials.frame["search_s"]
    log.flag("search time zero", trials, (searched == 0).to_numpy(), "search_s")
    if not trials.has("result"):
        return
    found = (trials.frame["result"] == "find").to_numpy()
    missed = (trials.frame["result"] == "miss").to_numpy()
    if trials.has("limit_s"):
        limit = trials.frame["limit_s"]
        over = (searched > limit).to_numpy()
        for rule, which in (
            ("find over the limit", found),
            ("search over the limit", log.usable(trials) & ~found),
        ):
            log.flag(
                rule,
                trials,
                which & over,
                "search_s",
                lambda i: {"limit": limit.to_numpy()[i]},
            )
        at_limit = (searched == limit).to_numpy()
        log.flag("find at the limit", trials, log.usable(trials) & found & at_limit, "search_s")
    _check_times_in_words(trials, log)
    untimed = log.usable(trials) & missed & trials.missing("search_s")
    untimed &= ~log.in_doubt(trials, "search_s")
    log.flag("miss without a time", trials, untimed, "search_s")


def _check_times_in_words(trials: Sheet, log: Log) -> None:
    """A search time that is a word for another result, as ``not found`` beside a find."""
    doubted = np.flatnonzero(log.in_doubt(trials, "search_s"))
    column = TABLES["trials"].column("result")
    said = [named_word(column, text or "") for text in shown(trials.cells["search_s"], doubted)]
    result = trials.values("result")
    other = np.array(
        [
            word is not None
            and result[at] is not None
            and (word == "find") != (result[at] == "find")
            for at, word in zip(doubted, said, strict=True)
        ],
        dtype=bool,
    )
    log.flag(
        "result contradicts search time",
        trials,
        doubted[other],
        "search_s",
        lambda i: {"result": result[i]},
    )


def check_trials_in_storage(
    trials: Sheet, moves: pd.DataFrame, settings: RecordsSettings, log: Log
) -> None:
    """Trials after a discard, and while the log says freezer."""
    if not trials.has("source_id", "started_at") or not len(moves):
        return
    ids = trials.frame["source_id"]
    started = trials.frame["started_at"]
    discarded = pd.to_datetime(ids.map(first_discards(moves)))
    late = (started >= discarded).to_numpy()
    log.flag(
        "trial on a discarded source",
        trials,
        late,
        "started_at",
        lambda i: {"source": ids.to_numpy()[i], "date": date_text(discarded.to_numpy()[i])},
    )
    hides = log.usable(trials) & ids.notna().to_numpy()
    policy = (
        "a thaw is inferred"
        if settings.unlogged_thaws == "infer"
        else "the trial is left out of the analysis"
    )
    dated = dated_only(trials.frame)
    frozen = _positions_in_freezer(trials.frame[hides], moves)
    frozen = frozen[~(dated[frozen] & _out_that_day(trials.frame.loc[frozen], moves))]
    log.flag(
        "trial while in the freezer",
        trials,
        frozen,
        "started_at",
        lambda i: {
            "source": ids.to_numpy()[i],
            "policy": policy,
            "when": ALL_DAY if dated[i] else AT_THIS_TIME,
        },
    )


def _out_that_day(trials: pd.DataFrame, moves: pd.DataFrame) -> Array:
    """True where the log takes the source out of the freezer on the day of the trial.

    Of moves at one moment the last counts: a source that went back at once was not out.
    """
    last = moves.drop_duplicates(["source_id", "moved_at"], keep="last")
    out = last[last["moved_to"].isin(places_counted_as("refrigerator", "ambient"))]
    days = pd.MultiIndex.from_arrays([out["source_id"], out["moved_at"].dt.normalize()])
    ours = pd.MultiIndex.from_arrays([trials["source_id"], trials["started_at"].dt.normalize()])
    found: Array = ours.isin(days)
    return found


def _positions_in_freezer(hides: pd.DataFrame, moves: pd.DataFrame) -> Array:
    labels = pd.Index(moves["source_id"].unique())
    left = pd.DataFrame(
        {
            "at": hides["started_at"].to_numpy(),
            "source": labels.get_indexer(pd.Index(hides["source_id"])),
            "position": hides.index.to_numpy(),
        }
    ).sort_values("at", kind="stable")
    right = pd.DataFrame(
        {
            "at": moves["moved_at"].to_numpy(),
            "source": labels.get_indexer(pd.Index(moves["source_id"])),
            "frozen": moves["moved_to"].isin(places_counted_as("freezer")).to_numpy(),
        }
    )
    joined = pd.merge_asof(left, right, on="at", by="source")
    frozen = joined.loc[joined["frozen"].eq(True), "position"]
    return np.sort(frozen.to_numpy(dtype=np.int64))


def check_one_dog_at_once(trials: Sheet, log: Log) -> None:
    """A search that begins while the same dog is still searching (times of day given)."""
    if not trials.has("dog_id", "started_at", "search_s"):
        return
    started = trials.frame["started_at"]
    timed = log.usable(trials) & (started != started.dt.normalize()).to_numpy()
    searches = trials.frame.loc[timed, ["dog_id", "started_at", "search_s"]]
    searches = searches.sort_values(["dog_id", "started_at"], kind="stable")
    ended = searches["started_at"] + pd.to_timedelta(searches["search_s"].fillna(0), unit="s")
    before = searches["dog_id"] == searches["dog_id"].shift()
    # Starts are written to the minute, so an overlap within the minute is rounding.
    overlap = searches["started_at"] + pd.Timedelta(minutes=1) < ended.shift()
    other = searches.index.to_series(index=searches.index).shift()
    breach = np.sort(searches.index[before & overlap].to_numpy())
    log.flag(
        "one dog in two trials",
        trials,
        breach,
        "started_at",
        lambda i: {
            "dog": trials.frame["dog_id"].to_numpy()[i],
            "other": trials.row_name(int(other[i]), i),
        },
    )
