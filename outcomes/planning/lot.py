"""Drawing by lot, alike on every machine and whatever else is drawn.

Each draw has a name. Its number is taken from the SHA-256 of seed and name, not from a random
generator, whose stream may change between versions of a library; and one draw more or fewer
moves no other.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")
# No vowels, so that no word comes out; letters alone, so that no spreadsheet reads a number.
_LETTERS = "BCDFGHJKMNPQRSTVWXZ"
_LONG = 5


@dataclass(frozen=True, slots=True)
class Lot:
    """Draws by name from one seed."""

    seed: int

    def number(self, *name: object) -> int:
        """A whole number below 2**64, each equally likely."""
        text = "|".join(str(part) for part in (self.seed, *name))
        return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")

    def order(self, items: Sequence[T], *name: object) -> list[T]:
        """The items in an order by lot.

        >>> Lot(1).order([3, 1, 2], "dogs")
        [2, 1, 3]
        """
        keys = [self.number(*name, k) for k in range(len(items))]
        return [items[k] for k in sorted(range(len(items)), key=keys.__getitem__)]

    def coin(self, *name: object) -> bool:
        """Heads or tails."""
        return self.number(*name) % 2 == 0

    def share(self, *name: object) -> float:
        """A number from 0 to below 1."""
        return (self.number(*name) >> 11) / 2.0**53

    def ids(self, count: int, *name: object) -> list[str]:
        """So many different names that tell nothing, not even their order."""
        found: dict[str, None] = {}
        k = 0
        while len(found) < count:
            number = self.number(*name, k)
            letters = []
            for _ in range(_LONG):
                number, at = divmod(number, len(_LETTERS))
                letters.append(_LETTERS[at])
            found["".join(letters)] = None
            k += 1
        return list(found)
