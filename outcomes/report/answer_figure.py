"""The figure of the answer, drawn from facts: finds against what predicts them, and storage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.figure import Figure

from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.finds.model import counts_needed
from outcomes.analysis.results import FindCurve
from outcomes.answers.facts import Facts
from outcomes.draw.main_figure import Needed, ThresholdMark, draw_main_figure
from outcomes.draw.save import render_figure
from outcomes.draw.theme import ALONE, Sheet
from outcomes.text import count
from outcomes.wording.figure import describe_low_circle_in_short
from outcomes.wording.rows import describe_records_used
from outcomes.wording.shelf import describe_late_logs
from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short


def draw_briefing_figure(facts: Facts) -> Figure:
    """The main figure with its title, to stand alone."""
    headline = describe_verdict_in_short(facts.fit, facts.verdict, facts.retirement)
    return draw_sheet(facts, headline, figure_subtitle(facts))


def render_answer_figure(facts: Facts) -> bytes:
    """The main figure as PNG: all that is drawn of it before the rest is worked out."""
    return render_figure(draw_briefing_figure(facts), "png")


def drawn_curves(facts: Facts) -> list[FindCurve]:
    """The curves there is something to draw of; none where there is too little to judge by."""
    if needed_of(facts) is not None:
        return []
    return [c for c in facts.retirement.curves if len(c.at) or c.bins]


def needed_of(facts: Facts) -> Needed | None:
    """What there is and what it takes, where there is too little to judge storage by."""
    fit = facts.fit
    if not fit.too_few or fit.n == 0:
        return None
    return Needed(counts_needed(fit), (fit.n - fit.misses, fit.n))


def threshold_marks(retirement: Retirement) -> dict[str, ThresholdMark | None]:
    """Exposure → where its limit is drawn; None where there is none."""
    return {t.by: _mark(t) for t in retirement.thresholds}


def draw_sheet(
    facts: Facts,
    title: str,
    subtitle: str,
    other_floors: Sequence[tuple[float, Mapping[str, ThresholdMark | None]]] = (),
    *,
    sheet: Sheet = ALONE,
) -> Figure:
    """Draw the main figure, on whatever sheet.

    Parameters
    ----------
    facts
        The unit's facts.
    title, subtitle
        Empty where they stand beside it.
    other_floors
        Other floors, and the limits at them, that it must have room for.
    sheet
        Size and lettering.
    """
    return draw_main_figure(
        title=title,
        subtitle=subtitle,
        curves=drawn_curves(facts),
        floor=facts.settings.floor,
        thresholds=threshold_marks(facts.retirement),
        comparison=facts.comparison.at(facts.settings.confidence),
        footer=figure_footer(facts),
        note=describe_low_circle_in_short(facts.retirement),
        sheet=sheet,
        other_floors=other_floors,
        needed=needed_of(facts),
    )


def _mark(threshold: Threshold) -> ThresholdMark | None:
    if threshold.estimate is None and threshold.outcome != "stays above":
        return None
    after = threshold.retire_after
    return ThresholdMark(
        estimate=threshold.estimate,
        low=threshold.low,
        high=threshold.high,
        retire_after=None if after is None else float(after),
    )


def figure_subtitle(facts: Facts) -> str:
    """The line under the title: size and certainty."""
    answer = describe_verdict(facts.fit, facts.verdict, facts.retirement)
    return f"{answer} {describe_late_logs(facts.fit, facts.verdict)}".strip()


def whose(facts: Facts) -> str:
    """Whose records these are, and of when."""
    unit = facts.records.settings.unit or "One unit's records"
    trials = facts.joined.trials["started_at"]
    return f"{unit}, {trials.min():%Y-%m-%d} to {trials.max():%Y-%m-%d}"


def figure_footer(facts: Facts) -> str:
    """What the figure rests on."""
    counted = facts.counted
    return (
        f"{whose(facts)}: {count(counted.n, 'usable hide trial')} "
        f"({count(counted.misses, 'miss', 'misses')}), {count(counted.dogs, 'dog')}, "
        f"{count(counted.sources, 'source')}. "
        "Association in one unit's records, not proof of cause."
    )


def records_footer(facts: Facts) -> str:
    """What the figure of all records shows, and how many of them other figures rest on."""
    hides = facts.joined.trials["source_id"].notna()
    return describe_records_used(whose(facts), int(hides.sum()), facts.counted)
