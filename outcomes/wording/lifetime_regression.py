"""What makes sources unreliable sooner: storage, cycles at a given age, and the next cycles."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.lifetimes.regression import (
    LEAST_SOURCES,
    NEXT,
    CycleHazard,
    CyclesAtAge,
    NextCycles,
    WeibullLifetime,
)
from outcomes.answers.side_tests import SideTests
from outcomes.models.ratio import Estimate, sized
from outcomes.text import count

STORAGE_CHOSEN = "Storage was chosen, not assigned."


def describe_storage_lifetimes(
    weibull: WeibullLifetime, side: SideTests, *, chosen: bool = True
) -> str:
    """How long refrigerated sources last beside frozen ones, or why that cannot be told.

    Parameters
    ----------
    weibull
        The model of it.
    side
        The side questions: a difference is told where it is beyond chance.
    chosen
        Whether to say that storage was chosen; not where that stands beside it.
    """
    if weibull.reason is not None:
        return (
            "How much longer refrigerated than frozen sources last cannot be put in one number "
            f"yet: {weibull.reason}."
        )
    told = side.beyond_chance("wear-out", "regime")
    text = (
        f"{describe_time_ratio(weibull.terms[0], weibull.alpha, told=told)}, {weibull.events} of "
        f"{count(weibull.sources, 'source')} having met the rule."
    )
    return f"{text} {STORAGE_CHOSEN}" if chosen else text


def describe_time_ratio(term: Estimate, alpha: float, *, told: bool) -> str:
    """Say a ratio of times: a direction where it is beyond chance, a size where it tells one.

    Parameters
    ----------
    term
        Refrigerated against frozen.
    alpha
        Its interval is at 1 - alpha.
    told
        Whether it is beyond chance.
    """
    low, high = _times(term.low), _times(term.high)
    interval = f"{100 * (1 - alpha):g} % interval"
    if not sized(term.low, term.high):
        if not told:
            return (
                "How long refrigerated sources stay reliable beside frozen ones these records "
                "cannot tell"
            )
        way = "longer" if term.log_ratio > 0.0 else "less long"
        return (
            f"Refrigerated sources stayed reliable {way} than frozen ones, by how much these "
            "records cannot tell"
        )
    if not told:
        text = "No difference shows in how long refrigerated and frozen sources stay reliable"
        if not term.low <= 1.0 <= term.high:
            return text
        return (
            f"{text}: anything from {low} to {high} times as long fits these records ({interval})"
        )
    return (
        f"Refrigerated sources stayed reliable {_times(term.ratio)} times as long as frozen ones "
        f"({interval}: {low} to {high})"
    )


def _times(ratio: float) -> str:
    return f"{ratio:.2g}" if ratio < 10 else f"{ratio:,.0f}"


def describe_cycles_at_age(found: CyclesAtAge, side: SideTests) -> str:
    """How the hazard changes with cycles at the same age, or why that cannot be told."""
    if found.reason is not None:
        return (
            "Whether more cycles at the same age make a source unreliable sooner cannot be said "
            f"yet: {found.reason}."
        )
    told = side.beyond_chance("wear-out", "cycles at the same age")
    hazard = describe_hazard_ratio(found.terms[0], found.alpha, told=told)
    text = (
        f"Among sources of the same age, {hazard}, "
        f"from {found.events} of {count(found.sources, 'source')} that met the rule."
    )
    if not told or any(term.term == "trials_per_30_days" for term in found.terms):
        return text
    return (
        f"{text} A source tried more often has more cycles and more chances to be called, and "
        "these records cannot part the two."
    )


def describe_hazard_ratio(term: Estimate, alpha: float, *, told: bool) -> str:
    """Say a hazard ratio per cycle, as :func:`describe_time_ratio` does a ratio of times."""
    interval = f"{100 * (1 - alpha):g} % interval"
    if not sized(term.low, term.high):
        if not told:
            return (
                "these records cannot tell how the hazard of becoming unreliable changes with "
                "cycles"
            )
        way = "higher" if term.log_ratio > 0.0 else "lower"
        return (
            f"more cycles went with a {way} hazard of becoming unreliable, by how much these "
            "records cannot tell"
        )
    if not told:
        if not term.low <= 1.0 <= term.high:
            return "whether cycles by themselves make a source unreliable sooner cannot be told"
        text = "no change in the hazard of becoming unreliable shows with cycles"
        return (
            f"{text}: for each further cycle, anything from {term.low:.2f} to {term.high:.2f} "
            f"times as high fits these records ({interval})"
        )
    return (
        "each further cycle went with a hazard of becoming unreliable "
        f"{term.ratio:.2f} times as high ({interval}: {term.low:.2f} to {term.high:.2f})"
    )


def describe_next_cycles(found: CycleHazard) -> str:
    """How many sources the next cycles cost, or why that cannot be told."""
    if found.reason is not None:
        return f"How many sources each further cycle costs cannot be said yet: {found.reason}."
    if found.not_told is not None:
        return f"How many sources each further cycle costs is not told: {found.not_told}."
    if not found.next_cycles:
        return (
            f"Fewer than {LEAST_SOURCES} sources were followed through {NEXT} cycles, so what the "
            f"next {NEXT} cost cannot be said."
        )
    row = _row_to_tell(found.next_cycles)
    return (
        f"Of 100 sources {_start(row)}, about {100 * row.probability:.0f} become unreliable in the "
        f"next {row.within} cycles ({100 * (1 - found.alpha):g} % interval: {100 * row.low:.0f} to "
        f"{100 * row.high:.0f}); it rests on {count(found.events, 'source')} that met the rule, of "
        f"{found.sources} followed."
    )


def describe_next_cycles_in_short(rows: Sequence[NextCycles]) -> str:
    """The share of sources that the next cycles cost; at least one row."""
    row = _row_to_tell(rows)
    number = f"{100 * row.probability:.0f}"
    share = "fewer than 1" if number == "0" else f"about {number}"
    return f"Of 100 sources {_start(row)}, {share} become unreliable in the next {row.within}"


def describe_course_of_hazard(found: CycleHazard, side: SideTests) -> str:
    """What the shares rest on, and whether they rise or fall with the cycles."""
    term = found.terms[0]
    course = "Whether the share rises or falls with the cycles does not show."
    if side.beyond_chance("wear-out", "cycle by cycle"):
        course = f"The share {'rises' if term.log_ratio > 0.0 else 'falls'} with the cycles."
    return (
        f"{found.events} of {count(found.sources, 'source')} that went through "
        f"freeze/thaw cycles met the rule for unreliable. {course}"
    )


def _row_to_tell(rows: Sequence[NextCycles]) -> NextCycles:
    """The row that is told first: after 20 cycles, else the last."""
    return next((row for row in rows if row.after == 20), rows[-1])


def _start(row: NextCycles) -> str:
    after = count(row.after, "cycle")
    return "not yet cycled" if row.after == 0 else f"still reliable after {after}"
