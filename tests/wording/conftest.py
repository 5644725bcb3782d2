"""Units that the tests of sentences share, each fitted when it is first asked for."""

from collections.abc import Mapping

import pandas as pd
import pytest

from .cases import Case, Made, case_of


class _Fitted(dict[str, Case]):
    """Cases by name, each fitted when it is first asked for."""

    def __init__(self, trials: Mapping[str, pd.DataFrame]) -> None:
        super().__init__()
        self.trials = trials

    def __missing__(self, name: str) -> Case:
        self[name] = case_of(self.trials[name])
        return self[name]


@pytest.fixture(scope="session")
def cases(made_trials: Made) -> dict[str, Case]:
    few = made_trials(1, n=200, baseline=3.0)
    fitted = _Fitted(
        {
            "down": made_trials(2, n=900, cycle=-0.15, baseline=3.0),
            "up": made_trials(2, n=900, cycle=0.15, baseline=0.5),
            "age": made_trials(2, n=900, age=-0.12, baseline=3.0),
            "both": made_trials(2, n=1200, cycle=-0.15, age=-0.12, baseline=4.0),
            "none": made_trials(4),
            "tied": made_trials(2, n=900, cycle=-0.15, baseline=3.0, tied=True),
            "few": few,
            "one dog": few.assign(dog_id="D0"),
            "one source": few.assign(source_id="S00"),
            "no misses": few.assign(result="find"),
            "no finds": few.assign(result="miss"),
            "nothing": few.assign(documented=pd.array([False] * 200, dtype="boolean")),
        }
    )
    # Not inside a test that hypothesis times.
    _ = fitted["down"]
    return fitted
