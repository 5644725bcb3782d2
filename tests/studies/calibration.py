"""How often the answers are right on units whose truth is known.

The study behind ``tests/studies/pages/calibration.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/calibration.py --units 500

Some scenarios alone: by their names (``--scenarios "no effect, 10 sources"``). It takes hours on
two cores, shows its progress, and goes on where it stopped: every finished unit is a line of
``tests/studies/calibration_units/*.csv``. After a change to the models those are out of date: give
another ``--folder``, or remove them. The reduced run is ``tests/studies/test_calibration.py``.
"""

import argparse
import os
import re
from collections.abc import Iterator, Mapping
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
    told_power,
    write_page,
)
from scipy import stats
from side_by_side import add_options, run_stored, told_end, told_runs, where

from outcomes.analysis.decisions.threshold import Threshold
from outcomes.analysis.finds.model import FindFit
from outcomes.answers.facts import Facts
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import (
    OTHER_WORLDS,
    SCENARIOS,
    Truth,
    Unit,
    find_true_threshold,
    simulate_unit,
)

NO_CHANGE = ("no change detected", "too few trials")
_LATE_BY_DAYS = 400
COLUMNS = [
    *("seed", "n", "misses", "verdict", "rises", "steady_kind_told"),
    *(f"{name}_{what}" for name in ("cycles", "age_days") for what in ("error", "covered")),
    *("threshold_covered", "limit_safe", "age_threshold_covered", "age_limit_safe"),
    *("retired", "retired_wrongly", "kept", "kept_wrongly"),
]
FIRST_SEED = 20_000  # none of the seeds the tests or the demo use


@dataclass(frozen=True)
class Case:
    """What is planted, in a unit of what size: 1,200 trials, 24 sources, 8 dogs if not told.

    ``late_logs`` sources, drawn by lot, have no storage log for the first 400 days of the records.
    """

    truth: Truth
    trials: int = 1200
    sources: int = 24
    dogs: int = 8
    late_logs: int = 0


CASES = {name: Case(truth) for name, truth in SCENARIOS.items()} | {
    "no effect, 10 sources": Case(SCENARIOS["no effect"], trials=500, sources=10, dogs=4),
    "cycles only, 10 sources": Case(SCENARIOS["cycles only"], trials=500, sources=10, dogs=4),
    "no effect, 450 trials": Case(SCENARIOS["no effect"], trials=450),
    "cycles only, 450 trials": Case(SCENARIOS["cycles only"], trials=450),
    "no effect, sources far apart": Case(replace(SCENARIOS["no effect"], source_sd=1.0)),
    "benched sources, far apart": Case(replace(SCENARIOS["benched sources"], source_sd=1.0)),
    "cycles only, slopes differ": Case(replace(SCENARIOS["cycles only"], cycle_slope_sd=0.04)),
    "cycles only, 4 logs late": Case(SCENARIOS["cycles only"], late_logs=4),
    "cycles only, all logs late": Case(SCENARIOS["cycles only"], late_logs=24),
    "no effect, strong sources used more": Case(Truth(strong_used_more=0.5)),
    "no effect, slopes differ": Case(Truth(cycle_slope_sd=0.06)),
    **{name: Case(truth) for name, truth in OTHER_WORLDS.items()},
}


@dataclass(frozen=True)
class Summary:
    """One line of the results: how many units, and the share or size asked about."""

    scenario: str
    units: int
    measure: str
    value: float
    error: float
    promised: str
    worth: int | None = None  # independent answers, where the units are fewer than what is counted


