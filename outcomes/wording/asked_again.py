"""Whether the verdict would stand for a unit that asks every month."""

from __future__ import annotations

from outcomes.analysis.monitoring.asked_again import AskedAgain
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.wording.numbers import percent


def describe_asked_again(found: AskedAgain, alpha: float) -> str:
    """The interval that holds at every look, and what it makes of the verdict.

    Parameters
    ----------
    found
        The effect, asked again.
    alpha
        The chance that its interval ever misses the truth.
    """
    exposure = CYCLES_AND_AGE[found.exposure]
    interval = (
        f"Asked at the end of every month since {found.first_look:%Y-%m}, the change in log-odds "
        f"per {'cycle' if found.exposure == 'cycles' else exposure.unit} lies from "
        f"{_signed(found.log_odds_low)} to {_signed(found.log_odds_high)} (an interval that holds "
        f"at every look, {percent(1 - alpha)}; {found.wider:.1f} times as wide as that of one look)"
    )
    if found.stands is None:
        return f"{interval}. The verdict rests on two effects, for which there is no such interval."
    if found.log_odds_low <= 0.0 <= found.log_odds_high and not found.stands:
        return f"{interval}: for a unit that asks every month the verdict would not stand yet."
    return f"{interval}: for a unit that asks every month the verdict would stand."


def _signed(value: float) -> str:
    return f"{value:+.3f}".replace("-", "−")
