"""How often the answers are right on units whose truth is known.

The study behind ``docs/calibration.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/calibration.py --units 500 --refits 49

A test of the program simulates 99 data sets where it is in doubt; at most 49 are those of the
stored units, and give other random numbers. Harder scenarios are run by their names
(``--scenarios "no effect, 10 sources"``). It takes hours on two cores, shows its progress, and goes
on where it stopped: every finished unit is a line of ``tests/studies/calibration_units/*.csv``.
After a change to the models those are out of date: give another ``--folder``, or remove them.
After a change to all but the verdict, ``--again OLD_FOLDER`` takes the verdicts of the units
finished there, and asks the rest anew. The reduced run is ``tests/studies/test_calibration.py``.
"""

import argparse
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from promises import (
    BIAS_SLACK,
    HOW_JUDGED,
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
from side_by_side import RUN, add_options, begin_run, run_side_by_side, told_end, told_runs, where

from outcomes.analysis.decisions.shelf import review_shelf
from outcomes.analysis.decisions.threshold import find_threshold
from outcomes.analysis.finds.cycles_or_age import (
    MUCH_MISSING,
    WhichPredicts,
    exposures_tied,
    which_predicts,
)
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Truth, find_true_threshold, simulate_unit

ROOT = Path(__file__).parents[2]
OF_AGE = ("age", "both", "cannot be told apart")
_LATE_BY_DAYS = 400
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


def study_unit(scenario: str, seed: int, refits: int) -> dict[str, object]:
    """Everything asked of one simulated unit, beside its truth."""
    case = CASES[scenario]
    truth = case.truth
    unit = simulate_unit(truth, seed, trials=case.trials, sources=case.sources, dogs=case.dogs)
    records = _records_of(case, unit, seed)
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    row: dict[str, object] = {"seed": seed, "n": fit.n, "misses": fit.misses}
    verdict = which_predicts(fit, refits=refits)
    row["verdict"] = verdict.verdict
    if fit.mixed is None:
        return row
    row |= _effects(fit, truth)
    row |= _thresholds(unit, fit, DecisionSettings().floor, verdict)
    row |= _advice(unit, records, joined, fit, case.late_logs)
    return row


def _records_of(case: Case, unit, seed: int):
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


def study_again(scenario: str, seed: int, old: Mapping[str, object]) -> dict[str, object]:
    """All but the verdict of one unit asked anew: what costs most of the time is kept."""
    row: dict[str, object] = {k: old[k] for k in ("seed", "n", "misses", "verdict")}
    case = CASES[scenario]
    unit = simulate_unit(case.truth, seed, trials=case.trials, sources=case.sources, dogs=case.dogs)
    records = _records_of(case, unit, seed)
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    if fit.mixed is None:
        return row
    together = old["verdict"] == "cannot be told apart" or exposures_tied(fit.design)
    none = on_late_logs(fit.design.trials).mean() >= MUCH_MISSING
    verdict = SimpleNamespace(verdict=old["verdict"], asked_together=together, no_limit=none)
    row |= _effects(fit, case.truth)
    row |= _thresholds(unit, fit, DecisionSettings().floor, verdict)
    row |= _advice(unit, records, joined, fit, case.late_logs)
    return row


def _effects(fit: FindFit, truth: Truth) -> dict[str, object]:
    """How far cycles and age are from what was planted, and whether their intervals hold it."""
    row: dict[str, object] = {}
    for name, planted in (("cycles", truth.cycle_log_odds), ("age_days", truth.age_log_odds)):
        term = fit.term(name)
        if term is not None:
            row[f"{name}_error"] = term.log_ratio - planted
            row[f"{name}_covered"] = np.log(term.low) <= planted <= np.log(term.high)
    return row


def _thresholds(
    unit, fit, floor: float, verdict: WhichPredicts | SimpleNamespace
) -> dict[str, object]:
    """Whether the interval holds the true threshold, as the tool would ask after that verdict.

    By cycles after any verdict of a change; by age, where it is planted, after those that have
    the tool name a limit by age. Nothing where it would name none: no change detected.
    """
    row: dict[str, object] = {}
    if verdict.verdict == "no change detected" or verdict.no_limit:
        return row
    for prefix, by in (("", "cycles"), ("age_", "age_days")):
        if by == "age_days" and (not unit.truth.age_log_odds or verdict.verdict not in OF_AGE):
            continue
        threshold = find_threshold(fit, by, alone=verdict.asked_together)
        true = find_true_threshold(unit, floor, by)
        curve = threshold.curve
        if true is not None and len(curve.at) and curve.at[0] <= true <= threshold.observed_to:
            low, high = (np.interp(true, curve.at, v) for v in (curve.low, curve.high))
            row[f"{prefix}threshold_covered"] = low <= floor <= high
            if threshold.retire_after is not None:
                row[f"{prefix}limit_safe"] = threshold.retire_after <= true
    return row


def _advice(unit, records, joined, fit, late_logs: int) -> dict[str, object]:
    """How many sources were advised to be retired or kept, and how many wrongly."""
    as_of = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of)
    # What they truly went through, logged or not.
    whole = join(unit_records(unit)).history if late_logs else joined.history
    decided = [s for s in shelf if s.advice != "test"]
    if not decided:
        return {"retired": 0, "retired_wrongly": 0, "kept": 0, "kept_wrongly": 0}
    ids = pd.Series([s.source_id for s in decided])
    exposure = exposure_at(whole, ids, pd.Series(as_of, index=ids.index))
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
            + truth.age_log_odds * age.to_numpy(dtype=float) / 30.0
        )

    rest = trials["log_odds"].to_numpy() - part(source, trials["cycles"], trials["age_days"])
    own = part(ids, exposure["cycles"], exposure["age_days"])
    return np.array([(1.0 / (1.0 + np.exp(-(rest + o)))).mean() for o in own])


