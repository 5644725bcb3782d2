"""A learner that guesses from a handler's sheet what lies where.

Additive logistic regression on what the sheet shows and on pairs of it, with a ridge, trained on
some training days and asked on others. What it cannot guess a person will hardly.
"""

import itertools

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import rankdata

_RIDGE = 2.0
_FOLDS = 5


def handlers_view(trials):
    """What a handler sees of the plan, and how often each dog and area come that day."""
    sheet = pd.DataFrame(
        {
            "day": [t.day for t in trials],
            "order": [t.order for t in trials],
            "dog": [t.dog_id for t in trials],
            "area": [t.area for t in trials],
            "letter": [t.plan_id[0] for t in trials],
        }
    )
    by_dog = sheet.groupby(["day", "dog"])
    sheet["searches"] = by_dog["order"].transform("size")
    sheet["turn"] = by_dog.cumcount()
    by_area = sheet.groupby(["day", "area"])
    sheet["area_searches"] = by_area["order"].transform("size")
    sheet["area_turn"] = by_area.cumcount()
    sheet["weekday"] = sheet["day"] % 7
    sheet["third"] = pd.cut(sheet["order"], 3, labels=False)
    return sheet


def _columns(sheet):
    names = ["dog", "area", "searches", "turn", "area_searches", "area_turn", "weekday", "third"]
    parts = [pd.get_dummies(sheet[name].astype(str), prefix=name) for name in [*names, "letter"]]
    for one, two in itertools.combinations(names, 2):
        both = sheet[one].astype(str) + "|" + sheet[two].astype(str)
        parts.append(pd.get_dummies(both, prefix=f"{one} {two}"))
    x = pd.concat(parts, axis=1).to_numpy(dtype=float)
    return np.column_stack([np.ones(len(x)), x[:, x.std(axis=0) > 0]])


def _fit(x, y):
    beta = np.zeros(x.shape[1])
    ridge = np.full(x.shape[1], _RIDGE)
    ridge[0] = 1e-6
    for _ in range(25):
        p = expit(x @ beta)
        weight = p * (1 - p)
        gradient = x.T @ (y - p) - ridge * beta
        step = np.linalg.solve(x.T @ (x * weight[:, None]) + np.diag(ridge), gradient)
        beta += step
        if np.abs(step).max() < 1e-6:
            break
    return beta


def guessed(sheet, truth):
    """Area under the curve of guesses made of days that were not learned from."""
    x, truth = _columns(sheet), np.asarray(truth, dtype=float)
    days = np.unique(sheet["day"])
    ranks = np.zeros(len(truth))
    for fold in range(_FOLDS):
        asked = np.isin(sheet["day"], days[fold::_FOLDS])
        ranks[asked] = x[asked] @ _fit(x[~asked], truth[~asked])
    hits = int(truth.sum())
    order = rankdata(ranks)
    return (order[truth == 1].sum() - hits * (hits + 1) / 2) / (hits * (len(truth) - hits))
