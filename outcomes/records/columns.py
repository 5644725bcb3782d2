"""Every column of the contract: type, unit, range, whether it is needed, and what it means.

The one place that states them; reading, checking and the blank workbook all
follow it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from outcomes.places import PLACES

Words = Mapping[str, tuple[str, ...]]
"""The words a cell may hold, each with what units call it beside ours."""

PACKAGINGS: Words = MappingProxyType(
    {
        "sealed": ("airtight", "closed", "vacuum"),
        "vented": ("perforated", "ventilated"),
        "open": ("uncovered", "none"),
    }
)
Result = Literal["find", "miss", "clear", "false alert"]
RESULTS: Words = MappingProxyType(
    {
        "find": ("hit", "found", "located", "positive", "success"),
        "miss": ("missed", "not found", "no find", "fail", "failed", "negative"),
        "clear": ("all clear", "cleared", "correct negative", "no alert"),
        "false alert": ("false", "false positive", "false indication", "fa"),
    }
)
BACK = "back"
"""A move to where the source is kept: ``kept_in`` of its row of the sources, else the freezer."""
# What a dog did, where one word is written for hides and blank areas.
ALERTED, NOT_ALERTED = "find or false alert", "miss or clear"
BLINDINGS: Words = MappingProxyType(
    {
        "open": ("known", "not blind", "unblinded"),
        "single": ("single blind", "blind"),
        "double": ("double blind",),
    }
)
BLANK_KINDS: Words = MappingProxyType(
    {
        "nothing": ("nothing at all", "bare"),
        "container": ("clean container", "clean jar", "empty container"),
        "glove": ("gloves", "clean glove"),
        "animal": ("animal remains", "meat", "bone of an animal"),
        "other": ("distractor", "food", "toy"),
    }
)
GUESSES: Words = MappingProxyType({"hide": ("source", "filled"), "blank": ("empty",)})
YES_NO: Words = MappingProxyType({"yes": ("y", "1", "x", "helped"), "no": ("n", "0", "unassisted")})
_MOVED_TO: Words = MappingProxyType({place.name: place.other_names for place in PLACES.values()})
_KEPT_IN: Words = MappingProxyType(
    {name: of for name, of in _MOVED_TO.items() if PLACES[name].counts_as != "discarded"}
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name
        This toolkit's name.
    type
        ``"id"``, ``"text"``, ``"word"`` (one of ``words``), ``"time"``,
        ``"number"``, ``"count"`` (whole number) or ``"yes or no"``.
    meaning
        For people, as printed in the blank workbook.
    needed
        The column must be there and no cell may be empty
        (``may_be_empty`` lifts the second half).
    unit
        Unit of a number, as this toolkit keeps it.
    low, high
        Inclusive range of a number.
    of_words
        The words a cell may hold, each with what units call it beside ours.
    may_be_empty
        A needed column whose empty cell has a meaning of its own.
    side
        The row means the same without the value: one that cannot be used is
        left out, and the row is used.
    instead
        What is used in the place of a value left out, for people; empty where
        nothing is.
    may_be_vague
        A date that may be a month, a season or a year.
    """

    name: str
    type: str
    meaning: str
    needed: bool = False
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    of_words: Words = field(default_factory=dict)
    may_be_empty: bool = False
    side: bool = False
    instead: str = ""
    may_be_vague: bool = False

    @property
    def words(self) -> tuple[str, ...]:
        """The words a cell may hold, in order."""
        return tuple(self.of_words)


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    Attributes
    ----------
    name
        This toolkit's name.
    columns
        Its columns, in the order of the contract.
    key
        The column whose values are unique; None for none.
    needed
        Whether every unit has to have it.
    told_by
        The column without which a table is another one; None where a table is not
        known by its columns.
    other_names
        What units call it, ours among them.
    """

    name: str
    columns: tuple[Column, ...]
    key: str | None
    needed: bool = True
    told_by: str | None = None
    other_names: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """The column of that name.

        Raises
        ------
        KeyError
            Where the table has none.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(c.name for c in self.columns)


