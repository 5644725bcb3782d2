"""What several units say together: how often each interval holds, and how wide it is.

The study behind ``tests/studies/pages/pools.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/pools.py --units 800 --pools 200

First a bank of simulated units, each with what it would share (some seconds of computing a
unit), a line of ``tests/studies/pool_units/*.csv`` each, so that it goes on where it stopped;
then pools drawn from the bank. Units are of some 300 hide trials; with ``--trials`` of others.
The reduced run is ``tests/studies/test_pools.py``.
"""

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from promises import PAGES
from side_by_side import add_options, run_stored, where

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.errors import FitError
from outcomes.exposure.trials import join
from outcomes.models.likelihood_surface import LikelihoodSurface, SurfaceSum
from outcomes.pool.answer import add_up
from outcomes.pool.unit_surface import unit_surface
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit

FOLDER = Path(__file__).parent / "pool_units"
NUMBERS = (2, 4, 8, 16)
DROP = 1.9207294  # of a log-likelihood at 95 % limits
FIRST_SEED = 90_000  # none of the seeds the tests, the demo or another study use
MEAN = -0.6  # planted: log-odds per 10 cycles
SPREAD = {"alike": 0.0, "unlike": 0.3}  # world -> SD between units of that slope
COLUMNS = ["seed", "planted", "trials", "misses", "surface"]
HIDE_SHARE = 0.83  # of trials: neither blank nor assisted


def study_unit(world: str, seed: int, trials: int) -> dict[str, object]:
    """What one simulated unit would share; no surface where it may or can not."""
    rng = np.random.default_rng(seed)
    planted = float(rng.normal(MEAN, SPREAD[world])) if SPREAD[world] else MEAN
    truth = Truth(cycle_log_odds=planted / 10.0, baseline_log_odds=2.6, shared_thaws=False)
    unit = simulate_unit(
        truth, rng, trials=round(trials / HIDE_SHARE), dogs=6, sources=20, months=18
    )
    design = plan_design(join(unit_records(unit)).trials)
    misses = len(design.y) - int(design.y.sum())
    row = {"seed": seed, "planted": round(planted, 6), "trials": len(design.y), "misses": misses}
    try:
        found = unit_surface(design)
    except FitError:
        return row
    if misses < 30 or found.exposures != ("cycles", "age"):
        return row
    surface = found.surface
    values = [
        [None if np.isnan(v) else round(float(v), 2) for v in line]
        for line in surface.log_likelihood
    ]
    return row | {"surface": json.dumps([*[a.tolist() for a in surface.axes], values])}


def run_bank(world: str, units: int, trials: int, folder: Path, **place: Any) -> pd.DataFrame:
    """Simulate the units that have no line in the world's file yet, and return all of them."""
    calls = {seed: (world, seed, trials) for seed in range(FIRST_SEED, FIRST_SEED + units)}
    return run_stored(study_unit, calls, folder / f"{world}_{trials}.csv", COLUMNS, **place)


@dataclass(frozen=True)
class Stored:
    """A unit of the bank: what was planted, its surface, and whether it can say by itself."""

    code: str
    planted: float
    surface: LikelihoodSurface
    can_say: bool


def read_bank(bank: pd.DataFrame) -> list[Stored]:
    """The units that may share, in order of their seeds."""
    units = []
    for row in bank.dropna(subset=["surface"]).itertuples():
        cycles, age, values = json.loads(row.surface)
        known = np.array([[np.nan if v is None else v for v in line] for line in values])
        surface = LikelihoodSurface([np.array(cycles), np.array(age)], known)
        alone = SurfaceSum([surface]).limits(0, DROP)
        can_say = not alone.low <= 0.0 <= alone.high
        units.append(Stored(str(row.seed), float(row.planted), surface, can_say))
    return units


def study_pool(units: Sequence[Stored], another: Stored) -> dict[str, object]:
    """What one pool says, held against what was planted."""
    together = SurfaceSum([u.surface for u in units])
    added = add_up({u.code: u.surface for u in units})
    cycles, age = added["cycles"], added["age"]
    row: dict[str, object] = {"units": len(units)}
    held = {
        "sum": together.limits(0, DROP),
        "told": cycles,
        "hartung_knapp": cycles.beside.get("REML"),
    }
    for name, limits in held.items():
        if limits is not None and limits.low is not None and limits.high is not None:
            row[f"{name}_held"] = int(limits.low <= MEAN <= limits.high)
            row[f"{name}_width"] = limits.high - limits.low
    if age.low is not None and age.high is not None:
        row["age_held"] = int(age.low <= 0.0 <= age.high)
        row["age_width"] = age.high - age.low
    if cycles.prediction is not None:
        low, high = cycles.prediction.low, cycles.prediction.high
        row["another_held"] = int(low <= another.planted <= high)
        row["another_width"] = high - low
    row["named"] = int(cycles.changes == "falls" and age.changes == "not told")
    row["falls"] = int(cycles.changes == "falls")
    row["disagree"] = int(cycles.disagree)
    row["age_disagree"] = int(age.disagree)
    return row


