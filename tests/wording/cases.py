"""Units of made-up trials and what was found in them, for the tests of sentences."""

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.analysis.decisions.threshold import (
    Retirement,
    Threshold,
    read_threshold,
    set_threshold,
)
from outcomes.analysis.finds.cycles_or_age import WhichPredicts, which_predicts
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.results import FindCurve
from outcomes.settings import DecisionSettings

Made = Callable[..., pd.DataFrame]
Case = tuple[FindFit, WhichPredicts, Retirement]

NEVER = re.compile(
    r"\bnan\b|\bNone\b|\binf\b|\{|\}|  |\.\.|(?<![\d.,])\b1 (cycles|months|finds|trials|sources)\b"
)


def case_of(trials: pd.DataFrame) -> Case:
    """The fit, the verdict and the limits of trials."""
    fit = fit_finds(trials, DecisionSettings())
    verdict = which_predicts(fit, refits=0)
    return fit, verdict, set_threshold(fit, verdict)


def made_threshold(by: str = "cycles", **changes: object) -> Threshold:
    """A threshold read off a falling line, with fields changed."""
    at = np.linspace(0.0, 30.0, 31)
    p = np.linspace(0.95, 0.75, 31)
    curve = FindCurve(by, at, p, p - 0.03, p + 0.03, 0.9, np.zeros(31, bool), (), "")
    return replace(read_threshold(curve, 0.85, 30.0), **changes)
