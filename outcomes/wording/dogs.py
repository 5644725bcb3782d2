"""Each dog and each source beside the others, and whether they differ at all."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.finds.dog_and_source_effects import (
    FEW_TRIALS,
    DogReview,
    OwnEffect,
    Response,
)
from outcomes.answers.side_tests import SideTests
from outcomes.exposure.cycles_and_age import exposure_of
from outcomes.text import of_100, p_value
from outcomes.wording.numbers import joined

DOG_CAUTION = (
    "This describes training trials under the conditions on record. It is not an assessment or a "
    "certification of any dog, and no ground for ranking dogs. What is not on record, such as who "
    "set the hide or how the dog was that day, is in these numbers too."
)


def stands_out(own: OwnEffect, side: SideTests) -> bool:
    """Whether one dog (or source) may be told to differ: only where any do, beyond chance."""
    differ = side.beyond_chance("dogs" if own.of == "dog" else "sources", "differ")
    return differ and own.differs is not None and not own.few


def describe_own_effect(own: OwnEffect, side: SideTests) -> str:
    """One dog (or source) beside the others in the same trials."""
    trials = f"{own.trials:,} {'trial' if own.trials == 1 else 'trials'}"
    likes = "an average dog" if own.of == "dog" else "an average source of the same exposure"
    expected = own.trials - own.expected_finds
    limits = f"({of_100(own.low)} to {of_100(own.high)})"
    if own.observed_only:
        text = f"{own.name}: found in {of_100(own.find_probability)} of 100 {limits}"
    else:
        text = f"{own.name}: about {of_100(own.find_probability)} of 100 {limits}"
    text += (
        f"; {own.misses:,} {'miss' if own.misses == 1 else 'misses'} in {trials}, where {likes} "
        f"would have had about {expected:.0f}"
    )
    if own.few:
        return f"{text}. Only {trials}: says little."
    if own.differs is not None and stands_out(own, side):
        who = "the other dogs" if own.of == "dog" else "its exposure explains"
        return f"{text}. {own.differs.capitalize()} finds than {who}, beyond chance."
    return text + "."


def describe_dogs(review: DogReview, side: SideTests) -> tuple[str, ...]:
    """What the review shows beyond chance, most important first, and which dogs have few trials."""
    lines = []
    if side.beyond_chance("dogs", "differ"):
        lines.append(_spread("dog", review.dogs))
    if side.beyond_chance("sources", "differ"):
        lines.append(_spread("source", review.sources))
    lines += [
        _response(r)
        for r in review.responses
        if side.beyond_chance("dogs", f"differ with {r.term}")
    ]
    experience = review.of_experience
    if experience is not None and side.beyond_chance("dogs", "experience"):
        sign = "more" if experience.log_ratio > 0.0 else "fewer"
        lines.append(
            f"With each doubling of a dog's trials so far go about "
            f"{abs(experience.points):.1f} {sign} finds in 100."
        )
    few = [d.name for d in review.dogs if d.few]
    if few:
        lines.append(f"Fewer than {FEW_TRIALS} trials, so little can be said: {joined(few)}.")
    return tuple(lines)


def _spread(grouping: str, own: Sequence[OwnEffect]) -> str:
    what = "conditions and sources" if grouping == "dog" else "exposure, conditions and dogs"
    named = {side: [x.name for x in own if x.differs == side] for side in ("more", "fewer")}
    if not named["more"] and not named["fewer"]:
        return (
            f"{grouping.capitalize()}s differ beyond what {what} explain, but for no single one "
            "are there trials enough to say which way."
        )
    parts = [f"{side} finds: {joined(names)}" for side, names in named.items() if names]
    return f"{grouping.capitalize()}s differ beyond what {what} explain ({'; '.join(parts)})."


def _response(response: Response) -> str:
    exposure = exposure_of(response.term)
    name = response.term if exposure is None else exposure.full_noun
    return (
        f"Dogs seem to differ in how their finds change with {name} "
        f"({p_value(response.p)}): do not read one dog's change as the sources'."
    )
