"""How often the intervals of cycles and age hold the truth: the one that is told, and three others.

The study behind ``tests/studies/pages/intervals.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/intervals.py --units 500

Shows its progress and goes on where it stopped: every finished unit is a line of
``tests/studies/interval_units/*.csv``. After a change to the models those are out of
date: give another ``--folder``, or remove them. The reduced run is
``tests/studies/test_interval_coverage.py``.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from promises import (
    HOW_JUDGED,
    PAGES,
    SLACK,
    Found,
    in_short,
    judged,
    made_by,
    promises_svg,
    write_page,
)
from scipy import stats
from side_by_side import add_options, run_stored, told_end, told_runs, where

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.profile import profile_interval
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.errors import FitError
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit

FIRST_SEED = 60_000  # none of the seeds the tests, the demo or another study use
ASKED = ("no effect", "cycles only", "both")
EXPOSURES = {"cycles": "cycles", "age_days": "age"}
KINDS = {
    "told": "as told: by error, less bias, for few sources",
    "profile_few": "profile likelihood, for few sources",
    "profile": "profile likelihood, chi-square",
    "every_term": "by error, every term between sources counted",
}
# What is told once more, in the units that have a profile: else the two are of different units.
SHOWN = {
    "told": KINDS["told"],
    "told_same": "as told, in the units that have a profile",
    **{kind: words for kind, words in KINDS.items() if kind != "told"},
}
PROMISED = (0.93, 0.97)
COLUMNS = [
    "seed",
    *(f"{e}_{kind}_{what}" for e in EXPOSURES for kind in KINDS for what in ("held", "length")),
]


def study_unit(scenario: str, seed: int) -> dict[str, object]:
    """Whether each interval of one simulated unit holds what was planted, and how long it is.

    Blank where a unit cannot say: where slopes differ there is no profile.
    """
    truth = SCENARIOS[scenario]
    fit = fit_finds(join(unit_records(simulate_unit(truth, seed))).trials, DecisionSettings())
    row: dict[str, object] = {"seed": seed}
    for exposure, planted in (("cycles", truth.cycle_log_odds), ("age_days", truth.age_log_odds)):
        try:
            found = _limits(fit, exposure)
        except FitError:
            continue
        for kind, (low, high) in found.items():
            if low is not None and high is not None:
                row[f"{exposure}_{kind}_held"] = int(low <= planted <= high)
                row[f"{exposure}_{kind}_length"] = round(high - low, 6)
    return row


def _limits(fit: FindFit, exposure: str) -> dict[str, tuple[float | None, float | None]]:
    plain = profile_interval(fit, exposure, few_sources=False)
    few = profile_interval(fit, exposure)
    term, column = fit.term(exposure), fit.design.column_of(exposure)
    assert term is not None
    assert column is not None
    low, high = float(np.log(term.low)), float(np.log(term.high))
    counted = fit.sources / small_sample(fit.design)[0][column]
    more = float(np.sqrt(counted)) / float(fit.widening[column])
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    return {
        "told": (low, high),
        "profile_few": (few.low, few.high),
        "profile": (plain.low, plain.high),
        "every_term": (middle - more * half, middle + more * half),
    }


def run_study(scenario: str, units: int, folder: Path, **place: Any) -> pd.DataFrame:
    """Study the units that have no line in the scenario's file yet, and return all of them."""
    calls = {seed: (scenario, seed) for seed in range(FIRST_SEED, FIRST_SEED + units)}
    path = folder / f"{scenario.replace(' ', '_')}.csv"
    return run_stored(study_unit, calls, path, COLUMNS, **place)


@dataclass(frozen=True)
class Coverage:
    """Share of intervals that hold the truth, with exact 95 % limits; ``length``: the median."""

    scenario: str
    exposure: str
    kind: str
    intervals: int
    held: float
    low: float
    high: float
    length: float

    @property
    def kept(self) -> str:
        """Whether the promise of 95 % was kept, as far as so many units tell."""
        return judged(self.held, (self.low, self.high), PROMISED, slack=SLACK)


