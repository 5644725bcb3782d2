"""How often false alerts come, and what they go with beyond chance."""

from __future__ import annotations

import numpy as np

from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.answers.side_tests import SideTests
from outcomes.exposure.cycles_and_age import exposure_of
from outcomes.models.ratio import change, power, sized
from outcomes.text import count


def describe_false_alerts(fit: FalseAlertFit, side: SideTests) -> str:
    """False alerts by the hour, by the blank area, and what goes with them beyond chance."""
    interval = f"{100 * (1 - fit.alpha):g} % interval"
    if fit.rate_per_hour is None or fit.rate_low is None or fit.rate_high is None:
        said = [f"False alerts cannot be told by the hour: {fit.rate_reason}."]
    else:
        said = [
            f"{fit.rate_per_hour:.2f} false alerts an hour of searching ({interval} "
            f"{fit.rate_low:.2f} to {fit.rate_high:.2f})."
        ]
    if fit.per_blank is None or fit.per_blank_low is None or fit.per_blank_high is None:
        said.append(
            "No blank area was searched, so the records cannot say how often one is called."
        )
    else:
        said.append(
            f"{fit.blank_alerts} of {count(fit.blanks, 'blank area')} drew a false alert "
            f"({100 * fit.per_blank:.1f} %, {interval} {100 * fit.per_blank_low:.1f} to "
            f"{100 * fit.per_blank_high:.1f} %)."
        )
    if fit.reason is not None:
        said.append(f"Against cycles and age they say nothing: {fit.reason}.")
        return " ".join(said)
    parts = []
    for term in fit.terms:
        exposure = exposure_of(term.term)
        if exposure is None or not side.beyond_chance("false alerts", term.term):
            continue
        times, name, word = exposure.many_units, exposure.each_many, exposure.noun
        middle, low, high = (
            change(power(float(np.log(v)), times), "more", "fewer", "as many")
            for v in (term.ratio, term.low, term.high)
        )
        if not sized(term.low, term.high, times):
            way = "more" if term.log_ratio > 0.0 else "fewer"
            parts.append(f"{way} went with {word}, by how much these records cannot tell")
        else:
            parts.append(f"{name} went with {middle} ({interval}: {low} to {high})")
    if not parts:
        return " ".join(said)
    said.append(
        f"On hides, {'; '.join(parts)}, from {count(fit.model_alerts, 'false alert')} on "
        f"{count(fit.sources, 'source')} by {count(fit.dogs, 'dog')}."
    )
    if fit.copies:
        said.append("Cycles and age move together in these records: either may be behind it.")
    return " ".join(said)


def describe_false_alerts_in_short(fit: FalseAlertFit) -> str:
    """The rate by the hour and the share of blank areas, as far as they are known."""
    parts = []
    if fit.rate_per_hour is not None:
        parts.append(f"{fit.rate_per_hour:.2f} false alerts an hour of searching")
    if fit.per_blank is not None:
        parts.append(f"one on {100 * fit.per_blank:.0f} of 100 blank areas")
    return ", ".join(parts)
