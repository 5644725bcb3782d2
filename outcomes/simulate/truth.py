"""What is planted in a synthetic unit, and the scenarios every estimator is tried on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np

TIED = ("no", "nearly", "exactly")


def _kind_effects() -> Mapping[str, float]:
    return {"muscle": 0.0, "blood": -0.2, "wet bone": -0.3, "fat": 0.1}


def _setting_effects() -> Mapping[str, float]:
    return {"woodland": 0.0, "field": 0.1, "building": 0.2, "rubble": -0.2}


def _placement_effects() -> Mapping[str, float]:
    return {"surface": 0.0, "elevated": 0.0, "buried": -0.3}


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything planted in a synthetic unit; effects are log-odds of a find.

    Attributes
    ----------
    cycle_log_odds
        Change per completed freeze/thaw cycle, mean over sources.
    cycle_step_log_odds, cycle_step_after
        A step: added once a source has completed more cycles than the second.
    kind_cycle_log_odds
        Kind → change per cycle of sources of that kind, beside the mean over all.
    age_log_odds
        Change per 30 days of age.
    memory_log_odds
        Change per doubling of (earlier meetings of this dog with this source + 1).
    refrigerated_log_odds
        Added while the source's home is the refrigerator.
    baseline_log_odds
        Log-odds for a new muscle source with no cycles, on the surface in
        woodland, 60 min after placing, at 15 °C, not blinded ``open``, for the
        average dog with 50 trials behind it.
    kind_effects, setting_effects, placement_effects
        Word → change against the first word.
    dog_sd, source_sd, session_sd
        Standard deviations of the random intercepts.
    cycle_slope_sd
        Standard deviation between sources of the change per cycle.
    set_time_log_odds
        Change per doubling of the set time.
    temperature_log_odds
        Change per °C above 15 °C.
    experience_log_odds
        Change per doubling of (earlier trials + 1) of the dog.
    assisted_share, assisted_effect
        Share of hide trials in which the dog was helped, and the change.
    false_alerts_per_hour
        Rate on hide trials (Poisson).
    false_alert_cycle_log_rate
        Change of its logarithm per cycle of the source.
    false_alert_per_blank
        Probability of a false alert on a blank area.
    median_search_s, search_log_sd
        Search time of a find with no cycles: log-normal, cut off at the limit.
    search_cycle_log_time
        Change of the log search time of a find per cycle.
    search_within_limit
        False: whether the dog finds and how long a find takes are drawn one
        after the other, as described above. True: the time to find is
        log-logistic and a find is a search that ends within the limit (15 min
        everywhere), so that log-odds and search time are one truth; median and
        change per cycle then follow from the log-odds (see
        :func:`time_ratio_per_cycle`), and ``search_log_sd`` still holds.
    refrigerated_share
        Share of sources whose home is the refrigerator.
    moved_home_share
        Share of sources that change their home (freezer, refrigerator) once.
    use_log_sd
        Standard deviation between sources of the log rate of use.
    rest_share
        Share of sources that rest for several months.
    idle_thaws_per_year
        Thaws per frozen source and year without a trial (power cut, cancelled day).
    short_outings_per_year
        Stays of half an hour outside the freezer, too short for a thaw, per
        frozen source and year.
    discards_per_year
        Rate at which a source is discarded for reasons unrelated to its trials.
    tied
        Trap 1. ``"nearly"``: all sources are frozen, new when taken in and used
        in strict rotation; cycles and age move together. ``"exactly"``: also
        weekly training and dates without clock times: one is a linear function
        of the other.
    shared_thaws
        Trap 2. True: one thaw serves several dogs. False: one thaw per trial,
        as far as there are sources enough; so there are more thaws.
    strong_used_more
        Trap 3. Change of the log rate of use per standard deviation of the
        source's effect.
    kind_decides_storage
        Trap 4. 0: storage does not depend on kind; 1: kind alone decides.
    poor_benched
        Trap 5. Sources with recent misses are used less, and discarded after
        three misses in a row.
    censored_misses
        Trap 6. A miss always lasts until the limit. False: the unit writes no
        time for it.
    open_blinding_share, blinding_effect
        Trap 7. Share of sessions in which the handlers know the hides, and
        what that adds.
    unlogged_thaw_share
        Share of thaws missing from the storage log.
    imperfect_share
        Share of trials in which a blinding, a set time, a humidity or the time
        of a miss was left empty.
    all_refrigerated, all_frozen
        One home for all sources.
    inspected_share, inspected_from_day
        Share of the times a source is taken out that it is weighed and looked at, and the day
        of the records from which; 0: never.
    damage_share
        Share of the effect of cycles that damage carries: damage that is seen, and that
        sources come with, too.
    damage_of_source
        Share of the variance between sources that the damage they came with explains.
    mass_lost_per_cycle, mass_lost_per_open_month
        Share of its mass that a source loses at each thaw, and in 30 days frozen unsealed.

    Notes
    -----
    Trap 8 (a rule that calls healthy sources unreliable, given enough trials)
    needs no switch: it shows wherever no effect is planted.
    """

    cycle_log_odds: float = 0.0
    cycle_step_log_odds: float = 0.0
    cycle_step_after: float = 10.0
    kind_cycle_log_odds: Mapping[str, float] = field(default_factory=dict)
    memory_log_odds: float = 0.0
    age_log_odds: float = 0.0
    refrigerated_log_odds: float = 0.0
    baseline_log_odds: float = 2.2
    kind_effects: Mapping[str, float] = field(default_factory=_kind_effects)
    setting_effects: Mapping[str, float] = field(default_factory=_setting_effects)
    placement_effects: Mapping[str, float] = field(default_factory=_placement_effects)
    dog_sd: float = 0.5
    source_sd: float = 0.5
    session_sd: float = 0.3
    cycle_slope_sd: float = 0.0
    set_time_log_odds: float = 0.1
    temperature_log_odds: float = -0.02
    experience_log_odds: float = 0.05
    assisted_share: float = 0.02
    assisted_effect: float = 1.0
    false_alerts_per_hour: float = 0.4
    false_alert_cycle_log_rate: float = 0.0
    false_alert_per_blank: float = 0.06
    median_search_s: float = 300.0
    search_log_sd: float = 0.6
    search_cycle_log_time: float = 0.0
    search_within_limit: bool = False
    refrigerated_share: float = 0.3
    moved_home_share: float = 0.08
    use_log_sd: float = 0.6
    rest_share: float = 0.5
    idle_thaws_per_year: float = 1.0
    short_outings_per_year: float = 0.5
    discards_per_year: float = 0.15
    tied: str = "no"
    shared_thaws: bool = True
    strong_used_more: float = 0.0
    kind_decides_storage: float = 0.0
    poor_benched: bool = False
    censored_misses: bool = True
    open_blinding_share: float = 0.25
    blinding_effect: float = 0.0
    unlogged_thaw_share: float = 0.0
    imperfect_share: float = 0.0
    all_refrigerated: bool = False
    all_frozen: bool = False
    inspected_share: float = 0.0
    inspected_from_day: int = 0
    damage_share: float = 0.5
    damage_of_source: float = 0.5
    mass_lost_per_cycle: float = 0.009
    mass_lost_per_open_month: float = 0.004