def study_unit(scenario: str, seed: int) -> dict[str, object]:
    """What the program answers on one simulated unit, beside its truth."""
    case = CASES[scenario]
    truth = case.truth
    unit = simulate_unit(truth, seed, trials=case.trials, sources=case.sources, dogs=case.dogs)
    records = _records_of(case, unit, seed)
    joined = join(records)
    as_of = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    facts = Facts(records, DecisionSettings(), joined, as_of, with_further=False)
    fit, verdict = facts.fit_by_lines, facts.verdict
    row: dict[str, object] = {"seed": seed, "n": fit.n, "misses": fit.misses}
    row["verdict"] = verdict.verdict
    if fit.mixed is None:
        return row
    if verdict.verdict not in NO_CHANGE:
        row["rises"] = any(len(c.at) and c.probability[-1] > c.probability[0] for c in _told(facts))
    if truth.kind_cycle_log_odds:
        row["steady_kind_told"] = bool(set(verdict.kinds_falling) - set(truth.kind_cycle_log_odds))
    if _is_line(truth):
        row |= _effects(fit, truth)
    for threshold in facts.retirement.thresholds:
        row |= _threshold(unit, threshold)
    return row | _advice(unit, facts, case.late_logs)


def _told(facts: Facts) -> Iterator[Any]:
    """The curves that are told of: not those that the circles contradict."""
    return (c for c in facts.retirement.curves if len(c.at))


def _is_line(truth: Truth) -> bool:
    """Whether finds change along straight lines that the model has, in every kind alike."""
    return not (truth.cycle_step_log_odds or truth.kind_cycle_log_odds or truth.memory_log_odds)


def _records_of(case: Case, unit: Unit, seed: int):
    """The unit's records, without the moves that were not logged."""
    records = unit_records(unit)
    if not case.late_logs:
        return records
    moves = records.storage
    begun = moves["moved_at"].min() + pd.Timedelta(days=_LATE_BY_DAYS)
    sources = np.array(sorted(unit.sources["source_id"]))
    late = np.random.default_rng(seed).permutation(sources)[: case.late_logs]
    unlogged = moves["source_id"].isin(late) & (moves["moved_at"] < begun)
    return replace(records, storage=moves[~unlogged])


def _effects(fit: FindFit, truth: Truth) -> dict[str, object]:
    """How far cycles and age are from what was planted, and whether their intervals hold it."""
    row: dict[str, object] = {}
    for name, planted in (("cycles", truth.cycle_log_odds), ("age_days", truth.age_log_odds)):
        term = fit.term(name)
        if term is not None:
            row[f"{name}_error"] = term.log_ratio - planted
            row[f"{name}_covered"] = np.log(term.low) <= planted <= np.log(term.high)
    return row


def _threshold(unit: Unit, threshold: Threshold) -> dict[str, object]:
    """Whether a limit's interval holds the true one, of the kinds that it is told of.

    At a step it does where the band holds the floor before it, after it, or lies across it.
    """
    floor, curve = threshold.floor, threshold.curve
    true = find_true_threshold(_of_kinds(unit, curve.kinds), floor, threshold.by)
    if true is None or not len(curve.at) or not curve.at[0] <= true <= threshold.observed_to:
        return {}
    after = true + (1.0 if unit.truth.cycle_step_log_odds else 0.0)
    low, high = np.interp(after, curve.at, curve.low), np.interp(true, curve.at, curve.high)
    prefix = "" if threshold.by == "cycles" else "age_"
    row: dict[str, object] = {f"{prefix}threshold_covered": bool(low <= floor <= high)}
    if threshold.retire_after is not None:
        row[f"{prefix}limit_safe"] = bool(threshold.retire_after <= round(true, 6))
    return row


def _of_kinds(unit: Unit, kinds: tuple[str, ...]) -> Unit:
    if not kinds:
        return unit
    of = unit.sources.loc[unit.sources["kind"].isin(kinds), "source_id"]
    trials = unit.trials[unit.trials["source_id"].isin(of)]
    true_trials = unit.true_trials[unit.true_trials["trial_id"].isin(trials["trial_id"])]
    return replace(unit, trials=trials, true_trials=true_trials)


def _advice(unit: Unit, facts: Facts, late_logs: int) -> dict[str, object]:
    """How many sources were advised to be retired or kept, and how many wrongly."""
    # What they truly went through, logged or not.
    whole = join(unit_records(unit)).history if late_logs else facts.joined.history
    decided = [s for s in facts.shelf if s.advice != "test"]
    if not decided:
        return {"retired": 0, "retired_wrongly": 0, "kept": 0, "kept_wrongly": 0}
    ids = pd.Series([s.source_id for s in decided])
    exposure = exposure_at(whole, ids, pd.Series(facts.as_of, index=ids.index))
    at_or_above = _true_probability(unit, ids, exposure) >= DecisionSettings().floor
    retired = np.array([s.advice == "retire" for s in decided])
    return {
        "retired": int(retired.sum()),
        "retired_wrongly": int((retired & at_or_above).sum()),
        "kept": int((~retired).sum()),
        "kept_wrongly": int((~retired & ~at_or_above).sum()),
    }


