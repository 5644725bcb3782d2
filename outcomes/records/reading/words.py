"""What units write beside our words, or where there is nothing to write; only to suggest."""

from __future__ import annotations

import re

from rapidfuzz import fuzz

from outcomes.records.columns import Column
from outcomes.records.reading.cells import clean
from outcomes.records.reading.spelling import fold

NOTHING = frozenset(
    ("n/a", "na", "none", "nil", "-", "–", "—", "?", "unknown", "not known", "not recorded", "nr")
)
NO_SOURCE = frozenset(("blank", "blank area", "no source", "no hide", "empty", "control"))

# Signs of a word within what a unit writes, in the order to be tried.
_SIGNS: dict[str, tuple[tuple[str, str], ...]] = {
    "result": (
        (r"false|\bf\.?a\.?\b|\bfp\b", "false alert"),
        (r"\bmiss|not f(ou|i)nd|walked? (by|past)|^m$|^fn$", "miss"),
        (r"\bfind|found|\bhit|locat|^h$|^tp$|^f$", "find"),
        (r"clear|^c$|^cl$|^tn$", "clear"),
    ),
    "moved_to": (
        (r"discard|dispos|destr|thrown|bin|burn|incinerat|gone", "discarded"),
        (r"fridge|refrig|cooler|cold room", "refrigerator"),
        (r"freez|frozen", "freezer"),
        (
            r"\bout\b|taken|sign(ed)? out|check(ed)? out|room|ambient|thaw|train|field|^o$",
            "ambient",
        ),
        (r"\bin\b|back|return|check(ed)? in|sign(ed)? in|^i$", "freezer"),
    ),
    "kept_in": (
        (r"fridge|refrig|cooler|cold room", "refrigerator"),
        (r"freez|frozen|^fz$", "freezer"),
        (r"room|ambient|shelf|cupboard|cabinet|lock(er|up)|store", "ambient"),
    ),
    "packaging": (
        (r"seal|vacuum|airtight|closed", "sealed"),
        (r"hole|vent|perfor|mesh", "vented"),
        (r"\bopen|uncovered|unsealed", "open"),
    ),
    "blinding": (
        (r"double", "double"),
        (r"not blind|unblind|knew|known|\bopen", "open"),
        (r"single|blind", "single"),
    ),
    "assisted": ((r"\bhelped|assist|^y$|^x$", "yes"), (r"\balone|^n$", "no")),
}
_YES = frozenset(map(fold, ("yes", "y", "x", "true", "1", "✓", "✔")))
_NO = frozenset(map(fold, ("no", "n", "false", "0")))


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


def yes_or_no(text: str) -> bool | None:
    """Whether a text says yes or no; None where it says neither."""
    plain = text.strip()
    # Of numbers only 1 and 0 are words.
    folded = plain if re.fullmatch(r"[\d.,+-]+", plain) else fold(text) or plain
    return True if folded in _YES else False if folded in _NO else None


def guess_word(column: Column, text: str, heading: str) -> str | None:
    """Our word for what a unit writes, by the word, what is within it, and the heading.

    >>> from outcomes.records.columns import TABLES
    >>> result, blinding = (TABLES["trials"].column(n) for n in ("result", "blinding"))
    >>> [guess_word(result, text, "H/M/FA") for text in ("H", "M", "FA", "all clear", "windy")]
    ['find', 'miss', 'false alert', 'clear', None]
    >>> guess_word(blinding, "Y", "Blind?"), guess_word(blinding, "Y", "Handler knew?")
    ('single', 'open')
    """
    named = named_word(column, text)
    said = yes_or_no(text)
    if column.name == "blinding" and said is not None:
        knew = re.search(r"knew|known|aware", heading, re.IGNORECASE) is not None
        return "open" if said == knew else "single"
    if named is not None:
        return named
    for pattern, word in _SIGNS.get(column.name, ()):
        if re.search(pattern, text, re.IGNORECASE):
            return word
    return likely_word(column, text)
