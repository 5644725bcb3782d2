"""The usual words of units beside ours; only ever used to suggest."""

from __future__ import annotations

from collections.abc import Mapping

from rapidfuzz import fuzz

from outcomes.records.columns import Column
from outcomes.records.reading.cells import clean
from outcomes.records.reading.spelling import fold

USUAL_WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "result": {
        "find": ("hit", "found", "located", "positive", "success"),
        "miss": ("missed", "not found", "no find", "fail", "failed", "negative"),
        "clear": ("all clear", "cleared", "correct negative", "no alert"),
        "false alert": ("false", "false positive", "false indication", "fa"),
    },
    "moved_to": {
        "freezer": ("frozen", "deep freeze", "deep freezer"),
        "refrigerator": ("fridge", "refrigerated", "cooler", "cold store"),
        "ambient": ("room", "room temperature", "out", "thawed", "field", "training"),
        "discarded": ("disposed", "destroyed", "thrown away", "disposal", "incinerated"),
    },
    "packaging": {
        "sealed": ("airtight", "closed", "vacuum"),
        "vented": ("perforated", "ventilated"),
        "open": ("uncovered", "none"),
    },
    "blinding": {
        "open": ("known", "not blind", "unblinded"),
        "single": ("single blind", "blind"),
        "double": ("double blind",),
    },
    "assisted": {"yes": ("y", "1", "x", "helped"), "no": ("n", "0", "unassisted")},
}
NOTHING = frozenset(
    ("n/a", "na", "none", "nil", "-", "–", "—", "?", "unknown", "not known", "not recorded", "nr")
)
NO_SOURCE = frozenset(("blank", "blank area", "no source", "no hide", "empty", "control"))


def means_nothing(text: str) -> bool:
    """Whether units write this where nothing is known, or where there is no source."""
    return clean(text).casefold() in NOTHING | NO_SOURCE


def named_word(column: Column, text: str) -> str | None:
    """Our word that this text is another name of, if it is one of the usual names."""
    names = USUAL_WORDS.get(column.name, {})
    for word in column.words:
        if fold(text) in {fold(word), *(fold(name) for name in names.get(word, ()))}:
            return word
    return None


def likely_word(column: Column, text: str) -> str | None:
    """Our word most like this text, if any is like it at all."""
    named = named_word(column, text)
    if named is not None:
        return named
    best = max(column.words, key=lambda word: fuzz.ratio(text.casefold(), word))
    return best if fuzz.ratio(text.casefold(), best) >= 80 else None
