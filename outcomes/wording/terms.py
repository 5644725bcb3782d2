"""The terms of the model of finds by name, and those it does without."""

from __future__ import annotations

from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE

TERMS_NOTE = (
    "Odds ratio: by how much the odds of a find are multiplied per step; under 1, fewer finds. "
    "Finds in 100: the same as finds gained or lost. p: how often records without the effect would "
    "look as strong as these; of cycles and age, by the tests of the answer."
)


def describe_left_out(fit: FindFit) -> list[str]:
    """Trials and terms the model does without, with the reason; trials alone without a model."""
    lines = [x.reason for x in fit.left_out if x.term == "trials"]
    if fit.mixed is None:
        return lines
    terms = [x for x in fit.left_out if x.term != "trials"]
    return lines + [f"{TERM_WORDS.get(x.term, x.term)}: {x.reason}" for x in terms]


TERM_WORDS: dict[str, str] = {
    **{str(exposure.name): exposure.full_noun for exposure in CYCLES_AND_AGE.values()},
    "cycles_of_other_kinds": "freeze/thaw cycles of the other kinds",
    "frozen_share": "share of storage spent frozen",
    "use_ratio": "how readily the source is taken",
    "undocumented_days": "time in store before the log begins",
    "set_min": "set time",
    "hours_since_thaw": "hours since the thaw",
    "first_mass_g": "mass when taken in",
    "freezer_c": "the freezer's temperature",
    "depth_cm": "depth",
    "met_before": "earlier meetings of dog and source",
    "temperature_c": "temperature",
    "humidity_pct": "humidity",
    "wind_m_s": "wind",
    "experience": "the dog's trials so far",
}
