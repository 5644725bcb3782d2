"""Which of the four suspects goes with finds: crystals, drying, warmth or age."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.finds.confounders import SUSPECT_WORDS, Suspect, Suspects
from outcomes.analysis.results import FindEstimate
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


def describe_suspects(compared: Suspects) -> str:
    """Which of the four go with finds once the others are held, or why that cannot be told."""
    if compared.reason is not None or compared.joint_p is None:
        return (
            "These records cannot say which of cycles, drying, warmth and age goes with finds: "
            f"{compared.reason}."
        )
    suspects, joint_p, alpha = compared.suspects, compared.joint_p, compared.alpha
    text = _finding(suspects, joint_p, alpha)
    entangled = [
        SUSPECT_WORDS[s.exposure] for s in suspects if s.variance_inflation > ENTANGLED_VIF
    ]
    if len(entangled) > 1:
        names = joined(entangled)
        text += f" {names[:1].upper()}{names[1:]} are too closely tied in these records to part."
    if joint_p >= alpha:
        return text
    if any(s.slopes_differ for s in suspects if _holds(s.given_others, alpha)):
        text += " Sources differ in how they change, so this is less certain than it looks."
    return text + " This is association: what a source met was not assigned."


def _finding(suspects: Sequence[Suspect], joint_p: float, alpha: float) -> str:
    names = joined([SUSPECT_WORDS[s.exposure] for s in suspects])
    if len(suspects) == 1:
        found = (
            "no change in finds with it was detected" if joint_p >= alpha else "finds go with it"
        )
        return f"Only {names} could be asked about; {found}."
    if joint_p >= alpha:
        return f"Of {names}, none was found to go with finds in these records."
    supported = [s for s in suspects if _holds(s.given_others, alpha)]
    if not supported:
        best = max(suspects, key=lambda s: s.weight)
        alone = [SUSPECT_WORDS[s.exposure] for s in suspects if _holds(s.alone, alpha)]
        text = f"Of {names}, something goes with finds, but these records cannot tell which"
        if len(alone) > 1:
            text += f": {joined(alone)} each do when asked alone, none once the others are held"
        return (
            f"{text}. If it is one alone, most support ({of_100(best.weight)} in 100) goes to "
            f"{SUSPECT_WORDS[best.exposure]}. To tell {len(suspects)} suspects apart takes more "
            "than to tell cycles from age."
        )
    told = [f"{SUSPECT_WORDS[s.exposure]} ({of_100(s.importance)} in 100)" for s in supported]
    text = (
        f"Of {names}, finds go {'with' if len(told) > 1 else 'only with'} {joined(told)} once "
        "the others are held the same; in brackets the support for its having a part"
    )
    near = [
        f"{SUSPECT_WORDS[s.exposure]} ({of_100(s.importance)} in 100)"
        for s in suspects
        if s not in supported and s.importance > _NOT_RULED_OUT
    ]
    if near:
        text += f". Not ruled out: {joined(near)}"
    return text + "."


def _holds(effect: FindEstimate | None, alpha: float) -> bool:
    return effect is not None and effect.p < alpha