SOURCES = Table(
    "sources",
    (
        Column("source_id", "id", "The source's label; each only once.", needed=True),
        Column(
            "kind", "text", "What it is, in your own words (muscle, blood, wet bone).", needed=True
        ),
        Column("acquired_on", "time", "Date the unit took it in.", needed=True, may_be_vague=True),
        Column(
            "age_at_acquisition_days",
            "number",
            "How old it was then.",
            unit="days",
            low=0,
            high=36525,
        ),
        Column(
            "packaging",
            "word",
            "How it is packed.",
            of_words=PACKAGINGS,
            side=True,
            instead="the packaging counts as not known",
        ),
        Column("mass_g", "number", "Amount.", unit="g", low=0, high=200_000, side=True),
        Column("parent_id", "id", "The source this portion was cut from."),
        Column(
            "kept_in",
            "word",
            "Where it is kept when not in use; stands for the first move where none is logged.",
            of_words=_KEPT_IN,
            side=True,
            instead="where it is kept counts as not known",
        ),
        Column("discarded_on", "time", "Date it was thrown out; stands for that move."),
        Column(
            "cycles_before",
            "count",
            "Freeze/thaw cycles before the storage log begins for it.",
            unit="count",
            low=0,
            high=10_000,
        ),
        Column(
            "cycles_counted",
            "count",
            "Cycles as counted by hand, all in all, on the day of counted_on.",
            unit="count",
            low=0,
            high=10_000,
            side=True,
            instead="the storage log is counted",
        ),
        Column(
            "counted_on",
            "time",
            "The day cycles_counted was true; left empty, that of the last trial.",
            side=True,
            instead="the day of the last trial is taken",
        ),
    ),
    key="source_id",
    told_by="kind",
    other_names=("sources", "source", "aids", "aid", "samples", "source list"),
)

STORAGE = Table(
    "storage",
    (
        Column("source_id", "id", "Which source was moved.", needed=True),
        Column("moved_at", "time", "When it was moved.", needed=True),
        Column("moved_to", "word", "Where it was moved to.", needed=True, of_words=_MOVED_TO),
        Column(
            "temperature_c",
            "number",
            "Temperature of that place, if it was measured.",
            unit="C",
            low=-90,
            high=60,
            side=True,
            instead="the temperature of the place in general is taken",
        ),
        Column(
            "packaging",
            "word",
            "How it is packed from now on, if that changed.",
            of_words=PACKAGINGS,
            side=True,
            instead="the packaging counts as not changed",
        ),
        Column(
            "place_id",
            "id",
            "Which freezer, refrigerator or room, as the readings name it; otherwise moved_to.",
        ),
        Column(
            "mass_g",
            "number",
            "What it weighed at the move.",
            unit="g",
            low=0,
            high=200_000,
            side=True,
        ),
        Column(
            "moved_back_at",
            "time",
            "When it was put back to where it is kept, if one row is to tell both.",
        ),
    ),
    key=None,
    needed=False,
    told_by="moved_to",
    other_names=("storage", "moves", "movements", "freezer log", "freezer", "store log"),
)

TRIALS = Table(
    "trials",
    (
        Column(
            "trial_id",
            "id",
            "One dog's search of one hide or one blank area; each only once. Without it, the row.",
        ),
        Column(
            "session_id",
            "id",
            "Trials of one day and place; left empty, the date is used.",
            side=True,
            instead="the day is taken as the session",
        ),
        Column("started_at", "time", "When the search started.", needed=True),
        Column("dog_id", "id", "The dog.", needed=True),
        Column("handler_id", "id", "The handler.", side=True),
        Column(
            "source_id",
            "id",
            "The source in the hide; leave empty for a blank area.",
            needed=True,
            may_be_empty=True,
        ),
        Column(
            "result",
            "word",
            "Hide: find or miss. Blank area: clear or false alert.",
            needed=True,
            of_words=RESULTS,
        ),
        Column(
            "false_alerts",
            "count",
            "How many false alerts, on hides too.",
            unit="count",
            low=0,
            high=100,
            side=True,
        ),
        Column(
            "search_s",
            "number",
            "Seconds to the find, or until the search ended.",
            unit="s",
            low=0,
            high=86_400,
            side=True,
        ),
        Column(
            "ended_at",
            "time",
            "When the search ended; tells the seconds where search_s is empty.",
            side=True,
        ),
        Column(
            "limit_s", "number", "Time limit in seconds.", unit="s", low=1, high=86_400, side=True
        ),
        Column(
            "blinding",
            "word",
            "Single: the handler does not know where the hide is. Double: nobody present knows.",
            of_words=BLINDINGS,
        ),
        Column(
            "set_min",
            "number",
            "Minutes from placing the source to the search.",
            unit="min",
            low=0,
            high=525_600,
            side=True,
        ),
        Column("hide_id", "id", "The same placement searched by several dogs.", side=True),
        Column(
            "temperature_c",
            "number",
            "Air temperature at the search.",
            unit="C",
            low=-50,
            high=55,
            side=True,
        ),
        Column(
            "humidity_pct", "number", "Relative humidity.", unit="%", low=0, high=100, side=True
        ),
        Column("wind_m_s", "number", "Wind speed.", unit="m/s", low=0, high=60, side=True),
        Column(
            "setting", "text", "Where: building, vehicle, woodland, in your own words.", side=True
        ),
        Column(
            "placement",
            "text",
            "How: buried, hanging, on the surface, in your own words.",
            side=True,
        ),
        Column("depth_cm", "number", "Depth of the hide.", unit="cm", low=0, high=1000, side=True),
        Column("assisted", "yes or no", "yes if the dog was helped.", of_words=YES_NO),
        Column(
            "cycles",
            "count",
            "The source's freeze/thaw cycles as counted by hand, this one included.",
            unit="count",
            low=0,
            high=10_000,
            side=True,
            instead="the storage log is counted",
        ),
        Column("plan_id", "id", "The planned trial it carries out; of no other trial."),
        Column(
            "blank_kind",
            "word",
            "What lay in a blank area: nothing, a clean container, a glove, an animal's.",
            of_words=BLANK_KINDS,
            side=True,
        ),
        Column(
            "guess",
            "word",
            "What the handler took the area for before the search, where it is blind.",
            of_words=GUESSES,
            side=True,
        ),
    ),
    key="trial_id",
    told_by="result",
    other_names=("trials", "trial", "searches", "search log", "training log", "training", "runs"),
)

