"""How well each dog tells hides from blank areas, apart from how readily it alerts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.results import LeftOut
from outcomes.models.distributions import beta_quantile, normal_quantile
from outcomes.settings import DecisionSettings
from outcomes.text import count

LEAST_HIDES = 20
LEAST_BLANKS = 20


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """d' and criterion of one dog.

    Attributes
    ----------
    dog
        Its id.
    hides, finds, blanks, alerts
        Unassisted hide trials and finds; blank areas and those with a false alert.
    d_prime, d_low, d_high
        Distance between hide and blank area, in standard deviations.
    criterion, criterion_low, criterion_high
        Below 0 the dog alerts readily, above 0 it holds back.
    """

    dog: str
    hides: int
    finds: int
    blanks: int
    alerts: int
    d_prime: float
    d_low: float
    d_high: float
    criterion: float
    criterion_low: float
    criterion_high: float


@dataclass(frozen=True, slots=True)
class Detection:
    """d' and criterion per dog, where its hides and blank areas are enough.

    Attributes
    ----------
    dogs
        In order of id.
    left_out
        Dogs without, and why.
    reason
        Why there is none at all; None where there is one.
    sentence
        What can be said, in words; also when nothing can.
    hides, blind, known
        Hide trials of these dogs; those in which the handler did not know the
        hide (single or double blind), and those in which he did. The rest is not
        on record.
    """

    dogs: tuple[Sensitivity, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str
    hides: int = 0
    blind: int = 0
    known: int = 0

    @property
    def blinding(self) -> str:
        """How many hide trials were blind, and so d' of the dog alone; "" without any."""
        if not self.hides:
            return ""
        of_all = count(self.hides, "hide trial")
        untold = self.hides - self.blind - self.known
        if self.blind == self.hides:
            return f"The handler knew the hide in none of {of_all}."
        if untold == self.hides:
            return (
                f"Whether the handler knew the hide is on record for none of {of_all}: d′ may be "
                "of dog and handler together."
            )
        blind = f"{self.blind:,} were" if self.blind > 1 else f"{self.blind or 'none'} was"
        parts = [f"of {of_all} {blind} blind"]
        if self.known:
            parts.append(f"in {self.known:,} the handler knew the hide")
        if untold:
            parts.append(f"for {untold:,} it is not on record")
        text = ", ".join(parts)
        verb = "is" if self.known else "may be"
        return f"{text[:1].upper()}{text[1:]}: d′ {verb} of dog and handler together."


@dataclass(frozen=True, slots=True)
class _Normal:
    """A share on the normal scale, with limits."""

    at: float
    low: float
    high: float


def fit_detection(trials: pd.DataFrame, settings: DecisionSettings) -> Detection:
    """Tell for each dog how far hides stand out from blank areas.

    A handler who knows the hide can help the dog to it: trials of any blinding
    are taken, and how many were blind is said.

    Shares of finds and of false alerts with the log-linear correction (half a
    success and one trial added), so that none is 0 or 1. Limits combine the
    exact limits of both shares (MOVER); trials count as independent.

    Parameters
    ----------
    trials
        Joined trials, blank areas included.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    Detection
        Of the dogs with 20 unassisted hide trials and 20 blank areas.

    References
    ----------
    Hautus, M. J. (1995). Corrections for extreme proportions and their biasing
    effects on estimated values of d'. *Behavior Research Methods, Instruments,
    & Computers* 27, 46-51.

    Macmillan, N. A. and Creelman, C. D. (2005). *Detection Theory: A User's
    Guide*, 2nd ed., chapters 1 and 2.

    Zou, G. Y. and Donner, A. (2008). Construction of confidence limits about
    effect measures: a general approach. *Statistics in Medicine* 27, 1693-1702.
    """
    rows: list[Sensitivity] = []
    left_out: list[LeftOut] = []
    blind = known = 0
    for dog, own in trials.groupby("dog_id", sort=True):
        hides = own[own["source_id"].notna() & own["result"].isin(["find", "miss"])]
        if "assisted" in hides:
            hides = hides[~hides["assisted"].astype("boolean").fillna(False).astype(bool)]
        blanks = own[own["source_id"].isna() & own["result"].isin(["clear", "false alert"])]
        if len(hides) < LEAST_HIDES or len(blanks) < LEAST_BLANKS:
            left_out.append(
                LeftOut(
                    str(dog),
                    f"{count(len(hides), 'hide')} and {count(len(blanks), 'blank area')}; "
                    f"{LEAST_HIDES} and {LEAST_BLANKS} are needed",
                )
            )
            continue
        finds = int((hides["result"] == "find").sum())
        alerts = int((blanks["result"] == "false alert").sum())
        if "blinding" in hides:
            blind += int(hides["blinding"].isin(["single", "double"]).sum())
            known += int(hides["blinding"].isin(["open"]).sum())
        rows.append(sensitivity(str(dog), finds, len(hides), alerts, len(blanks), settings.alpha))
    reason = None if rows else _why(trials, left_out)
    found = Detection(
        tuple(rows),
        tuple(left_out),
        reason,
        _sentence(rows, reason, settings.alpha),
        hides=sum(row.hides for row in rows),
        blind=blind,
        known=known,
    )
    return replace(found, sentence=f"{found.sentence} {found.blinding}".rstrip())


