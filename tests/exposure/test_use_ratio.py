"""How readily a source is taken: by hand, and apart from what its misses did to that."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize

from outcomes.exposure.use_ratio import use_ratio

NEVER = pd.Series([], index=pd.Index([], dtype=str), dtype="datetime64[ns]")


def made(days: dict[str, list[int]], misses: dict[str, list[int]] | None = None):
    """Trials of each source on these days; those at the places given are misses."""
    misses = misses or {}
    rows = [
        (name if name != "blank" else None, day, place in misses.get(name, ()))
        for name, own in days.items()
        for place, day in enumerate(own)
    ]
    source = pd.Series([row[0] for row in rows]).astype("category")
    at = pd.Series(pd.Timestamp("2026-01-01 09:00") + pd.to_timedelta([r[1] for r in rows], "D"))
    return source, at, pd.Series([row[2] for row in rows])


def ratios(days, misses=None, discarded=NEVER) -> dict[str, float]:
    source, at, missed = made(days, misses)
    found = use_ratio(source, at, missed, discarded)
    assert found[source.isna()].isna().all()
    per_source = found.groupby(source.astype(object)).nunique()
    assert (per_source == 1).all()
    return found[source.notna()].groupby(source.dropna().astype(object)).first().to_dict()


def test_use_is_held_against_what_was_there() -> None:
    # Training on days 0 to 9, by the blank areas; a second trial on the same day is no second use.
    # By hand: on day 2 A is the only one that could be taken again, on day 4 one of two (C), on
    # days 6, 7 and 8 one of three. A saw all of them, B the last three, C all but the first.
    days = {"A": [0, 2, 4, 4, 6, 8], "B": [5, 7, 7], "C": [2], "blank": list(range(10))}
    assert ratios(days) == pytest.approx(
        {"A": 5 / (1 + 1 + 1 / 2 + 1), "B": 2 / (1 + 1), "C": 1 / (1 + 1 / 2 + 1)}
    )


def test_trials_may_come_in_any_order() -> None:
    days = {"A": [0, 2, 4, 6, 8], "B": [1, 3, 7], "C": [2, 5, 9], "blank": list(range(10))}
    source, at, missed = made(days, {"A": [1, 2], "C": [1]})
    told = use_ratio(source, at, missed, NEVER)
    shuffled = np.random.default_rng(1).permutation(len(source))
    found = use_ratio(source.iloc[shuffled], at.iloc[shuffled], missed.iloc[shuffled], NEVER)
    assert found.sort_index().to_numpy() == pytest.approx(told.to_numpy(), nan_ok=True)
    assert told.nunique() == 3


def test_discarded_source_could_not_be_taken() -> None:
    days = {"A": [0, 2, 4, 6, 8], "B": [1, 3], "blank": list(range(10))}
    kept, gone = ratios(days)["B"], ratios(days, discarded=_on({"B": "2026-01-05 18:00"}))["B"]
    # By hand: one of two on each of five days; discarded on day 4, B saw two of them.
    assert kept == pytest.approx(2 / (1 + 5 / 2))
    assert gone == pytest.approx(2 / (1 + 2 / 2))


def test_last_day_source_is_taken_as_usual() -> None:
    assert ratios({"A": [0, 1, 2, 3], "B": [3]})["B"] == pytest.approx(1.0)


def test_never_used_again_says_nothing() -> None:
    source, at, missed = made({"A": [0, 0], "B": [5], "blank": [3]})
    assert use_ratio(source, at, missed, NEVER).isna().all()


def test_misses_part_is_a_poisson_regression() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for source in "ABCDEFGH":
        day, latest = 0, [0, 0, 0]
        own = rng.uniform(0.1, 0.4)
        while day < 200:
            rows.append((source, day, miss := int(rng.random() < 0.3)))
            latest = [*latest[1:], miss]
            day += 1
            while day < 200 and rng.random() > own * np.exp(-0.5 * sum(latest)):
                day += 1
    rows = [row for row in rows if row[1] < 200]
    frame = pd.DataFrame(rows, columns=["source", "day", "missed"])
    blank = pd.DataFrame({"source": None, "day": range(200), "missed": 0})
    frame = pd.concat([frame, blank], ignore_index=True)
    at = pd.Timestamp("2026-01-01") + pd.to_timedelta(frame["day"], "D")
    found = use_ratio(frame["source"].astype("category"), at, frame["missed"] == 1, NEVER)
    # One row per source and day on which it could have been taken; fixed effects by dummies give
    # the same slope as the conditional likelihood.
    daily = []
    for source, own in frame.dropna(subset="source").groupby("source"):
        used, missed = own["day"].to_numpy(), own["missed"].to_numpy()
        for day in range(used[0] + 1, 200):
            before = missed[used < day][-3:].sum()
            daily.append((source, day, before, int(day in used)))
    table = pd.DataFrame(daily, columns=["source", "day", "m", "taken"])
    usual = table.groupby("day")["taken"].transform("mean")
    some = usual > 0
    table, usual = table[some].reset_index(drop=True), usual[some].to_numpy()
    design = pd.get_dummies(table["source"], dtype=float).assign(m=table["m"])
    family = sm.families.Poisson()
    fit = sm.GLM(table["taken"], design, family=family, offset=np.log(usual)).fit()
    rate = usual * np.exp(fit.params["m"] * table["m"])
    total = table["taken"].sum() * rate.groupby(table["source"]).sum() / rate.sum()
    expected = (table.groupby("source")["taken"].sum() + 1.0) / (total + 1.0)
    assert fit.params["m"] < -0.3
    assert fit.bse["m"] < 0.15  # a prior of standard deviation 1 hardly matters
    got = found.groupby(frame["source"]).first()
    np.testing.assert_allclose(got, expected, rtol=0.02)


def test_without_retaking_the_weak_prior_decides() -> None:
    # A is taken daily until it is missed on day 3, then never again; B daily to the end, day 9. By
    # hand, with e = exp(rho): A had 3 days of rate 1 and, since, 6 of rate e / 2. Without the prior
    # rho would have no maximum; with it, rho + 3 * 3e / (3 + 3e) = 0.
    days = {"A": [0, 1, 2, 3], "B": list(range(10)), "blank": list(range(10))}
    rho = optimize.brentq(lambda r: r + 3 * np.exp(r) / (1 + np.exp(r)), -5.0, 0.0)
    expected = 3 + 3 * np.exp(rho)
    scale = (3 + 9) / (expected + 6)
    found = ratios(days, {"A": [3]})
    assert found == pytest.approx({"A": 4 / (1 + expected * scale), "B": 10 / (1 + 6 * scale)})


def test_shelved_after_misses_is_not_disliked() -> None:
    rng = np.random.default_rng(8)
    days, misses = {"blank": list(range(300))}, {}
    for number in range(12):
        name, day, latest, own = f"S{number}", 0, [], []
        weak = number % 2
        while day < 300:
            own.append(day)
            latest = [*latest, rng.random() < (0.5 if weak else 0.05)][-3:]
            misses.setdefault(name, []).extend([len(own) - 1] if latest[-1] else [])
            day += 1 + rng.geometric(0.2 * np.exp(-1.0 * sum(latest)))
        days[name] = own
    found = ratios(days, misses)
    weak = np.mean([np.log(found[f"S{k}"]) for k in range(1, 12, 2)])
    strong = np.mean([np.log(found[f"S{k}"]) for k in range(0, 12, 2)])
    used = [len(days[f"S{k}"]) for k in range(12)]
    assert np.mean(used[0::2]) > 1.5 * np.mean(used[1::2])
    assert abs(weak - strong) < 0.2


def _on(when: dict[str, str]) -> pd.Series:
    return pd.Series(pd.to_datetime(list(when.values())), index=pd.Index(list(when)))
