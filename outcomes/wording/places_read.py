"""Places that readings show to be warmer or colder than stated."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.exposure.places_read import PlaceRead
from outcomes.text import count
from outcomes.wording.numbers import joined


def describe_places_read(places: Sequence[PlaceRead]) -> str | None:
    """Which places were warmer or colder than stated; None where none was.

    Parameters
    ----------
    places
        Every place that was read.
    """
    told = [_place(place) for place in places if place.apart]
    if not told:
        return None
    return (
        f"By its readings, {joined(told)}. Where there are readings, what sources went through "
        "goes by them; elsewhere it goes by the temperature stated, so state the one read."
    )


def _place(place: PlaceRead) -> str:
    word = "warmer" if place.mean_c > place.stated_c else "colder"
    own = place.place != place.counts_as
    named = f"{place.place} ({place.counts_as})" if own else f"the {place.place}"
    return (
        f"{named} was {word} than stated: {_degrees(place.mean_c)} in the mean of "
        f"{count(place.readings, 'reading')}, not {_degrees(place.stated_c)}"
    )


def _degrees(value: float) -> str:
    return f"{value:.1f} °C".replace("-", "−").replace(".0 °C", " °C")
