"""What units write beside our words, or where there is nothing to write; only to suggest."""

from __future__ import annotations

import re

from rapidfuzz import fuzz

from outcomes.records.columns import Column
from outcomes.records.reading.cells import clean
from outcomes.records.reading.spelling import fold

NOTHING = frozenset(
    (
        *("n/a", "na", "none", "nil", "-", "--", "---", "–", "—", "?", "??", "unknown", "unk"),
        *("not known", "not recorded", "nr", "n.a.", "not taken", "not noted", ".", "/", "x?"),
    )
)
NO_SOURCE = frozenset(
    (
        *("blank", "blank area", "no source", "no hide", "empty", "control", "negative", "neg"),
        *("no aid", "no sample", "none out", "nothing", "nothing out", "negative area", "blk"),
        *("blank hide", "empty area", "clear area", "negative control", "no target", "zero"),
    )
)
_SAYS_NO_SOURCE = re.compile(
    r"(?i)\b(blank|blk|neg(ative)?|empty|control|nothing|none|no (aid|hide|source|sample|target)|"
    r"distract(or|er|ion)s?|proof(ing)?|zero)\b"
)

_BLANK = r"\b(blank|blk|empty|control|neg(ative)? (area|run|search)|no (source|hide|aid))\b"

# Signs of a word within what a unit writes, in the order to be tried.
_SIGNS: dict[str, tuple[tuple[str, str], ...]] = {
    "result": (
        # Of a blank area, said together with what the dog did there.
        (rf"{_BLANK}.*\b(no|not|without|didn.?t)\b.*(alert|indicat|respon|find)", "clear"),
        (rf"{_BLANK}.*(clear|ok\b|okay|correct|good|pass)", "clear"),
        (rf"{_BLANK}.*(alert|indicat|respon|hit\b|fail|wrong)", "false alert"),
        (r"\bno (false|fa\b)", "clear"),
        (r"false|\bf\.?a\.?\b|\bfp\b|^f/?a$", "false alert"),
        (
            r"\bmiss|walked? (by|past)|^m$|^fn$|unlocated|unfound|"
            r"\b(not|no|non|never|didn.?t|failed|unable|without)\b.*(f(ou|i)nd|locat|hit|detect)",
            "miss",
        ),
        (r"\bfind|found|\bhit|locat|^h$|^tp$|^f$", "find"),
        (r"clear|^c$|^cl$|^tn$|^(blank|negative|empty)\W*(ok|good|correct)", "clear"),
    ),
    "moved_to": (
        (r"discard|dispos|destr|thrown|bin|burn|incinerat|gone", "discarded"),
        (r"fridge|refrig|\bfri?d?ge?\b|cooler|cold room|chiller", "refrigerator"),
        (r"(from|out of|off) (the )?fre?e?z|fre?e?z\w* ?(out|remov|check.?out)", "ambient"),
        (r"fre?e?z|frozen", "freezer"),
        (
            r"\bout\b|taken|sign(ed)? out|check(ed)? out|room|ambient|thaw|train|field|^o$",
            "ambient",
        ),
        (r"\bin\b|back|return|check(ed)? in|sign(ed)? in|^i$", "freezer"),
    ),
    "kept_in": (
        (r"fridge|refrig|\bfri?d?ge?\b|cooler|cold room|chiller", "refrigerator"),
        (r"fre?e?z|frozen|^fz$", "freezer"),
        (r"room|ambient|shelf|cupboard|cabinet|lock(er|up)|store", "ambient"),
    ),
    "packaging": (
        (r"\bseal|vac(uum)?\b|airtight|\bclosed", "sealed"),
        (r"hole|vent|perfor|mesh", "vented"),
        (r"\bopen|uncovered|unsealed", "open"),
    ),
    "blinding": (
        (r"double|\bdbl\b|^d[./]?b\.?$|^d$|nobody|no one", "double"),
        (r"\b(not|non|un|no)[- ]?blind|knew|known|\bopen|\baware", "open"),
        (r"single|blind|^s[./]?b\.?$|^s$|^b$|unknown to", "single"),
    ),
    "assisted": ((r"\bhelped|assist|^y$|^x$", "yes"), (r"\balone|^n$", "no")),
}
# What a dog did, whether or not a source was there.
_NO_ALERT = re.compile(
    r"(?i)^(no|none|did ?n.t|did not|without)\b.*(alert|indicat|respon|interest|reaction|change)|"
    r"^(neg(ative)?|no|nothing|passed( by)?|walked (on|by|past)|ignored|[-–−])$"
)
_ALERT = re.compile(
    r"(?i)^(final |trained |full |clear |strong |weak )?"
    r"(alert(ed|s)?|indicat(ed|ion|es)|respon(se|ded)|pos(itive)?|\+)( \w+)?$"
)
_YES = frozenset(("yes", "y", "x", "true", "1", "✓", "✔", "√", "☑"))
_NO = frozenset(("no", "n", "false", "0"))


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


def says_no_source(text: str) -> bool:
    """Whether a label of no listed source says that there was none.

    >>> [says_no_source(text) for text in ("Negative run", "distractor (toy)", "HR-07")]
    [True, True, False]
    """
    return means_nothing(text) or _SAYS_NO_SOURCE.search(text) is not None


def alerted(text: str) -> bool | None:
    """Whether a text says that a dog alerted, or that it did not; None where it says neither.

    >>> [alerted(t) for t in ("Yes", "No alert", "Alerted", "final response", "0", "miss")]
    [True, False, True, True, False, None]
    """
    plain = clean(text)
    if _NO_ALERT.match(plain):
        return False
    return True if _ALERT.match(plain) else yes_or_no(plain)


def says_unknown(text: str, heading: str) -> bool:
    """Whether the place was unknown to the handler, under a heading such as ``Known/unknown``."""
    return text.strip().casefold() in ("unknown", "unk") and "known" in heading.casefold()


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
    >>> [guess_word(result, text, "") for text in ("Not located", "failed to find", "no falses")]
    ['miss', 'miss', 'clear']
    >>> guess_word(blinding, "Y", "Blind?"), guess_word(blinding, "Y", "Handler knew?")
    ('single', 'open')
    """
    text = text.replace("_", " ")
    named = named_word(column, text)
    said = yes_or_no(text)
    if column.name == "blinding" and says_unknown(text, heading):
        return "single"
    if column.name == "blinding" and said is not None:
        plain = heading.casefold()
        knew = re.search(r"\bkn[eo]w|known|aware|\btold\b|informed", plain) is not None
        knew &= re.search(r"\bnot\b|n.t\b|\bun", plain) is None
        return "open" if said == knew else "single"
    if named is not None:
        return named
    for pattern, word in _SIGNS.get(column.name, ()):
        if re.search(pattern, text, re.IGNORECASE):
            return word
    return likely_word(column, text)
