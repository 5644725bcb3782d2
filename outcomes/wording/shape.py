"""What shape the change in finds has along an exposure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from outcomes.analysis.finds.shape import CLEARLY_WORSE, Shapes
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE

SHAPE_RULE = (
    "The simplest shape whose criterion (QAICc) is within 2 of the best one's, in the order: no "
    "change, straight line, logarithm, step after the first thaw, smooth curve."
)


def describe_shape(shapes: Shapes) -> str:
    """The simplest shape that will do, and those that would fit about as well."""
    name = CYCLES_AND_AGE[shapes.exposure].noun
    if shapes.reason is not None or shapes.chosen is None:
        return f"The shape of the change with {name} cannot be told: {shapes.reason}."
    if shapes.chosen == "flat":
        return (
            f"No change with {name} is needed to describe these records, so no shape of it can be "
            "told."
        )
    step = CYCLES_AND_AGE[shapes.exposure].step
    text = {
        "straight": (
            f"A straight line is enough: as far as these records show, each further {step} goes "
            "with the same change (on the scale of the odds)."
        ),
        "logarithmic": (
            f"The first {step}s count most: each doubling of them goes with about the same change, "
            "and a straight line fits clearly worse."
        ),
        "step": (
            "The change comes with the first thaw: sources thawed once and sources thawed often "
            "differ too little for these records to show it."
        ),
        "spline": (
            f"The change with {name} bends in a way that no simple shape follows: read it off the "
            "curve."
        ),
    }[shapes.chosen]
    rivals = [
        _SHAPE_WORDS[c.shape]
        for c in shapes.candidates
        if c.shape != shapes.chosen and c.difference <= CLEARLY_WORSE
    ]
    if rivals:
        text += f" {_either(rivals)} would fit about as well."
    return text


_SHAPE_WORDS: Mapping[str, str] = {
    "flat": "no change",
    "straight": "a straight line",
    "logarithmic": "a change that slows down",
    "step": "a step after the first thaw",
    "spline": "a smooth curve",
}


def _either(words: Sequence[str]) -> str:
    text = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
    return text[:1].upper() + text[1:]
