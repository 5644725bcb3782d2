"""Every place of storage in one table: what it counts as, how cold it is, how units call it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

CountsAs = Literal["freezer", "refrigerator", "ambient", "discarded"]


@dataclass(frozen=True, slots=True)
class StoragePlace:
    """One word that ``moved_to`` may hold.

    Attributes
    ----------
    name
        The word.
    counts_as
        ``"freezer"``, ``"refrigerator"``, ``"ambient"`` or ``"discarded"``: what time
        there adds to, and what the place is called wherever exposures are told. A
        place of another name (``"deep freezer"``) counts as one of these.
    usual_c
        Temperature there where the log gives none, °C; not a number where nothing is
        stored. A setting called as the place with ``_c`` goes before it.
    possible_c
        Lowest and highest temperature that may be logged there, °C; None for any that
        the column allows. A freezer or refrigerator that fails may warm up; beyond
        these it is another unit or place.
    other_names
        What units call it, beside ``name``.
    """

    name: str
    counts_as: CountsAs
    usual_c: float
    possible_c: tuple[float, float] | None = None
    other_names: tuple[str, ...] = ()


PLACES: Mapping[str, StoragePlace] = MappingProxyType(
    {
        place.name: place
        for place in (
            StoragePlace(
                "freezer",
                counts_as="freezer",
                usual_c=-18.0,
                possible_c=(-90.0, 10.0),
                other_names=("frozen", "deep freeze", "deep freezer"),
            ),
            StoragePlace(
                "refrigerator",
                counts_as="refrigerator",
                usual_c=4.0,
                possible_c=(-10.0, 20.0),
                other_names=("fridge", "refrigerated", "cooler", "cold store"),
            ),
            StoragePlace(
                "ambient",
                counts_as="ambient",
                usual_c=20.0,
                other_names=("room", "room temperature", "out", "thawed", "field", "training"),
            ),
            StoragePlace(
                "discarded",
                counts_as="discarded",
                usual_c=float("nan"),
                other_names=("disposed", "destroyed", "thrown away", "disposal", "incinerated"),
            ),
        )
    }
)
COUNTED_AS: tuple[CountsAs, ...] = get_args(CountsAs)
"""What a place may count as, in the order of the codes that exposures are worked out with."""


def places_counted_as(*counted: CountsAs) -> tuple[str, ...]:
    """The places that count as one of these.

    >>> places_counted_as("refrigerator", "ambient")
    ('refrigerator', 'ambient')
    """
    return tuple(place.name for place in PLACES.values() if place.counts_as in counted)
