"""Dogs: the order of their dates, and trials of dogs that are not listed."""

from __future__ import annotations

from outcomes.records.checking.findings import Log, Sheet, date_text, missing_name
from outcomes.records.checking.sources import in_several


def check_dogs(dogs: Sheet, log: Log) -> None:
    """A dog that qualified before it started, or started before it was born."""
    for later, earlier in (
        ("started_on", "born_on"),
        ("qualified_on", "started_on"),
        ("qualified_on", "born_on"),
    ):
        if dogs.has(later, earlier):
            dates = dogs.frame[earlier]
            breach = log.usable(dogs) & (dogs.frame[later] < dates).to_numpy()
            log.flag(
                "dog's dates out of order",
                dogs,
                breach,
                later,
                lambda i, dates=dates, earlier=earlier: {  # type: ignore[misc]
                    "other_name": dogs.names[earlier],
                    "date": date_text(dates.to_numpy()[i]),
                },
            )


def check_dog_known(trials: Sheet, dogs: Sheet, log: Log) -> None:
    """Trials of dogs that the table of dogs lacks."""
    if not (trials.has("dog_id") and dogs.has("dog_id") and len(dogs.frame)):
        return  # an empty table of dogs was not filled in, so it knows none
    ids = trials.frame["dog_id"]
    # A dog whose row is set aside for a bad date is still a known dog.
    known = sorted(dogs.frame["dog_id"].dropna().unique())
    unknown = (ids.notna() & ~ids.isin(known)).to_numpy()
    often = in_several(trials, "dog_id")
    guesses = {
        name: missing_name(name, known, "add the dog to the dogs", often=name in often)
        for name in dict.fromkeys(ids.to_numpy()[unknown])
    }
    log.flag(
        "unknown dog",
        trials,
        unknown,
        "dog_id",
        lambda i: {"likely": guesses[ids.to_numpy()[i]]},
    )
