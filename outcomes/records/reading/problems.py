"""The rules that the distinct texts of one column break."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outcomes.records.reading.cells import Array


class Problems:
    """Rules broken by the distinct texts of one column; the first one found stays.

    ``certain`` are the texts that can only be day first, and only month first, where
    they put other dates in doubt.
    """

    def __init__(self, n: int) -> None:
        self.code = np.zeros(n, dtype=np.int8)
        self.rules: list[str] = []
        self.certain: dict[str, Array] = {}

    def add(self, rule: str, where: Array) -> None:
        """Record a rule for the texts of ``where`` that break none yet."""
        if not where.any():
            return
        if rule not in self.rules:
            self.rules.append(rule)
        self.code[where & (self.code == 0)] = self.rules.index(rule) + 1


def matches(texts: Sequence[str], pattern: str) -> Array:
    """Which of the texts match a regular expression, shape (n,)."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not len(texts):
        return np.zeros(0, dtype=bool)
    matched = pc.match_substring_regex(pa.array(texts, type=pa.large_string()), pattern)
    hit: Array = np.asarray(matched.to_numpy(zero_copy_only=False), dtype=bool)
    return hit
