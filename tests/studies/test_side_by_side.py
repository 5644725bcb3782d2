"""Units of a study side by side: all of them, whatever does the work."""

from __future__ import annotations

import argparse
import operator

from joblib import register_parallel_backend
from joblib._parallel_backends import ThreadingBackend
from side_by_side import add_options, run_side_by_side, where

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


def test_every_unit_is_run_once_on_the_cores_of_this_machine() -> None:
    found = run_side_by_side(operator.mul, [(k, k) for k in range(20)], **chosen())
    assert sorted(found) == [k * k for k in range(20)]


def test_units_come_as_they_are_done_not_when_all_are() -> None:
    taken = []

    def calls():
        for k in range(6):
            taken.append(k)
            yield (k, 1)

    found = run_side_by_side(operator.add, calls(), workers=1)
    assert next(found) == 1
    assert len(taken) < 6
    assert sorted(found) == [2, 3, 4, 5, 6]


def test_a_back_end_that_joblib_knows_does_the_work_where_it_is_asked_for() -> None:
    register_parallel_backend("watched", Watched)
    place = chosen("--backend", "watched", "--scheduler", "tcp://somewhere:8786")
    assert sorted(run_side_by_side(operator.add, [(k, 1) for k in range(8)], **place)) == [
        *range(1, 9)
    ]
    assert HANDED_OVER
    assert set(HANDED_OVER) == {"tcp://somewhere:8786"}
