"""The side questions, tested together before any of them is told as a finding."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.holm import holm

if TYPE_CHECKING:
    from outcomes.analysis.decisions.compare import Comparison
    from outcomes.analysis.finds.confounders import Suspects
    from outcomes.analysis.finds.dog_and_source_effects import DogReview
    from outcomes.analysis.finds.validation import Drift
    from outcomes.analysis.results import Verdict
    from outcomes.analysis.searches.false_alerts import FalseAlertFit
    from outcomes.analysis.searches.search_time import SearchTimeFit
    from outcomes.answers.lifetimes import Lasting

About = Literal[
    "calendar drift",
    "search time",
    "false alerts",
    "wear-out",
    "suspects",
    "dogs",
    "sources",
    "storage by kind",
]


@dataclass(frozen=True, slots=True)
class SideTest:
    """One side question.

    Attributes
    ----------
    about, of
        What was asked, and of which exposure, spread or kind: ``false alerts`` of ``cycles``.
    p, adjusted_p
        By itself, and among all side questions.
    beyond_chance
        Whether it may be told as a finding.
    """

    about: About
    of: str
    p: float
    adjusted_p: float
    beyond_chance: bool


@dataclass(frozen=True, slots=True)
class SideTests:
    """All side questions that could be asked, as one family.

    Attributes
    ----------
    tests
        Each question, in the order of ``About``.
    alpha
        The chance that any of them is told as a finding where there is nothing.
    """

    tests: tuple[SideTest, ...]
    alpha: float

    def beyond_chance(self, about: About, of: str) -> bool:
        """Whether the question may be told as a finding; not where it could not be asked."""
        return any(t.beyond_chance for t in self.tests if t.about == about and t.of == of)

    @property
    def told(self) -> tuple[SideTest, ...]:
        """Those that may be told as findings."""
        return tuple(t for t in self.tests if t.beyond_chance)


_Asked = tuple[About, str, float | None]


def as_family(asked: list[_Asked], alpha: float) -> SideTests:
    """Adjust the p-values of a family by Holm's method (:func:`outcomes.models.holm.holm`).

    Parameters
    ----------
    asked
        Question, of what, and its p-value by itself; None where it could not be asked, and then
        it is no member of the family.
    alpha
        Level of the whole family.
    """
    known = [(about, of, p) for about, of, p in asked if p is not None]
    adjusted = holm(np.array([p for _, _, p in known]))
    return SideTests(
        tuple(
            SideTest(about, of, p, float(a), bool(a < alpha))
            for (about, of, p), a in zip(known, adjusted, strict=True)
        ),
        alpha,
    )


def calls_a_change(verdict: Verdict) -> bool:
    """Whether the verdict is that finds change, with whatever it is."""
    return verdict in ("cycles", "age", "both", "cannot be told apart")


def ask_side_tests(
    verdict: Verdict,
    drift: Drift | None,
    search_time: SearchTimeFit,
    false_alerts: FalseAlertFit,
    lasting: Lasting,
    suspects: Suspects,
    dogs: DogReview,
    comparison: Comparison,
    alpha: float,
) -> SideTests:
    """Test together whatever is told beside the verdict and the comparison of storage.

    Not in the family: the verdict, the comparison of refrigerated with frozen sources as a whole,
    and charts (they tell how many pass by chance). Where the verdict calls a change, nor are
    whether more sources met the rule for unreliable than by chance, and whether any of the four
    suspects matters: tests in a fixed sequence are each at the full level, and neither can be
    where finds do not change. Without such a verdict the first is not told, and the second is one
    of the family.

    Parameters
    ----------
    verdict
        On finds.
    drift, search_time, false_alerts, lasting, suspects, dogs, comparison
        As answered; their p-values are used, and nothing is fitted.
    alpha
        Level of the whole family.

    References
    ----------
    Maurer W, Hothorn LA, Lehmacher W (1995). Multiple comparisons in drug clinical trials and
    preclinical assays: a-priori ordered hypotheses. In: Vollmar J (ed.), Biometrie in der
    chemisch-pharmazeutischen Industrie 6, 3-18. Fischer.
    """
    asked = [
        *_drift(drift),
        *(("search time", t.term, t.p) for t in search_time.terms if t.term in CYCLES_AND_AGE),
        *(("false alerts", t.term, t.p) for t in false_alerts.terms if t.term in CYCLES_AND_AGE),
        *_wear_out(lasting),
        *_suspects(suspects, calls_a_change(verdict)),
        *_dogs(dogs),
        *_kinds(comparison),
    ]
    return as_family(asked, alpha)


def _drift(drift: Drift | None) -> Iterator[_Asked]:
    if drift is None:
        return
    looks = [p for p in (drift.p, drift.curve_p) if p is not None]
    # Two looks at one calendar: the smaller p counts twice.
    yield "calendar drift", "finds", min(1.0, min(looks) * len(looks)) if looks else None


def _wear_out(lasting: Lasting) -> Iterator[_Asked]:
    asked = {
        "regime": lasting.weibull.terms,
        "cycles at the same age": lasting.cycles_at_age.terms,
        "cycle by cycle": lasting.next_cycles.terms,
    }
    for of, terms in asked.items():
        yield "wear-out", of, terms[0].p if terms else None


def _suspects(found: Suspects, called: bool) -> Iterator[_Asked]:
    if not called:
        yield "suspects", "together", found.joint_p
    for one in found.suspects:
        if one.exposure not in CYCLES_AND_AGE:
            given = one.given_others
            yield "suspects", one.exposure, None if given is None else given.p


def _dogs(review: DogReview) -> Iterator[_Asked]:
    yield "dogs", "differ", review.dogs_differ_p
    for response in review.responses:
        yield "dogs", f"differ with {response.term}", response.p
    experience = review.of_experience
    yield "dogs", "experience", None if experience is None else experience.p
    yield "sources", "differ", review.sources_differ_p


def _kinds(comparison: Comparison) -> Iterator[_Asked]:
    for kind, own in comparison.by_kind.items():
        yield "storage by kind", kind, None if own.few else own.p
