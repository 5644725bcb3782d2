"""Units of made-up trials and what was found in them, for the tests of sentences."""

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

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
from outcomes.planning.document import Plan
from outcomes.planning.result import ArmCount, Carried, PlanResult
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


def planned_result(plan: Plan, **given: Any) -> PlanResult:
    """What planned trials may say; everything in it can be given otherwise."""
    carried = Carried(
        planned=24, done=20, hides_planned=16, hides_done=14, lost=4, swapped=0, other_dog=0,
        assisted=0, unknown=(), repeated=0, through_day=13,
    )  # fmt: skip
    told: dict[str, Any] = {
        "question": plan.question,
        "design": plan.design,
        "assigned_by_lot": True,
        "carried": carried,
        "information": 0.95,
        "look": 1,
        "of_looks": 1,
        "bound": 1.96,
        "significant": False,
        "estimate": None,
        "exact_p": None,
        "as_thawed": None,
        "arms": (ArmCount(arm="often", trials=80, finds=60),
                 ArmCount(arm="seldom", trials=80, finds=72)),
        "reason": None,
    }  # fmt: skip
    return PlanResult(**told | given)
