"""Which way finds change where finds and misses part without overlap."""

from __future__ import annotations

from outcomes.analysis.finds.firth import Penalised

PENALISED_METHOD = (
    "logistic regression with Firth's penalty, dogs as terms, trials of one source taken as "
    "independent"
)


def describe_penalised(penalised: Penalised) -> str:
    """The direction it points to, and what it is not."""
    terms = penalised.terms
    clear = [t for t in terms if not t.low <= 1.0 <= t.high]
    told = [
        f"{'fewer' if t.log_ratio < 0 else 'more'} finds with "
        f"{'more cycles' if t.term == 'cycles' else 'greater age'}"
        for t in clear
    ]
    text = f"points to {' and '.join(told)}" if told else "points neither way"
    return (
        f"A penalised model (Firth's), which gives a finite answer even here, {text}. It takes "
        "trials of one source as independent and so looks surer than it is: a direction to test, "
        "not a size to act on."
    )
