"""What shape the change in finds has along an exposure."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.shapes import Shape, WeightedShape, step_range
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.text import p_value
from outcomes.wording.exposure import exposure_value


def at_the_knot(exposure: ExposureName, shape: Shape) -> str:
    """Where a shape turns: "10 freeze/thaw cycles", "14 months of age"."""
    assert shape.knot is not None
    asked = CYCLES_AND_AGE[exposure]
    value = exposure_value(exposure, shape.knot)
    return value.replace("cycle", "freeze/thaw cycle") + asked.of_value


def describe_shape(verdict: WhichPredicts, exposure: ExposureName) -> str:
    """Whether a straight line is enough along an exposure, and what fits better where not."""
    # Of an exposure that is not told of beside one that bends, nothing was weighed.
    if verdict.bend is None or (verdict.shapes and exposure not in verdict.shapes):
        return ""
    asked = CYCLES_AND_AGE[exposure]
    if exposure in verdict.contradicted:
        return (
            f"No shape tried follows the finds observed along {asked.noun}: go by the circles, "
            "not by a curve."
        )
    weighed = verdict.shapes.get(exposure)
    if weighed is None:
        return (
            f"A straight line along {asked.noun} (on the scale of the odds) is not rejected "
            f"({p_value(verdict.bend.p)}); a bend or step too small to show may be there."
        )
    shape, share = weighed[0].shape, sum(w.weight for w in weighed if not w.shape.bent)
    if shape.kind == "line":
        text = f"Along {asked.noun} a straight line fits as well as any other shape"
    elif shape.kind == "log":
        text = f"The first {asked.step}s count most: each doubling goes with about the same change"
    else:
        at = at_the_knot(exposure, shape)
        text = {
            "step": f"The change comes at about {at}{_anywhere(exposure, weighed)}; "
            "before and after it little shows",
            "levels off": f"The change goes on up to about {at}; beyond, none shows",
            "sets in": f"Up to about {at} no change shows; it sets in from there",
        }[shape.kind]
    return f"{text}. Of all shapes weighed together a straight line has {_in_100(share)}."


def _anywhere(exposure: ExposureName, weighed: Sequence[WeightedShape]) -> str:
    """Where else the step may lie as well; empty where its place is hardly in doubt."""
    places = step_range(weighed)
    if places is None:
        return ""
    low, high = (exposure_value(exposure, place) for place in places)
    return "" if low == high else f" (anything from {low} to {high} fits nearly as well)"


def _in_100(share: float) -> str:
    return f"{100.0 * share:.0f} in 100 of the support"
