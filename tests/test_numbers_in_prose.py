"""Numbers in running text are those of the program and of the example's results.

What a study, a benchmark or another program found stands on pages that are made whole, and the
tests of those hold them. Here is what a person wrote: sentences around a number that the program
has elsewhere. Each is made anew from where the number comes from, and must stand on its page.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from outcomes.analysis.decisions import bootstrap, curve, frontier, matched_portions, overlap, shelf
from outcomes.analysis.decisions import compare as storage
from outcomes.analysis.decisions import source_draws as draws
from outcomes.analysis.finds import cycles_or_age as which_predicts
from outcomes.analysis.finds import design as terms
from outcomes.analysis.finds import model as finds
from outcomes.analysis.finds import sensitivity as specifications
from outcomes.analysis.finds import shape
from outcomes.analysis.finds import validation as quality
from outcomes.analysis.lifetimes import kaplan_meier as lifetime
from outcomes.analysis.lifetimes import regression as lifetime_model
from outcomes.analysis.lifetimes import rules_compared as alternative_rules
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.monitoring import charts as watch
from outcomes.analysis.searches import design as conditions
from outcomes.analysis.searches import false_alerts, search_time
from outcomes.analysis.searches import signal_detection as detection
from outcomes.analysis.searches import training_history as training_diet
from outcomes.exposure import thaws, use_ratio
from outcomes.report.out_folder import FILES
from outcomes.settings import DecisionSettings, RecordsSettings
from outcomes.simulate.truth import DEMO_SEED

ROOT = Path(__file__).parents[1]
WORDS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
SETTINGS = DecisionSettings()
READING = RecordsSettings()
RULE = SETTINGS.rule


def _json(path: str) -> Any:
    return json.loads((ROOT / path).read_text(encoding="utf-8"))


RESULTS = _json("reports/results.json")
TRUTH = tomllib.loads((ROOT / "synthetic_data/truth.toml").read_text(encoding="utf-8"))
TRIALS = pd.read_csv(ROOT / "synthetic_data/trials.csv", dtype={"source_id": str})
HIDES = TRIALS[TRIALS["result"].isin(["find", "miss"])]


def _signed(value: float) -> str:
    return f"{value:+g}".replace("-", "−")


def _methods() -> list[str]:
    lower = binomtest(12, 12).proportion_ci(SETTINGS.confidence, "exact").low
    called = rule_false_call(RULE.misses, RULE.window, 0.9, 20)
    assert round(4 * called) == 1, "no longer one in four"
    return [
        f"stay outside lasts at least `thaw_after_h` ({READING.thaw_after_h:g} h unless set)",
        f"`frozen` from a share of {READING.frozen_at_least:g}, `refrigerated` up to "
        f"{READING.refrigerated_at_most:g}, else `mixed`",
        f"out from {thaws.MARGIN_H} h before it was placed to {thaws.MARGIN_H} h after the start",
        f"beyond {finds._WIDEST_SPREAD:g} on the log-odds scale",
        f"leaves {terms.PER_PARAMETER} finds and {terms.PER_PARAMETER} misses for every parameter",
        f"must leave {terms._SOURCES_BEYOND_TERMS} sources beyond",
        f"misses among its latest {WORDS[use_ratio._LATEST]} trials",
        f"It enters from {terms._SOURCES_FOR_USE_RATIO} sources on",
        f"Nothing is taken off over {finds._MOST_FOR_SPREAD:,} trials",
        f"twice the gain in log-likelihood exceeds {finds._ALLOW_FOR_SLOPES:g},",
        f"only where it exceeds {finds._SAY_SLOPES_DIFFER:g} (Akaike's criterion)",
        f"at α = {SETTINGS.alpha:g} unless set",
        f"1. Fewer than {finds.LEAST_MISSES} misses or {finds.LEAST_FINDS} finds, "
        f"{finds.LEAST_SOURCES} sources or {finds.LEAST_DOGS} dogs: `too few trials`.",
        f"unless the two are correlated beyond {which_predicts._TIED:g}",
        f"cycles and age are correlated beyond {which_predicts._TIED:g} and a large fall",
        f"With fewer than {which_predicts._FEW_SOURCES} sources a likelihood-ratio statistic",
        f"once the answer at α is the same {WORDS[int(which_predicts._SETTLED)]} standard errors",
        f"With more than {which_predicts._MOST_TRIALS_TO_REFIT:,} trials, or from "
        f"{which_predicts._FEW_SOURCES} sources on, nothing is simulated",
        "with "
        + ", ".join(f"{100 * s:.0f}" for s in specifications.UNLOGGED[:-1])
        + f" and {100 * specifications.UNLOGGED[-1]:.0f} % more thaws",
        f"than {shape.CLEARLY_WORSE:g} of QAICc is told",
        f"dealt into at most {WORDS[quality.MOST_FOLDS]} groups",
        f"the exposure that at least {WORDS[curve.THIN_SOURCES]} sources reached",
        f"Confidence is {SETTINGS.confidence:.2f} unless set; `retire_after` rests on the lower "
        f"limit alone, so one-sided it is {0.5 + SETTINGS.confidence / 2:.2f}",
        f"with replacement ({bootstrap.REFITS} times;",
        f"read at every floor from {frontier.FLOORS[0]:.2f} to {frontier.FLOORS[-1]:.2f},",
        f"over {draws.DRAWS:,} draws of what the model leaves open",
        f"over up to {shelf._STANDING} of the unit's trials",
        f"fewer than {shelf.FEWEST_RECENT} usable trials of its own",
        f"own latest {shelf.RECENT} trials speak against the prediction",
        f"{_times(shelf._FOR_WHAT_IS_SHARED)} as many are told, because further trials share",
        f"fewer than {WORDS[storage.LEAST_SOURCES]} sources were kept one way",
        f"fewer than {matched_portions.LEAST_PAIRS} families, or fewer than "
        f"{matched_portions.LEAST_DISCORDANT} finds or {matched_portions.LEAST_DISCORDANT} misses",
        f"frozen share from {overlap.BOUNDS[0]:g} to {overlap.BOUNDS[-1]:g}",
        f"the {_second(RULE.misses)} miss within {WORDS[RULE.window]} consecutive unassisted hide",
        f"A curve needs {lifetime.FEWEST_EVENTS} events and is drawn only while at least "
        f"{WORDS[lifetime.FEWEST_AT_RISK]} sources of the group are followed",
        "for one source in four that is found nine times in ten, within 20 trials",
        f"It needs {lifetime_model.LEAST_EVENTS} events, and "
        f"{lifetime_model.LEAST_SOURCES} sources of each regime",
        f"Three models, each from {lifetime_model.LEAST_EVENTS} events on",
        f"so many become unreliable in the next {lifetime_model.NEXT} cycles",
        f"among a source's last {SETTINGS.unreliable.proportion_window} trials",
        f"12 finds of 12 have one of {lower:.2f}, so it would call every source",
        f"one with {_times(alternative_rules.WORSE)} the odds of a miss",
        f"odds of a miss {_times(SETTINGS.unreliable.odds_ratio)} as high, risk-adjusted",
        f"the first trials on record, up to {watch.BASELINE_MISSES} misses",
        f"so that about {100 * SETTINGS.unreliable.false_call:g} of 100 charts on which nothing "
        f"changes pass it within {SETTINGS.unreliable.within} trials",
        f"with {conditions.EVENTS_PER_TERM} finds for every term. Fewer than "
        f"{search_time.LEAST_FINDS} finds with a time, {search_time.LEAST_SOURCES} sources or "
        f"{search_time.LEAST_DOGS} dogs: no answer",
        f"Fewer than {false_alerts.LEAST_ALERTS} false alerts on hides, "
        f"{false_alerts.LEAST_SOURCES} sources or {false_alerts.LEAST_DOGS} dogs: no answer",
        f"trained on in the {training_diet.DAYS} days before",
        f"from {training_diet.LEAST_ALERTS} false alerts and {training_diet.LEAST_DOGS} dogs on",
        f"with fewer than {training_diet.ENOUGH_DOGS} the sentence",
        f"in up to {training_diet.MOST_BINS} groups of {training_diet.LEAST_IN_BIN} blank areas",
        f"only where {training_diet.LEAST_NEAR} blank areas or more",
        f"from {detection.LEAST_HIDES} hides and {detection.LEAST_BLANKS} blank areas",
    ]


def _second(nth: int) -> str:
    return ("", "first", "second", "third", "fourth")[nth]


def _times(ratio: float) -> str:
    return {2.0: "twice"}[ratio]


def _reading() -> list[str]:
    fewest = (
        f"fewer than {finds.LEAST_MISSES} misses or {finds.LEAST_FINDS} finds, "
        f"{finds.LEAST_SOURCES} sources or {finds.LEAST_DOGS} dogs"
    )
    return [
        fewest,
        f"**Broken line**: fewer than {WORDS[curve.THIN_SOURCES]} sources were observed",
        f"(`--floor`, {SETTINGS.floor:g} unless you say otherwise)",
        f"past the last value that at least {WORDS[curve.THIN_SOURCES]} sources reached",
        f"at every floor from {100 * frontier.FLOORS[0]:.0f} to "
        f"{100 * frontier.FLOORS[-1]:.0f} in 100",
        f"its interval is wider than {100 * shelf._WIDE:.0f} in 100",
        f"A source with fewer than {WORDS[shelf.FEWEST_RECENT]} trials of its own",
        f"how many of 100 sources the next {lifetime_model.NEXT} cycles cost",
    ]


def _first_hour() -> list[str]:
    return [
        f"takes {100 * SETTINGS.floor:.0f} in 100 unless you say otherwise",
        f"Fewer than {finds.LEAST_MISSES} misses or {finds.LEAST_FINDS} finds, "
        f"{finds.LEAST_SOURCES} sources or {finds.LEAST_DOGS} dogs is too few",
        f"It writes {WORDS[len(FILES)]} files",
    ]


def _preparing() -> list[str]:
    return [
        f"otherwise {_signed(READING.freezer_c)}, {READING.refrigerator_c:g} and "
        f"{READING.ambient_c:g} °C",
    ]


def _worked() -> list[str]:
    (cycles,) = (t for t in RESULTS["find"]["terms"] if t["term"] == "cycles")
    (otto,) = (d for d in RESULTS["dogs"]["dogs"] if d["name"] == "Otto")
    per_cycle = TRUTH["planted"]["cycle_log_odds"]
    misses = int((HIDES["result"] == "miss").sum())
    return [
        f"every cycle takes {-per_cycle:.2f} off the log-odds of a find",
        f"{misses} misses in {len(HIDES):,} hide trials",
        f"multiplies the odds of a find by about {cycles['odds_ratio']:.2f}; the planted value, "
        f"exp(−{-per_cycle:.2f}) = {np.exp(per_cycle):.2f}, lies within",
        f"with {otto['trials']} trials, chance gives as much",
        f"finds fall below {100 * SETTINGS.floor:.0f} in 100 at about "
        f"{RESULTS['retire']['estimate']:.0f} cycles",
        f"The planted threshold, {TRUTH['threshold']['cycles']:.1f}, lies inside the interval; at "
        f"{100 * SETTINGS.confidence:.0f} % one unit in ten misses it",
    ]


def _unit() -> list[str]:
    planted = TRUTH["planted"]
    moves = pd.read_csv(ROOT / "synthetic_data/storage.csv", dtype=str)
    days = pd.to_datetime(TRIALS["started_at"])
    first, last = days.min(), days.max()
    months = round((last - first).days / 30.44)
    most_dogs = HIDES.groupby("hide_id")["dog_id"].nunique().max()
    return [
        f"over {months} months ({first:%B %Y} to {last:%B %Y})",
        f"{WORDS[int((moves['moved_to'] == 'discarded').sum())]} were discarded",
        f"searched for by up to {WORDS[most_dogs]} dogs each",
        f"{planted['dog_sd']:g}, {planted['source_sd']:g}, {planted['session_sd']:g}",
        f"handler knows the hide (`open`) | {_signed(planted['blinding_effect'])}",
        f"probability falls to {TRUTH['threshold']['floor']:g} at "
        f"{TRUTH['threshold']['cycles']:.1f} cycles",
        f"The seed is {DEMO_SEED}.",
    ]


SAID = [
    (page, sentence)
    for page, sentences in (
        ("docs/methods.md", _methods()),
        ("docs/reading-the-briefing.md", _reading()),
        ("docs/first-hour.md", _first_hour()),
        ("docs/preparing-records.md", _preparing()),
        ("docs/worked-example.md", _worked()),
        ("synthetic_data/README.md", _unit()),
    )
    for sentence in sentences
]


@pytest.mark.parametrize(("page", "sentence"), SAID, ids=[f"{p}: {s[:60]}" for p, s in SAID])
def test_the_page_says_the_number_that_the_program_has(page: str, sentence: str) -> None:
    assert sentence in " ".join((ROOT / page).read_text(encoding="utf-8").split())
