"""How far the limit moves when sources or dogs are resampled."""

from __future__ import annotations

from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
from outcomes.analysis.decisions.curve import THIN_SOURCES
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import count
from outcomes.wording.exposure import exposure_value
from outcomes.wording.numbers import in_100, percent


def describe_resampled_limit(found: BootstrapThreshold) -> str:
    """The interval over resampled sources or dogs, or why there is none."""
    start = f"Resampling whole {found.resampled}s"
    if found.reason is not None:
        return f"{start}: no interval, because {found.reason}."
    exposure = found.by
    low = "the start" if found.low is None else exposure_value(exposure, found.low)
    high = (
        f"beyond what at least {THIN_SOURCES} sources have shown"
        if found.high is None
        else exposure_value(exposure, found.high)
    )
    levels = count(found.levels, found.resampled)
    text = (
        f"{start} ({found.refits} times, {levels}), the threshold by "
        f"{CYCLES_AND_AGE[exposure].noun} lies between {low} and {high} "
        f"({percent(found.confidence)} interval)"
    )
    parts = []
    if found.never >= 0.005:
        parts.append(f"in {in_100(found.never)} of them finds never fall below the floor")
    if found.from_start >= 0.005:
        parts.append(f"in {in_100(found.from_start)} they start below it")
    if found.failed:
        parts.append(f"{found.failed} could not be fitted and are left out")
    return f"{text}; {'; '.join(parts)}." if parts else f"{text}."