def sensitivity(
    dog: str, finds: int, hides: int, alerts: int, blanks: int, alpha: float
) -> Sensitivity:
    """Compute d' and criterion of one dog from its counts.

    Parameters
    ----------
    dog
        Its id.
    finds, hides
        Finds, and hide trials, at least one.
    alerts, blanks
        Blank areas with a false alert, and blank areas, at least one.
    alpha
        1 minus the confidence of the intervals.

    Returns
    -------
    Sensitivity

    References
    ----------
    As in :func:`fit_detection`.
    """
    hit, false = _share(finds, hides, alpha), _share(alerts, blanks, alpha)
    d_prime = hit.at - false.at
    d_low = d_prime - float(np.hypot(hit.at - hit.low, false.high - false.at))
    d_high = d_prime + float(np.hypot(hit.high - hit.at, false.at - false.low))
    criterion = -(hit.at + false.at) / 2.0
    criterion_low = criterion - float(np.hypot(hit.high - hit.at, false.high - false.at)) / 2.0
    criterion_high = criterion + float(np.hypot(hit.at - hit.low, false.at - false.low)) / 2.0
    return Sensitivity(
        dog, hides, finds, blanks, alerts,
        d_prime, d_low, d_high, criterion, criterion_low, criterion_high,
    )  # fmt: skip


def _share(count: int, n: int, alpha: float) -> _Normal:
    share = (count + 0.5) / (n + 1.0)
    # The exact limits of the corrected counts, so that they lie around the corrected share.
    low = float(beta_quantile(alpha / 2.0, count + 0.5, n - count + 1.5))
    high = float(beta_quantile(1.0 - alpha / 2.0, count + 1.5, n - count + 0.5))
    at, lower, upper = (float(normal_quantile(v)) for v in (share, low, high))
    return _Normal(at, lower, upper)


def _why(trials: pd.DataFrame, left_out: list[LeftOut]) -> str:
    blanks = int(trials["source_id"].isna().sum())
    if blanks == 0:
        return "no blank area was searched"
    who = "the one dog has not" if len(left_out) == 1 else f"none of {len(left_out)} dogs has"
    return (
        f"{who} {LEAST_HIDES} hides and {LEAST_BLANKS} blank areas "
        f"({count(blanks, 'blank area')} in all)"
    )


def _sentence(rows: list[Sensitivity], reason: str | None, alpha: float) -> str:
    if reason is not None:
        return f"How well the dogs tell hides from blank areas cannot be said yet: {reason}."
    ordered = sorted(rows, key=lambda r: (-r.d_prime, r.dog))
    parts = [f"{r.dog} {r.d_prime:.1f} ({r.d_low:.1f} to {r.d_high:.1f})" for r in ordered]
    return (
        f"How far hides stand out from blank areas, as d′ with its {100 * (1 - alpha):g} % "
        f"interval: "
        f"{', '.join(parts)}. 0 is no better than chance; intervals that overlap do not rank dogs."
    )
