"""How often the decisions' intervals hold the truth: threshold, trade-off, and what is left.

The study behind ``tests/studies/pages/decisions.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/decisions.py --units 500 --refits 100

It shows its progress and goes on where it stopped: every answer of a finished unit is a line of
``tests/studies/decision_units/decisions.csv``, and of ``resampled.csv`` where sources are
resampled, which takes most of the time (``--resampled 200``: in so many units), and of
``settled.csv`` where further trials are run (``--settling 200``). After a change to
the models or the decisions those are out of date: give another ``--folder``, or remove them.
``--workers 0`` makes the page of the units finished so far. The reduced run is
``tests/studies/test_decisions.py``.
"""

import argparse
import sys
from collections.abc import Callable
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
from scipy import special, stats
from side_by_side import RUN, add_options, begin_run, run_side_by_side, told_end, told_runs, where

from outcomes.analysis.decisions.bootstrap import bootstrap_threshold
from outcomes.analysis.decisions.exposure_left import exposure_left
from outcomes.analysis.decisions.rate_of_use import rate_of_use
from outcomes.analysis.decisions.shelf import review_shelf
from outcomes.analysis.decisions.source_draws import draw_over_spreads
from outcomes.analysis.decisions.threshold import find_threshold
from outcomes.analysis.decisions.trade_off import trade_off
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.exposure.trials import Joined, join
from outcomes.records.tables import Records
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Unit, find_true_threshold, simulate_unit

MOST_TOLD = 100  # more trials than that are told as more than it is worth
FIRST_SEED = 70_000  # none of the seeds the tests, the demo or another study use
FLOOR = 0.85
TRIALS = 900
CROSSES = ("crosses", "never sure")
RESAMPLED = "threshold, sources resampled"
SETTLED = "settled by the trials told"
RIGHTLY = "settled so, and rightly"
# What each answer promises: an interval that holds the truth more often is wider than it need be.
# A least share where better advice is better, and where limits hold all that lies beyond: what a
# source has left is cut off at today and at the end of the records.
NINETY = (0.88, 0.92)  # as for the 95 % intervals, two points either way
PROMISED: dict[str, tuple[float, float] | None] = {
    "threshold": NINETY,
    RESAMPLED: NINETY,
    "finds of the trials still run": NINETY,
    "share below the floor": NINETY,
    "cycles left": (0.90, 1.0),
    "retire advised, truly below": (0.95, 1.0),
    SETTLED: None,  # after so many trials one is to ask again: no promise
    RIGHTLY: (0.95, 1.0),
}


def study_unit(seed: int) -> list[dict[str, object]]:
    """Whether each interval of one simulated unit holds what was planted.

    ``open`` where an interval is without an end on either side, so that it cannot miss.
    """
    unit, records, joined, fit = _simulated(seed)
    if fit.mixed is None:
        return []
    rows: list[dict[str, object]] = []

    def judge(what: str, true: float, low: float | None, high: float | None) -> None:
        rows.append(_judged(seed, what, true, low, high))

    threshold = find_threshold(fit, "cycles", alone=False)
    true = find_true_threshold(unit, FLOOR)
    if true is not None and true <= threshold.observed_to:
        if threshold.outcome == "stays above":
            # Said to lie beyond what was observed; where that is not sure, beyond the lower limit.
            low = threshold.observed_to if threshold.low is None else threshold.low
            judge("threshold", true, low, None)
        elif threshold.outcome in CROSSES:
            judge("threshold", true, threshold.low, threshold.high)
    started = joined.trials["started_at"]
    use = rate_of_use(
        records.sources, records.storage, joined.history, started.min(), started.max()
    )
    drawn = draw_over_spreads(fit)  # the same for both questions, as in a briefing
    price = trade_off(fit, which_predicts(fit, refits=0), use, drawn=drawn)
    state, others = _true_parts(unit)
    if price.present is not None:
        place = pd.Index(unit.true_trials["trial_id"]).get_indexer(
            pd.Index(fit.design.trials["trial_id"])
        )
        own = np.array([special.expit(s + others[place]).mean() for s in state[place]])
        names = fit.design.trials["source_id"].to_numpy()
        for point in (p for p in price.by_cycles if p.cycles in (5.0, 10.0)):
            inside = (fit.design.trials["cycles"] <= point.cycles).to_numpy()
            counts = pd.Series(names).value_counts() / pd.Series(names[inside]).value_counts()
            weight = counts.reindex(names[inside]).to_numpy()
            within = own[inside]
            judge(
                "finds of the trials still run",
                float(np.average(within, weights=weight)),
                point.low,
                point.high,
            )
            share = float(np.average(within < FLOOR, weights=weight))
            judge("share below the floor", share, point.share_low, point.share_high)
    _judge_shelf(seed, unit, records, joined, fit, drawn, others, rows)
    return rows


