"""How right the answers on lifetimes are: time ratios, cycles, the rule's false calls.

The study behind ``tests/studies/pages/lifetimes.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/lifetimes.py --units 500

It goes on where it stopped: every finished unit is a line of
``tests/studies/lifetime_units/*.csv``. After a change to what is studied those are
out of date: give another ``--folder``, or remove them. The reduced run is
``tests/studies/test_lifetimes.py``. The units are made here, trial by trial, so that
the true time, share and effect are known exactly; they pass through the same
functions as a unit's records.
"""

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from promises import (
    BIAS_SLACK,
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

from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.lifetimes.regression import fit_cycles_at_age, fit_weibull_lifetime
from outcomes.analysis.lifetimes.rule import first_called
from outcomes.analysis.results import Lifetime
from outcomes.settings import DecisionSettings, ReliabilityRule

FIRST_SEED = 90_000  # none of the seeds the tests, the demo or another study use
SHAPE, SCALE = 1.3, 400.0
KINDS = ("blood", "bone", "muscle")
PER_CYCLE = (0.0, 0.15)
FOUND, TRIALS = 0.9, 20
OFF = "called, less what is said, of 100"
FIRST_DAY = pd.Timestamp("2024-01-01")
FIRST_MISS = ReliabilityRule(misses=1, window=1, qualified_only=False)
NO_MOVES = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})


Row = tuple[str, float, float, bool, str]


def _trials(rows: list[Row], kinds: dict[str, str] | None = None) -> pd.DataFrame:
    """Trials from source, days held, cycles, missed, regime."""
    frame = pd.DataFrame(rows, columns=["source_id", "held_days", "cycles", "missed", "regime"])
    return frame.assign(
        trial_id=[f"T{k:06d}" for k in range(len(frame))],
        started_at=FIRST_DAY + pd.to_timedelta(frame["held_days"], unit="D"),
        age_days=frame["held_days"] + 50.0,
        kind="muscle" if kinds is None else frame["source_id"].map(kinds),
        result=np.where(frame["missed"], "miss", "find"),
    )


def _lifetime(trials: pd.DataFrame, settings: DecisionSettings) -> Lifetime:
    return fit_lifetime(trials, trials[["source_id"]].drop_duplicates(), NO_MOVES, settings)


def _source(rng: np.random.Generator, name: str, regime: str) -> list[Row]:
    """A source first tried by day 120, and then about every 25 days until it fails."""
    entry, ends = rng.uniform(0, 120), rng.uniform(200, 700)
    fails = SCALE * rng.exponential() ** (1 / SHAPE)
    while fails <= entry:
        fails = SCALE * rng.exponential() ** (1 / SHAPE)
    tried = entry + np.concatenate([[0.0], np.cumsum(rng.exponential(25, 90) + 1)])
    return [(name, t, 1.0, t >= fails, regime) for t in tried[tried <= ends]]


