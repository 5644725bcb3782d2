"""How often a source reaches its limit within the interval told, in a reduced size.

Units of 24 sources, 90 months on record, and 30 more that the dates are held to; sources go on
being used as the unit has used them, and none comes or goes any more. In full, 300 units a world::

    OUTCOMES_STUDY_SIZE=300 python -m pytest -n 0 -s tests/studies/test_stock_dates.py

prints what was found. A promise is broken where the 95 % limits of what was found, with units as
clusters, lie wholly outside of what it allows: 87 to 93 in 100 of the dates, 87 or more of the
numbers usable, which are whole and so hold a little more often.
"""

import os
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.stock import SourceAhead, UseAhead, _stock_at, uses_ahead
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.trials import join
from outcomes.records.tables import Records
from outcomes.records.write import unit_records
from outcomes.simulate import DEMO, Truth, simulate_unit
from outcomes.text import DAYS_PER_MONTH

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "12"))
BEFORE, AHEAD = 90, 30
TO_GO = (2.0, 4.0, 8.0)
MONTHS = (3, 6, 12)
CONFIDENCE = 0.90
STAYS = {"discards_per_year": 0.0, "moved_home_share": 0.0}
WORLDS = {
    "usual": Truth(**STAYS),
    "no source rests": Truth(rest_share=0.0, **STAYS),
    "used very unlike": Truth(use_log_sd=1.0, **STAYS),
    "the demo's": replace(DEMO, **STAYS),
    "strong ones used more": Truth(strong_used_more=0.5, **STAYS),
}


def until(records: Records, moment: pd.Timestamp) -> Records:
    """What the records were at that moment."""
    return replace(
        records,
        sources=records.sources[records.sources["acquired_on"] < moment],
        storage=records.storage[records.storage["moved_at"] < moment],
        trials=records.trials[records.trials["started_at"] < moment],
    )


def dates_of_unit(truth: Truth, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Each date told beside the day it came, and each number usable beside what it was."""
    months = BEFORE + AHEAD
    unit = simulate_unit(truth, seed, trials=40 * months, months=months)
    every = unit_records(unit)
    last = every.trials["started_at"].max()
    moment = last - pd.Timedelta(days=round(AHEAD * DAYS_PER_MONTH))
    past = until(every, moment)
    ids = list(past.sources["source_id"])
    history = join(past).history
    uses, frozen = uses_ahead(history, ids, past.trials["started_at"].min(), moment)
    thawed = [s for s in ids if frozen[s] and s in uses]
    days = np.arange((last - moment).days)
    cycles = exposure_at(
        join(every).history,
        pd.Series(np.repeat(np.array(thawed, dtype=object), len(days))),
        pd.Series(np.tile(moment + pd.to_timedelta(days, unit="D"), len(thawed))),
    )["cycles"].to_numpy(dtype=float).reshape(len(thawed), len(days))  # fmt: skip
    gained = cycles - cycles[:, :1]
    rows = []
    for number, source in enumerate(thawed):
        to_go = TO_GO[(number + seed) % len(TO_GO)]
        reached = np.flatnonzero(gained[number] >= to_go)
        day = float(reached[0]) if len(reached) else np.inf
        low, high = (uses[source].days_until(to_go, 0.5 + side * CONFIDENCE / 2)
                     for side in (-1, 1))  # fmt: skip
        # A day is told whole, and the simulated one is known to the day.
        known = np.isfinite(day) or high < days[-1] or low > days[-1]
        rows.append((seed, low - 1.0 <= day <= high + 1.0, known, to_go))
    held = _numbers_held(gained, [uses[s] for s in thawed])
    return (
        pd.DataFrame(rows, columns=["unit", "held", "known", "to_go"]),
        pd.DataFrame({"unit": seed, "held": held, "known": True}),
    )


def _numbers_held(gained: np.ndarray, uses: list[UseAhead]) -> list[bool]:
    """Whether the number of sources still usable lay within its limits at each month."""
    to_go = np.array([TO_GO[k % len(TO_GO)] for k in range(len(uses))])
    held = []
    for month in MONTHS:
        day = round(month * DAYS_PER_MONTH)
        stock = _stock_at(
            month,
            [SourceAhead(str(j), None, "usable", use=u, cycles_left=k)
             for j, (u, k) in enumerate(zip(uses, to_go, strict=True))],
            lambda _: 1.0,
            CONFIDENCE,
        )  # fmt: skip
        held.append(stock.low <= int((gained[:, day] < to_go).sum()) <= stock.high)
    return held


def share_held(found: pd.DataFrame) -> tuple[float, float]:
    """Share of what was told that held, and its error, with units as clusters."""
    share = float(found["held"].mean())
    of_unit = (found["held"] - share).groupby(found["unit"]).sum()
    return share, float(np.sqrt((of_unit**2).sum()) / len(found))


@pytest.mark.study
@pytest.mark.parametrize("world", WORLDS)
def test_sources_reach_their_limit_when_told(world: str) -> None:
    made = [dates_of_unit(WORLDS[world], 7_000 + k) for k in range(UNITS)]
    dates, numbers = (pd.concat([one[k] for one in made]) for k in (0, 1))
    lines = []
    for name, found, most in (("dates", dates, 0.93), ("numbers usable", numbers, 1.0)):
        share, error = share_held(found[found["known"]])
        lines.append(
            f"{world}: {name} held {100 * share:.1f} % ± {196 * error:.1f}, "
            f"{int(found['known'].sum()):,} of {len(found):,}"
        )
        assert share + 1.96 * error >= 0.87, lines[-1]
        assert share - 1.96 * error <= most, lines[-1]
    sys.stdout.write("\n".join(["", *lines, ""]))