def run_study(
    scenario: str, units: int, refits: int, folder: Path, again: Path | None = None, **place: Any
) -> pd.DataFrame:
    """Study units that are not yet in the scenario's file, and return all of them.

    With ``again``, only those finished in that other folder, from their verdicts. ``place``
    is where they are run: see ``side_by_side.py``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{scenario.replace(',', '').replace(' ', '_')}.csv"
    path = folder / name
    old: dict[int, Mapping[str, object]] = {}
    if again is not None and (again / name).exists():
        old = {int(row["seed"]): row for row in pd.read_csv(again / name).to_dict("records")}
    done = pd.read_csv(path) if path.exists() else pd.DataFrame({"seed": []})
    wanted = range(FIRST_SEED, FIRST_SEED + units)
    left = [seed for seed in wanted if seed not in set(done["seed"])]
    if again is not None:
        left = [seed for seed in left if seed in old]
    if place["workers"] == 0:
        return done[done["seed"].isin(wanted)].sort_values("seed").reset_index(drop=True)
    rows = done.to_dict("records")
    study: Callable[..., dict[str, object]] = study_unit
    calls: list[tuple[object, ...]] = [(scenario, seed, refits) for seed in left]
    if again is not None:
        study, calls = study_again, [(scenario, seed, old[seed]) for seed in left]
    asked = "verdicts of an earlier run" if again is not None else ""
    run = begin_run(folder, asked or f"at most {refits} simulated data sets a test") if calls else 0
    for number, row in enumerate(run_side_by_side(study, calls, **place), start=1):
        rows.append(row | {RUN: run})
        if number % 10 == 0 or number == len(calls):
            frame = pd.DataFrame(rows).sort_values("seed")
            frame.to_csv(path, index=False)
            sys.stderr.write(f"\r{scenario}: {len(rows)} of {units}   ")
    sys.stderr.write("\n")
    frame = pd.DataFrame(rows).sort_values("seed")
    return frame[frame["seed"].isin(wanted)].reset_index(drop=True)


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

    planted = {"cycles": truth.cycle_log_odds != 0, "age": truth.age_log_odds != 0}
    for measure, said, promised in _verdicts(scenario, units["verdict"], planted):
        share(measure, said, promised)
    for name in ("cycles", "age_days"):
        column = f"{name}_covered"
        if column in units and scenario != "tied together":
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
        "Slopes differ: the change per cycle has a standard deviation of 0.04 between sources. "
    ),
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
        "- of the scenarios with fewer trials, fewer sources, sources further apart, slopes "
        f"that differ or late logs, {len(smaller)} have not been tried on the models as they are: "
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
    parser.add_argument("--refits", type=int, default=49)
    add_options(parser, os.cpu_count() or 1)
    parser.add_argument("--scenarios", nargs="*", choices=list(CASES), default=list(SCENARIOS))
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent / "calibration_units")
    parser.add_argument("--again", type=Path, help="keep its verdicts, ask the rest anew")
    parser.add_argument("--page", type=Path, default=ROOT / "docs" / "calibration.md")
    given = parser.parse_args()
    for scenario in given.scenarios:
        run_study(scenario, given.units, given.refits, given.folder, given.again, **where(given))
    lines, runs = read_study(given.folder, given.units)
    write_page(given.page, as_figure(lines), lambda name: as_markdown(lines, runs, name))


def read_study(folder: Path, units: int) -> tuple[list[Summary], str]:
    """Every scenario's units finished so far, summarised, and when they were run."""
    found = {name: run_study(name, units, 0, folder, workers=0) for name in CASES}
    found = {name: own for name, own in found.items() if len(own)}
    lines = [line for name, own in found.items() for line in summarise(name, own)]
    return lines, told_runs(folder, found.values())


if __name__ == "__main__":
    main()