def ratio_unit(seed: int) -> dict[str, object]:
    """24 sources whose storage and kind make no difference, tried about every 25 days.

    Whether the interval of the ratio of times holds 1. Blank where a unit cannot say.
    """
    rng = np.random.default_rng(FIRST_SEED + seed)
    settings = DecisionSettings(seed=seed, rule=FIRST_MISS)
    rows: list[Row] = []
    kinds: dict[str, str] = {}
    for i in range(24):
        kinds[f"S{i:03d}"] = KINDS[i // 2 % len(KINDS)]
        rows += _source(rng, f"S{i:03d}", "frozen" if i % 2 else "refrigerated")
    weibull = fit_weibull_lifetime(_lifetime(_trials(rows, kinds), settings), settings)
    if not weibull.terms:
        return {}
    return {"time_ratio_held": int(weibull.terms[0].low <= 1.0 <= weibull.terms[0].high)}


def rule_unit(seed: int) -> dict[str, object]:
    """How much more often unchanging sources are called than the unit's own page says."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    settings = DecisionSettings(rule=replace(FIRST_MISS, misses=2, window=3))
    missed = rng.random((40, TRIALS)) >= FOUND
    rows = [
        (f"S{i:03d}", 10.0 * (k + 1), 1.0, bool(missed[i, k]), "frozen")
        for i in range(len(missed))
        for k in range(TRIALS)
    ]
    stated = _lifetime(_trials(rows), settings).rule_false_call[TRIALS]
    called = float(np.mean([first_called(own, 2, 3) is not None for own in missed]))
    return {"called_less_stated": called - stated}


def cycles_unit(seed: int) -> dict[str, object]:
    """Error of the effect of cycles that change from trial to trial, at one age."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    found: dict[str, object] = {}
    for planted in PER_CYCLE:
        rows: list[Row] = []
        for i in range(60):
            pace, cycles = rng.uniform(0.2, 0.9), 0
            for k in range(30):
                cycles += int(rng.random() < pace)
                missed = bool(rng.random() < -np.expm1(-0.01 * np.exp(planted * cycles)))
                rows.append((f"S{i:03d}", 10.0 * (k + 1), float(cycles), missed, "frozen"))
        settings = DecisionSettings(rule=FIRST_MISS)
        trials = _trials(rows)
        fit = fit_cycles_at_age(trials, _lifetime(trials, settings), settings)
        if fit.terms:
            term = fit.terms[0]
            found[f"error_{planted}"] = term.log_ratio - planted
            found[f"held_{planted}"] = int(term.low <= np.exp(planted) <= term.high)
    return found


@dataclass(frozen=True)
class Measure:
    """What is asked of a column: a share between ``low`` and ``high``, or a mean.

    ``low`` and ``high`` are what is promised; None where nothing is. ``of_100``: a
    mean to be told as so many of a hundred.
    """

    column: str
    what: str
    share: bool
    low: float | None
    high: float | None
    of_100: bool = False


@dataclass(frozen=True)
class Study:
    """Units of one kind: how one is made, in words, and what is asked of it."""

    unit: Callable[[int], dict[str, object]]
    words: str
    measures: tuple[Measure, ...]

    @property
    def columns(self) -> list[str]:
        """Of its file."""
        return ["seed", *(m.column for m in self.measures)]


STUDIES = {
    "ratio": Study(
        ratio_unit,
        "24 sources, half refrigerated and half frozen, 8 of each of three kinds, all with the "
        f"same Weibull lifetimes (shape {SHAPE}, scale {SCALE:.0f} days), first tried late and "
        "then about every 25 days",
        (
            Measure("time_ratio_held", "95 % interval of the Weibull time ratio holds 1", True,
                    0.93, 0.97),
        ),
    ),
    "rule": Study(
        rule_unit,
        f"40 sources that never change, found {100 * FOUND:.0f} times in 100, {TRIALS} trials each",
        (
            Measure("called_less_stated", "share called unreliable less the share stated", False,
                    0.0, 0.0, of_100=True),
        ),
    ),
    "cycles": Study(
        cycles_unit,
        "60 sources of 30 trials each that gain cycles at different paces, the log hazard of a "
        f"miss rising by {PER_CYCLE[0]:g} and by {PER_CYCLE[1]:g} a cycle",
        tuple(
            measure
            for planted in PER_CYCLE
            for measure in (
                Measure(f"held_{planted}", f"95 % interval holds {planted:g} a cycle (Cox)", True,
                        0.93, 0.97),
                Measure(f"error_{planted}", f"bias of {planted:g} a cycle (Cox, log hazard)", False,
                        *((-0.05 * planted, 0.05 * planted) if planted else (None, None))),
            )
        ),
    ),
}  # fmt: skip


def study_unit(name: str, seed: int) -> dict[str, object]:
    """One finished unit: its seed and what was found."""
    return {"seed": FIRST_SEED + seed, **STUDIES[name].unit(seed)}


def run_study(name: str, units: int, folder: Path, **place: Any) -> pd.DataFrame:
    """Study the units that have no line in the study's file yet, and return all of them."""
    calls = {FIRST_SEED + seed: (name, seed) for seed in range(units)}
    return run_stored(study_unit, calls, folder / f"{name}.csv", STUDIES[name].columns, **place)


@dataclass(frozen=True)
class Line:
    """A measure of all units: its value with Monte Carlo error and 95 % limits."""

    measure: Measure
    units: int
    value: float
    error: float
    low: float
    high: float

    @property
    def kept(self) -> str:
        """Whether the promise was kept, as far as so many units tell."""
        if self.measure.low is None or self.measure.high is None:
            return ""
        promised, limits = (self.measure.low, self.measure.high), (self.low, self.high)
        if self.measure.share:
            return judged(self.value, limits, promised, slack=SLACK)
        # A mean promised to be 0 has no size of its own to measure the limits by.
        slack = BIAS_SLACK * self.measure.high or math.inf
        return judged(self.value, limits, promised, slack=slack, below="too low", above="too high")


def summarise(name: str, units: pd.DataFrame) -> list[Line]:
    """Each measure over the units that could say, shares with exact binomial limits."""
    lines = []
    for measure in STUDIES[name].measures:
        values = units[measure.column].dropna().to_numpy(float)
        n = len(values)
        if n < 2:
            continue
        mean = float(values.mean())
        if measure.share:
            error = float(np.sqrt(mean * (1.0 - mean) / n))
            limits = stats.binomtest(int(values.sum()), n).proportion_ci(0.95, "exact")
            low, high = float(limits.low), float(limits.high)
        else:
            error = float(values.std(ddof=1) / np.sqrt(n))
            reach = float(stats.t.ppf(0.975, n - 1)) * error
            low, high = mean - reach, mean + reach
        lines.append(Line(measure, n, mean, error, low, high))
    return lines


def as_figure(found: dict[str, pd.DataFrame]) -> bytes:
    """All that is promised, as a figure beside the page: SVG."""
    lines = [line for name, units in found.items() for line in summarise(name, units)]
    shown = []
    for line in lines:
        m = line.measure
        if m.low is not None and m.high is not None:
            column = "interval holds, %" if m.share else OFF if m.of_100 else "bias"
            promised, broken = (m.low, m.high), line.kept.startswith("no:")
            shown.append(
                Found(
                    m.what,
                    column,
                    line.value,
                    line.low,
                    line.high,
                    promised,
                    broken,
                    m.share or m.of_100,
                )
            )
    columns = [c for c in ("interval holds, %", OFF, "bias") if any(f.column == c for f in shown)]
    return promises_svg(shown, "Answers on lifetimes: found, beside promised", columns)


def as_markdown(found: dict[str, pd.DataFrame], runs: str, figure: str = "lifetimes.svg") -> str:
    """The results as a page of the documentation; ``runs``: when its units were run."""
    text = [
        "# How right the answers on lifetimes are",
        "",
        made_by(__doc__),
        "",
        in_short([x.kept for name, units in found.items() for x in summarise(name, units)]),
        "",
        "± is the Monte Carlo error of this study (one standard error), the limits are at 95 %: "
        "exact binomial ones (Clopper and Pearson) of a share, Student's t of a mean. "
        f"{HOW_JUDGED} Units that could not say, for want of events, are not counted; how many "
        "could stands in each line.",
        "",
        "The simulated units are simple: every source alike but for what is asked, lifetimes of "
        "one shape, the first miss as the rule in the first and the last table. Records of a real "
        "unit may be harder.",
        "",
        "How often a rule calls what never changes is exact for trials that are alike and "
        "independent: there it is promised to be off by 0.",
    ]
    text += ["", f"![What was found with its limits, beside what is promised]({figure})"]
    for name, units in found.items():
        text += [
            "",
            f"## {_HEADINGS[name]}",
            "",
            f"{len(units):,} units: {STUDIES[name].words}.",
            "",
            "| what | units that could say | found | limits | promised | kept |",
            "|---|---|---|---|---|---|",
        ]
        text += [_row(line) for line in summarise(name, units)]
    return "\n".join([*text, *told_end(FIRST_SEED, runs)]) + "\n"


_HEADINGS = {
    "ratio": "Time ratios",
    "rule": "The rule's false calls on independent trials",
    "cycles": "Cycles at one age",
}


def _row(line: Line) -> str:
    m = line.measure
    if m.share:
        found = f"{100 * line.value:.1f} % ± {100 * line.error:.1f}"
        limits = f"{100 * line.low:.1f} to {100 * line.high:.1f}"
    elif m.of_100:
        found = f"{_of_100(line.value)} ± {_of_100(line.error)} of 100"
        limits = f"{_of_100(line.low)} to {_of_100(line.high)}"
    else:
        found = f"{_signed(line.value)} ± {line.error:.4f}"
        limits = f"{_signed(line.low)} to {_signed(line.high)}"
    return f"| {m.what} | {line.units:,} | {found} | {limits} | {_promised(m)} | {line.kept} |"


def _promised(measure: Measure) -> str:
    if measure.low is None or measure.high is None:
        return ""
    if not measure.share:
        size = f"{_of_100(measure.high)} of 100" if measure.of_100 else f"{measure.high:.4f}"
        return "0" if measure.high == 0.0 else f"at most {size} either way"
    if measure.high == 1.0:
        return f"at least {100 * measure.low:g} %"
    return f"{100 * measure.low:g} to {100 * measure.high:g} %"


def _of_100(value: float) -> str:
    return f"{100 * value:.1f}".replace("-", "−")


def _signed(value: float) -> str:
    return f"{value:+.4f}".replace("-", "−")


def main() -> None:
    """Run the study and write its page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    add_options(parser, 2)
    parser.add_argument("--studies", nargs="*", choices=list(STUDIES), default=list(STUDIES))
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent / "lifetime_units")
    parser.add_argument("--page", type=Path, default=PAGES / "lifetimes.md")
    given = parser.parse_args()
    for name in given.studies:
        run_study(name, given.units, given.folder, **where(given))
    found = {name: run_study(name, given.units, given.folder, workers=0) for name in STUDIES}
    runs = told_runs(given.folder, found.values())
    write_page(given.page, as_figure(found), lambda name: as_markdown(found, runs, name))


if __name__ == "__main__":
    main()
