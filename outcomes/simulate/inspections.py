"""What a unit would weigh and see of its sources: cells torn, fluid lost, surfaces dried.

Drawn after all else and from a stream of its own, so that a unit that inspects has the same
trials as one that does not. That damage carries part of the effect of cycles is planted all the
same: what tells sources apart in the finds is parted, as drawn, into the damage that each came
with and the rest (see :func:`plant_damage`).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.simulate.plan import DAYS_PER_SLOT, Calendar, Floats, Ints, Plan
from outcomes.simulate.stock import Stock
from outcomes.simulate.truth import Truth
from outcomes.simulate.uses import Uses

_BEFORE_MIN = 30  # looked at thawed, before the first search
_ICE_CUTS = np.array([4.0, 10.0, 20.0])  # damage, in cycles, from which the score is 1, 2, 3
_BURN_CUTS = np.array([3.0, 7.0, 14.0])  # months frozen unsealed
_WEIGHING_SD = 0.002  # of the mass
_DRIP_AT_FIRST, _DRIP_PER_CYCLE, _DRIP_SD = 0.010, 0.0008, 0.001  # of the mass
_SCORE_SD = 1.5
_WHO = np.array(["H1", "H2"], dtype=object)


def plant_damage(truth: Truth, rng: np.random.Generator, stock: Stock) -> Floats:
    """Damage that each source came with, in cycles it is worth.

    A find's log-odds are the source's own effect and its change with cycles, which is the sum of
    a part that damage carries and a part it does not: damage is the source's cycles and what it
    came with. What it came with explains ``damage_of_source`` of the variance between sources:
    given a source's effect it is drawn from the normal distribution that this leaves, so that
    effect and rest are as if they had been drawn first.

    Parameters
    ----------
    truth
        What is planted.
    rng
        The stream of inspections.
    stock
        The sources, with their effects.

    Returns
    -------
    ndarray
        Shape (sources,); 0 where cycles have no effect, or damage carries none of it.
    """
    carried = truth.cycle_log_odds * truth.damage_share
    drawn = rng.normal(0.0, 1.0, len(stock.effect))
    if carried == 0.0:
        return np.zeros(len(stock.effect))
    share = truth.damage_of_source
    part = share * stock.effect + np.sqrt(share * (1.0 - share)) * truth.source_sd * drawn
    return np.asarray(part / carried)


def thaw_days(calendar: Calendar, stock: Stock, uses: Uses) -> list[Ints]:
    """The days of each source's thaws, sorted."""
    days: list[list[int]] = [[] for _ in stock.kind]
    for taken, session in uses.taken_out:
        day = int(calendar.day[session])
        if bool(stock.frozen_first[taken]) ^ (day > stock.home_changes_day[taken]):
            days[taken].append(day)
    for left, session in uses.idle:
        days[left].append(int(calendar.slot[session]) * DAYS_PER_SLOT - 1)
    for moved in np.flatnonzero(stock.frozen_first & (stock.home_changes_day <= calendar.days)):
        changed = int(stock.home_changes_day[moved])
        if uses.discarded.get(int(moved), changed + 1) > changed:
            days[moved].append(changed)
    return [np.sort(np.array(own, dtype=np.int64)) for own in days]


def inspection_table(
    truth: Truth,
    rng: np.random.Generator,
    calendar: Calendar,
    plan: Plan,
    stock: Stock,
    uses: Uses,
    sources: pd.DataFrame,
    damage: Floats,
) -> pd.DataFrame:
    """Write the inspections: some of the times a source is taken out, from a day on.

    Each thaw costs ``mass_lost_per_cycle`` of the mass, each month frozen unsealed
    ``mass_lost_per_open_month``; drip and ice damage grow with the damage, freezer burn with the
    months frozen unsealed.
    """
    looked = np.array(uses.taken_out, dtype=np.int64).reshape(-1, 2)
    chosen = rng.random(len(looked)) < truth.inspected_share
    noise = rng.normal(0.0, 1.0, (len(looked), 4))
    blind = rng.random(len(looked)) < 0.3
    who = rng.integers(0, len(_WHO), len(looked))
    session = looked[:, 1]
    chosen &= calendar.day[session] >= truth.inspected_from_day
    source, session = looked[chosen, 0], session[chosen]
    noise, blind, who = noise[chosen], blind[chosen], who[chosen]
    day = calendar.day[session]
    thaws = thaw_days(calendar, stock, uses)
    cycles = np.array(
        [np.searchsorted(thaws[i], d, side="right") for i, d in zip(source, day, strict=True)],
        dtype=float,
    )
    of = sources.set_index("source_id").reindex(pd.Index(stock.source_id))
    unsealed = (of["packaging"] != "sealed").to_numpy()
    months = _frozen_days(stock, source, day) / 30.0 * unsealed[source]
    kept = np.exp(-truth.mass_lost_per_cycle * cycles - truth.mass_lost_per_open_month * months)
    first = of["mass_g"].to_numpy(dtype=float)[source]
    mass = np.round(first * kept * (1.0 + _WEIGHING_SD * noise[:, 0]), 1)
    worth = cycles + damage[source]
    thawed = np.isin(source, np.flatnonzero(stock.frozen_first)) & (cycles > 0)
    drip = _DRIP_AT_FIRST + _DRIP_PER_CYCLE * worth + _DRIP_SD * noise[:, 1]
    drip_g = np.where(thawed, np.round(np.maximum(drip, 0.001) * mass, 2), np.nan)
    ice = np.digitize(worth + _SCORE_SD * noise[:, 2], _ICE_CUTS)
    burn = np.digitize(months + _SCORE_SD * noise[:, 3], _BURN_CUTS)
    at = plan.session_start[session] - _BEFORE_MIN
    table = pd.DataFrame(
        {
            "source_id": stock.source_id[source],
            "inspected_at": at.astype("datetime64[ns]"),
            "mass_g": mass,
            "drip_g": drip_g,
            "freezer_burn": burn.astype(float),
            "ice_damage": np.where(thawed, ice, 0).astype(float),
            "inspected_by": _WHO[who],
            "blind": pd.array(blind, dtype="boolean"),
        }
    )
    return table.sort_values(["inspected_at", "source_id"], ignore_index=True, kind="stable")


def _frozen_days(stock: Stock, source: Ints, day: Ints) -> Floats:
    """Days since each source came that its home was the freezer."""
    since = (day - stock.acquired_day[source]).astype(float)
    first_home = np.clip(stock.home_changes_day[source] - stock.acquired_day[source], 0, since)
    return np.asarray(np.where(stock.frozen_first[source], first_home, since - first_home))
