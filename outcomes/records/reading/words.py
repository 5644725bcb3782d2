"""What units write beside our words, or where there is nothing to write; only to suggest."""

from __future__ import annotations

from rapidfuzz import fuzz

from outcomes.records.columns import Column
from outcomes.records.reading.cells import clean
from outcomes.records.reading.spelling import fold

NOTHING = frozenset(
    ("n/a", "na", "none", "nil", "-", "–", "—", "?", "unknown", "not known", "not recorded", "nr")
)
NO_SOURCE = frozenset(("blank", "blank area", "no source", "no hide", "empty", "control"))


def means_nothing(text: str) -> bool:
    """Whether units write this where nothing is known, or where there is no source."""
    return clean(text).casefold() in NOTHING | NO_SOURCE


def named_word(column: Column, text: str) -> str | None:
    """Our word that this text is another name of, if it is one of the usual names."""
    for word, names in column.of_words.items():
        if fold(text) in {fold(word), *(fold(name) for name in names)}:
            return word
    return None


def likely_word(column: Column, text: str) -> str | None:
    """Our word most like this text, if any is like it at all."""
    named = named_word(column, text)
    if named is not None:
        return named
    best = max(column.words, key=lambda word: fuzz.ratio(text.casefold(), word))
    return best if fuzz.ratio(text.casefold(), best) >= 80 else None
