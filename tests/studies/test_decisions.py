"""Coverage of the decisions' intervals in a reduced size; the full study is ``decisions.py``.

In six units, intervals of the threshold that miss the truth 10 % of the time miss it four times
once in 800; what a source has left is judged over about 100 sources of the same six models.
A threshold moved by half passes here: ``test_recovery.py`` is for that.
"""

import os
from pathlib import Path

import decisions as study
import pandas as pd
import pytest
from scipy import stats

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "6"))


@pytest.mark.study
def test_decisions_hold_the_truth_as_said() -> None:
    rows = pd.DataFrame(
        [
            row
            for seed in range(study.FIRST_SEED, study.FIRST_SEED + UNITS)
            for row in study.study_unit(seed)
        ]
    )
    table = study.coverage(rows)
    asked, covered = table.loc["threshold", ["asked", "covered"]]
    missed = round(asked * (1.0 - covered))
    assert stats.binom.sf(missed - 1, int(asked), 0.1) > 1e-3
    # Answers of one unit share its model, so units are counted in which fewer than half of the
    # answers hold, or one advice is wrong: no more than the full study's share of such units, at
    # the upper end of what it leaves open (97.5 %), gives once in a thousand.
    full = study.run_study(500, 0, 0, Path(__file__).parent / "decision_units", workers=0)
    for what, least in (
        ("cycles left", 0.5),
        ("finds of the trials still run", 0.5),
        ("share below the floor", 0.5),
        ("retire advised, truly below", 1.0),
    ):
        stored = study.could_miss(full, what).groupby("seed")["covered"].mean() < least
        own = study.could_miss(rows, what).groupby("seed")["covered"].mean() < least
        most = stats.beta.ppf(0.975, stored.sum() + 1, len(stored) - stored.sum())
        assert len(own) > UNITS / 2
        assert stats.binom.sf(own.sum() - 1, len(own), most) > 1e-3


def test_error_counts_units_not_answers() -> None:
    alike = pd.DataFrame({"seed": range(40), "what": "w", "covered": [True] * 36 + [False] * 4})
    share, error, low, high = study.share_by_unit(alike)
    # One answer a unit: the sample deviation over the root, and the exact limits of 36 in 40.
    assert (share, error) == pytest.approx((0.9, (0.09 / 39) ** 0.5))
    # The sample deviation divides by 39, so 39 answers' worth: limits of 35.1 in 39.
    assert low == pytest.approx(stats.beta.ppf(0.025, 35.1, 4.9))
    assert high == pytest.approx(stats.beta.ppf(0.975, 36.1, 3.9))
    often = pd.concat([alike] * 5, ignore_index=True)
    assert study.share_by_unit(often) == pytest.approx((share, error, low, high))


def test_study_goes_on_where_it_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = study.FIRST_SEED
    stored = pd.DataFrame(
        {"seed": [first, first, first + 1], "what": ["threshold", "cycles left", ""],
         "covered": [True, False, False], "open": [False, True, False]}
    )  # fmt: skip
    stored.to_csv(tmp_path / "decisions.csv", index=False)
    # All there: nothing is run, whatever the number of processes.
    monkeypatch.setattr(study, "study_unit", lambda *_: pytest.fail("run again"))
    found = study.run_study(2, 0, 2, tmp_path, workers=1)
    assert found["covered"].tolist() == [True, False, False]
    page = study.as_markdown(found, "Units run: 2.")
    assert "| threshold | 1 | 1 | 0 | 100.0 % | 2.5 to 100.0 |" in page
    # One that cannot miss is no answer to how often it does.
    assert "Not yet asked: threshold, sources resampled; " in page
    assert "; cycles left; " in page
    assert page.startswith("# How right the decisions are")
    assert "\n2 simulated units of" in page


def test_the_page_is_made_of_the_stored_units() -> None:
    folder = Path(__file__).parent / "decision_units"
    stored = study.run_study(100_000, 0, 100_000, folder, settling=100_000, workers=0)
    written = (study.PAGES / "decisions.md").read_text(encoding="utf-8")
    assert written == study.as_markdown(stored, study.runs_of(folder, stored))
    assert (study.PAGES / "decisions.svg").read_bytes() == study.as_figure(stored)


@pytest.mark.slow
def test_a_stored_unit_comes_out_the_same_again() -> None:
    folder = Path(__file__).parent / "decision_units"
    stored = study.run_study(500, 0, 0, folder, workers=0)
    seed = int(stored["seed"].max())
    own = stored.loc[stored["seed"] == seed, ["seed", "what", "covered", "open"]]
    again = pd.DataFrame(study.finish(study.study_unit, seed))
    assert again.sort_values("what").to_dict("list") == own.sort_values("what").to_dict("list")


@pytest.mark.slow
def test_a_stored_unit_is_settled_the_same_again() -> None:
    folder = Path(__file__).parent / "decision_units"
    stored = study.run_study(500, 0, 0, folder, settling=500, workers=0)
    own = stored[stored["what"].isin((study.SETTLED, study.RIGHTLY))]
    assert own["seed"].nunique() >= 10
    # The last unit of each answer: settled or not, and where some were settled wrongly, rightly.
    last = own.groupby(["what", "covered"])["seed"].max()
    assert {(study.RIGHTLY, True), (study.SETTLED, False)} <= set(last.index)
    for seed in sorted(set(last)):
        again = study.finish(study.study_settling, seed)
        stored_so = own.loc[own["seed"] == seed, ["what", "covered"]].to_dict("records")
        assert [{"what": row["what"], "covered": row["covered"]} for row in again] == stored_so
