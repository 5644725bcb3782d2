"""What each exposure means under a unit's settings, in one sentence each."""

from __future__ import annotations

from outcomes.settings import RecordsSettings

_UNLOGGED = {
    "infer": "counted as one cycle a source and day",
    "strict": "not counted, and the trial set aside",
}


def define_exposures(settings: RecordsSettings) -> dict[str, str]:
    """Exposure → its definition with the numbers of the settings in it.

    Parameters
    ----------
    settings
        The unit's settings.

    Returns
    -------
    dict
        One entry for each of :data:`outcomes.exposure.accumulate.EXPOSURES`, in that order.

    Examples
    --------
    >>> define_exposures(RecordsSettings(base_c=4.0))["degree_hours"]
    'integral of the degrees above 4 °C from acquired_on to the trial, °C·h'
    """
    frozen, refrigerated = settings.frozen_at_least, settings.refrigerated_at_most
    return {
        "held_days": "from acquired_on (midnight) to the trial, days",
        "age_days": "held_days plus age_at_acquisition_days (0 where not given), days",
        "cycles": (
            "moves out of the freezer to a warmer place by the trial whose stay outside lasts at "
            f"least {settings.thaw_after_h:g} h, the one that brought the source to the trial "
            "included"
        ),
        "frozen_days": "time in the freezer by the trial, days",
        "refrigerated_days": "time in the refrigerator by the trial, days",
        "ambient_hours": "time at ambient temperature by the trial, hours",
        "degree_hours": (
            f"integral of the degrees above {settings.base_c:g} °C from acquired_on to the trial, "
            "°C·h"
        ),
        "hours_since_thaw": "from the latest counted thaw to the trial, hours",
        "longest_freeze_days": "longest single stay in the freezer by the trial, days",
        "open_frozen_days": "time in the freezer while packaging is not sealed, days",
        "frozen_share": "frozen_days over frozen_days and refrigerated_days",
        "regime": (
            f"frozen from a frozen_share of {frozen:g} on, refrigerated up to {refrigerated:g}, "
            "mixed between"
        ),
        "undocumented_days": "time from acquired_on to the trial the log does not cover, days",
        "inferred_thaws": (
            "thaws the log lacks but a trial proves (the log says freezer): "
            f"{_UNLOGGED[settings.unlogged_thaws]}"
        ),
    }