def study_resampled(seed: int, refits: int) -> list[dict[str, object]]:
    """The same of the threshold's interval from resampled sources."""
    unit, _, _, fit = _simulated(seed)
    if fit.mixed is None:
        return []
    threshold = find_threshold(fit, "cycles", alone=False)
    true = find_true_threshold(unit, FLOOR)
    if true is None or true > threshold.observed_to or threshold.outcome not in CROSSES:
        return []
    found = bootstrap_threshold(fit, threshold, refits=refits)
    if found.reason is not None:
        return []
    return [_judged(seed, RESAMPLED, true, found.low, found.high)]


def study_settling(seed: int) -> list[dict[str, object]]:
    """Whether as many further trials as one source was told settle it, and rightly.

    They are run under the conditions of trials of the unit, two at a hide, on the source as it
    is, with finds and misses drawn by its true find probability in each; then all is fitted anew.
    """
    unit, records, joined, fit = _simulated(seed)
    if fit.mixed is None:
        return []
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of)
    told = [s for s in shelf if s.trials_to_settle is not None and s.trials_to_settle <= MOST_TOLD]
    if not told:
        return []
    rng = np.random.default_rng(seed)
    source = told[rng.integers(len(told))]
    n = int(source.trials_to_settle or 0)
    tried = fit.design.trials
    own = tried[tried["source_id"] == source.source_id].iloc[-1]
    others = pd.Series(_true_parts(unit)[1], index=unit.true_trials["trial_id"].to_numpy())
    true = special.expit(others + float(_own_part(unit, source.source_id, source.cycles)))
    like = tried.iloc[rng.integers(len(tried), size=n)]
    found = rng.random(n) < true.loc[like["trial_id"]].to_numpy()
    hides = [f"added {k // 2}" for k in range(n)]
    added = like.assign(
        source_id=source.source_id,
        **{name: own[name] for name in ("kind", "frozen_share", "use_ratio") if name in tried},
        cycles=source.cycles,
        age_days=source.age_days,
        trial_id=[f"added {k}" for k in range(n)],
        session_id=hides,
        hide_id=hides,
        started_at=as_of + pd.to_timedelta(np.arange(n), unit="h"),
        result=np.where(found, "find", "miss"),
    )
    further = fit_finds(pd.concat([joined.trials, added], ignore_index=True), DecisionSettings())
    then = as_of + pd.Timedelta(hours=n)
    (advice,) = (
        s.advice
        for s in review_shelf(further, records.sources, joined.history, then)
        if s.source_id == source.source_id
    )
    rows: list[dict[str, object]] = [
        {"seed": seed, "what": SETTLED, "covered": advice != "test", "open": False}
    ]
    if advice != "test":
        right = (advice == "keep") == (float(true.mean()) >= FLOOR)
        rows.append({"seed": seed, "what": RIGHTLY, "covered": right, "open": False})
    return rows


def _own_part(unit: Unit, source_id: str, cycles: Any) -> Any:
    """What a source adds to the true log-odds after so many cycles."""
    of = unit.source_effects.loc[source_id]
    kind = unit.sources.set_index("source_id")["kind"].loc[source_id]
    return of["effect"] + unit.truth.kind_effects[kind] + of["cycle_slope"] * cycles