def check_truth(truth: Truth) -> None:
    """Refuse shares outside [0, 1] and switches that contradict each other.

    Raises
    ------
    ValueError
        With the field and its value.
    """
    shares = {
        each.name: getattr(truth, each.name)
        for each in fields(truth)
        if each.name.endswith("_share")
    }
    for name in ("kind_decides_storage", "damage_of_source"):
        shares[name] = getattr(truth, name)
    for name, value in shares.items():
        if not 0 <= value <= 1:
            raise ValueError(f"{name} must be between 0 and 1, not {value}")
    if truth.tied not in TIED:
        raise ValueError(f"tied must be one of {TIED}, not {truth.tied!r}")
    if truth.all_frozen and truth.all_refrigerated:
        raise ValueError("all_frozen and all_refrigerated exclude each other")
    if truth.tied != "no" and (
        truth.poor_benched or truth.strong_used_more or truth.all_refrigerated
    ):
        raise ValueError("tied sources are all frozen and used in strict rotation: no other choice")


def time_ratio_per_cycle(truth: Truth) -> float:
    """Return the planted factor by which one cycle multiplies the time to a find.

    Parameters
    ----------
    truth
        With ``search_within_limit`` the factor follows from the log-odds: the
        log-odds of a log-logistic time to end within a limit fall by shape times
        the change of log time (Bennett 1983); otherwise it is planted for finds alone.

    Returns
    -------
    float
        Time ratio.

    References
    ----------
    Bennett S (1983). Analysis of survival data by the proportional odds model.
    Statistics in Medicine 2:273-277.

    Examples
    --------
    >>> time_ratio_per_cycle(Truth(cycle_log_odds=-0.1))
    1.0
    >>> round(time_ratio_per_cycle(Truth(cycle_log_odds=-0.1, search_within_limit=True)), 3)
    1.034
    """
    if truth.search_within_limit:
        return float(np.exp(-truth.cycle_log_odds / log_logistic_shape(truth)))
    return float(np.exp(truth.search_cycle_log_time))


def log_logistic_shape(truth: Truth) -> float:
    """Return the shape of a log-logistic time whose logarithm has ``search_log_sd``."""
    return float(np.pi / (np.sqrt(3) * truth.search_log_sd))


# Baselines are chosen so that seven to nine searches in ten end in a find in each.
SCENARIOS: Mapping[str, Truth] = {
    "no effect": Truth(),
    "cycles only": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0),
    "age only": Truth(age_log_odds=-0.08, baseline_log_odds=3.5),
    "both": Truth(cycle_log_odds=-0.08, age_log_odds=-0.06, baseline_log_odds=3.8),
    "tied together": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0, tied="nearly"),
    "benched sources": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0, poor_benched=True),
    "strong sources used more": Truth(
        cycle_log_odds=-0.10, baseline_log_odds=3.0, strong_used_more=0.5
    ),
}
# Worlds that are no straight line, or hold what no model of finds has a term for.
OTHER_WORLDS: Mapping[str, Truth] = {
    "step at 10 cycles": Truth(cycle_step_log_odds=-1.5, baseline_log_odds=2.6),
    "two kinds fall": Truth(
        kind_cycle_log_odds={"blood": -0.13, "fat": -0.13}, baseline_log_odds=2.8
    ),
    "memory": Truth(memory_log_odds=0.3, baseline_log_odds=1.6),
    "70 found in 100": Truth(baseline_log_odds=1.4, dog_sd=1.0, session_sd=0.6),
}
DEMO = Truth(
    cycle_log_odds=-0.11,
    baseline_log_odds=3.4,
    use_log_sd=0.4,
    discards_per_year=0.25,
    refrigerated_share=0.2,
    kind_decides_storage=0.4,
    open_blinding_share=0.2,
    blinding_effect=0.3,
    unlogged_thaw_share=0.03,
    imperfect_share=0.02,
    search_cycle_log_time=0.01,
    inspected_share=0.5,
    inspected_from_day=365,
)
DEMO_NAME = "Alderfold Search Dogs (synthetic)"
DEMO_SEED = 1
