"""``outcomes retire``: retirement threshold, and advice for each source held."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from outcomes.cli.options import (
    UnitOptions,
    analysis_options,
    either_option,
    load,
    moment,
    show_json,
)
from outcomes.cli.terminal import meter, say, tell, tell_advice
from outcomes.exposure.cycles_and_age import NAME_OF

if TYPE_CHECKING:
    from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
    from outcomes.analysis.results import ExposureName
    from outcomes.answers.facts import Facts
    from outcomes.records.tables import Records

_MOST_NEAR = 3
_OF_STOCK = ("stock", "sources_needed_per_year")


@click.command("retire")
@analysis_options
@click.option("--as-of", metavar="DATE", help="Judge the shelf on this day (the last trial's).")
@click.option(
    "--by",
    multiple=True,
    type=click.Choice(list(NAME_OF)),
    help="Limits by cycles or by age, whatever the verdict; give it twice for both.",
)
@either_option
@click.option("--explain", metavar="SOURCE", help="Tell how the advice on one source came about.")
@click.option("--stock", is_flag=True, help="Tell when to find the next sources, and how many.")
@click.option(
    "--bootstrap",
    is_flag=True,
    help="Also find the interval by resampling whole sources and dogs (takes a while).",
)
def command(
    unit: UnitOptions,
    as_json: bool,
    as_of: str | None,
    by: tuple[str, ...],
    either: tuple[float, float] | None,
    explain: str | None,
    stock: bool,
    bootstrap: bool,
) -> None:
    """Tell when to retire a source, and what to do with each one held."""
    if explain is not None and not as_json:
        _refuse_beside_explain(by=by, either=either, stock=stock, bootstrap=bootstrap)
    when = moment(as_of)
    say("Reading the records")
    loaded = load(unit)
    if explain is not None:
        _check_known(loaded.records, explain)
    from outcomes.answers.facts import gather_facts
    from outcomes.answers.limits_asked import asked_for
    from outcomes.answers.request import Asked
    from outcomes.report import report
    from outcomes.report.results import results
    from outcomes.report.results.retire import make_explained
    from outcomes.wording.explanation import describe_explanation
    from outcomes.wording.limit import describe_limits_asked

    facts = gather_facts(
        loaded.records,
        loaded.decisions,
        as_of=when,
        asked=Asked(either=either),
        plan_settings=loaded.plan,
        further=False,
        progress=say,
        meter=meter,
    )
    exposures = [NAME_OF[word] for word in dict.fromkeys(by)]
    asked = _Asked(describe_limits_asked(facts, exposures), exposures, either, [])
    if exposures:
        facts = asked_for(facts, exposures)
    if bootstrap:
        asked = replace(asked, resampled=_resample(facts))
    if as_json:
        part = results(facts, ("retire", "shelf", *_OF_STOCK * stock, "cautions"))
        part |= _parts(asked, facts)
        if explain is not None:
            confidence = facts.settings.confidence
            part["explain"] = make_explained(*_explained(facts, explain), confidence)
        show_json(part)
        return
    if explain is not None:
        explanation, held = _explained(facts, explain)
        for line in describe_explanation(explanation, facts, held):
            tell(line)
        return
    if stock:
        for line in (*_lines(asked, facts), *report.stock_lines(facts)):
            tell(line)
        return
    lines = iter(report.retire_lines(facts))
    for line in (next(lines), *_lines(asked, facts), *lines):
        tell_advice(line)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was asked for beside the ordinary answer, and the answers to it."""

    note: str | None
    exposures: list[ExposureName]
    either: tuple[float, float] | None
    resampled: list[BootstrapThreshold]


def _parts(asked: _Asked, facts: Facts) -> dict[str, Any]:
    """Answers for programs."""
    from outcomes.report.results.retire import LimitsAsked, make_either, make_resampled

    part: dict[str, Any] = {}
    if asked.exposures:
        part["asked"] = LimitsAsked(by=tuple(asked.exposures), note=asked.note)
    if asked.either:
        part["either"] = make_either(facts)
    if asked.resampled:
        part["bootstrap"] = [make_resampled(found) for found in asked.resampled]
    return part


def _lines(asked: _Asked, facts: Facts) -> Iterator[str]:
    """Answers for people."""
    from outcomes.wording.resampled_limit import describe_resampled_limit
    from outcomes.wording.rule_by_both import describe_rule_by_both

    if asked.note is not None:
        yield asked.note
    yield from map(describe_resampled_limit, asked.resampled)
    if asked.either:
        yield describe_rule_by_both(facts.price, *asked.either)


def _refuse_beside_explain(**options: object) -> None:
    """Stop where something is asked for that the explanation of one source has no place for."""
    from outcomes.errors import UsageError

    given = [f"--{name}" for name, value in options.items() if value]
    if given:
        raise UsageError(
            f"--explain tells about one source only, so {' and '.join(given)} would be left out. "
            "Ask for them without --explain, or add --json for both."
        )


def _check_known(records: Records, source: str) -> None:
    """Stop where no source has that name, with the nearest one."""
    from outcomes.errors import UsageError
    from outcomes.records.reading.spelling import likeliest

    known = [str(name) for name in records.sources["source_id"]]
    if source in known:
        return
    nearest = likeliest(source, known)
    near = get_close_matches(source.casefold(), [name.casefold() for name in known])
    if nearest:
        hint = f"Did you mean {nearest}?"
    elif near:
        alike = [name for name in known if name.casefold() in near]
        hint = f"Near it: {', '.join(alike[:_MOST_NEAR])}."
    else:
        hint = f"There are {len(known):,} sources."
    raise UsageError(f"--explain {source}: there is no source of that name. {hint}")


def _explained(facts: Facts, source: str) -> tuple[Any, Any]:
    from outcomes.analysis.decisions.explain import explain_source

    held = next((s for s in facts.shelf if s.source_id == source), None)
    trials = facts.joined.trials
    by_then = trials[trials["started_at"] < facts.as_of]
    return explain_source(facts.fit, by_then, source), held


def _resample(facts: Facts) -> list[BootstrapThreshold]:
    """Intervals by source and by dog for every threshold, with progress."""
    from outcomes.analysis.decisions.bootstrap import REFITS, bootstrap_threshold

    alone = facts.verdict.asked_together or bool(facts.fit.design.copies)
    found = []
    for threshold in facts.retirement.thresholds:
        for grouping in ("source", "dog"):
            say(f"Resampling {grouping}s")
            done = partial(meter, "resamples fitted", of=REFITS)
            found.append(
                bootstrap_threshold(
                    facts.fit, threshold, resampled=grouping, alone=alone, progress=done
                )
            )
    return found