DOGS = Table(
    "dogs",
    (
        Column("dog_id", "id", "The dog; each only once.", needed=True),
        Column("started_on", "time", "When its training for this work started.", side=True),
        Column(
            "qualified_on",
            "time",
            "When it qualified.",
            side=True,
            instead="its trials count as those of a qualified dog",
        ),
        Column("born_on", "time", "When it was born.", side=True),
    ),
    key="dog_id",
    needed=False,
    other_names=("dogs", "dog", "canines", "teams"),
)

READINGS = Table(
    "readings",
    (
        Column("source_id", "id", "The source that the logger travels with; or:"),
        Column("place_id", "id", "The place that the logger stays in, as in storage."),
        Column("read_at", "time", "When it was read.", needed=True),
        Column(
            "temperature_c",
            "number",
            "The temperature read.",
            needed=True,
            unit="C",
            low=-90,
            high=60,
        ),
    ),
    key=None,
    needed=False,
    other_names=("readings", "temperatures", "logger", "temperature log"),
)

INSPECTIONS = Table(
    "inspections",
    (
        Column("source_id", "id", "Which source was looked at.", needed=True),
        Column("inspected_at", "time", "When it was looked at.", needed=True),
        Column("mass_g", "number", "What it weighed.", unit="g", low=0, high=200_000, side=True),
        Column(
            "drip_g",
            "number",
            "Fluid lost at this thaw, weighed apart.",
            unit="g",
            low=0,
            high=200_000,
            side=True,
        ),
        Column(
            "freezer_burn",
            "count",
            "Dry, pale places: 0 none, 1 edges or a few, 2 patches or many, 3 most of it.",
            unit="count",
            low=0,
            high=3,
            side=True,
        ),
        Column(
            "ice_damage",
            "count",
            "Gaps and clefts by ice: 0 none, 1 edges or a few, 2 patches or many, 3 most of it.",
            unit="count",
            low=0,
            high=3,
            side=True,
        ),
        Column("ph", "number", "The pH, if it was measured.", unit="pH", low=0, high=14, side=True),
        Column("inspected_by", "id", "Who looked.", side=True),
        Column(
            "blind",
            "yes or no",
            "yes if who looked did not know the dogs' results.",
            of_words=YES_NO,
            side=True,
        ),
    ),
    key=None,
    needed=False,
    other_names=("inspections", "inspection", "weighings", "weights", "condition of sources"),
)

