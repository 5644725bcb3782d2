"""Units of a study side by side: all of them, whatever does the work."""

import argparse
import operator
import sys
from pathlib import Path

import numpy as np
import pytest
import side_by_side
from joblib import register_parallel_backend
from joblib._parallel_backends import ThreadingBackend
from side_by_side import (
    add_options,
    differs_from_stored,
    run_side_by_side,
    run_stored,
    told_runs,
    where,
)

HANDED_OVER = []


class Watched(ThreadingBackend):
    """A back end as a cluster's would be: one that joblib is told of."""

    def __init__(self, *, scheduler_host: str = "", **options: object) -> None:
        super().__init__(**options)
        self.scheduler_host = scheduler_host

    def submit(self, func, callback=None):
        HANDED_OVER.append(self.scheduler_host)
        return super().submit(func, callback)


def chosen(*arguments: str) -> dict[str, object]:
    parser = argparse.ArgumentParser()
    add_options(parser, workers=2)
    return where(parser.parse_args(arguments))


def test_every_unit_runs_once() -> None:
    found = run_side_by_side(operator.mul, [(k, k) for k in range(20)], **chosen())
    assert sorted(found) == [k * k for k in range(20)]


def test_units_come_as_they_are_done() -> None:
    taken = []

    def calls():
        for k in range(6):
            taken.append(k)
            yield (k, 1)

    found = run_side_by_side(operator.add, calls(), workers=1)
    assert next(found) == 1
    assert len(taken) < 6
    assert sorted(found) == [2, 3, 4, 5, 6]


def test_asked_back_end_does_the_work() -> None:
    register_parallel_backend("watched", Watched)
    place = chosen("--backend", "watched", "--scheduler", "tcp://somewhere:8786")
    assert sorted(run_side_by_side(operator.add, [(k, 1) for k in range(8)], **place)) == [
        *range(1, 9)
    ]
    assert HANDED_OVER
    assert set(HANDED_OVER) == {"tcp://somewhere:8786"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--backend", "dask"), "needs --scheduler"),
        (("--backend", "dask", "--scheduler", "tcp://here:8786"), "pip install .*cluster"),
    ],
)
def test_a_cluster_that_is_lacking_is_one_line(
    monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SystemExit, match=said) as ended:
        run_side_by_side(operator.add, [(1, 1)], **chosen(*arguments))
    assert "\n" not in str(ended.value)


def twice(seed: int) -> dict[str, object]:
    return {"seed": seed, "twice": 2 * seed}


def test_every_unit_bears_its_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "units.csv"
    path.write_text("seed,twice,run\n1,2,\n", encoding="utf-8")
    run_stored(twice, {k: (k,) for k in (1, 2, 3)}, path, ["seed", "twice"], workers=1)
    monkeypatch.setattr(side_by_side, "program", lambda: "another")
    found = run_stored(twice, {k: (k,) for k in range(1, 7)}, path, ["seed", "twice"], workers=1)
    assert found["twice"].tolist() == [2, 4, 6, 8, 10, 12]
    assert found["run"].fillna(0).tolist() == [0, 1, 1, 2, 2, 2]
    told = told_runs(tmp_path, [found])
    assert told.startswith("Units run: 2 on ")
    assert "; 3 on " in told
    assert "program another)" in told
    assert told.endswith("; 1 before date, versions and options were noted.")


def test_a_change_of_the_program_changes_its_mark(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(side_by_side, "_PROGRAM", tmp_path)
    (tmp_path / "a.py").write_text("x = 1\n")
    first = side_by_side.program()
    (tmp_path / "note.txt").write_text("no module")
    assert side_by_side.program() == first
    (tmp_path / "a.py").write_text("x = 2\n")
    assert side_by_side.program() != first


def test_differing_unit_is_told() -> None:
    stored = {"seed": 7, "held": 1, "length": 0.0812, "verdict": "age", "error": np.nan, "run": 1}
    same = {"seed": 7, "held": True, "length": 0.081200001, "verdict": "age"}
    assert differs_from_stored(same, stored) == []
    assert differs_from_stored(same | {"held": 0}, stored) == ["held"]
    assert differs_from_stored(same | {"length": 0.0815}, stored) == ["length"]
    assert differs_from_stored(same | {"verdict": "both"}, stored) == ["verdict"]
    assert differs_from_stored(same | {"error": 0.1}, stored) == ["error"]
    assert differs_from_stored({"seed": 7}, stored) == ["held", "length", "verdict"]
