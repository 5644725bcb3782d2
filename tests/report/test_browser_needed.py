"""Without a browser the page's tests skip aloud, and fail where one is asked for."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ONE = "test_the_page_asks_for_no_size_of_paper"


@pytest.mark.slow
@pytest.mark.parametrize(("needed", "status"), [("0", 0), ("1", 1)])
def test_missing_browser_fails_where_needed(needed: str, status: int, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pytest", "-n", "0", "-p", "no:cacheprovider", "-rsE"]
    done = subprocess.run(
        [*command, "-k", ONE, "tests/report/test_browser.py"],
        cwd=ROOT,
        env=os.environ | {"PATH": str(tmp_path), "OUTCOMES_NEEDS_BROWSER": needed},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == status, done.stdout
    assert "NOT TESTED in a browser: no chromium here" in done.stdout
    assert ("1 skipped" in done.stdout) == (needed == "0")