def _true_probability(unit, ids: pd.Series, exposure: pd.DataFrame) -> np.ndarray:
    """True find probability of each source today, over the unit's own dogs and conditions.

    Every hide trial of the unit is taken as if this source had been out in it:
    the trial's log-odds, less its own source's part, plus this source's.
    """
    truth, effects = unit.truth, unit.source_effects
    kinds = unit.sources.set_index("source_id")["kind"].map(truth.kind_effects)
    helped = unit.trials.set_index("trial_id")["assisted"].fillna(False).astype(bool)
    trials = unit.true_trials.set_index("trial_id")
    trials = trials[~helped.reindex(trials.index)]
    source = unit.trials.set_index("trial_id")["source_id"].reindex(trials.index)

    def part(name: pd.Series, cycles: pd.Series, age: pd.Series) -> np.ndarray:
        slope = effects["cycle_slope"].reindex(name).to_numpy()
        return (
            kinds.reindex(name).to_numpy(dtype=float)
            + effects["effect"].reindex(name).to_numpy(dtype=float)
            + slope * cycles.to_numpy(dtype=float)
            + truth.cycle_step_log_odds * (cycles.to_numpy(dtype=float) > truth.cycle_step_after)
            + truth.age_log_odds * age.to_numpy(dtype=float) / 30.0
        )

    rest = trials["log_odds"].to_numpy() - part(source, trials["cycles"], trials["age_days"])
    own = part(ids, exposure["cycles"], exposure["age_days"])
    return np.array([(1.0 / (1.0 + np.exp(-(rest + o)))).mean() for o in own])


def run_study(scenario: str, units: int, folder: Path, **place: Any) -> pd.DataFrame:
    """Study units that are not yet in the scenario's file, and return all of them.

    ``place`` is where they are run: see ``side_by_side.py``.
    """
    path = folder / f"{scenario.replace(',', '').replace(' ', '_')}.csv"
    calls = {seed: (scenario, seed) for seed in range(FIRST_SEED, FIRST_SEED + units)}
    return run_stored(study_unit, calls, path, COLUMNS, **place)


def _verdicts(
    scenario: str, verdict: pd.Series, planted: Mapping[str, bool]
) -> Iterator[tuple[str, pd.Series, str]]:
    """What is asked of the verdicts: the question, where it is so, and what is promised."""
    if not any(planted.values()):
        change = ~verdict.isin(["no change detected", "too few trials"])
        yield "a change is called that is not there", change, "at most 5 %"
        return
    named = {cause: verdict.isin([cause, "both"]) for cause in planted}
    for cause, there in planted.items():
        if not there:
            yield f"{cause} is named and is not a cause", named[cause], "at most 5 %"
    if scenario == "tied together":
        yield "“cannot be told apart” is said", verdict == "cannot be told apart", ""
    else:
        right = [named[cause] == there for cause, there in planted.items()]
        yield "the verdict names the planted causes and no other", right[0] & right[1], ""
    yield "no change is detected though one is planted", verdict == "no change detected", ""


def _planted(truth: Truth) -> dict[str, bool]:
    falls = truth.cycle_log_odds or truth.cycle_step_log_odds or truth.kind_cycle_log_odds
    return {"cycles": bool(falls), "age": truth.age_log_odds != 0}


