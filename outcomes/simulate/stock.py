"""The sources a unit holds: what they are, when they came, where they live."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outcomes.simulate.plan import DAYS_PER_SLOT, Bools, Calendar, Floats, Ints, Plan
from outcomes.simulate.truth import Truth

KIND_PREFIX = {"muscle": "MUS", "blood": "BLD", "wet bone": "BON", "fat": "FAT"}
REFRIGERATED_KINDS = ("wet bone", "fat")


@dataclass(frozen=True, slots=True)
class Stock:
    """The sources: days count from ``FIRST_DAY``; ``home`` True = freezer."""

    kind: NDArray[np.object_]
    source_id: NDArray[np.object_]
    acquired_day: Ints
    age_at_acquisition: Floats
    frozen_first: Bools
    home_changes_day: Ints  # beyond the last day = never
    rest_from: Ints
    rest_to: Ints
    effect: Floats
    slope: Floats
    use_rate: Floats
    rotation: int  # 0 = drawn at random


def stock_sources(
    truth: Truth, rng: np.random.Generator, calendar: Calendar, plan: Plan, sources: int
) -> Stock:
    """Draw the sources: nearly half are there at the start, the others come over time."""
    kinds = np.array(list(truth.kind_effects), dtype=object)
    kind = kinds[rng.permutation(np.arange(sources) % len(kinds))]
    source_id = np.empty(sources, dtype=object)
    for word in kinds:
        prefix = KIND_PREFIX.get(word, str(word)[:3].upper())
        rows = np.flatnonzero(kind == word)
        source_id[rows] = [f"{prefix}-{number + 1:02d}" for number in range(len(rows))]
    effect = rng.normal(0.0, truth.source_sd, sources)
    slope = truth.cycle_log_odds + rng.normal(0.0, 1.0, sources) * truth.cycle_slope_sd
    slope = slope + [truth.kind_cycle_log_odds.get(str(word), 0.0) for word in kind]
    strength = effect / truth.source_sd if truth.source_sd > 0 else np.zeros(sources)
    use_rate = np.exp(
        truth.use_log_sd * rng.normal(0.0, 1.0, sources) + truth.strong_used_more * strength
    )
    by_kind = np.isin(kind, REFRIGERATED_KINDS).astype(float)
    weight = truth.kind_decides_storage
    refrigerated = rng.random(sources) < (1 - weight) * truth.refrigerated_share + weight * by_kind
    changes = rng.random(sources) < truth.moved_home_share
    change_share = rng.uniform(0.3, 0.7, sources)
    rests = rng.random(sources) < truth.rest_share
    rest_from = np.floor(rng.uniform(0.1, 0.7, sources) * calendar.days).astype(np.int64)
    rest_length = rng.integers(90, 270, sources)
    held_at_start = np.arange(sources) < max(3, round(0.45 * sources))
    acquired = np.where(
        held_at_start,
        -rng.integers(1, 60, sources),
        np.floor(rng.uniform(0.0, 0.75, sources) * calendar.days).astype(np.int64),
    )
    age_at_acquisition = np.exp(rng.uniform(np.log(5), np.log(700), sources)).round()
    never = calendar.days + 1000
    rotation = 0
    if truth.all_refrigerated or truth.all_frozen:
        refrigerated = np.full(sources, truth.all_refrigerated)
        changes[:] = False
    if truth.tied != "no":
        refrigerated[:], changes[:], rests[:] = False, False, False
        age_at_acquisition[:] = 0.0
        rotation = max(1, round(sources / max(1.0, float(plan.hides.mean()))))
        rotation = min(rotation, sources, len(calendar.day))
        turns = len(calendar.day) // rotation
        turn = np.where(
            np.arange(sources) < rotation, 0, rng.integers(0, max(1, 3 * turns // 4), sources)
        )
        first_use = np.minimum(
            turn * rotation + np.arange(sources) % rotation, len(calendar.day) - 1
        )
        lead = 1 if truth.tied == "exactly" else rng.integers(1, 10, sources)
        acquired = calendar.day[first_use] - lead
    change_day = acquired + np.floor(change_share * np.maximum(calendar.days - acquired, 1)).astype(
        np.int64
    )
    # The last day of a three-day slot: the source is at home on that day.
    change_day = change_day // DAYS_PER_SLOT * DAYS_PER_SLOT + DAYS_PER_SLOT - 1
    return Stock(
        kind=kind,
        source_id=source_id,
        acquired_day=acquired.astype(np.int64),
        age_at_acquisition=age_at_acquisition,
        frozen_first=~refrigerated,
        home_changes_day=np.where(changes, change_day, never),
        rest_from=np.where(rests, rest_from, never),
        rest_to=np.where(rests, rest_from + rest_length, never),
        effect=effect,
        slope=slope,
        use_rate=use_rate,
        rotation=rotation,
    )
