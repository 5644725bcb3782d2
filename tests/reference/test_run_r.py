"""What ``run_r.py`` tells of R's output beside the stored one; R itself is not run here."""

import json
from pathlib import Path

import pytest
import run_r

HERE = Path(__file__).parent


NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("stored", "now", "told"),
    [
        (2.0, 2.00002, 0),
        (2.0, 2.00003, 1),
        (0.0, 2e-6, 1),
        (NAN, NAN, 0),
        (INF, INF, 0),
        (NAN, 1.0, 1),
        (1.0, NAN, 1),
        (1.0, INF, 1),
        (1.0, "NA", 1),
        ([1.0], [1.0, 2.0], 1),
        ({"a": 1.0}, {"b": 1.0}, 2),
    ],
)
def test_every_moved_number_is_told(stored, now, told):
    assert len(list(run_r.differences(stored, now))) == told


def test_only_glmers_search_moves_with_its_error():
    stored = [
        ["finds", "cycles", 1.0, 0.2],
        ["weibull", "cycles", 1.0, 0.2],
        ["finds", "n", 9.0, ""],
    ]
    slack = run_r.slack_of_table(stored, frozenset({"finds"}))

    def told(row: int, column: int, by: float) -> int:
        now = [list(cells) for cells in stored]
        now[row][column] += by
        return len(list(run_r.differences(stored, now, slack=slack)))

    assert told(0, 2, 9e-5) == told(0, 3, 9e-5) == 0
    assert told(0, 2, 2e-4) == told(0, 3, 2e-4) == told(1, 2, 9e-5) == told(2, 2, 1e-3) == 1


def test_mixed_slack_covers_no_other_value():
    stored = json.loads((HERE / "mixed_lme4.json").read_text())
    slack = run_r.slack_of_cases(stored)
    now = json.loads(json.dumps(stored))
    case = now["cases"]["cbpp"]
    case["beta"][0] += 3e-4 * case["std_error"][0]
    assert list(run_r.differences(stored, now, slack=slack)) == []
    case["beta"][0] += 3e-4 * case["std_error"][0]
    case["sd"]["herd"] += 1e-4
    case["log_likelihood"] += 0.01
    assert len(list(run_r.differences(stored, now, slack=slack))) == 3


def test_modes_may_move_a_little():
    stored = run_r._table((HERE / "slopes_lme4.csv").read_text())
    slack = run_r.slack_of_modes(stored)
    for by, told in ((3e-5, 0), (1e-3, 1)):
        now = [list(row) for row in stored]
        now[19][1] += by
        assert len(list(run_r.differences(stored, now, slack=slack))) == told


def test_single_values_have_their_own_slack():
    stored = [
        ["method", "value", "by_r"],
        ["mixed", "cycles", 1.0],
        ["mixed", "cycles, error", 0.2],
        ["mixed", "log-likelihood", -90.0],
        ["plain", "cycles", 1.0],
        ["plain", "cycles, error", 0.2],
    ]
    slack = run_r.slack_of_values(stored, frozenset({"mixed"}))

    def told(row: int, by: float) -> int:
        now = [list(cells) for cells in stored]
        now[row][2] += by
        return len(list(run_r.differences(stored, now, slack=slack)))

    assert told(1, 9e-5) == told(2, 9e-5) == 0
    assert told(1, 2e-4) == told(2, 2e-4) == told(3, 2e-3) == told(4, 9e-5) == told(5, 9e-5) == 1


def test_random_sets_may_move_a_hundredth():
    stored = run_r._table(
        "set,term,estimate,std_error\n"
        "tiny_00,cycles,1,0.2\ntiny_00,sd dog,0,\n"
        "separated_00,cycles,99,5000\nseparated_00,sd dog,9,\n"
    )
    slack = run_r.slack_of_sets(stored)
    for row, by, told in ((1, 1e-3, 0), (1, 3e-3, 1), (2, 1e-3, 0), (3, 40.0, 0), (4, 4.0, 0)):
        now = [list(cells) for cells in stored]
        now[row][2] += by
        assert len(list(run_r.differences(stored, now, slack=slack))) == told


def test_search_end_is_not_compared():
    table = "set,log_likelihood,optimizer,refused\ntiny_00,-9,{},\nflat_14,-5,low,\n"
    stored, other = (run_r._table(table.format(o)) for o in ("bobyqa polished", "far polished"))
    slack = run_r.slack_of_sets(stored)
    for row, by, told in ((1, 0.0, 0), (1, 5e-5, 0), (1, 2e-4, 1), (2, 0.1, 0)):
        now = run_r._compared([list(cells) for cells in other])
        now[row][1] -= by
        before = run_r._compared(stored)
        assert len(list(run_r.differences(before, now, slack=slack))) == told


def test_every_script_and_test_is_there():
    scripts = {path.stem for path in HERE.glob("*.R")}
    assert scripts == {"mixed", *run_r.SCRIPTS}
    for test in run_r.TESTS:
        assert (HERE.parents[1] / test).exists()


def test_every_stored_table_has_its_script():
    tables = [path.name for path in HERE.glob("*.csv")]
    written = [t for name in run_r.SCRIPTS for t in run_r.written_by(name, tables)]
    assert len(written) == len(set(written))
    assert set(tables) - set(written) == {
        "bias_trials.csv", "large_unit.csv", "random_sets_glmm.csv", "random_sets_glmm_terms.csv",
        "random_sets_made.csv", "salamander_matings.csv", "small_unit.csv",
    }  # fmt: skip


def test_value_r_no_longer_gives_is_told(monkeypatch):
    stored = (HERE / "outside_values.csv").read_text("utf-8")

    def moving(*_: object, cwd: Path, **__: object) -> object:
        now = stored.replace("0.9050761", "0.9051761")
        (cwd / "tests" / "reference" / "outside_values.csv").write_text(now, "utf-8")
        return type("Done", (), {"returncode": 0, "stdout": "", "stderr": ""})()

    monkeypatch.setattr(run_r.subprocess, "run", moving)
    (told,) = run_r.run_script("outside_values", write=False)
    assert told.startswith("outside_values.csv[1][2]: 0.90507")


@pytest.mark.parametrize(
    "said",
    [
        "R has no package pROC\n",
        "Error in library(pROC) : there is no package called 'pROC'\nExecution halted\n",
    ],
)
def test_a_package_that_r_lacks_is_named(said, monkeypatch):
    def lacking(*_: object, **__: object) -> object:
        return type("Done", (), {"returncode": 1, "stdout": "", "stderr": said})()

    monkeypatch.setattr(run_r.subprocess, "run", lacking)
    (told,) = run_r.run_script("outside_values", write=False)
    assert told.startswith("outside_values.R could not run: ")
    assert "pROC" in told


def test_table_no_longer_written_is_told(monkeypatch):
    def silent(*_: object, **__: object) -> object:
        return type("Done", (), {"returncode": 0, "stdout": "", "stderr": ""})()

    monkeypatch.setattr(run_r.subprocess, "run", silent)
    told = run_r.run_script("lifetime", write=False)
    names = ("lifetime_followed", "lifetime_km", "lifetime_median")
    assert told == [f"{name}.csv: stored, and not written now" for name in names]
