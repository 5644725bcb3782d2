"""Every number shown, each worked out once, when it is first asked for.

The one place that calls the stages in turn; nothing is computed here but
their composition.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.answers.background import Questions
from outcomes.answers.request import Asked
from outcomes.errors import PlanError, RecordsError
from outcomes.exposure.trials import Joined, join
from outcomes.records.tables import Finding, Records
from outcomes.settings import DecisionSettings, PlanSettings

if TYPE_CHECKING:
    from outcomes.analysis.decisions.before_and_since import FindsBeforeAndSince
    from outcomes.analysis.decisions.compare import Comparison
    from outcomes.analysis.decisions.exposure_left import ExposureLeft
    from outcomes.analysis.decisions.matched_portions import MatchedPortions
    from outcomes.analysis.decisions.next_step import DogsForTests, NextStep
    from outcomes.analysis.decisions.rate_of_use import RateOfUse
    from outcomes.analysis.decisions.shelf import ShelfSource
    from outcomes.analysis.decisions.source_draws import SourceDraws
    from outcomes.analysis.decisions.stock import Stock
    from outcomes.analysis.decisions.storage_bounds import BoundChoice
    from outcomes.analysis.decisions.threshold import Retirement
    from outcomes.analysis.decisions.trade_off import TradeOff
    from outcomes.analysis.finds.confounders import Suspects
    from outcomes.analysis.finds.cycles_or_age import WhichPredicts
    from outcomes.analysis.finds.design import Counted, Design
    from outcomes.analysis.finds.dog_and_source_effects import DogReview
    from outcomes.analysis.finds.specifications import Specifications
    from outcomes.analysis.finds.validation import Quality
    from outcomes.analysis.inspections.inspected import Inspected
    from outcomes.analysis.monitoring.asked_again import AskedAgain
    from outcomes.analysis.monitoring.charts import Watch
    from outcomes.analysis.results import Lifetime
    from outcomes.analysis.searches.false_alerts import FalseAlertFit
    from outcomes.analysis.searches.search_time import SearchTimeFit
    from outcomes.answers.lifetimes import Lasting
    from outcomes.answers.planned import Planned
    from outcomes.answers.sensitivity import Further
    from outcomes.answers.side_tests import SideTests
    from outcomes.exposure.cycles_and_age import ExposureName
    from outcomes.planning.outline import Outline
    from outcomes.pool.prior import UnitWithPool
    from outcomes.records.plan_file import PlanFile

TABLES = ("sources", "storage", "trials", "dogs")
Progress = Callable[[str], None]
Meter = Callable[[str, int, int], None]
# The longest first, so that none is left over at the end.
_SIDE_QUESTIONS = ("lasting", "false_alerts")

# Answers that neither the floor nor the confidence of a limit nor the day of the shelf changes.
_OF_NO_FLOOR = {"fit_by_lines", "fit", "design", "verdict", "comparison"}


@dataclass(frozen=True, slots=True)
class Working:
    """How the answers are worked out; it never changes them.

    Attributes
    ----------
    pool
        Where to answer meanwhile what needs nothing of the rest; None: here.
    jobs
        Processes for work that is many times the same, where there is enough of it.
    progress
        Called with a few words before each step that takes time.
    meter
        Called within a long step with what it is, how much of it is done, and of how much.
    """

    pool: Executor | None = None
    jobs: int = 1
    progress: Progress = lambda _: None
    meter: Meter = lambda *_: None


@dataclass(frozen=True, eq=False)
class Facts:
    """All results on one unit's records, each worked out when it is first asked for.

    Attributes
    ----------
    records, joined
        What was read, and the trials with their exposures.
    settings
        What decisions are made by.
    as_of
        The moment the shelf is judged at.
    asked
        What was asked for beside what settings say.
    plan_settings
        What planned trials would have to fit into.
    planned
        What planned trials say; None where there is no plan.
    held_back
        Planned trials that are in no other answer, as their last look is not due.
    with_further
        Whether what stands behind the answer on finds is asked too.
    working
        How it is worked out.
    """

    records: Records
    settings: DecisionSettings
    joined: Joined
    as_of: pd.Timestamp
    asked: Asked = field(default=Asked())
    plan_settings: PlanSettings = field(default=PlanSettings())
    planned: Planned | None = None
    held_back: int = 0
    with_further: bool = True
    working: Working = field(default=Working(), repr=False)

    def with_answers(self, **answers: Any) -> Facts:
        """These facts with some of them replaced; all else that was worked out is kept."""
        unknown = [name for name in answers if not hasattr(type(self), name)]
        if set(unknown) - set(self.__dict__):
            raise TypeError(f"facts have no {unknown[0]}")
        other = object.__new__(type(self))
        other.__dict__.update(self.__dict__)
        other.__dict__.update(answers)
        return other

    def decided_by(self, settings: DecisionSettings, as_of: pd.Timestamp) -> Facts:
        """The same unit at another floor, confidence or day; what they do not change is kept."""
        if settings == self.settings and as_of == self.as_of:
            return self
        other = replace(self, settings=settings, as_of=as_of)
        alike = self.settings.with_options(floor=settings.floor, confidence=settings.confidence)
        if alike == settings:
            for name in _OF_NO_FLOOR & self.__dict__.keys():
                value = self.__dict__[name]
                if isinstance(value, FindFit):
                    value = replace(value, settings=settings)
                other.__dict__[name] = value
        return other

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
            "trials": len(self.joined.trials) + self.held_back,
            "dogs": len(self.records.dogs),
            **{
                name: len(getattr(self.records, name))
                for name in ("readings", "inspections")
                if self.records.rows_in.get(name)
            },
        }

    @property
    def set_aside(self) -> tuple[Finding, ...]:
        """Every row out of use, with the reason, from checking and from joining."""
        return (*self.records.set_aside, *self.joined.set_aside)

    @cached_property
    def fit_by_lines(self) -> FindFit:
        """What goes along with finds, along straight lines."""
        self.working.progress("Fitting finds")
        return fit_finds(self.joined.trials, self.settings)

    @cached_property
    def fit(self) -> FindFit:
        """What goes along with finds, in the shapes that the verdict tells of."""
        shapes, kinds = self.verdict.best_shapes, self.verdict.kinds_falling
        if not shapes and not kinds:
            return self.fit_by_lines
        told = fit_finds(self.joined.trials, self.settings, shapes=shapes, cycles_in=kinds)
        return self.fit_by_lines if told.mixed is None else told

    @cached_property
    def design(self) -> Design:
        """Trials and terms of the model of finds, fitted or not."""
        from outcomes.analysis.finds.choose_terms import plan_design

        fit: FindFit | None = self.__dict__.get("fit_by_lines")
        return plan_design(self.joined.trials) if fit is None else fit.design

    @property
    def counted(self) -> Counted:
        """The trials that a model of finds rests on."""
        from outcomes.analysis.finds.design import count_design

        return count_design(self.design)

    @cached_property
    def verdict(self) -> WhichPredicts:
        """Cycles, age, both, or none that can be told."""
        from outcomes.analysis.finds.cycles_or_age import which_predicts

        fit = self.fit_by_lines
        self.working.progress("Asking whether cycles or age predicts finds")
        refitted = partial(self.working.meter, "simulated records refitted")
        return which_predicts(fit, jobs=self.working.jobs, progress=refitted)

    @cached_property
    def with_pool(self) -> UnitWithPool | None:
        """The unit's own slopes beside those of other units; None where none were given."""
        if self.asked.pool is None:
            return None
        from outcomes.pool.prior import set_beside

        return set_beside(self.fit_by_lines, self.verdict.verdict, self.asked.pool)

    @cached_property
    def retirement(self) -> Retirement:
        """The limits, with their curves."""
        from outcomes.analysis.decisions.threshold import set_threshold

        fit, verdict = self.fit, self.verdict
        self.working.progress("Setting the threshold")
        return set_threshold(fit, verdict)

    @cached_property
    def use(self) -> RateOfUse:
        """How fast sources are used up."""
        from outcomes.analysis.decisions.rate_of_use import rate_of_use

        started = self.joined.trials["started_at"]
        return rate_of_use(
            self.records.sources,
            self.records.storage,
            self.joined.history,
            started.min(),
            started.max(),
        )

    @cached_property
    def price(self) -> TradeOff:
        """What each retirement limit buys and costs."""
        from outcomes.analysis.decisions.trade_off import trade_off, two_sided_rule

        rule = two_sided_rule(self.retirement, self.asked.either)
        combined = [] if rule is None else [rule]
        return trade_off(self.fit, self.verdict, self.use, combined=combined, drawn=self.drawn)

    @cached_property
    def drawn(self) -> SourceDraws | None:
        """Draws behind what is summed over sources; None where there is no model."""
        from outcomes.analysis.decisions.source_draws import draw_over_spreads

        return None if self.fit.mixed is None else draw_over_spreads(self.fit)

    @cached_property
    def _shelf_and_left(self) -> tuple[tuple[ShelfSource, ...], tuple[ExposureLeft, ...]]:
        from outcomes.analysis.decisions.exposure_left import exposure_left, first_things
        from outcomes.analysis.decisions.shelf import review_shelf

        fit, joined = self.fit, self.joined
        shelf = review_shelf(
            fit, self.records.sources, joined.history, self.as_of, joined.trials, self.drawn
        )
        if not self.retirement.thresholds or fit.mixed is None:
            return shelf, ()
        left = exposure_left(fit, shelf, self.retirement.thresholds[0].by, self.use)
        ordered = first_things(shelf, left)
        by_name = {one.source_id: one for one in left}
        return ordered, tuple(by_name[s.source_id] for s in ordered)

    @cached_property
    def shelf(self) -> tuple[ShelfSource, ...]:
        """Every source held, what to do first first."""
        return self._shelf_and_left[0]

    @cached_property
    def left(self) -> tuple[ExposureLeft, ...]:
        """What each held source has left, in the order of the shelf.

        Empty where nothing names an exposure to count it in.
        """
        return self._shelf_and_left[1]

    @property
    def counted_by(self) -> ExposureName:
        """What a source's wear is told by: what the first limit is by, else cycles."""
        limits = self.retirement.thresholds
        return limits[0].by if limits else "cycles"

    @cached_property
    def stock(self) -> Stock:
        """When each source held reaches its limit, and how many are usable ahead."""
        from outcomes.analysis.decisions.stock import plan_stock

        joined = self.joined
        return plan_stock(
            self.shelf,
            self.retirement.thresholds,
            self.use,
            joined.history,
            joined.trials["started_at"].min(),
            joined.trials["started_at"].max(),
            self.as_of,
            self.settings.confidence,
        )

    @cached_property
    def before_and_since(self) -> Mapping[str, FindsBeforeAndSince]:
        """Source → finds in its latest trials and before them, as counted."""
        from outcomes.analysis.decisions.before_and_since import finds_before_and_since

        return finds_before_and_since(self.joined.trials, self.as_of, self.counted_by)

    @cached_property
    def next_steps(self) -> tuple[NextStep, ...]:
        """What to do next with each source held, in the order to do it in."""
        from outcomes.analysis.decisions.next_step import plan_next_steps

        limits = self.retirement.thresholds
        return plan_next_steps(self.shelf, limits, self.testing_dogs, self.settings.floor)

    @cached_property
    def testing_dogs(self) -> DogsForTests:
        """Dogs that may be asked to test a source."""
        from outcomes.analysis.decisions.next_step import DogsForTests

        return DogsForTests(self.joined.trials, self.as_of)

    @cached_property
    def comparison(self) -> Comparison:
        """Refrigerated against frozen."""
        from outcomes.analysis.decisions.compare import compare_storage

        fit = self.fit
        self.working.progress("Comparing refrigerated with frozen")
        return compare_storage(fit)

    @cached_property
    def portions(self) -> MatchedPortions:
        """Portions of one source kept both ways."""
        from outcomes.analysis.decisions.matched_portions import compare_portions

        joined = self.joined
        return compare_portions(joined.trials, self.records.sources, joined.history, self.settings)

    @cached_property
    def bounds(self) -> tuple[BoundChoice, ...]:
        """The comparison with the bounds of frozen and refrigerated drawn elsewhere."""
        from outcomes.analysis.decisions.storage_bounds import compare_bounds

        return compare_bounds(self.fit)

    @cached_property
    def outline(self) -> Outline | None:
        """The plan that would settle what these records cannot say.

        None where they can, where planned trials are under way, and where the unit could carry
        out none.
        """
        if self.records.plan is not None or not self.verdict.settles_nothing:
            return None
        from outcomes.answers.planned import plan_request
        from outcomes.planning.outline import outline_plan
        from outcomes.planning.unit import unit_facts

        request = plan_request(self.plan_settings, self.settings)
        try:
            return outline_plan(unit_facts(self.records, self.joined), request)
        except PlanError:
            return None

    @property
    def told_by_lot(self) -> bool:
        """Whether planned trials, assigned by lot, have come to a look."""
        planned = self.planned
        return planned is not None and planned.result.assigned_by_lot and planned.result.look > 0

    @cached_property
    def lifetime(self) -> Lifetime:
        """When sources became unreliable."""
        self._put_lifetime()
        found: Lifetime = self._questions.answer("lifetime")
        return found

    @cached_property
    def search_time(self) -> SearchTimeFit:
        """How soon finds come, and the share found by every minute."""
        found: SearchTimeFit = self._answer("search_time")
        return found

    @cached_property
    def false_alerts(self) -> FalseAlertFit:
        """False alerts on hides and on blank areas."""
        found: FalseAlertFit = self._answer("false_alerts")
        return found

    @cached_property
    def lasting(self) -> Lasting:
        """How long sources stay reliable, asked further; by cycles only where those may matter."""
        from outcomes.analysis.lifetimes.regression import not_by_cycles

        found: Lasting = self._answer("lasting")
        if self.verdict.verdict != "age":
            return found
        return replace(found, next_cycles=not_by_cycles(found.next_cycles))

    @cached_property
    def watched(self) -> Watch:
        """Charts of every source and every dog."""
        self._put_watched()
        found: Watch = self._questions.answer("watched")
        return found

    @cached_property
    def inspected(self) -> Inspected | None:
        """What was weighed and seen of sources, and whether finds go along with it."""
        self._put_inspected()
        found: Inspected | None = self._questions.answer("inspected")
        return found

    @cached_property
    def asked_again(self) -> AskedAgain | None:
        """Whether the verdict would stand for a unit that asks every month."""
        if not self.with_further:
            return None
        self._put_asked_again()
        found: AskedAgain | None = self._questions.answer("asked_again")
        return found

    @cached_property
    def ways(self) -> Specifications:
        """The question on finds asked in other ways, whether or not ``with_further``."""
        found: Specifications = self._answer_further("ways")
        return found

    @property
    def ways_known(self) -> Specifications | None:
        """The same where it has been worked out already; else None, and it is not."""
        found: Specifications | None = self.__dict__.get("ways")
        return found

    @cached_property
    def quality(self) -> Quality:
        """How well finds are predicted, whether or not ``with_further``."""
        found: Quality = self._answer_further("quality")
        return found

    @cached_property
    def suspects(self) -> Suspects:
        """Cycles, drying, warmth and age compared, whether or not ``with_further``."""
        found: Suspects = self._answer_further("suspects")
        return found

    @cached_property
    def dogs(self) -> DogReview:
        """Each dog, and each source, beside its likes, whether or not ``with_further``."""
        found: DogReview = self._answer_further("dogs")
        return found

    @cached_property
    def further(self) -> Further | None:
        """What stands behind the answer on finds; None where it was not asked."""
        if not self.with_further:
            return None
        from outcomes.answers.sensitivity import Further

        # From the end: what is put last is begun last, and may be left for this process.
        answers: dict[str, Any] = {}
        own = ("dogs", "quality", "suspects", "ways")
        names = ("penalised", "profiles", *own)
        for done, name in enumerate(names, start=1):
            answers[name] = getattr(self, name) if name in own else self._answer_further(name)
            self.working.meter("questions answered", done, len(names))
        return Further(**answers)

    @cached_property
    def side_tests(self) -> SideTests:
        """The side questions tested together, whether or not ``with_further``."""
        from outcomes.answers.side_tests import ask_side_tests

        return ask_side_tests(
            self.verdict.verdict,
            self.quality.drift,
            self.search_time,
            self.false_alerts,
            self.lasting,
            self.suspects,
            self.dogs,
            self.comparison,
            self.settings.alpha,
        )

    @cached_property
    def _questions(self) -> Questions:
        return Questions(self.working.pool)

    def _put_lifetime(self) -> None:
        from outcomes.analysis.lifetimes.chance import ask_lifetime, unchanged_finds

        records, trials, settings = self.records, self.joined.trials, self.settings
        unchanged = unchanged_finds(self.fit, self.verdict.verdict, trials, settings)
        arguments = (trials, records.sources, records.storage, settings, unchanged)
        self._questions.put("lifetime", ask_lifetime, *arguments)

    def _put_side_questions(self) -> None:
        """False alerts and lifetimes: they need no model of finds."""
        for name in _SIDE_QUESTIONS:
            self._put_side_question(name)

    def _put_side_question(self, name: str) -> None:
        from outcomes.answers import side_questions

        trials, settings, put = self.joined.trials, self.settings, self._questions.put
        if name == "lasting":
            put(name, side_questions.ask_lasting, trials, self.lifetime, settings)
        elif name == "search_time":
            put(name, side_questions.ask_search_time, self.fit)
        else:
            put(name, getattr(side_questions, f"ask_{name}"), trials, settings)

    def _put_watched(self) -> None:
        from outcomes.analysis.monitoring.charts import watch

        self._questions.put("watched", watch, self.fit)

    def _put_inspected(self) -> None:
        from outcomes.analysis.inspections.change import looks_with_exposures
        from outcomes.analysis.inspections.inspected import review_inspections

        looks = looks_with_exposures(self.records, self.joined.history)
        held = len(self.records.sources)
        self._questions.put("inspected", review_inspections, looks, held, self.fit)

    def _put_asked_again(self) -> None:
        from outcomes.analysis.monitoring.asked_again import ask_again

        verdict, trials = self.verdict.verdict, self.joined.trials
        self._questions.put("asked_again", ask_again, self.fit, verdict, trials)

    def _put_further(self, name: str | None = None) -> None:
        """Put one of the questions on finds; all of them where none is named."""
        from outcomes.answers.sensitivity import put_further

        questions = self._questions if name is None else self._questions.only(name)
        put_further(questions, self.records, self.joined.trials, self.fit)

    def _answer(self, name: str) -> Any:
        self._put_side_question(name)
        return self._questions.answer(name)

    def _answer_further(self, name: str) -> Any:
        self._put_further(None if self.with_further else name)
        return self._questions.answer(name)

    def answer_first(self) -> None:
        """Work out now the verdict and the limit, and nothing that can wait for them."""
        _ = self.verdict
        if self.working.pool is not None:
            self._put_lifetime()
        _ = self.retirement

    def ask_meanwhile(self) -> None:
        """Put to the other process, if there is one, what needs no model of finds."""
        if self.working.pool is not None:
            self._put_side_questions()

    def ask_ways_meanwhile(self) -> None:
        """Put to the other process, if there is one, the question asked in other ways."""
        if self.working.pool is not None:
            self._put_further("ways")

    def answer_on_finds(self) -> None:
        """Work out now what the main figure and the decisions rest on, and put the rest."""
        self.ask_meanwhile()
        if self.working.pool is not None:
            if self.with_further:
                self._put_further()
                self._put_watched()
                self._put_asked_again()
            self._put_inspected()
            self._put_side_question("search_time")
        _ = (self.verdict, self.retirement)
        self._answer_metered("limits and shelf", ("price", "shelf", "left"))
        _ = self.comparison
        self._answer_metered("storage compared", ("portions", "bounds"))

    def answer_all(self) -> None:
        """Work out everything now, in as many processes as there are."""
        self.answer_on_finds()
        if self.with_further:
            self.working.progress("Asking in other ways, of other suspects, and of each dog")
            _ = self.further
        self.working.progress("Search time, false alerts, and when sources become unreliable")
        names = ("false_alerts", "lasting", "search_time", "watched", "asked_again", "inspected")
        self._answer_metered("times, alerts and charts", names)

    def _answer_metered(self, what: str, names: Sequence[str]) -> None:
        """Work out answers one after the other, and say how far it is."""
        for done, name in enumerate(names, start=1):
            _ = getattr(self, name)
            self.working.meter(what, done, len(names))


