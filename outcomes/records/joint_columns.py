"""Several columns of a unit's that are one of ours together, or one that is two of ours."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from outcomes.records.cell_kinds import (
    YES_OR_NO,
    Guess,
    column_of,
    filled_texts,
    is_clock,
    is_date,
    share_of,
)
from outcomes.records.columns import ALERTED, NOT_ALERTED, Table
from outcomes.records.reading.cells import Cells, clean, texts_of
from outcomes.records.reading.gather import is_mark
from outcomes.records.reading.spelling import fold
from outcomes.records.reading.times import clock_of
from outcomes.records.reading.words import NOTHING, alerted, guess_word, says_no_source, yes_or_no

MOVES = ("moved_at", "moved_back_at")
TIMES = ("started_at", "moved_at", "read_at")
BEGINS = re.compile(r"(?i)\bst(art)?\b|start|beg[aiu]n")
_NO_BEGINNING = re.compile(r"(?i)end|finish|stop|elaps|durat|took|find|length|\bto\b|\bout\b")
_PERHAPS_NONE = re.compile(r"(?i)in\b")  # a time in, or one given in minutes
_ENDS = re.compile(
    r"(?i)\bend|finish|stop|complet|\bout\b|until|\bto\b|\boff\b|(found|alert(ed)?|find) (at|time)|"
    r"time (of|at) (find|alert)"
)
_OUT = re.compile(r"(?i)\bout\b|taken|issued|removed|withdrawn|signed out|checked out|from\b|thaw")
_IN_AGAIN = re.compile(r"(?i)\bin(to)?\b|back|return|until|\bto\b|\bput\b|re-?fr[eo]|froze")
FEWEST_DOGS = 2
MOST_RESULTS = 8  # different words in the column of a dog
LONGEST_SEARCH_MIN = 6 * 60
MOST_TWICE = 0.05  # of the rows with a mark, those with two of results that exclude each other
LEAST_UNMARKED = 0.05  # of the rows, those without a mark, where one column alone is marked


def pair_times(table: Table, cells: Cells, guessed: dict[str, Guess], free: Sequence[str]) -> None:
    """A date and a time of day in two columns."""
    name = next((name for name in TIMES if name in table.names), None)
    if name is None or (name not in guessed and name in cells.header):
        return
    kinds = {}
    for theirs in free:
        texts = filled_texts(column_of(cells, theirs))
        if share_of(texts, is_date) >= 0.8:
            timed = share_of(texts, lambda text: ":" in text) >= 0.5
            kinds[theirs] = "both" if timed else "date"
        elif share_of(texts, is_clock) >= 0.8:
            kinds[theirs] = "clock"
    elsewhere = {n for ours, g in guessed.items() if ours != name for n in g.names}
    dates = [n for n, kind in kinds.items() if kind == "date" and n not in elsewhere]
    clocks = [
        n
        for n, kind in kinds.items()
        if kind == "clock" and n not in elsewhere and not _NO_BEGINNING.search(n)
    ]
    # At equal rank in their order.
    clocks.sort(key=lambda n: (BEGINS.search(n) is None, _PERHAPS_NONE.search(n) is not None))
    own = guessed[name].names[0] if name in guessed else None
    if dates and clocks:
        date = own if own in dates else dates[0]
        clock = own if own in clocks else clocks[0]
        guessed[name] = Guess((date, clock), "a date and a time of day")
    elif dates and (own is None or kinds.get(own) not in ("date", "both")):
        guessed[name] = Guess((dates[0],), "its cells are dates")
    elif own is None or kinds.get(own) == "clock":
        both = [n for n, kind in kinds.items() if kind == "both" and n not in elsewhere]
        both.sort(key=lambda n: BEGINS.search(n) is None)
        if both:
            guessed[name] = Guess((both[0],), "its cells are dates with a time")


def two_moves_of_a_row(
    table: Table, cells: Cells, guessed: dict[str, Guess], free: Sequence[str]
) -> None:
    """A sheet on which a row tells when a source was taken out, and when it came back."""
    if table.name != "storage" or "moved_to" in {*guessed, *cells.header}:
        return
    texts = {name: filled_texts(column_of(cells, name)) for name in free}
    dates = [name for name in free if share_of(texts[name], is_date) >= 0.8]
    clocks = [name for name in free if share_of(texts[name], is_clock) >= 0.8]

    def first(names: Sequence[str], sign: re.Pattern[str], other: re.Pattern[str]) -> str | None:
        return next((n for n in names if sign.search(n) and not other.search(n)), None)

    out, back = first(dates, _OUT, _IN_AGAIN), first(dates, _IN_AGAIN, _OUT)
    clock_out, clock_back = first(clocks, _OUT, _IN_AGAIN), first(clocks, _IN_AGAIN, _OUT)
    if out is None and back is None and len(dates) == 1 and clock_out and clock_back:
        out = back = dates[0]  # taken out and put back on one day
    if out is None or back is None:
        return
    for ours, names in (("moved_at", (out, clock_out)), ("moved_back_at", (back, clock_back))):
        of = tuple(name for name in names if name is not None)
        for other in [o for o, g in guessed.items() if set(g.names) & set(of) and o not in MOVES]:
            del guessed[other]
        guessed[ours] = Guess(of, "one row tells when it was taken out and when it came back")


def search_end(table: Table, cells: Cells, guessed: dict[str, Guess], free: Sequence[str]) -> None:
    """A second time of day, at which the search ended, where nothing else tells how long it was."""
    if table.name != "trials" or "started_at" not in guessed or "ended_at" in cells.header:
        return
    begins = guessed["started_at"].names
    date = begins[0] if len(begins) > 1 else None
    kind = is_clock if date is not None else is_date
    started = _minutes(cells, begins[-1])
    for theirs in free:
        used_for = [ours for ours, guess in guessed.items() if theirs in guess.names]
        if theirs in begins or not _ENDS.search(theirs) or set(used_for) - {"search_s"}:
            continue
        texts = filled_texts(column_of(cells, theirs))
        if not texts or share_of(texts, kind) < 0.8:
            continue
        took = (_minutes(cells, theirs) - started) % (24 * 60)
        took = took[~np.isnan(took)]
        if len(took) and (took <= LONGEST_SEARCH_MIN).mean() >= 0.95:
            guessed.pop("search_s", None) if used_for else None
            if "search_s" not in guessed:
                names = (theirs,) if date is None else (date, theirs)
                guessed["ended_at"] = Guess(names, "a second time of day, soon after the first")
            return


def _minutes(cells: Cells, name: str) -> npt.NDArray[np.float64]:
    """Minutes after midnight of a column of times, missing where there is none."""
    codes, texts = texts_of(column_of(cells, name))
    read = []
    for text in texts:
        clock = clock_of(re.sub(r"^\S*\d{4}\S*[ T]", "", clean(text)))
        hour, minute = clock.split(":")[:2] if clock else ("nan", "nan")
        read.append(60 * float(hour) + float(minute))
    return np.array([*read, np.nan])[codes]


def ticked_results(
    table: Table, cells: Cells, guessed: dict[str, Guess], free: Sequence[str]
) -> tuple[str, ...]:
    """Columns of which a mark in one tells the result; empty where there are none."""
    if table.name != "trials" or "result" in cells.header:
        return ()
    result = table.column("result")
    marked: dict[str, npt.NDArray[np.bool_]] = {}
    means: dict[str, str] = {}
    for theirs in free:
        meant = guess_word(result, theirs, "")
        did = alerted(theirs) if yes_or_no(theirs) is None else None
        meant = meant if did is None else ALERTED if did else NOT_ALERTED
        codes, texts = texts_of(column_of(cells, theirs))
        said = [clean(text) for text in texts]
        if meant is None or not any(map(is_mark, said)):
            continue
        if all(is_mark(text) or text in ("", "0", "-") for text in said):
            marked[theirs] = np.array([*map(is_mark, said), False])[codes]
            means[theirs] = meant
    if not {"find", ALERTED} & set(means.values()):
        return ()
    if "result" in guessed and not set(guessed["result"].names) <= marked.keys():
        return ()
    for theirs in [n for n in marked if list(means.values()).count(means[n]) > 1][1:]:
        del marked[theirs], means[theirs]
    apart = [marked[name] for name, meant in means.items() if meant != "false alert"]
    times = np.sum(apart, axis=0)
    if (times > 1).sum() > MOST_TWICE * max((times > 0).sum(), 1):
        return ()
    if len(marked) == 1 and times.mean() > 1 - LEAST_UNMARKED:
        return ()
    names = tuple(name for name in free if name in marked)
    for other in [ours for ours, guess in guessed.items() if set(guess.names) & set(names)]:
        del guessed[other]
    guessed["result"] = Guess(names, "a mark in one of them tells which")
    alert = next((name for name, meant in means.items() if meant == "false alert"), None)
    if alert is not None:
        guessed["false_alerts"] = Guess((alert,), "its marks counted, none as 0")
    return names


def dogs_across(
    table: Table, cells: Cells, guessed: dict[str, Guess], free: Sequence[str]
) -> tuple[str, ...]:
    """Columns that are each a dog's, with its results on the hides; empty where there are none."""
    if table.name != "trials" or "dog_id" in {*guessed, *cells.header}:
        return ()
    result = table.column("result")
    found = []
    for theirs in free:
        words = {text for text in filled_texts(column_of(cells, theirs)) if text not in NOTHING}
        known = [
            word for word in words if guess_word(result, word, "") or alerted(word) is not None
        ]
        is_result = guess_word(result, theirs, "") or alerted(theirs) is not None
        if words and len(known) == len(words) <= MOST_RESULTS and not is_result:
            found.append(theirs)
    of_result = guessed["result"].names if "result" in guessed else ()
    if len(found) < FEWEST_DOGS or not set(of_result) <= set(found):
        return ()
    for other in [ours for ours, guess in guessed.items() if set(guess.names) & set(found)]:
        del guessed[other]
    return tuple(found)


def result_of_two(table: Table, cells: Cells, guessed: dict[str, Guess]) -> None:
    """A result of hides alone, beside a column that tells of false alerts on blank areas."""
    if table.name != "trials" or not {"result", "source_id", "false_alerts"} <= guessed.keys():
        return
    if len(guessed["result"].names) > 1:
        return
    result, alerts = guessed["result"].names[0], guessed["false_alerts"].names[0]
    said = {fold(text) or text for text in filled_texts(column_of(cells, alerts))}
    codes, texts = texts_of(column_of(cells, guessed["source_id"].names[0]))
    none = [clean(t) in ("", "0") or says_no_source(t) for t in texts]
    blank = np.array([*none, True])[codes]
    codes, texts = texts_of(column_of(cells, result))
    empty = np.array([*(clean(t).casefold() in {"", *NOTHING} for t in texts), True])[codes]
    counted = all(text.isdigit() for text in said)
    if (
        (said <= YES_OR_NO or counted)
        and blank.any()
        and (empty & blank).sum() >= 0.8 * blank.sum()
    ):
        ground = "the first on hides; on blank areas, where it says nothing, the second"
        guessed["result"] = Guess((result, alerts), ground)
        if not counted:
            del guessed["false_alerts"]
