"""What these records cannot say."""

from __future__ import annotations

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import count, of_100
from outcomes.wording.blinding import LEVELS

_NOTED_WRONGLY = (0.05, 0.02, 0.01)  # shares to reckon with, where misses are common enough
_MANY_NOT_RECORDED = 0.1


def describe_limitations(
    fit: FindFit, verdict: WhichPredicts, *, by_lot: bool = False
) -> list[str]:
    """What these records cannot say; ``by_lot``: planned trials say what they can."""
    lines = [
        "Whether storage caused a change outside the planned trials: there, sources were chosen "
        "for use and for storage, not assigned."
        if by_lot
        else "Whether storage caused a change: sources were chosen for use and for storage, not "
        "assigned. Only a trial planned for it, with sources assigned by lot, can say.",
    ]
    if verdict.verdict == "no change detected" and verdict.largest_fall:
        lines.append(
            "That nothing changes: a fall as large as the one stated above may be there unseen."
        )
    if verdict.verdict == "cannot be told apart":
        lines.append("Which of the two it is, cycles or age.")
    lines += [f"{note[0].upper()}{note[1:]}." for note in verdict.notes if note != fit.reason]
    for slope in fit.slopes:
        if not slope.seem_to_differ:
            continue
        name = CYCLES_AND_AGE[slope.exposure].noun
        lines.append(
            f"How fast any one {slope.grouping} changes: {slope.grouping}s may differ in how "
            f"they change with {name}. The size given is the average, and its interval allows "
            "for that."
        )
    if fit.mixed is not None and "source" in fit.mixed.singular:
        lines.append(
            "Whether sources differ in ways that are not on record: no such difference showed."
        )
    lines += [
        line for line in (describe_noted_wrongly(fit), describe_blinding_missing(fit)) if line
    ]
    return lines


def describe_noted_wrongly(fit: FindFit) -> str | None:
    """What results noted wrongly by mistake would hide; None without a model.

    With a share m of finds noted as misses and as many of the misses as finds, noted are
    m + (1 - 2 m) of the true finds (Rogan and Gladen 1978).
    """
    if fit.mixed is None:
        return None
    noted, misses = fit.finds / fit.n, fit.misses / fit.n
    share = next((m for m in _NOTED_WRONGLY if misses >= 2.0 * m), None)
    if share is None:
        return None
    true = (noted - share) / (1.0 - 2.0 * share)
    return (
        f"Whether every result was noted right. Were {of_100(share)} in 100 noted wrongly by "
        f"mistake alone, {of_100(noted)} in 100 found as noted would be {of_100(true)} in truth, "
        "and any change would be larger than it looks."
    )


def describe_blinding_missing(fit: FindFit) -> str | None:
    """That for many trials it is not known whether the handler knew the hide; None for few."""
    trials = fit.design.trials
    if trials.empty:
        return None
    known = int(trials["blinding"].isin(LEVELS).sum()) if "blinding" in trials else 0
    missing = len(trials) - known
    if missing <= _MANY_NOT_RECORDED * len(trials):
        return None
    return (
        f"Whether the handlers knew where the hide was: blinding is not on record for {missing:,} "
        f"of {count(len(trials), 'hide trial')}. Who knows may find more, and those trials may be "
        "of either sort."
    )