def _simulated(seed: int) -> tuple[Unit, Records, Joined, FindFit]:
    unit = simulate_unit(SCENARIOS["cycles only"], seed, trials=TRIALS)
    records = unit_records(unit)
    joined = join(records)
    return unit, records, joined, fit_finds(joined.trials, DecisionSettings())


def _judged(
    seed: int, what: str, true: float, low: float | None, high: float | None
) -> dict[str, object]:
    least = -np.inf if low is None else low
    most = np.inf if high is None else high
    wide = bool(np.isneginf(least) and np.isposinf(most))
    return {"seed": seed, "what": what, "covered": bool(least <= true <= most), "open": wide}


def _true_parts(unit: Unit) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds of every hide trial: what its source gives, and what dog and conditions give."""
    source = unit.trials.set_index("trial_id")["source_id"].reindex(unit.true_trials["trial_id"])
    of = unit.source_effects.reindex(source)
    kind = unit.sources.set_index("source_id")["kind"].reindex(source)
    state = (
        of["effect"].to_numpy()
        + of["cycle_slope"].to_numpy() * unit.true_trials["cycles"].to_numpy()
        + kind.map(unit.truth.kind_effects).to_numpy()
    )
    return state, unit.true_trials["log_odds"].to_numpy() - state


def _judge_shelf(seed, unit, records, joined, fit, drawn, others, rows) -> None:  # type: ignore[no-untyped-def]
    """What each source has left, and whether one advised to be retired is below the floor."""
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of, joined.trials, drawn)
    for source, left in zip(shelf, exposure_left(fit, shelf, "cycles"), strict=True):
        if left.reason is not None or left.now is None:
            continue
        at = np.linspace(left.now, max(left.observed_to, left.now), 200)
        parts = _own_part(unit, source.source_id, at)
        found = np.array([special.expit(others + part).mean() for part in parts])
        below = np.flatnonzero(found < FLOOR)
        gone = float(at[below[0]] - left.now) if len(below) else np.inf
        # A lower limit that is never reached says: not before the records end.
        low = left.observed_to - left.now if left.low is None else left.low
        high = np.inf if left.high is None else left.high
        # Truth is read from 200 points: a step beside a limit is not outside it.
        step = float(at[-1] - at[0]) / 199.0
        covered = bool(low - step <= gone <= high + step)
        # None has fewer than no cycles left: from 0 without an end it cannot miss.
        wide = bool(low <= step and np.isposinf(high))
        rows.append({"seed": seed, "what": "cycles left", "covered": covered, "open": wide})
        if source.advice == "retire":
            right = bool(found[0] < FLOOR)
            what = "retire advised, truly below"
            rows.append({"seed": seed, "what": what, "covered": right, "open": False})


def coverage(rows: pd.DataFrame) -> pd.DataFrame:
    """Share covered by question, with how many times it was asked."""
    groups = rows.groupby("what", sort=True)["covered"]
    return pd.DataFrame({"asked": groups.size(), "covered": groups.mean().astype(float)})


def run_study(
    units: int, refits: int, resampled: int, folder: Path, *, settling: int = 0, **place: Any
) -> pd.DataFrame:
    """Study units that are not yet in the files, and return the answers of all of them."""
    parts = [
        _run(study_unit, "decisions.csv", units, (), "", folder, **place),
        _run(study_settling, "settled.csv", settling, (), "", folder, **place),
    ]
    options = f"{refits} refits of each threshold"
    if refits or (folder / "resampled.csv").exists():
        part = place if refits else {**place, "workers": 0}
        parts.append(
            _run(study_resampled, "resampled.csv", resampled, (refits,), options, folder, **part)
        )
    return pd.concat(parts, ignore_index=True)


def _run(
    function: Callable[..., list[dict[str, object]]],
    name: str,
    units: int,
    more: tuple[int, ...],
    options: str,
    folder: Path,
    **place: Any,
) -> pd.DataFrame:
    """One file's answers; a unit that gave none has a line without a question."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    wanted = range(FIRST_SEED, FIRST_SEED + units)
    rows: list[dict[str, object]] = []
    if path.exists():
        rows = pd.read_csv(path, keep_default_na=False).to_dict("records")
    done = {row["seed"] for row in rows}
    left = [seed for seed in wanted if seed not in done] if place["workers"] else []
    if left:
        calls = [(function, seed, *more) for seed in left]
        finished = run_side_by_side(finish, calls, **place)
        run = begin_run(folder, options)
        for number, answers in enumerate(finished, start=1):
            rows += [answer | {RUN: run} for answer in answers]
            frame = pd.DataFrame(rows).sort_values("seed", kind="stable")
            frame.to_csv(path, index=False, lineterminator="\n")
            sys.stderr.write(f"\r{name}: {number} of {len(left)} units")
        sys.stderr.write("\n")
    found = pd.DataFrame(rows, columns=["seed", "what", "covered", "open", RUN])
    found[RUN] = pd.to_numeric(found[RUN])
    for column in ("covered", "open"):
        found[column] = found[column].astype(str) == "True"
    return found[found["seed"].isin(wanted)].sort_values("seed", kind="stable", ignore_index=True)


