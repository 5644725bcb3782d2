"""How many trials were blind stands on the page, hides and blank areas apart."""

import pandas as pd
import pytest

from outcomes.answers.facts import Facts
from outcomes.report.page import render_page
from outcomes.report.results import results
from outcomes.wording.blinding import blinding_counts, describe_blinding


def _trials(*told: str | None, blanks: int = 0) -> pd.DataFrame:
    sources = ["S1"] * (len(told) - blanks) + [None] * blanks
    return pd.DataFrame({"source_id": sources, "blinding": pd.array(told, dtype=object)})


def test_every_trial_is_counted_once(demo_facts: Facts) -> None:
    counts = blinding_counts(demo_facts.joined.trials)
    told = results(demo_facts, ())["records"]
    assert sum(counts["hides"].values()) == told["hide_trials"]
    assert sum(counts["blanks"].values()) == told["blank_trials"]
    assert told["blinding"] == counts
    own = demo_facts.joined.trials["blinding"].value_counts()
    for level in ("open", "single", "double"):
        assert counts["hides"][level] + counts["blanks"][level] == own[level]


@pytest.mark.parametrize(
    ("trials", "said"),
    [
        (
            _trials("open", "single", "single", None, "double", blanks=1),
            "Blinding, as recorded: of 4 hide trials, 1 open, 2 single-blind (the handler did not "
            "know), 0 double-blind (nobody present knew) and 1 not recorded; of 1 blank area, "
            "0 open, 0 single and 1 double.",
        ),
        (
            _trials("double"),
            "Blinding, as recorded: of 1 hide trial, 0 open, 0 single-blind (the handler did not "
            "know) and 1 double-blind (nobody present knew).",
        ),
        (_trials(None, None), "Who knew where the hide was is not on record for any trial."),
        (
            _trials("open").drop(columns="blinding"),
            "Who knew where the hide was is not on record for any trial.",
        ),
        (
            _trials(None, "single", blanks=1),
            "Blinding, as recorded: of 1 blank area, 0 open, 1 single-blind (the handler did not "
            "know) and 0 double-blind (nobody present knew).",
        ),
    ],
)
def test_it_is_told_for_some_one_and_none(trials: pd.DataFrame, said: str) -> None:
    assert describe_blinding(blinding_counts(trials)) == said


def test_the_page_says_it(demo_facts: Facts) -> None:
    said = describe_blinding(blinding_counts(demo_facts.joined.trials))
    assert said in render_page(demo_facts, None)
