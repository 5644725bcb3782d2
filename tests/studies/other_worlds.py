"""The verdict in worlds that are not the main simulator's: ``python other_worlds.py WORLD UNITS``.

24 sources, 1,200 trials; prints the verdict unit by unit and the count of each.
"""

import sys
from collections import Counter

from outcomes.analysis.finds.cycles_or_age import WhichPredicts, which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import OTHER_WORLDS, SCENARIOS, Truth, simulate_unit

WORLDS = {
    **SCENARIOS,
    **OTHER_WORLDS,
    "strong used more, no effect": Truth(strong_used_more=0.5),
    "slopes of mean 0": Truth(cycle_slope_sd=0.06),
    "weak line": Truth(cycle_log_odds=-0.06, baseline_log_odds=2.8),
}


def verdict_in(world: str, seed: int) -> WhichPredicts:
    """The verdict on one unit of a world."""
    unit = simulate_unit(WORLDS[world], seed, sources=24)
    return which_predicts(fit_finds(join(unit_records(unit)).trials, DecisionSettings()))


def main() -> None:
    """Print the verdicts of a world."""
    world, units = sys.argv[1], int(sys.argv[2])
    found: Counter[str] = Counter()
    for seed in range(units):
        verdict = verdict_in(world, seed)
        found[verdict.verdict] += 1
        shapes = {e: (s.kind, s.knot) for e, s in verdict.best_shapes.items()}
        vetoed = " contradicted" if verdict.contradicted else ""
        sys.stdout.write(f"{seed}: {verdict.verdict} {shapes or ''}{vetoed}\n")
    sys.stdout.write(f"{world}: {dict(found)}\n")


if __name__ == "__main__":
    main()
