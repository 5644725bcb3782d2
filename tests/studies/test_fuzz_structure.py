"""The damage by structure (``fuzz_structure.py``) in a reduced size, and that it tells a defect."""

import fuzz_structure
import pytest


@pytest.mark.slow
def test_undamaged_workbooks_are_joined(tmp_path) -> None:
    for name in fuzz_structure.OF_WORKBOOKS:
        (tmp_path / name).mkdir()
        messy = fuzz_structure.UNITS[name](tmp_path / name, seed=1, days=fuzz_structure.DAYS)
        assert fuzz_structure.use_unread(messy, keeps=True) == "joined"


@pytest.mark.study
def test_damaged_structure_ends_in_an_answer_or_a_line() -> None:
    tried = fuzz_structure.Tried()
    tried.run(range(0, 76, 5))
    assert tried.findings == {}
    assert sum(tried.ended.values()) == tried.inputs == 16


@pytest.mark.slow
def test_misread_trials_are_a_finding(tmp_path) -> None:
    messy = fuzz_structure.UNITS["terse"](tmp_path, seed=1, days=fuzz_structure.DAYS)
    turned = {"find": "miss", "miss": "find"}
    messy.meant["result"] = messy.meant["result"].replace(turned)
    with pytest.raises(AssertionError, match="of another result than meant"):
        fuzz_structure.use_unread(messy, keeps=True)
