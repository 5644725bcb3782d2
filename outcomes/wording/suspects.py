"""Which of the four suspects goes with finds: crystals, drying, warmth or age.

The verdict is told first, and nothing here may take it back or go beyond it: of cycles and age
only those that it names are said to go with finds.
"""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.finds.confounders import SUSPECT_WORDS, Suspect, Suspects
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.results import FindEstimate
from outcomes.answers.side_tests import SideTests, calls_a_change
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, named_by
from outcomes.models.model_weights import ENTANGLED_VIF
from outcomes.text import of_100
from outcomes.wording.numbers import joined

# The models with it are better by 2 of the criterion: e to 1 in support.
_NOT_RULED_OUT = 0.73
SUPPORT_MEANING = (
    "Share of the support: of the explanations compared here, how often each would be expected to "
    "predict finds best if such records were gathered again. The shares add up to 100 in 100. They "
    "weigh these explanations against one another; they are not the probability that one is the "
    "cause, and all of them may be wrong."
)


_NO_OTHERS = "No part of the others shows, which is not proof of none"
_NUMBERS = ("none", "one", "two", "three", "four")


def named_exposures_of(verdict: WhichPredicts) -> tuple[str, ...]:
    """Cycles, age or both where the verdict calls them."""
    return named_by(verdict.verdict) if verdict.verdict in ("cycles", "age", "both") else ()


def suspects_show(compared: Suspects, verdict: WhichPredicts, side: SideTests) -> bool:
    """Whether any of the four may be told to matter; where finds change, by its own test."""
    if calls_a_change(verdict.verdict):
        return compared.joint_p is not None and compared.joint_p < compared.alpha
    return side.beyond_chance("suspects", "together")


def describe_suspects(compared: Suspects, verdict: WhichPredicts, side: SideTests) -> str:
    """Which of the four go with finds once the others are held, or why that cannot be told."""
    if compared.reason is not None or compared.joint_p is None:
        return (
            "These records cannot say which of cycles, drying, warmth and age goes with finds: "
            f"{compared.reason}."
        )
    suspects, called = compared.suspects, named_exposures_of(verdict)
    if not suspects_show(compared, verdict, side):
        return _none_shown(suspects, calls_a_change(verdict.verdict))
    supported = [s for s in suspects if _supported(s, called, compared.alpha, side)]
    if not set(called) <= {s.exposure for s in supported}:
        supported = []
    text = _finding(suspects, supported, called, compared.alpha)
    entangled = [
        SUSPECT_WORDS[s.exposure] for s in suspects if s.variance_inflation > ENTANGLED_VIF
    ]
    if len(entangled) > 1:
        names = joined(entangled)
        text += f" {names[:1].upper()}{names[1:]} are too closely tied in these records to part."
    if any(s.slopes_differ for s in supported):
        text += " Sources differ in how they change, so this is less certain than it looks."
    return text + " This is association: what a source met was not assigned."


def _supported(one: Suspect, called: Sequence[str], alpha: float, side: SideTests) -> bool:
    """Whether one suspect may be named: of cycles and age, those that the verdict names."""
    if one.exposure in CYCLES_AND_AGE:
        return one.exposure in called and _holds(one.given_others, alpha)
    return side.beyond_chance("suspects", one.exposure)


def _none_shown(suspects: Sequence[Suspect], called: bool) -> str:
    names = joined([SUSPECT_WORDS[s.exposure] for s in suspects])
    if not called:
        return f"Of {names}, none was found to go with finds in these records."
    number = _NUMBERS[len(suspects)]
    return (
        f"Asked of {number} possible reason{'' if len(suspects) == 1 else 's'} at once ({names}), "
        "these records show none beyond the answer above. That would take more trials and sources."
    )


def _finding(
    suspects: Sequence[Suspect], supported: Sequence[Suspect], called: Sequence[str], alpha: float
) -> str:
    names = joined([SUSPECT_WORDS[s.exposure] for s in suspects])
    if len(suspects) == 1:
        found = "finds go with it" if supported else "whether finds go with it cannot be told"
        return f"Only {names} could be asked about; {found}."
    if not supported:
        best = max(suspects, key=lambda s: s.weight)
        alone = [SUSPECT_WORDS[s.exposure] for s in suspects if _holds(s.alone, alpha)]
        text = (
            f"Asked of {_NUMBERS[len(suspects)]} possible reasons at once ({names}), these "
            "records cannot tell which it is"
            if called
            else f"Of {names}, something goes with finds, but these records cannot tell which"
        )
        if len(alone) > 1:
            which = "each of them" if len(alone) == len(suspects) else f"each of {joined(alone)}"
            text += f". {which[0].upper()}{which[1:]} goes with finds by itself"
            text += "; none still does with the others held the same"
        if not any(s.shape.bent for s in suspects):
            text += (
                f". If it is one alone, most support ({of_100(best.weight)} in 100) goes to "
                f"{SUSPECT_WORDS[best.exposure]}"
            )
        return (
            f"{text}. To tell {len(suspects)} reasons apart takes more "
            "than to tell cycles from age."
        )
    if any(s.shape.bent for s in suspects):
        # Where it turns was sought in these records, which no share of support allows for.
        told = [SUSPECT_WORDS[s.exposure] for s in supported]
        text = (
            f"Of {names}, finds go with {joined(told)} once the others are held the same, along "
            "the shape found above"
        )
        return f"{text}. {_NO_OTHERS}." if len(supported) < len(suspects) else f"{text}."
    told = [f"{SUSPECT_WORDS[s.exposure]} ({of_100(s.importance)} in 100)" for s in supported]
    text = (
        f"Of {names}, finds go with {joined(told)} once the others are held the same. In brackets: "
        "the support for its having a part"
    )
    near = [
        f"{SUSPECT_WORDS[s.exposure]} ({of_100(s.importance)} in 100)"
        for s in suspects
        if s not in supported and s.importance > _NOT_RULED_OUT
    ]
    if near:
        text += f". Not ruled out: {joined(near)}"
    elif len(supported) < len(suspects):
        text += f". {_NO_OTHERS}"
    return text + "."


def _holds(effect: FindEstimate | None, alpha: float) -> bool:
    return effect is not None and effect.p < alpha
