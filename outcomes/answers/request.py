"""What a command was asked for beside what settings say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from outcomes.pool.prior import PooledSlopes


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for beside what settings say.

    Attributes
    ----------
    by
        Exposures to set limits by, whatever the verdict.
    either
        A rule by both to price: cycles and months, whichever comes first.
    without_names
        Whether codes stand in the place of names.
    pool
        What other units say, to set beside this one.
    """

    by: tuple[str, ...] = ()
    either: tuple[float, float] | None = None
    without_names: bool = False
    pool: PooledSlopes | None = None