def finish(
    function: Callable[..., list[dict[str, object]]], seed: int, *more: int
) -> list[dict[str, object]]:
    """The answers of one unit; one that gave none has a line without a question."""
    nothing = {"seed": seed, "what": "", "covered": False, "open": False}
    return function(seed, *more) or [nothing]


def could_miss(answers: pd.DataFrame, what: str) -> pd.DataFrame:
    """Answers to a question whose interval has an end."""
    return answers[(answers["what"] == what) & ~answers["open"]]


def as_figure(answers: pd.DataFrame) -> bytes:
    """The results as a figure beside the page: SVG."""
    found = []
    for what, promised in PROMISED.items():
        own = could_miss(answers, what)
        if len(own):
            share, _, low, high = share_by_unit(own)
            if promised is None:
                continue
            broken = _kept(own, promised).startswith("no:")
            found.append(Found(what, "held, or right, %", share, low, high, promised, broken))
    title = "How right the decisions are: found, beside promised"
    return promises_svg(found, title, ["held, or right, %"])


def as_markdown(answers: pd.DataFrame, runs: str, figure: str = "decisions.svg") -> str:
    """The results as a page of the documentation; ``runs``: when its units were run."""
    units = answers["seed"].nunique()
    text = [
        "# How right the decisions are",
        "",
        made_by(__doc__),
        "",
        in_short(
            [
                _kept(could_miss(answers, w), p)
                for w, p in PROMISED.items()
                if p is not None and len(could_miss(answers, w))
            ]
        ),
        "",
        f"{units} simulated units of {TRIALS} trials whose finds fall with cycles alone, each with "
        f"a known truth; floor {FLOOR:g}. Answers of one unit share its errors, so ± (one standard "
        "error) and the limits (95 %) count units, not answers. "
        f"{HOW_JUDGED}",
        "",
        f"![What was found with its limits, beside what is promised]({figure})",
        "",
        "| what | units | answers | cannot miss | held, of the others | limits | promised | kept |",
        "|---|---|---|---|---|---|---|---|",
    ]
    asked = {what for what in PROMISED if len(could_miss(answers, what))}
    for what, promised in PROMISED.items():
        if what in asked:
            text.append(_row(answers, what, promised))
    if left := [what for what in PROMISED if what not in asked]:
        text += ["", f"Not yet asked: {'; '.join(left)}."]
    text += [
        "",
        "`threshold`: the interval of the exposure at which finds cross the floor holds the true "
        "one. `finds of the trials still run` and `share below the floor`: so do those of a "
        "limit's price, at limits of 5 and 10 cycles. `cycles left`: so does that of what each "
        "source has left; limits cut off at today or at the end of the records hold what lies "
        "beyond, so it is promised as a least share (at first it was promised like the others, and "
        "was held too often). An interval without an end cannot miss: it is counted, and no part "
        "of the share. `retire advised, truly below`: the true find "
        "probability of a source advised to be retired is below the floor. "
        "`settled by the trials told`: of one source a unit that is told how many more trials "
        "would settle it if they went as predicted, whether so many do, drawn by its true find "
        "probability (the program says to ask again then, and promises nothing); `settled so, and "
        "rightly`: whether the advice it then gets is right.",
    ]
    return "\n".join([*text, *told_end(FIRST_SEED, runs)]) + "\n"