def run_pools(units: Sequence[Stored], number: int, pools: int, seed: int) -> pd.DataFrame:
    """So many pools of so many units, drawn from the bank, with one more unit each."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(pools):
        drawn = rng.choice(len(units), number + 1, replace=False)
        rows.append(study_pool([units[k] for k in drawn[:-1]], units[drawn[-1]]))
    return pd.DataFrame(rows)


def in_short(found: pd.DataFrame) -> dict[str, str]:
    """Shares and median widths of one cell, as a row of the table."""
    told = {}
    for name in ("sum", "told", "hartung_knapp", "age", "another"):
        if f"{name}_held" in found:
            held, width = found[f"{name}_held"].dropna(), found[f"{name}_width"].dropna()
            told[name] = f"{held.mean():.2f} / {width.median():.2f}"
    for name in ("named", "falls", "disagree", "age_disagree"):
        told[name] = f"{found[name].mean():.2f}"
    return told


def tables(banks: Mapping[str, Sequence[Stored]], pools: int) -> dict[str, pd.DataFrame]:
    """World → a row for each number of units."""
    made = {}
    for world, units in banks.items():
        choices = {world: list(units)}
        if world == "alike":
            choices["alike, none can say"] = [u for u in units if not u.can_say]
        for name, chosen in choices.items():
            rows = {
                number: in_short(run_pools(chosen, number, pools, number))
                for number in NUMBERS
                if number < len(chosen)
            }
            made[name] = pd.DataFrame(rows).T.rename_axis("units")
    return made


def write_page(banks: Mapping[str, Sequence[Stored]], pools: int, trials: int, page: Path) -> None:
    """The page of the study."""
    sizes = ", ".join(f"{len(units)} units in the bank '{w}'" for w, units in banks.items())
    alone = [u for u in banks["alike"] if u.can_say]
    lines = [
        "# What several units say together: simulated pools",
        "",
        f"Made by `tests/studies/pools.py`: {sizes}, of some {trials} hide trials, 6 dogs and 20",
        f"sources each; {pools} pools a cell, drawn from the bank, so that pools share units and a",
        "share is less sure than so many pools of their own would make it. Planted: "
        f"{MEAN:g} per 10 cycles (unlike units: SD {SPREAD['unlike']:g}), nothing with age. Of",
        f"units by themselves {len(alone)} of {len(banks['alike'])} alike ones can say: their",
        "interval leaves no change out.",
        "Pools of those that cannot are not what a pool should be made of: units left out because",
        "their answer was clear make the rest read too flat, and intervals miss what was planted.",
        "",
        "Each cell: share of 95 % intervals that hold what was planted / median width. `sum`:",
        "likelihoods added up; `told`: what is told (the sum below 5 units, from 5 on a normal",
        "between units); `hartung_knapp`: from estimates alone; `age`: as told; `another`: the",
        "prediction, held against the slope planted in one more unit. `named`: share of pools that",
        "name cycles and not age; `falls`: that say finds fall with cycles; `disagree`,",
        "`age_disagree`: that call the units unlike in cycles, in age.",
    ]
    for world, table in tables(banks, pools).items():
        head = ["units", *table.columns]
        lines += ["", f"## {world.capitalize()}", "", f"| {' | '.join(head)} |"]
        lines += [f"|{'---|' * len(head)}"]
        for number, row in table.iterrows():
            cells = ["" if value != value else str(value) for value in row]
            lines.append(f"| {number} | {' | '.join(cells)} |")
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Make the bank, draw the pools, write the page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--units", type=int, default=100, help="in each bank (800 in full)")
    parser.add_argument("--trials", type=int, default=300, help="hide trials of a unit, about")
    parser.add_argument("--pools", type=int, default=100, help="a cell (200 in full)")
    parser.add_argument("--page", type=Path, default=PAGES / "pools.md")
    parser.add_argument("--folder", type=Path, default=FOLDER)
    add_options(parser, 1)
    given = parser.parse_args()
    banks = {
        world: read_bank(run_bank(world, given.units, given.trials, given.folder, **where(given)))
        for world in SPREAD
    }
    write_page(banks, given.pools, given.trials, given.page)


if __name__ == "__main__":
    main()
