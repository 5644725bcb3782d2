"""``--with-pool``: other units' answer, read and held against this unit's way of counting."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from outcomes.answers.facts import Facts
    from outcomes.pool.prior import PooledSlopes


def read_pooled(path: Path) -> PooledSlopes:
    """What ``pool.json`` says, as far as another unit needs it.

    Raises
    ------
    ShareError
        It is no pool, or a damaged one.
    UsageError
        There is no such file, or nothing in it could be added.
    """
    from outcomes.errors import UsageError
    from outcomes.report.pool_document import read_pool_document, slopes_of_pool

    slopes = slopes_of_pool(read_pool_document(path))
    if not slopes.means:
        raise UsageError(f"{path} holds no slope: none of its units could be added.")
    return slopes


def check_same_definition(facts: Facts, path: Path) -> None:
    """Refuse a pool whose units count cycles or age otherwise than these records.

    Raises
    ------
    ShareError
        With what differs, and the mend.
    """
    from outcomes.pool.share import ShareError, same_definition
    from outcomes.pool.unit_share import definition_of
    from outcomes.wording.pool import describe_unlike

    pool = facts.asked.pool
    assert pool is not None
    own = definition_of(facts.design, facts.records.settings)
    setting = same_definition(own, pool.definition)
    if setting is not None:
        values = [getattr(one, setting) for one in (own, pool.definition)]
        raise ShareError(describe_unlike(setting, "These records", str(path), values))