# Names units give these columns, beside ours; in whichever table.
OTHER_NAMES: Mapping[str, tuple[str, ...]] = {
    "source_id": (
        *("source", "training aid", "aid", "sample", "source label", "label"),
        *("source number", "source no", "aid number", "aid no", "sample number", "sample no"),
        *("source used", "aid used", "sample used", "which source"),
    ),
    "kind": ("type", "tissue", "material", "source type", "description", "what", "aid type"),
    "kept_in": (
        *("stored", "stored in", "kept", "where stored", "where kept", "storage", "stored where"),
        "home",
    ),
    "discarded_on": ("discarded", "disposed of", "disposed", "date discarded", "destroyed"),
    "cycles_before": ("prior thaws", "thaws before", "earlier thaws", "prior cycles"),
    "cycles_counted": (
        *("thaws to date", "total thaws", "thaw count", "thaws", "times thawed", "cycles to date"),
        *("number of thaws", "freeze thaw cycles", "thaw tally"),
    ),
    "counted_on": ("counted", "tally date", "as of", "count date"),
    "cycles": (
        *("thaws", "thaw", "number of thaws", "thaw number", "thaw count", "times thawed"),
        *("of thaws", "freeze thaw cycles", "cycle", "cycle number"),
    ),
    "acquired_on": (
        *("acquired", "received", "date received", "collected", "date acquired"),
        *("recd", "rec d", "date recd", "date rec d", "date in"),
    ),
    "age_at_acquisition_days": ("age when acquired", "age at receipt", "initial age"),
    "packaging": ("container", "packing", "packed"),
    "mass_g": ("weight", "mass", "amount", "grams"),
    "parent_id": ("parent", "cut from", "portion of", "parent source"),
    "moved_at": ("date", "moved", "date moved", "move date", "time", "when", "timestamp"),
    "moved_to": (
        *("to", "to where", "location", "place", "storage", "stored in", "where"),
        *("out in", "in out", "in or out", "out or in", "direction", "action", "taken put back"),
        *("taken out put back", "moved where", "in or out of freezer"),
    ),
    "temperature_c": (
        *("temperature", "temp", "air temperature", "air temp", "outside temperature"),
        *("outside temp", "ambient temperature", "temp outside"),
    ),
    "place_id": ("place number", "which freezer", "freezer number", "logger", "probe", "sensor"),
    "inspected_at": (
        *("inspected", "inspection date", "weighed", "weighed on", "looked at", "checked on"),
        *("date", "time", "when", "timestamp"),
    ),
    "drip_g": ("drip", "purge", "thaw loss", "fluid lost", "drip weight", "drip loss"),
    "freezer_burn": ("freezer burn score", "burn", "dried out", "dryness"),
    "ice_damage": ("ice", "ice crystals", "ice damage score", "crystals"),
    "ph": ("ph value", "acidity"),
    "inspected_by": ("inspector", "weighed by", "checked by", "who looked"),
    "blind": ("blinded", "looked blind", "results unknown"),
    "read_at": ("date time", "timestamp", "time", "date", "logged at", "measured at", "when"),
    "trial_id": (
        *("trial", "number", "no", "run", "search number", "trial number", "trial no", "id"),
        *("search id", "search no", "record id", "entry id", "run number"),
    ),
    "session_id": ("session", "training session", "training day"),
    "started_at": (
        *("date", "start", "start time", "date time", "started", "time", "when"),
        *("training date", "date training", "timestamp"),
    ),
    "dog_id": ("dog", "dog name", "k9", "k9 name", "canine", "canine name", "dogs name"),
    "handler_id": ("handler", "handler name", "guide", "officer", "handled by", "team member"),
    "result": (
        *("outcome", "find or miss", "found", "response", "hit", "hit or miss", "hit miss"),
        *("h m fa", "h m", "indication", "indicated", "alert", "alerted", "dog find", "dog found"),
    ),
    "false_alerts": ("false alert count", "false positives", "falses"),
    "search_s": (
        *("search time", "time to find", "duration", "seconds", "time taken", "time to alert"),
        *("mins", "minutes", "min", "search min", "search minutes"),
    ),
    "limit_s": ("time limit", "limit", "max time"),
    "blinding": (
        *("blind", "blinded", "single or double blind", "handler knew", "location known"),
        *("how blind", "blindness", "blind search"),
        *("blind type", "blind level", "type of blind", "blind status", "blinding level"),
    ),
    "set_min": ("set time", "soak time", "soak", "minutes set", "set", "set minutes", "set for"),
    "hide_id": ("hide", "hide number", "placement number"),
    "humidity_pct": ("humidity", "relative humidity", "rh", "hum"),
    "wind_m_s": ("wind", "wind speed"),
    "setting": ("environment", "area", "terrain"),
    "placement": ("hide type", "position", "how placed"),
    "depth_cm": ("depth", "buried depth"),
    "assisted": ("helped", "help given", "handler helped", "prompted"),
    "started_on": ("started", "training started", "start date"),
    "qualified_on": ("qualified", "certified", "date qualified"),
    "born_on": ("born", "date of birth", "dob", "birth date"),
}

# Names that reading and joining give to columns of their own.
ADDED: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "sources": frozenset(("file", "row")),
        "storage": frozenset(("file", "row")),
        "dogs": frozenset(("file", "row")),
        "readings": frozenset(("file", "row")),
        "inspections": frozenset(("file", "row")),
        "trials": frozenset(
            (
                *("file", "row", "kind", "place", "documented", "experience", "qualified"),
                *("use_ratio", "at_midnight"),
                *("held_days", "age_days", "cycles", "frozen_days", "refrigerated_days"),
                *("ambient_hours", "degree_hours", "hours_since_thaw", "longest_freeze_days"),
                *("open_frozen_days", "frozen_share", "regime", "undocumented_days"),
                *("inferred_thaws", "read_thaws", "read_hours", "reading_gap_hours"),
                *("cycles_source", "cycles_by_hand", "met_before", "first_mass_g", "freezer_c"),
                *("mass_share", "drip_share", "freezer_burn", "ice_damage", "inspected_days"),
            )
        ),
    }
)

TABLES: Mapping[str, Table] = MappingProxyType(
    {t.name: t for t in (SOURCES, STORAGE, TRIALS, DOGS, READINGS, INSPECTIONS)}
)
