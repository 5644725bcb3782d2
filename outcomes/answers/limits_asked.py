"""Limits by the exposures a person asks for, whatever the verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from outcomes.analysis.decisions.threshold import Retirement, find_threshold
from outcomes.analysis.decisions.trade_off import trade_off, two_sided_rule
from outcomes.answers.facts import Facts
from outcomes.exposure.cycles_and_age import ExposureName


def asked_for(facts: Facts, exposures: Sequence[ExposureName]) -> Facts:
    """The same facts with thresholds by the exposures asked for, whatever the verdict.

    Parameters
    ----------
    facts
        All results.
    exposures
        ``"cycles"``, ``"age_days"`` or both, in the order wanted.
    """
    single = facts.verdict.asked_together or bool(facts.fit.design.copies)
    found = tuple(find_threshold(facts.fit, e, alone=single) for e in exposures)
    retirement = Retirement(found, tuple(t.curve for t in found))
    rule = two_sided_rule(retirement, facts.asked.either)
    price = facts.price
    if rule != two_sided_rule(facts.retirement, facts.asked.either):
        combined = [] if rule is None else [rule]
        price = trade_off(facts.fit, facts.verdict, facts.use, combined=combined, drawn=facts.drawn)
    # The shelf stays that of the verdict.
    return facts.with_answers(
        shelf=facts.shelf,
        left=facts.left,
        retirement=retirement,
        price=price,
        asked=replace(facts.asked, by=tuple(exposures)),
    )
