"""What the cells of a column hold: dates, times of day, and the texts there are."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.records.columns import YES_NO
from outcomes.records.reading.cells import Cells, clean, texts_of
from outcomes.records.reading.gather import AS_ABOVE
from outcomes.records.reading.spelling import fold
from outcomes.records.reading.times import WEEKDAY, clock_of

_DATE_LIKE = re.compile(
    r"(?i)^(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/. ](\d{1,2}|[a-z]{3,9})\.?[-/., ]+\d{2,4}"
    r"|[a-z]{3,9}\.? \d{1,2},? \d{4})"
)
YES_OR_NO = {fold(word) or word for ours, names in YES_NO.items() for word in (ours, *names)}


@dataclass(frozen=True, slots=True)
class Guess:
    """The unit's columns that are one of ours, and why they seem to be."""

    names: tuple[str, ...]
    ground: str


def column_of(cells: Cells, name: str) -> pd.Series[Any]:
    """The first column of that name."""
    return cells.columns[cells.header.index(name)]


def filled_texts(cells: pd.Series[Any]) -> list[str]:
    """The texts of the cells that hold something, one for each cell."""
    codes, texts = texts_of(cells)
    seen = [clean(text) for text in texts]
    return [seen[code] for code in codes.tolist() if code >= 0 and seen[code]]


def share_of(texts: Sequence[str], of: Callable[[str], bool]) -> float:
    """The share of the texts that are of a kind; marks for "as above" are not counted."""
    said = [text for text in texts if text.casefold() not in AS_ABOVE]
    return sum(map(of, said)) / len(said) if said else 0.0


def is_date(text: str) -> bool:
    """Whether a text begins as a date does."""
    return _DATE_LIKE.match(WEEKDAY.sub("", text)) is not None


def is_clock(text: str) -> bool:
    """Whether a text is a time of day."""
    return clock_of(text) is not None