def _row(answers: pd.DataFrame, what: str, promised: tuple[float, float] | None) -> str:
    every, own = answers[answers["what"] == what], could_miss(answers, what)
    share, error, low, high = share_by_unit(own)
    words = kept = ""
    if promised is not None:
        least, most = (f"{100 * end:g} %" for end in promised)
        words = f"at least {least}" if promised[1] == 1.0 else f"{least[:-2]} to {most}"
        kept = _kept(own, promised)
    # Nothing, or all, has no error of its own: its limits say what may be.
    found = f"{100 * share:.1f} %" + (f" ± {100 * error:.1f}" if 0.0 < share < 1.0 else "")
    return (
        f"| {what} | {every['seed'].nunique()} | {len(every):,} | {len(every) - len(own):,} "
        f"| {found} | {100 * low:.1f} to {100 * high:.1f} | {words} | {kept} |"
    )


def _kept(own: pd.DataFrame, promised: tuple[float, float]) -> str:
    share, _, low, high = share_by_unit(own)
    return judged(share, (low, high), promised, slack=SLACK)


def share_by_unit(own: pd.DataFrame) -> tuple[float, float, float, float]:
    """Share held, its error over units, and 95 % limits on as many answers as that error is worth.

    The limits are exact binomial ones (Clopper and Pearson) of the share among as many
    independent answers as would have the error found, never more than there are.
    """
    by_unit = own.groupby("seed")["covered"].agg(["sum", "size"])
    n, units = len(own), len(by_unit)
    share = float(own["covered"].mean())
    residual = (by_unit["sum"] - share * by_unit["size"]) / (n / units)
    error = float(residual.std(ddof=1) / np.sqrt(units)) if units > 1 else float("nan")
    # Without a spread between units, each unit is one answer.
    worth = share * (1.0 - share) / error**2 if error > 0.0 else float(units)
    worth = min(float(n), worth)
    held = share * worth
    low = float(stats.beta.ppf(0.025, held, worth - held + 1.0)) if share > 0.0 else 0.0
    high = float(stats.beta.ppf(0.975, held + 1.0, worth - held)) if share < 1.0 else 1.0
    return share, error, low, high


def runs_of(folder: Path, answers: pd.DataFrame) -> str:
    """When the units were run, those of other questions apart."""
    parts = [answers["what"].isin(whats) for whats in ([RESAMPLED], [SETTLED, RIGHTLY])]
    return told_runs(folder, [answers[~(parts[0] | parts[1])], *(answers[part] for part in parts)])


def main() -> None:
    """Run the study and write its page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--refits", type=int, default=0, help="of each threshold; 0: none")
    parser.add_argument("--resampled", type=int, default=500, help="units with refits")
    parser.add_argument("--settling", type=int, default=500, help="units with further trials")
    add_options(parser, 1)
    parser.add_argument("--folder", type=Path, default=Path(__file__).parent / "decision_units")
    parser.add_argument("--page", type=Path, default=PAGES / "decisions.md")
    given = parser.parse_args()
    units = (given.units, given.refits, given.resampled)
    answers = run_study(*units, given.folder, settling=given.settling, **where(given))
    runs = runs_of(given.folder, answers)
    write_page(given.page, as_figure(answers), lambda name: as_markdown(answers, runs, name))


if __name__ == "__main__":
    main()
