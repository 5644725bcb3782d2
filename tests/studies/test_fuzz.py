"""The fuzz of the readers (``fuzz.py``) in a reduced size, and that it would tell a defect."""

import time
from dataclasses import replace

import fuzz
import pytest

from outcomes.exposure.trials import join

UNDAMAGED = {
    "form": "csv", "cells": [], "typed": [], "rows": [], "bytes": [], "file": "trials",
    "encoding": "utf-8", "separator": ",", "arrow": None, "part": 0, "toml": fuzz.UNIT_TOML,
}  # fmt: skip


@pytest.mark.parametrize("form", ["csv", "xlsx", "parquet"])
def test_the_undamaged_unit_is_read_and_joined(tmp_path, form):
    assert fuzz.use(fuzz.write_damaged(tmp_path, UNDAMAGED | {"form": form})) == "joined"


@pytest.mark.study
def test_damaged_records_end_in_one_line():
    found = fuzz.Fuzz()
    found._round(1, time.monotonic() + 60.0, 60)
    assert found.findings == {}
    assert found.inputs > 0


def test_defect_is_told_with_smallest_input(monkeypatch):
    def broken(path):
        raise KeyError(path.suffix)

    monkeypatch.setattr(fuzz, "use", broken)
    found = fuzz.Fuzz()
    found._round(1, time.monotonic() + 20.0, 20)
    assert list(found.findings) == ["KeyError at ?"]
    assert "'cells': []" in found.findings["KeyError at ?"]


def test_the_page_is_made_of_the_runs_on_record() -> None:
    written = fuzz.PAGE.read_text(encoding="utf-8")
    assert written == fuzz.as_markdown(fuzz.FOLDER)
    assert written.count("\n| 20") >= 1


def test_unaccounted_row_is_a_defect(tmp_path, monkeypatch):
    def loses_one(records):
        joined = join(records)
        return replace(joined, trials=joined.trials.iloc[1:])

    monkeypatch.setattr(fuzz, "join", loses_one)
    with pytest.raises(AssertionError, match=r"\d+ trials, \d+ joined"):
        fuzz.use(fuzz.write_damaged(tmp_path, UNDAMAGED))
