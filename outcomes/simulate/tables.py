"""The records of the unit, as it would write them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from outcomes.simulate.plan import DAYS_PER_SLOT, FIRST_DAY, Calendar, Floats, Ints, Plan, season_c
from outcomes.simulate.stock import Stock
from outcomes.simulate.truth import Truth, log_logistic_shape
from outcomes.simulate.uses import Uses


def trial_table(
    truth: Truth,
    rng: np.random.Generator,
    plan: Plan,
    stock: Stock,
    uses: Uses,
    conditions: pd.DataFrame,
    dog_ids: NDArray[np.object_],
    session_ids: NDArray[np.object_],
) -> pd.DataFrame:
    """Write the trials: results, search times, false alerts, and what was left empty."""
    trials = len(plan.session)
    blank = uses.source < 0
    limit = conditions["limit_s"].to_numpy()
    time_of_find = _draw_find_times(truth, rng, uses, limit)
    blank_time = rng.uniform(0.5, 1.0, trials) * limit
    search = np.where(blank, blank_time, np.where(uses.found, time_of_find, limit))
    search = np.minimum(np.maximum(np.round(search), 1.0), limit)
    rate = truth.false_alerts_per_hour * np.exp(
        truth.false_alert_cycle_log_rate * np.nan_to_num(uses.cycles)
    )
    on_hides = rng.poisson(rate * search / 3600)
    on_blank = (rng.random(trials) < truth.false_alert_per_blank).astype(np.int64)
    alerts = np.where(blank, on_blank, on_hides)
    result = np.where(
        blank,
        np.where(on_blank > 0, "false alert", "clear"),
        np.where(uses.found, "find", "miss"),
    ).astype(object)
    if not truth.censored_misses:
        search = np.where(result == "miss", np.nan, search)
    hide_number = plan.hide + 1
    hide_id = np.array(
        [
            None if h < 1 else f"{session_ids[s]}-{h}"
            for s, h in zip(plan.session.tolist(), hide_number.tolist(), strict=True)
        ],
        dtype=object,
    )
    left_empty = rng.random((4, trials)) < truth.imperfect_share
    source_names = np.array([*stock.source_id, None], dtype=object)
    people = max(1, len(dog_ids) - len(dog_ids) // 4)  # some handle two dogs
    handlers = np.array([f"H{d % people + 1}" for d in range(len(dog_ids))], dtype=object)
    width = max(4, len(str(trials)))
    return pd.DataFrame(
        {
            "trial_id": [f"T{number + 1:0{width}d}" for number in range(trials)],
            "session_id": session_ids[plan.session],
            "started_at": plan.started.astype("datetime64[ns]"),
            "dog_id": dog_ids[plan.dog],
            "handler_id": handlers[plan.dog],
            "source_id": source_names[uses.source],
            "result": result,
            "false_alerts": alerts.astype(np.float64),
            "search_s": np.where(left_empty[0] & (result == "miss"), np.nan, search),
            "limit_s": limit,
            "blinding": np.where(left_empty[1], None, conditions["blinding"]),  # type: ignore[call-overload]
            "set_min": np.where(left_empty[2], np.nan, plan.set_min),
            "hide_id": hide_id,
            "temperature_c": conditions["temperature_c"].to_numpy(),
            "humidity_pct": np.where(left_empty[3], np.nan, conditions["humidity_pct"]),
            "wind_m_s": conditions["wind_m_s"].to_numpy(),
            "setting": conditions["setting"].to_numpy(),
            "placement": conditions["placement"].to_numpy(),
            "depth_cm": conditions["depth_cm"].to_numpy(),
            "assisted": pd.array(conditions["assisted"].to_numpy(), dtype="boolean"),
        }
    )


def _draw_find_times(truth: Truth, rng: np.random.Generator, uses: Uses, limit: Floats) -> Floats:
    """Seconds to the find; of no meaning where there was none."""
    draw = rng.uniform(1e-6, 1.0, len(limit))
    if truth.search_within_limit:
        odds_of_draw = uses.chance / (1 - uses.chance)
        shape = log_logistic_shape(truth)
        return np.asarray(limit * (odds_of_draw * np.exp(-uses.log_odds)) ** (1 / shape))
    log_median = np.log(truth.median_search_s) + truth.search_cycle_log_time * uses.cycles
    reach = ndtr((np.log(limit) - log_median) / truth.search_log_sd)
    return np.asarray(np.exp(log_median + truth.search_log_sd * ndtri(reach * draw)))


def source_table(rng: np.random.Generator, stock: Stock) -> pd.DataFrame:
    """Write the sources."""
    sources = len(stock.kind)
    packaging = np.array(["sealed", "vented", "open"], dtype=object)
    return pd.DataFrame(
        {
            "source_id": stock.source_id,
            "kind": stock.kind,
            "acquired_on": (FIRST_DAY + stock.acquired_day).astype("datetime64[ns]"),
            "age_at_acquisition_days": stock.age_at_acquisition,
            "packaging": packaging[rng.choice(3, sources, p=[0.5, 0.3, 0.2])],
            "mass_g": np.round(np.exp(rng.normal(np.log(60), 0.5, sources))),
        }
    ).sort_values("source_id", ignore_index=True)


def storage_table(
    truth: Truth,
    rng: np.random.Generator,
    calendar: Calendar,
    plan: Plan,
    stock: Stock,
    uses: Uses,
) -> pd.DataFrame:
    """Write the log: a stay outside the home is two rows, unless it went unlogged."""
    sources = len(stock.kind)
    midnight = FIRST_DAY.astype("datetime64[m]")
    minutes = 24 * 60

    out_source, out_session = _columns(uses.taken_out)
    idle_source, idle_session = _columns((*uses.idle, *uses.short))
    is_short = np.arange(len(idle_source)) >= len(uses.idle)
    out = plan.session_start[out_session] - rng.integers(130, 165, len(out_source))
    day = calendar.day[out_session]
    overnight = rng.random(len(out_source)) < 0.1
    back_min = np.where(
        overnight, minutes + 7 * 60, 17 * 60 + 30 + rng.integers(0, 18, len(out_source)) * 5
    )
    back = midnight + day * minutes + back_min
    if truth.tied == "exactly":
        out = midnight + day * minutes
        back = out + minutes
    spare = calendar.slot[idle_session] * DAYS_PER_SLOT - 1
    idle_out = midnight + spare * minutes + 9 * 60
    idle_back = idle_out + np.where(is_short, 30, rng.integers(2, 9, len(idle_source)) * 60)

    warmth = np.round(10 + 0.5 * season_c(calendar.day[out_session]), 0)
    warmth[rng.random(len(warmth)) < 0.4] = np.nan
    warmth = np.concatenate([warmth, np.full(len(idle_source), np.nan)])
    source = np.concatenate([out_source, idle_source])
    left = np.concatenate([out, idle_out])
    returned = np.concatenate([back, idle_back])
    left_day = ((left - midnight).astype(np.int64)) // minutes
    frozen = stock.frozen_first[source] ^ (left_day > stock.home_changes_day[source])
    home = np.where(frozen, "freezer", "refrigerator").astype(object)
    logged = ~(frozen & (rng.random(len(source)) < truth.unlogged_thaw_share))

    changed = np.flatnonzero(stock.home_changes_day <= calendar.days)
    gone = np.array(list(uses.discarded), dtype=np.int64)
    gone_day = np.array(list(uses.discarded.values()), dtype=np.int64)
    leaves = np.full(sources, calendar.days + 1000, dtype=np.int64)
    leaves[gone] = gone_day
    changed = changed[stock.home_changes_day[changed] < leaves[changed]]
    first_home = np.where(stock.frozen_first, "freezer", "refrigerator").astype(object)
    second_home = np.where(stock.frozen_first, "refrigerator", "freezer").astype(object)
    table = pd.DataFrame(
        {
            "source_id": stock.source_id[
                np.concatenate([np.arange(sources), source[logged], source[logged], changed, gone])
            ],
            "moved_at": np.concatenate(
                [
                    midnight + stock.acquired_day * minutes,
                    left[logged],
                    returned[logged],
                    midnight + stock.home_changes_day[changed] * minutes + 8 * 60,
                    midnight + gone_day * minutes + 10 * 60,
                ]
            ).astype("datetime64[ns]"),
            "moved_to": np.concatenate(
                [
                    first_home,
                    np.full(int(logged.sum()), "ambient", dtype=object),
                    home[logged],
                    second_home[changed],
                    np.full(len(gone), "discarded", dtype=object),
                ]
            ),
            "temperature_c": np.concatenate(
                [
                    np.full(sources, np.nan),
                    warmth[logged],
                    np.full(int(logged.sum()) + len(changed) + len(gone), np.nan),
                ]
            ),
        }
    )
    return table.sort_values(["moved_at", "source_id"], ignore_index=True, kind="stable")


def _columns(pairs: tuple[tuple[int, int], ...]) -> tuple[Ints, Ints]:
    array = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return array[:, 0], array[:, 1]


def dog_table(rng: np.random.Generator, dog_ids: NDArray[np.object_]) -> pd.DataFrame:
    """Write the dogs: some qualify only while the records run."""
    dogs = len(dog_ids)
    started = FIRST_DAY - rng.integers(30, 1500, dogs)
    qualified = started + rng.integers(240, 420, dogs)
    born = started - rng.integers(90, 500, dogs)
    return pd.DataFrame(
        {
            "dog_id": dog_ids,
            "started_on": started.astype("datetime64[ns]"),
            "qualified_on": qualified.astype("datetime64[ns]"),
            "born_on": born.astype("datetime64[ns]"),
        }
    )