def summarise(scenario: str, units: pd.DataFrame) -> list[Summary]:
    """What the study promises, measured, each with its Monte Carlo error."""
    truth = CASES[scenario].truth
    lines: list[Summary] = []

    def share(measure: str, values: pd.Series, promised: str) -> None:
        values = values.dropna().astype(float)
        if len(values):
            p = float(values.mean())
            error = float(np.sqrt(max(p * (1 - p), 1e-9) / len(values)))
            lines.append(Summary(scenario, len(values), measure, p, error, promised))

    planted = _planted(truth)
    for measure, said, promised in _verdicts(scenario, units["verdict"], planted):
        share(measure, said, promised)
    if any(planted.values()) and "rises" in units:
        rises = units["rises"].eq(True)  # blank where no change was called
        share("a rise is told where finds fall", rises, "at most 1 %")
    if "steady_kind_told" in units:
        share("a kind is told to fall that does not", units["steady_kind_told"], "")
    for name in ("cycles", "age_days"):
        column = f"{name}_covered"
        if column in units and units[column].notna().any() and scenario != "tied together":
            share(f"95 % interval of {name} holds the truth", units[column], "93 to 97 %")
            errors = units[f"{name}_error"].dropna()
            spread = float(errors.std() / np.sqrt(len(errors)))
            bias = float(errors.mean())
            size = abs(truth.cycle_log_odds if name == "cycles" else truth.age_log_odds)
            allowed = f"at most {0.05 * size:.4f} either way" if size else ""
            lines.append(Summary(scenario, len(errors), f"bias of {name}", bias, spread, allowed))
    for column, measure, promised in (
        ("threshold_covered", "90 % interval holds the true threshold", "88 to 92 %"),
        ("age_threshold_covered", "90 % interval holds the true threshold by age", "88 to 92 %"),
        ("limit_safe", "retire_after is not beyond the true threshold", "at least 95 %"),
        ("age_limit_safe", "retire_after is not beyond the true threshold by age", "at least 95 %"),
    ):
        if column in units:
            share(measure, units[column], promised)
    for word, done in (("retire", "retired"), ("keep", "kept")):
        asked = units[units[done].notna()]
        total, wrong = asked[done].sum(), asked[f"{done}_wrongly"].sum()
        if total:
            p = float(wrong / total)
            # Sources of one unit share its errors: the spread is over units.
            by_unit = (asked[f"{done}_wrongly"] - p * asked[done]) / (total / len(asked))
            error = float(by_unit.std() / np.sqrt(len(asked)))
            units_asked = int((asked[done] > 0).sum())
            measure = f"{word} is advised wrongly"
            lines.append(
                Summary(scenario, int(total), measure, p, error, "at most 5 %", units_asked)
            )
    return lines


_HARDER = {
    "450 trials": "450 trials: in place of 1,200. ",
    "10 sources": "10 sources: 500 trials by 4 dogs. ",
    "far apart": "Far apart: that standard deviation is 1. ",
    "late": (
        "Logs late: of so many sources the storage log lacks the first 400 days; cycles that are "
        "not on it count for the truth, and for the advice. "
    ),
    "slopes differ": (
        "Slopes differ: the change per cycle has a standard deviation between sources, of 0.04 "
        "where finds fall with cycles and 0.06 where they do not. "
    ),
    "strong sources": "Strong sources used more: what is easy to find is also thawed more often. ",
    "step": "Step: finds fall by 1.5 log-odds after 10 cycles and stay there. ",
    "two kinds": "Two kinds fall: blood and fat by 0.13 a cycle, three others not at all. ",
    "memory": "Memory: dogs find sources they have met more easily, 0.3 for each doubling. ",
    "70 found": "70 found in 100: dogs apart by 1 and days by 0.6, nothing planted. ",
}


