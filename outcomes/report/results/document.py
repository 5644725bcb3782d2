"""``results.json`` as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from outcomes import __version__
from outcomes.report.results.behind_finds import (
    DogsSection,
    QualitySection,
    SuspectsSection,
)
from outcomes.report.results.compare import CompareSection
from outcomes.report.results.finds import FindSection, WhichPredictsSection
from outcomes.report.results.inputs import Inputs, SettingsUsed
from outcomes.report.results.inspections import InspectionsSection
from outcomes.report.results.lifetimes import LifetimeSection, WatchSection
from outcomes.report.results.plan import PlanSection
from outcomes.report.results.pool import PoolSection
from outcomes.report.results.records import RecordsUsed
from outcomes.report.results.retire import RetireSection
from outcomes.report.results.searches import FalseAlertsSection, SearchTimeSection
from outcomes.report.results.shelf import SourceHeld
from outcomes.report.results.stock import StockInMonths
from outcomes.report.results.values import Number

FORMAT: Literal[2] = 2
"""Goes up when a name changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeBy:
    """The program and its version."""

    name: str
    version: str


MADE_BY = MadeBy(name="outcomes", version=__version__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """All answers on one unit's records, and what they were made from.

    Probabilities are between 0 and 1, points are percentage points, times are local, ISO
    8601, numbers have 10 significant digits. Null is what could not be estimated, with a
    sentence or a reason beside it, and a section that was not asked for or not built yet.
    Limits ``low`` and ``high`` are two-sided, at the ``confidence`` that stands beside them;
    those of rows and points in a list, at that of what holds the list.
    """

    format: Literal[2]
    unit: str
    made_by: MadeBy
    settings: SettingsUsed
    inputs: Inputs
    records: RecordsUsed
    which_predicts: WhichPredictsSection | None = None
    find: FindSection | None = None
    search_time: SearchTimeSection | None = None
    false_alerts: FalseAlertsSection | None = None
    lifetime: LifetimeSection | None = None
    watch: WatchSection | None = None
    retire: RetireSection | None = None
    shelf: tuple[SourceHeld, ...] | None = None
    compare: CompareSection | None = None
    suspects: SuspectsSection | None = None
    quality: QualitySection | None = None
    dogs: DogsSection | None = None
    stock: tuple[StockInMonths, ...] | None = None
    sources_needed_per_year: Number = None
    inspections: InspectionsSection | None = None
    plan: PlanSection | None = None
    pool: PoolSection | None = None
    cautions: tuple[str, ...] | None = None
