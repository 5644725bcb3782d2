"""Spellings that look alike. They are suggested to people, never merged."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from rapidfuzz import fuzz, process
from rapidfuzz.distance import OSA

MOST_COMPARED = 500


def fold(text: str) -> str:
    """A spelling without case, accents, spaces, punctuation and leading zeros."""
    return "".join(part.lstrip("0") if part.isdecimal() else part for part in pieces_of(text))


def likeliest(text: str, known: Sequence[str]) -> str | None:
    """The known spelling most like this one, if any is like it at all.

    Names that differ in a number or a single letter are labels of different
    things (``BON-07``, ``BON-01``), and never taken for each other.
    """
    folded = fold(text)
    same = [other for other in known if fold(other) == folded]
    if same:
        return same[0]
    label = _label(text)
    found = process.extract(text, known, scorer=fuzz.ratio, score_cutoff=75, limit=None)
    return next((str(other) for other, *_ in found if _label(other) == label), None)


def _label(text: str) -> tuple[str, ...]:
    """The numbers and single letters of a spelling, which tell one label from the next."""
    return tuple(p.lstrip("0") for p in pieces_of(text) if p.isdecimal() or len(p) == 1)


def alike(spellings: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs (earlier, later) of different spellings that could be one name.

    Names that differ in a number, or in a part of one or two letters, are
    labels (``S1``, ``S2``; ``muscle A``, ``muscle B``), not misspellings.
    Above ``MOST_COMPARED`` spellings only those equal after :func:`fold` are
    compared, since the number of pairs grows with the square.
    """
    pairs = []
    first: dict[str, str] = {}
    for spelling in spellings:
        key = fold(spelling) or spelling
        if key in first:
            pairs.append((first[key], spelling))
        else:
            first[key] = spelling
    keys = list(first)
    if len(keys) > MOST_COMPARED:
        return pairs
    parts = {key: _parts(first[key]) for key in keys}
    for at, key in enumerate(keys):
        for other in keys[:at]:
            if _misspelt(parts[key], parts[other]):
                pairs.append((first[other], first[key]))
    return pairs


def pieces_of(text: str) -> list[str]:
    """Words and numbers of a spelling, without case and accents."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return re.findall(r"[^\W\d_]+|\d+", plain)


def _parts(text: str) -> tuple[tuple[str, ...], str]:
    """What must agree (numbers, short parts), and the letters that may be misspelt."""
    pieces = pieces_of(text)
    fixed = tuple(p.lstrip("0") for p in pieces if p.isdecimal() or len(p) <= 2)
    return fixed, " ".join(p for p in pieces if not p.isdecimal() and len(p) > 2)


def _misspelt(one: tuple[tuple[str, ...], str], other: tuple[tuple[str, ...], str]) -> bool:
    if one[0] != other[0]:
        return False
    short, long = sorted((one[1], other[1]), key=len)
    if len(short) < 3:
        return False
    # One slip in a name of four letters or more, two in ten; "Max" and "Mac" are two dogs,
    # but "Rex" and "Rexx" may be one.
    allowed = 2 if len(short) >= 10 else 1
    if len(short) == 3:
        return len(long) == 4 and long.startswith(short)
    return bool(OSA.distance(short, long, score_cutoff=allowed) <= allowed)