def gather_facts(
    records: Records,
    settings: DecisionSettings,
    *,
    as_of: pd.Timestamp | None = None,
    asked: Asked | None = None,
    plan_settings: PlanSettings | None = None,
    further: bool = True,
    pool: Executor | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
    meter: Meter | None = None,
) -> Facts:
    """Join a unit's records; every answer on them is worked out when it is asked for.

    Parameters
    ----------
    records
        As read and checked.
    settings
        What decisions are made by (``load_settings(path).decisions``).
    as_of
        The moment the shelf is judged at; the last trial's day if not given,
        so that the same records give the same answer on any day.
    asked
        What is asked for beside what settings say; nothing if not given.
    plan_settings
        What planned trials would have to fit into (``load_settings(path).plan``).
    further
        Also ask what stands behind the answer on finds: other suspects, other
        ways of asking, shape, fit quality, dogs.
    pool, jobs, progress, meter
        See :class:`Working`. With a ``pool``, call :meth:`Facts.answer_all` before it is closed.

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
    moment = as_of
    if moment is None:
        moment = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    planned, held_back = None, 0
    if records.plan is not None:
        say("Reading the planned trials")
        planned = _told_of_plan(records.plan, joined.trials)
        joined, held_back = _without_open(planned, joined)
    return Facts(
        records=records,
        settings=settings,
        joined=joined,
        planned=planned,
        held_back=held_back,
        as_of=moment,
        asked=asked or Asked(),
        plan_settings=plan_settings or PlanSettings(),
        with_further=further,
        working=Working(pool, jobs, say, meter or (lambda *_: None)),
    )


def _told_of_plan(file: PlanFile, trials: pd.DataFrame) -> Planned:
    from outcomes.answers.planned import tell_planned
    from outcomes.planning.analyse import analyse_plan
    from outcomes.planning.document import plan_from_bytes

    plan = plan_from_bytes(file.content, file.file)
    return tell_planned(plan, analyse_plan(plan, trials), trials)


def _without_open(planned: Planned, joined: Joined) -> tuple[Joined, int]:
    """The trials without those of a plan whose last look is not due, and how many those are.

    Shown by source, or counted on a shelf, they would tell before the look what nobody is to know.
    """
    plan, result = planned.plan, planned.result
    if result.look == result.of_looks or "plan_id" not in joined.trials:
        return joined, 0
    own = joined.trials["plan_id"].isin([trial.plan_id for trial in plan.trials])
    if own.all():
        raise RecordsError(
            "every trial is of a plan whose last look is not due: until then nothing is told. "
            f"It is due about {plan.date_of(plan.looks[-1].expected_day)}."
        )
    kept = joined.trials[~own].reset_index(drop=True)
    return replace(joined, trials=kept), int(own.sum())