def coverage(scenario: str, units: pd.DataFrame) -> list[Coverage]:
    """Each kind of interval of each exposure, over the units that could say."""
    lines = []
    for exposure in EXPOSURES:
        for kind in SHOWN:
            name = kind.removesuffix("_same")
            own = units[[f"{exposure}_{name}_held", f"{exposure}_{name}_length"]]
            if name != kind:
                own = own[units[f"{exposure}_profile_few_held"].notna()]
            own = own.dropna()
            held = own.iloc[:, 0].to_numpy(dtype=float)
            if not len(held):
                continue
            limits = stats.binomtest(int(held.sum()), len(held)).proportion_ci(0.95, "exact")
            median = float(own.iloc[:, 1].median())
            shares = float(held.mean()), float(limits.low), float(limits.high)
            lines.append(Coverage(scenario, exposure, kind, len(held), *shares, median))
    return lines


def seldom(missed: int, intervals: int, share: float) -> bool:
    """Whether so many misses are no surprise (1 in 1,000) at a true share of misses."""
    return bool(stats.binom.sf(missed - 1, intervals, share) > 1e-3) or missed == 0


def as_figure(found: dict[str, pd.DataFrame]) -> bytes:
    """Every kind of interval beside what is promised, as a figure beside the page: SVG."""
    shown, columns = [], []
    for scenario, units in found.items():
        for line in coverage(scenario, units):
            column = f"{scenario}: {EXPOSURES[line.exposure]}, %"
            columns.append(column)
            broken = line.kept.startswith("no:")
            shown.append(
                Found(
                    SHOWN[line.kind], column, line.held, line.low, line.high, PROMISED, broken, True
                )
            )
    title = "How often 95 % intervals hold the truth, beside what is promised"
    return promises_svg(shown, title, list(dict.fromkeys(columns)))


def as_markdown(found: dict[str, pd.DataFrame], runs: str, figure: str = "intervals.svg") -> str:
    """The results as a page of the documentation; ``runs``: when its units were run."""
    text = [
        "# How often the intervals of cycles and age hold the truth",
        "",
        made_by(__doc__),
        "",
        in_short(
            [c.kept for s, units in found.items() for c in coverage(s, units) if c.kind == "told"]
        )
        + " That is of the intervals told with each effect: the first of each table.",
        "",
        "Units of 1,200 trials, 24 sources and 8 dogs; limits are exact binomial ones at 95 % "
        "(Clopper and Pearson). The first kind is the one the briefing tells; [how right the "
        "answers are](calibration.md) asks it in more units. A profile by chi-square takes no "
        "account of how few the sources are; one with that account stands beside it, but there is "
        "none where sources or dogs differ in slope. What is told stands here of all units, and of "
        "those that have a profile. All scenarios share their seeds. Lengths are medians, in "
        "log-odds a cycle and a month. "
        f"{HOW_JUDGED}",
        "",
        f"![How often each kind held the truth, beside what is promised]({figure})",
    ]
    for scenario, units in found.items():
        text += [
            "",
            f"## {scenario.capitalize()}",
            "",
            f"{len(units):,} units.",
            "",
            "| effect | 95 % interval | intervals | hold the truth | limits | length | kept |",
            "|---|---|---|---|---|---|---|",
        ]
        text += [
            f"| {EXPOSURES[c.exposure]} | {SHOWN[c.kind]} | {c.intervals:,} | {100 * c.held:.1f} % "
            f"| {100 * c.low:.1f} to {100 * c.high:.1f} | {c.length:.4f} | {c.kept} |"
            for c in coverage(scenario, units)
        ]
    return "\n".join([*text, *told_end(FIRST_SEED, runs)]) + "\n"


def main() -> None:
    """Run the study and write its page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--scenarios", nargs="+", choices=ASKED, default=list(ASKED))
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent / "interval_units")
    parser.add_argument("--page", type=Path, default=PAGES / "intervals.md")
    add_options(parser, 2)
    given = parser.parse_args()
    for scenario in given.scenarios:
        run_study(scenario, given.units, given.folder, **where(given))
    found = {s: run_study(s, given.units, given.folder, workers=0) for s in ASKED}
    runs = told_runs(given.folder, found.values())
    write_page(given.page, as_figure(found), lambda name: as_markdown(found, runs, name))


if __name__ == "__main__":
    main()
