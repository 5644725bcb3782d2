"""Lines for ``[words]``: what a unit writes, and which of our words it seems to mean."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from outcomes.records.checking.findings import quoted
from outcomes.records.columns import ALERTED, BACK, NOT_ALERTED, Column, Table
from outcomes.records.reading.cells import Cells, clean, texts_of
from outcomes.records.reading.gather import BOTH, is_total
from outcomes.records.reading.times import vague_period
from outcomes.records.reading.words import (
    NO_SOURCE,
    NOTHING,
    alerted,
    guess_word,
    says_unknown,
    yes_or_no,
)
from outcomes.records.table_guess import ZERO_WORDS
from outcomes.settings import RecordsSettings

MOST_WORDS = 12
FEWEST_BLANKS = 3


def _hides_and_blanks(
    cells: Cells, names: Mapping[str, str], known: RecordsSettings
) -> dict[str, tuple[int, int]]:
    """Result as written → its trials that name a source, and those that name none."""
    if "result" not in names or "source_id" not in names:
        return {}
    written, results = texts_of(cells.columns[cells.header.index(names["result"])])
    source, sources = texts_of(cells.columns[cells.header.index(names["source_id"])])
    blank = {clean(w).casefold() for w, v in known.words.get("source_id", {}).items() if not v}
    nobody = {"", *NOTHING, *NO_SOURCE, *blank}
    # The last is for a cell without anything in it, of code -1.
    named = np.array([*(clean(text).casefold() not in nobody for text in sources), False])[source]
    words = np.array([*(clean(text) for text in results), ""], dtype=object)[written]
    hides, trials = Counter(words[named & ~is_total(cells)]), Counter(words[~is_total(cells)])
    return {str(word): (hides[word], n - hides[word]) for word, n in trials.items()}


def share_on_hides(
    cells: Cells, names: Mapping[str, str], known: RecordsSettings
) -> dict[str, float]:
    """Result as written → share of its trials that name a source; empty without both columns."""
    counts = _hides_and_blanks(cells, names, known)
    return {word: hides / (hides + blanks) for word, (hides, blanks) in counts.items()}


def word_lines(
    column: Column,
    heading: str,
    texts: Sequence[str],
    settings: RecordsSettings,
    on_hides: Mapping[str, float],
) -> list[tuple[str, str]]:
    """A line for each word of a column that is none of ours, and its ground."""
    said = {clean(word).casefold() for word in settings.words.get(column.name, {})}
    ours = {*column.words, *(("true", "false") if column.type == "yes or no" else ())}
    ours |= {BACK} if column.name == "moved_to" else set()
    nothing = NOTHING - {"-"} if column.name == "result" and "+" in texts else NOTHING
    unknown: dict[str, str] = {}  # words are matched without regard to case
    for text in sorted(t for t in texts if t):
        is_word = column.name == "blinding" and says_unknown(text, heading)
        if is_word or text.casefold() not in ours | said | nothing:
            unknown.setdefault(text.casefold(), text)
    # Where every word says what the dog did, and none what that was, a source decides.
    by_source = column.name == "result" and all(
        alerted(t) is not None or t.isdigit() or t.casefold() in NOTHING for t in texts if t
    )
    known = {guess_word(column, t, heading) for t in texts if t}
    lines = []
    for text in list(unknown.values())[:MOST_WORDS]:
        guess, ground = _word_of(column, heading, text, on_hides, by_source)
        if guess is not None:
            lines.append((f"{quoted(text)} = {quoted(guess)}", ground))
        elif column.name == "moved_to" and "freezer" in known:
            ground = "no freezer, refrigerator or discard by its name, so taken as ambient"
            lines.append((f'{quoted(text[:60])} = "ambient"', ground))
        elif column.name == "blinding":
            choices = ", ".join(column.words)
            ground = f"not known, so read as an empty cell; or is it one of: {choices}?"
            lines.append((f'{quoted(text[:60])} = ""', ground))
        else:
            choices = ", ".join(column.words)
            lines.append((f'# {quoted(text[:60])} = ""', f"one of: {choices}"))
    if len(unknown) > MOST_WORDS:
        lines.append((f"# and {len(unknown) - MOST_WORDS} more words", ""))
    return lines


def _word_of(
    column: Column, heading: str, text: str, on_hides: Mapping[str, float], by_source: bool
) -> tuple[str | None, str]:
    """Our word for one of theirs, and the ground."""
    if column.name == "result":
        parts = {guess_word(column, part, heading) for part in text.split(BOTH)}
        if parts in ({"find", "false alert"}, {"miss", "false alert"}):
            word = (parts - {"false alert"}).pop()
            return word, "with false alerts besides, which are counted apart"
        if len(parts) > 1 and None not in parts:
            return None, ""
        # What a dog did is one thing on a hide and another on a blank area.
        did = int(text) > 0 if text.isdigit() else alerted(text)
        beside_others = yes_or_no(text) is not None and not by_source
        if did is not None and not (beside_others and guess_word(column, text, heading)):
            own = on_hides.get(text)
            alike = [
                on for word, on in on_hides.items() if word.isdigit() or alerted(word) is not None
            ]
            shares = alike if by_source or own is None else [own]
            share = sum(shares) / len(shares) if shares else 1.0
            if share == 1.0:
                return "find" if did else "miss", "only where there was a source"
            if share == 0.0:
                return "false alert" if did else "clear", "only on blank areas"
            return ALERTED if did else NOT_ALERTED, "with a source the one, without the other"
    guess = guess_word(column, text, heading)
    if (
        column.name == "moved_to"
        and guess == "freezer"
        and not re.search(r"(?i)fr.?.?z|froz", text)
    ):
        return BACK, "to where kept_in says it is kept, else the freezer"
    return guess, "by the word"


def no_mark_lines(
    cells: Cells, placed: Mapping[str, str], table: Table, known: RecordsSettings
) -> list[tuple[str, str]]:
    """What a row without a mark seems to mean, where the columns to be marked lack a result."""
    names = known.columns.get(table.name, {}).get("result", ())
    ticked = bool(names) and set(names) <= set(known.ticked.get(table.name, ()))
    if not ticked and len(names) != 2:
        return []
    if "source_id" not in placed or "" in known.words.get("result", {}):
        return []
    column = table.column("result")
    meant = set()
    for name in names:
        did = alerted(name)
        meant |= {"find", "false alert"} if did else {"miss", "clear"} if did is not None else set()
        meant.add(guess_word(column, name, "") or "")
    empty = _hides_and_blanks(cells, placed, known).get("")
    if empty is None or (ticked and {"miss", "clear"} <= meant):
        return []
    on_hides, on_blanks = empty
    if not ticked:  # a result of hides, and false alerts on blank areas
        alone = on_blanks >= FEWEST_BLANKS and not on_hides
        return [('"" = "clear"', "no false alert on a blank area")] if alone else []
    wanted = [
        word
        for word, times in (("miss", on_hides), ("clear", on_blanks))
        if word not in meant and times >= FEWEST_BLANKS
    ]
    if not wanted:
        return []
    return [
        (f'"" = {quoted(NOT_ALERTED if len(wanted) == 2 else wanted[0])}', "no mark in the row")
    ]


def vague_lines(texts: Sequence[str]) -> list[tuple[str, str]]:
    """What is read of dates without a day, for a person to put the day in."""
    periods = {text: vague_period(text) for text in dict.fromkeys(texts)}
    vague = {text: period for text, period in periods.items() if period is not None}
    lines = [f"# {quoted(text)} = {quoted(str(last))}" for text, (_, last) in vague.items()]
    grounds = ["no day: read as its last one, or that of first use; if you know it, write it here"]
    grounds += ["so too"] * (len(lines) - 1)
    return [*zip(lines, grounds, strict=False)][:MOST_WORDS]


def blank_lines(
    column: Column, table: Table, texts: Sequence[str], settings: RecordsSettings
) -> list[tuple[str, str]]:
    """Words that units write where nothing is known, where there is no source, or for a number."""
    said = {clean(word).casefold() for word in settings.words.get(column.name, {})}
    lines = []
    if column.type in ("number", "count"):
        for text in Counter(text.casefold() for text in texts if text):
            if column.name == "depth_cm" and text in ZERO_WORDS - said:
                lines.append((f'{quoted(text)} = "0"', "no depth"))
            elif (
                column.name == "false_alerts" and yes_or_no(text) is not None and not text.isdigit()
            ):
                lines.append((f'{quoted(text)} = "{int(bool(yes_or_no(text)))}"', "as a count"))
    blank = set(NOTHING)
    if table.name == "trials" and column.name == "source_id":
        blank |= NO_SOURCE
    elif column.type in ("id", "text") or (column.needed and not column.side):
        return lines
    found = {text.casefold() for text in texts if text} & blank - said
    if column.name == "result" and "+" in texts:
        found -= {"-"}
    if column.name == "blinding" and "known" in {text.casefold() for text in texts}:
        found -= {"unknown", "unk"}
    found -= {word.casefold() for names in column.of_words.values() for word in names}
    return [*lines, *((f'{quoted(text)} = ""', "an empty cell") for text in sorted(found))]
