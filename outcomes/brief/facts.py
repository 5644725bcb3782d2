"""Every number shown, in one frozen record.

The one place that calls the stages in turn; nothing is computed here but
their composition.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field

import pandas as pd

from outcomes.brief.asked import Asked
from outcomes.brief.further import Further, FurtherQuestions
from outcomes.brief.lasting import Lasting, ask_lasting
from outcomes.decide.compare import Comparison, compare_storage
from outcomes.decide.exposure_left import ExposureLeft, exposure_left, first_things
from outcomes.decide.frontier import Frontier, threshold_frontier
from outcomes.decide.matched_portions import MatchedPortions, compare_portions
from outcomes.decide.overlap import (
    BoundChoice,
    KindComparison,
    KindOverlap,
    compare_bounds,
    compare_kinds,
    storage_overlap,
)
from outcomes.decide.rate_of_use import RateOfUse, rate_of_use
from outcomes.decide.shelf import ShelfSource, review_shelf
from outcomes.decide.threshold import Retirement, set_threshold
from outcomes.decide.trade_off import TradeOff, trade_off, two_sided_rule
from outcomes.errors import RecordsError
from outcomes.fit.detection import Detection, fit_detection
from outcomes.fit.false_alerts import FalseAlertFit, fit_false_alerts
from outcomes.fit.finds import FindFit, fit_finds
from outcomes.fit.lifetime import fit_lifetime
from outcomes.fit.result import Lifetime
from outcomes.fit.search_time import SearchTimeFit, fit_search_time
from outcomes.fit.training_diet import TrainingDiet, fit_training_diet
from outcomes.fit.which_predicts import WhichPredicts, which_predicts
from outcomes.joining.trials import Joined, join
from outcomes.records.tables import Finding, Records
from outcomes.settings import Settings

TABLES = ("sources", "storage", "trials", "dogs")
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Facts:
    """All results on one unit's records.

    Attributes
    ----------
    records, joined
        What was read, and the trials with their exposures.
    set_aside
        Every row out of use, with the reason, from checking and from joining.
    fit, verdict, retirement, shelf, comparison, lifetime, search_time, false_alerts
        The answers, question by question.
    use
        How fast sources are used up.
    price, frontiers
        What each retirement limit buys and costs, and the limit for every floor.
    left
        What each held source has left, in the order of the shelf; empty where
        nothing names an exposure to count it in.
    portions
        Portions of one source kept both ways.
    overlap, bounds
        Where kinds were tried both ways, and the comparison with the two drawn elsewhere.
    kinds
        The comparison within each kind.
    training_diet, detection
        False alerts on blank areas against recent training, and each dog's d'.
    lasting
        How long sources stay reliable, asked further.
    further
        What stands behind the answer on finds; None where it was not asked.
    as_of
        The moment the shelf is judged at.
    asked
        What was asked for beside what settings say.
    """

    records: Records
    joined: Joined
    set_aside: tuple[Finding, ...]
    fit: FindFit
    verdict: WhichPredicts
    retirement: Retirement
    use: RateOfUse
    price: TradeOff
    frontiers: tuple[Frontier, ...]
    shelf: tuple[ShelfSource, ...]
    comparison: Comparison
    lifetime: Lifetime
    search_time: SearchTimeFit
    false_alerts: FalseAlertFit
    left: tuple[ExposureLeft, ...]
    portions: MatchedPortions
    overlap: tuple[KindOverlap, ...]
    bounds: tuple[BoundChoice, ...]
    kinds: tuple[KindComparison, ...]
    training_diet: TrainingDiet
    detection: Detection
    lasting: Lasting
    further: Further | None
    as_of: pd.Timestamp
    asked: Asked = field(default=Asked())

    @property
    def settings(self) -> Settings:
        """The settings all of it was made with."""
        return self.records.settings

    @property
    def shelf_day(self) -> dt.date:
        """The day at whose end the shelf is judged."""
        return (self.as_of - pd.Timedelta(1, "ns")).date()

    @property
    def used(self) -> Mapping[str, int]:
        """Table → rows used."""
        return {
            "sources": len(self.records.sources),
            "storage": len(self.records.storage),
            "trials": len(self.joined.trials),
            "dogs": len(self.records.dogs),
        }


def gather_facts(
    records: Records,
    *,
    as_of: pd.Timestamp | None = None,
    asked: Asked | None = None,
    further: bool = True,
    pool: Executor | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
    meter: Callable[[int, int], None] | None = None,
) -> Facts:
    """Answer every question on a unit's records.

    Parameters
    ----------
    records
        As read and checked.
    as_of
        The moment the shelf is judged at; the last trial's day if not given,
        so that the same records give the same answer on any day.
    asked
        What is asked for beside what settings say; nothing if not given.
    further
        Also ask what stands behind the answer on finds: other suspects, other
        ways of asking, shape, fit quality, dogs.
    pool
        Where to ask that meanwhile; None: here, after the rest.
    jobs
        Processes for work that is many times the same, where there is enough of it.
    progress
        Called with a few words before each step that takes time.
    meter
        Called within a long step with how much of it is done, and of how much.

    Raises
    ------
    RecordsError
        No trial is usable.
    """
    say = progress or (lambda _: None)
    say("Joining trials with storage")
    joined = join(records)
    if joined.trials.empty:
        raise RecordsError(
            "no trial can be used: see `outcomes check` for what is wrong with each row"
        )
    say("Fitting finds")
    fit = fit_finds(joined.trials, records.settings)
    questions = FurtherQuestions(records, joined.trials, fit, pool) if further else None
    say("Asking whether cycles or age predicts finds")
    verdict = which_predicts(fit, jobs=jobs, progress=meter)
    say("Setting the threshold")
    retirement = set_threshold(fit, verdict)
    started = joined.trials["started_at"]
    use = rate_of_use(
        records.sources, records.storage, joined.history, started.min(), started.max()
    )
    asked = asked or Asked()
    rule = two_sided_rule(retirement, asked.either)
    price = trade_off(fit, verdict, use, combined=[] if rule is None else [rule])
    moment = as_of
    if moment is None:
        moment = started.max().normalize() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, moment, joined.trials)
    left: tuple[ExposureLeft, ...] = ()
    if retirement.thresholds and fit.mixed is not None:
        left = exposure_left(fit, shelf, retirement.thresholds[0].by, use)
        ordered = first_things(shelf, left)
        by_name = {one.source_id: one for one in left}
        shelf, left = ordered, tuple(by_name[s.source_id] for s in ordered)
    say("Comparing refrigerated with frozen")
    comparison = compare_storage(fit)
    portions = compare_portions(joined.trials, records.sources, joined.history, records.settings)
    say("Search time, false alerts, and when sources become unreliable")
    lifetime = fit_lifetime(joined.trials, records.sources, records.storage, records.settings)
    search_time = fit_search_time(joined.trials, records.settings)
    false_alerts = fit_false_alerts(joined.trials, records.settings)
    lasting = ask_lasting(joined.trials, lifetime, records.settings)
    if questions is not None:
        say("Asking in other ways, of other suspects, and of each dog")
    return Facts(
        records=records,
        joined=joined,
        set_aside=(*records.set_aside, *joined.set_aside),
        fit=fit,
        verdict=verdict,
        retirement=retirement,
        use=use,
        price=price,
        frontiers=threshold_frontier(retirement),
        shelf=shelf,
        comparison=comparison,
        lifetime=lifetime,
        search_time=search_time,
        false_alerts=false_alerts,
        left=left,
        portions=portions,
        overlap=storage_overlap(fit),
        bounds=compare_bounds(fit),
        kinds=compare_kinds(fit),
        training_diet=fit_training_diet(joined.trials, records.settings),
        detection=fit_detection(joined.trials, records.settings),
        lasting=lasting,
        further=None if questions is None else questions.answers(),
        as_of=moment,
        asked=asked,
    )
