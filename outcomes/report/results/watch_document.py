"""What ``outcomes watch --json`` prints."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from outcomes.analysis.monitoring.charts import Watch
from outcomes.report.results.document import FORMAT, MADE_BY, MadeBy
from outcomes.report.results.lifetimes import WatchCharts, make_watch_charts


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchDocument:
    """Every chart, named as in ``results.json``."""

    format: Literal[2]
    unit: str
    made_by: MadeBy
    watch: WatchCharts


def make_watch_document(found: Watch, gone: Collection[str], unit: str) -> WatchDocument:
    """The charts of a unit, with sources that are no longer held."""
    charts = make_watch_charts(found, gone)
    return WatchDocument(format=FORMAT, unit=unit, made_by=MADE_BY, watch=charts)