def as_markdown(lines: list[Summary], runs: str, figure: str = "calibration.svg") -> str:
    """The results as a page of the documentation; ``runs``: when its units were run."""
    text = [
        "# How often the answers are right",
        "",
        made_by(__doc__),
        "",
        in_short([_kept(line) for line in lines]),
        "",
        in_plain_words(lines),
        "",
        "± is the Monte Carlo error of this study (one standard error). Limits are at 95 %: exact "
        "binomial ones of a share (Clopper and Pearson), two errors of a bias. Sources of one unit "
        "share its errors, so advice is counted by sources and its error by units. "
        f"{HOW_JUDGED} {told_power(500, 0.05)}",
        "",
        "Units have 1,200 trials of 24 sources by 8 dogs if not told otherwise; the standard "
        "deviation between sources is 0.5 on the scale of log-odds. "
        + "".join(_HARDER[name] for name in _HARDER if any(name in x.scenario for x in lines))
        + "Tied together: cycles and age rise together, so that no verdict but "
        "“cannot be told apart” is right; one that names the planted cause is then luck. Benched: "
        "sources with misses are used less and thrown out. Where a line has fewer units than "
        "others of its scenario, the rest could not say, or were not asked it. All scenarios share "
        "their seeds, so what is found in one is not independent of what is found in another.",
        "",
        f"![What was found with its limits, beside what is promised, by scenario]({figure})",
        "",
        "| scenario | units (or sources) | what | found | limits | promised | kept |",
        "|---|---|---|---|---|---|---|",
    ]
    text += [_row(x) for x in lines]
    shown = {x.scenario for x in lines}
    if left := [name for name in CASES if name not in shown]:
        text += ["", f"Not yet run: {'; '.join(left)}."]
    return "\n".join([*text, *told_end(FIRST_SEED, runs)]) + "\n"


# What a director would ask first, and the measures that answer it: wrong ones of 100.
_ASKED_FIRST = {
    "of 100 sources advised to be retired, so many were still good enough": (
        "retire is advised wrongly",
    ),
    "of 100 sources advised to be kept, so many were not good enough": ("keep is advised wrongly",),
    "of 100 retirement limits by a true cause whose true threshold lies within the records, so "
    "many came too late": (
        "retire_after is not beyond the true threshold",
        "retire_after is not beyond the true threshold by age",
    ),
    "of 100 units, so many were told a cause that is none, and with it, it may be, a limit that "
    "nothing stands behind": (
        "a change is called that is not there",
        "age is named and is not a cause",
        "cycles is named and is not a cause",
    ),
    "of 100 units whose finds fall, so many were told of a rise": (
        "a rise is told where finds fall",
    ),
}


def in_plain_words(lines: list[Summary]) -> str:
    """How often advice was wrong, from the best scenario to the worst, for who acts on it."""
    told = []
    for words, measures in _ASKED_FIRST.items():
        asked = [x for x in lines if x.measure in measures]
        if not asked:
            continue
        right = words.endswith("too late")
        wrong = [1.0 - x.value if right else x.value for x in asked]
        worst = asked[wrong.index(max(wrong))]
        low, high = limits(worst)
        most = 1.0 - low if right else high
        told.append(
            f"- {words}: {100 * min(wrong):.1f} to {100 * max(wrong):.1f}, by what was planted "
            f"(most: “{worst.scenario}”, where up to {100 * most:.1f} cannot be ruled out)"
        )
    smaller = [name for name in CASES if name not in {x.scenario for x in lines}]
    last = (
        f"- of the scenarios {len(smaller)} have not been tried on the models as they are: "
        "they stand at the end"
    )
    return "\n".join(["In plain words:", "", *told, *([last] if smaller else [])])


def _row(x: Summary) -> str:
    low, high = limits(x)
    if x.measure.startswith("bias"):
        found, within = f"{x.value:+.4f} ± {x.error:.4f} log-odds", f"{low:+.4f} to {high:+.4f}"
    else:
        found = f"{100 * x.value:.1f} %"
        # Nothing, or all, has no error of its own: its limits say what may be.
        found += f" ± {100 * x.error:.1f}" if 0.0 < x.value < 1.0 else ""
        within = f"{100 * low:.1f} to {100 * high:.1f} %"
    cells = (x.scenario, x.units, x.measure, found, within, x.promised, _kept(x))
    return f"| {' | '.join(map(str, cells))} |"


def _kept(line: Summary) -> str:
    """Whether a promise was kept, as far as this many units tell."""
    promised = promised_range(line)
    if promised is None:
        return ""
    if line.measure.startswith("bias"):
        words = {"slack": BIAS_SLACK * promised[1], "below": "too low", "above": "too high"}
        return judged(line.value, limits(line), promised, **words)
    return judged(line.value, limits(line), promised, slack=SLACK)


