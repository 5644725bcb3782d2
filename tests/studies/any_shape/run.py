"""Both verdicts on simulated units: ``python -m any_shape.run "no effect" 20`` in tests/studies."""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from any_shape.verdict_of_any_shape import ShapeVerdict, verdict_of_any_shape
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.design import plan_design
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.read import read_records
from outcomes.records.write import write_unit
from outcomes.settings import DecisionSettings
from outcomes.simulate import OTHER_WORLDS, SCENARIOS, Truth, simulate_unit

WORLDS = {
    **SCENARIOS,
    **OTHER_WORLDS,
    "strong used more, no effect": Truth(strong_used_more=0.5),
    "slopes of mean 0": Truth(cycle_slope_sd=0.06),
    "weak line": Truth(cycle_log_odds=-0.06, baseline_log_odds=2.8),
}


def joined_unit(world: str, seed: int):
    """Joined trials of one simulated unit."""
    with tempfile.TemporaryDirectory() as folder:
        write_unit(simulate_unit(WORLDS[world], seed, sources=24), Path(folder))
        return join(read_records(Path(folder)))


def ask(world: str, seed: int, refits: int = 99) -> ShapeVerdict:
    """The verdict of any shape on one unit."""
    return verdict_of_any_shape(
        plan_design(joined_unit(world, seed).trials),
        alpha=0.05,
        rng=np.random.default_rng([seed, 9]),
        refits=refits,
    )


def main() -> None:
    """Print both verdicts, unit by unit."""
    world, units = sys.argv[1], int(sys.argv[2])
    new, old = Counter(), Counter()
    for seed in range(units):
        today = which_predicts(fit_finds(joined_unit(world, seed).trials, DecisionSettings()))
        found = ask(world, seed)
        new[found.verdict] += 1
        old[today.verdict] += 1
        sys.stdout.write(f"{seed}: {found.verdict} (today {today.verdict})\n")
    sys.stdout.write(f"{world}: {dict(new)}; today {dict(old)}\n")


if __name__ == "__main__":
    main()
