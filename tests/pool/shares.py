"""Shares of units whose likelihood is a parabola, for tests."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from outcomes.pool.share import (
    AgeMet,
    CyclesMet,
    Definition,
    ExposuresMet,
    Maker,
    Share,
    SharedCounts,
    SharedSurface,
    StepOfSlopes,
)

BEND = np.array([[16.0, 4.0], [4.0, 9.0]])
DEFINITION = Definition(
    cycles_from="log",
    thaw_after_h=1.0,
    unlogged_thaws="infer",
    age="age_days",
    terms=("kind", "temperature_c"),
)


def surface_of(top: Sequence[float], bend: np.ndarray = BEND) -> SharedSurface:
    """As a share has it: steps of a power of two, values of two decimals, cut off."""
    bend = np.atleast_2d(bend)
    errors = np.sqrt(np.diag(np.linalg.inv(bend)))
    steps = [2.0 ** np.floor(np.log2(1.0 / np.sqrt(b))) for b in np.diag(bend)]
    axes = [
        np.arange(np.floor((t - 6 * e) / h), np.ceil((t + 6 * e) / h) + 1) * h
        for t, e, h in zip(top, errors, steps, strict=True)
    ]
    away = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) - np.asarray(top)
    values = np.atleast_2d(-0.5 * np.einsum("...i,ij,...j", away, bend, away))
    return SharedSurface(
        unit=StepOfSlopes(cycles=10.0, age_days=365.25),
        cycles=tuple(axes[0].tolist()) if len(axes) == 2 else (),
        age=tuple(axes[-1].tolist()),
        log_likelihood=tuple(
            tuple(None if v < -20.0 else min(round(float(v), 2), 0.0) for v in row)
            for row in values
        ),
        cut=20.0,
        round=0.01,
        certified=True,
    )


def share_of(code: str, top: Sequence[float] | None, **other: Any) -> Share:
    """A share with its best slopes at ``top``; a bend where that is None, age alone for one."""
    bend = other.pop("bend", None)
    surface = None
    if top is not None:
        surface = surface_of(top, BEND[-len(top) :, -len(top) :] if bend is None else bend)
    cycles = CyclesMet(p95=30, frozen_sources=10) if top is None or len(top) == 2 else None
    values: dict[str, Any] = {
        "format": 1,
        "made_by": Maker(name="outcomes", version="0.1.0"),
        "unit_code": code,
        "through": "2026-Q3",
        "definition": DEFINITION,
        "shape": "bend" if top is None else "line",
        "joint_p": 0.2,
        "tied": False,
        "correlation": 0.4,
        "exposures": ExposuresMet(cycles=cycles, age=AgeMet(p95_days=500)),
        "counts": SharedCounts(trials=300, misses=50, sources=20, dogs="6-10"),
        "surface": surface,
        "sentence": "What this share adds.",
    }
    return Share(**(values | other))


TOPS = {
    "aaaa": (-0.9, 0.3),
    "bbbb": (-0.4, -0.2),
    "cccc": (-0.7, 0.1),
    "dddd": (-0.5, 0.4),
    "eeee": (-0.8, -0.1),
    "ffff": (-0.3, 0.0),
}


def shares_of(number: int) -> list[Share]:
    """So many units that are alike."""
    return [share_of(code, top) for code, top in list(TOPS.items())[:number]]