def promised_range(line: Summary) -> tuple[float, float] | None:
    """The values that keep the promise; None where nothing is promised."""
    numbers = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", line.promised)]
    if not numbers:
        return None
    if line.measure.startswith("bias"):
        return -numbers[0], numbers[0]
    low = 0.0 if line.promised.startswith("at most") else numbers[0] / 100.0
    high = 1.0 if line.promised.startswith("at least") else numbers[-1] / 100.0
    return low, high


def limits(line: Summary) -> tuple[float, float]:
    """Within which the true value lies, as far as this many units tell.

    Two errors of a bias; of a share exact 95 % limits: where sources of a unit share its
    errors, on as many independent ones as would give that error.
    """
    p, n = line.value, float(line.units)
    if line.measure.startswith("bias"):
        return p - 2.0 * line.error, p + 2.0 * line.error
    if 0.0 < p < 1.0:
        n = min(n, p * (1.0 - p) / line.error**2)
    elif line.worth is not None:
        n = float(line.worth)
    least = float(stats.beta.ppf(0.025, p * n, (1.0 - p) * n + 1.0)) if p > 0.0 else 0.0
    most = float(stats.beta.ppf(0.975, p * n + 1.0, (1.0 - p) * n)) if p < 1.0 else 1.0
    return least, most


# What each measure is called above its panel.
PANELS = {
    "a change is called that is not there": "wrong cause named, %",
    "age is named and is not a cause": "wrong cause named, %",
    "cycles is named and is not a cause": "wrong cause named, %",
    "a rise is told where finds fall": "a rise told, %",
    "retire is advised wrongly": "retire advised wrongly, %",
    "keep is advised wrongly": "keep advised wrongly, %",
    "retire_after is not beyond the true threshold": "limit not too late, %",
    "retire_after is not beyond the true threshold by age": "limit by age not too late, %",
    "95 % interval of cycles holds the truth": "95 % interval: cycles, %",
    "95 % interval of age_days holds the truth": "95 % interval: age, %",
    "90 % interval holds the true threshold": "90 % interval: threshold, %",
    "90 % interval holds the true threshold by age": "90 % interval: threshold by age, %",
    "bias of cycles": "bias of cycles, log-odds",
    "bias of age_days": "bias of age, log-odds",
}


def as_figure(lines: list[Summary]) -> bytes:
    """All that is promised, as a figure beside the page: SVG."""
    found = []
    for line in lines:
        promised = promised_range(line)
        if promised is not None:
            column, percent = PANELS[line.measure], not line.measure.startswith("bias")
            broken = _kept(line).startswith("no:")
            low, high = limits(line)
            found.append(
                Found(line.scenario, column, line.value, low, high, promised, broken, percent)
            )
    columns = [c for c in dict.fromkeys(PANELS.values()) if any(f.column == c for f in found)]
    return promises_svg(found, "How often the answers are right: found, beside promised", columns)


def at_most(count: int, n: int, share: float, certainty: float = 0.999) -> bool:
    """Whether ``count`` of ``n`` is what a true share of at most ``share`` can give by chance."""
    return count <= stats.binom.ppf(certainty, n, share)


def main() -> None:
    """Run the study from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=500)
    add_options(parser, os.cpu_count() or 1)
    parser.add_argument("--scenarios", nargs="*", choices=list(CASES), default=list(CASES))
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent / "calibration_units")
    parser.add_argument("--page", type=Path, default=PAGES / "calibration.md")
    given = parser.parse_args()
    for scenario in given.scenarios:
        run_study(scenario, given.units, given.folder, **where(given))
    lines, runs = read_study(given.folder, given.units)
    write_page(given.page, as_figure(lines), lambda name: as_markdown(lines, runs, name))


def read_study(folder: Path, units: int) -> tuple[list[Summary], str]:
    """Every scenario's units finished so far, summarised, and when they were run."""
    found = {name: run_study(name, units, folder, workers=0) for name in CASES}
    found = {name: own for name, own in found.items() if len(own)}
    lines = [line for name, own in found.items() for line in summarise(name, own)]
    return lines, told_runs(folder, found.values())


if __name__ == "__main__":
    main()
