"""``check --draft``: a file to start from, never over one that is there."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from messy_units import tally

RUN = [sys.executable, "-m", "outcomes", "check"]


def run(*parts: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*RUN, *map(str, parts)], capture_output=True, text=True, timeout=120, check=False,
        env=os.environ | {"COLUMNS": "400"},
    )  # fmt: skip


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> Path:
    return tally(tmp_path_factory.mktemp("tally")).path


@pytest.mark.slow
def test_draft_is_written_once_and_serves(log, tmp_path) -> None:
    draft = tmp_path / "unit.toml"
    first = run(log, "--draft", draft)
    assert (first.returncode, first.stderr) == (0, "")
    assert "330 of 330 trials can be used" in first.stdout
    text = draft.read_text()
    again = run(log, "--draft", draft)
    assert again.returncode == 1
    assert "is there already and is left as it is" in again.stderr
    assert draft.read_text() == text
    # With it there is nothing more to say.
    other = tmp_path / "more.toml"
    more = run(log, "--settings", draft, "--draft", other)
    assert "Nothing more needs to be said" in more.stdout
    assert not other.exists()
    assert run(log, "--settings", draft).returncode == 0
