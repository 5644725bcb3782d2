"""The shelf as the page draws it: a row a source, which opens on the source's own story."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.answers.facts import Facts
from outcomes.draw.records_figure import shown_stays
from outcomes.draw.shelf_figure import LATEST
from outcomes.report import paper
from outcomes.wording.exposure_left import describe_exposure_left_by_source
from outcomes.wording.next_step import describe_next_step
from outcomes.wording.shelf import (
    describe_advice,
    describe_before_and_since,
    describe_expected_finds,
    describe_wear_in_short,
)
from outcomes.wording.source_story import describe_latest, describe_places, describe_source

_LONG_ID = 14  # letters from which a name may be broken anywhere
# Height as well as colour tells places apart in grey print: the top of a bar and its height.
_BARS = {
    "freezer": (4, 12),
    "refrigerator": (8, 5),
    "ambient": (0, 20),
    "unknown": (6, 8),
}


def lowest_of_scale(shelf: tuple[ShelfSource, ...], floors: tuple[float, ...]) -> int:
    """Where the scale of the shelf begins, in finds of 100: below all that is drawn."""
    lows = [s.low for s in shelf if s.low is not None]
    return 10 * math.floor(10.0 * min([*lows, *floors]) + 1e-9)


def place_on_scale(probability: float, lowest: int) -> str:
    """A probability as a place on the scale, in per cent of its width."""
    return f"{100.0 * max(100.0 * probability - lowest, 0.0) / (100.0 - lowest):.1f}%"


def shelf_rows(facts: Facts, lowest: int) -> list[dict[str, Any]]:
    """What each row of the shelf draws and says.

    Parameters
    ----------
    facts
        The unit's facts.
    lowest
        Where the scale begins (:func:`lowest_of_scale`).
    """
    left = describe_exposure_left_by_source(facts)
    steps = {step.source_id: step for step in facts.next_steps}
    stays = shown_stays(facts.joined.history, facts.joined.trials)
    own_stays = {str(name): own for name, own in stays.groupby("source_id", observed=True)}
    own_trials = trials_by_source(facts)
    none = facts.joined.trials.iloc[:0]
    rows = []
    for s in facts.shelf:
        trials = own_trials.get(s.source_id, none)
        rows.append(
            {
                "source": s.source_id,
                "long": len(s.source_id) > _LONG_ID,
                "kind": s.kind or "not recorded",
                "wear": describe_wear_in_short(s, facts.counted_by),
                "advice": s.advice,
                "reason": describe_advice(s, facts.settings.floor),
                "left": left.get(s.source_id),
                "predicted": describe_expected_finds(s, facts.settings.floor) or "not known",
                "next": describe_next_step(steps[s.source_id]),
                "counted": describe_before_and_since(facts.before_and_since.get(s.source_id)),
                "about": describe_source(s),
                "bar": _bar(s, lowest),
                "ticks": _ticks(trials["result"].tail(LATEST)),
                "latest": describe_latest(trials["result"].tail(LATEST).tolist()),
                **_story(own_stays.get(s.source_id, stays.iloc[:0]), trials),
            }
        )
    printed = paper.shelf_rows_on_paper(rows)
    for number, row in enumerate(rows):
        row["on_paper"] = number < printed
    return rows


def trials_by_source(facts: Facts) -> dict[str, pd.DataFrame]:
    """Source → its unassisted hide trials up to the day of the shelf, in their order."""
    hides = unassisted_hides(facts.joined.trials)
    hides = hides[hides["started_at"] < facts.as_of].sort_values(["started_at", "trial_id"])
    return {str(name): own for name, own in hides.groupby("source_id", observed=True)}


def _bar(source: ShelfSource, lowest: int) -> dict[str, str] | None:
    if source.find_probability is None or source.low is None or source.high is None:
        return None
    ends = {"low": source.low, "high": source.high, "at": source.find_probability}
    return {name: place_on_scale(value, lowest) for name, value in ends.items()}


def _ticks(results: pd.Series) -> list[dict[str, str]]:
    """The latest trials as marks, the last one at the right."""
    first = LATEST - len(results)
    return [
        {"result": str(result), "at": f"{100.0 * (first + k + 0.5) / LATEST:.1f}%"}
        for k, result in enumerate(results)
    ]


def _story(stays: pd.DataFrame, trials: pd.DataFrame) -> dict[str, Any]:
    """Places over time and trials among them, as shares of the time from first to last."""
    if stays.empty:
        return {"places": [], "trials": [], "told": ""}
    start, end = stays["start"].min(), stays["end"].max()
    whole = (end - start) / pd.Timedelta(days=1)

    def share(moments: pd.Series[pd.Timestamp]) -> list[float]:
        days = (moments - start).dt.total_seconds().to_numpy(dtype=float) / 86_400.0
        return [float(x) for x in np.clip(100.0 * days / whole, 0.0, 100.0)]

    places: list[dict[str, Any]] = []
    for place, left, right in zip(
        stays["place"], share(stays["start"]), share(stays["end"]), strict=True
    ):
        name = str(place) if place in _BARS else "unknown"
        top, high = _BARS[name]
        wide = max(right - left, 0.15)
        places.append(
            {"place": name, "at": f"{left:.2f}%", "wide": f"{wide:.2f}%", "top": top, "high": high}
        )
    marks = zip(trials["result"], share(trials["started_at"]), strict=True)
    return {
        "places": places,
        "trials": [{"result": str(result), "at": f"{at:.2f}%"} for result, at in marks],
        "told": describe_places(stays),
    }
