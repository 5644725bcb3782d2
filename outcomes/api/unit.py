"""A unit's records, and the trials joined with the history of their sources."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from outcomes.answers.facts import Facts, gather_facts
from outcomes.api.result import Result
from outcomes.errors import RecordsError
from outcomes.exposure.trials import Joined as JoinedTables
from outcomes.records.read import (
    AnyPath,
    examine_and_read,
    frames_examined_and_read,
    stop_lines,
)
from outcomes.records.tables import Examination, Records
from outcomes.records.unit_file import load_settings
from outcomes.settings import DecisionSettings, Settings
from outcomes.text import count

_PROBLEMS = ("file", "row", "column", "value", "problem", "mend", "severity")


def read(path: AnyPath, settings: Settings | None = None) -> Unit:
    """Read and check a unit's records.

    Parameters
    ----------
    path
        A folder of tables as ``.csv`` or ``.parquet``, or a workbook. Nothing in it is changed.
    settings
        What a unit may choose; None reads ``unit.toml`` beside the records, where there is one.

    Returns
    -------
    Unit
        Also where something stops the work: :meth:`Unit.problems` says what.

    Raises
    ------
    UsageError
        There are no records at ``path``.
    SettingsError
        ``unit.toml`` cannot be used.

    Examples
    --------
    >>> import outcomes as oc
    >>> unit = oc.read("synthetic_data")
    >>> unit
    Alderfold Search Dogs (synthetic).
    Can be used: 28 sources, 906 storage moves, 1,200 trials, 8 dogs. Rows set aside: 0.
    """
    if settings is None:
        settings = load_settings(path)
    examination, records = examine_and_read(path, settings.records)
    return Unit(examination, records, settings, str(path))


def from_frames(
    *,
    sources: pd.DataFrame,
    trials: pd.DataFrame,
    storage: pd.DataFrame | None = None,
    dogs: pd.DataFrame | None = None,
    readings: pd.DataFrame | None = None,
    inspections: pd.DataFrame | None = None,
    settings: Settings | None = None,
) -> Unit:
    """Take a unit's records from frames, checked by the same rules as files.

    Parameters
    ----------
    sources, trials, storage, dogs, readings, inspections
        The tables, with the columns of the contract or those that ``settings`` name. Nothing in
        them is changed. The first row is told as row 2, as in a spreadsheet.
    settings
        What a unit may choose; defaults where None.

    Returns
    -------
    Unit

    Raises
    ------
    TypeError
        A table is not a frame.

    Examples
    --------
    >>> import pandas as pd, outcomes as oc
    >>> sources = pd.DataFrame(
    ...     {"source_id": ["A"], "kind": ["bone"], "acquired_on": ["2025-01-01"]}
    ... )
    >>> trials = pd.DataFrame(
    ...     {"started_at": ["2025-03-01 09:00"], "dog_id": ["Fern"], "source_id": ["B"],
    ...      "result": ["find"]}
    ... )
    >>> oc.from_frames(sources=sources, trials=trials).problems()["problem"].iloc[-1]
    'there is no such source in the table of sources'
    """
    given = {"sources": sources, "storage": storage, "trials": trials, "dogs": dogs,
             "readings": readings, "inspections": inspections}  # fmt: skip
    frames: dict[str, pd.DataFrame] = {}
    for name, frame in given.items():
        if isinstance(frame, pd.DataFrame):
            frames[name] = frame
        elif frame is not None:
            raise TypeError(f"{name} is a {type(frame).__name__}. Give a pandas DataFrame.")
    settings = settings or Settings()
    examination, records = frames_examined_and_read(frames, settings.records)
    return Unit(examination, records, settings, "the frames")


class Unit:
    """A unit's records, read and checked.

    Attributes
    ----------
    settings
        What they were read with, and what decisions are made by.
    """

    def __init__(
        self, examination: Examination, records: Records | None, settings: Settings, label: str
    ) -> None:
        self._examination, self._records, self._label = examination, records, label
        self.settings = settings

    def problems(self) -> pd.DataFrame:
        """Everything found wrong: where it stands, what it is and what would mend it.

        Returns
        -------
        pandas.DataFrame
            Columns ``file``, ``row``, ``column``, ``value``, ``problem``, ``mend`` and
            ``severity``: ``"stops"`` (no work is possible), ``"set aside"`` (the row is not used)
            or ``"note"``.
        """
        found = self._examination.findings
        return pd.DataFrame(
            {name: [getattr(f, name) for f in found] for name in _PROBLEMS},
        ).astype({"row": "Int64"})

    @property
    def records(self) -> Records:
        """The usable rows, typed.

        Raises
        ------
        RecordsError
            Something stops the work.
        """
        if self._records is None:
            raise RecordsError(stop_lines(self._label, self._examination.stops))
        return self._records

    def join(self) -> Joined:
        """Give each trial the history of its source up to then.

        Raises
        ------
        RecordsError
            Something stops the work, or no trial can be used.
        """
        settings = self.settings
        return Joined(gather_facts(self.records, settings.decisions, plan_settings=settings.plan))

    def __repr__(self) -> str:
        """What can be used, in a sentence or two."""
        name = self.settings.records.unit or "A unit"
        if self._records is None:
            number = count(len(self._examination.stops), "thing")
            return f"{name}: {number} in the records would stop the work: problems() lists them."
        used, aside = self._examination.used, {(f.file, f.row) for f in self.records.set_aside}
        nouns = {"sources": "source", "storage": "storage move", "trials": "trial", "dogs": "dog"}
        told = ", ".join(count(used.get(table, 0), noun) for table, noun in nouns.items())
        return f"{name}.\nCan be used: {told}. Rows set aside: {len(aside):,}."


class Joined(Result):
    """A unit's trials, each with the history of its source up to then.

    Everything asked of it afterwards is asked of these trials.
    """

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def trials(self) -> pd.DataFrame:
        """The usable trials with their exposures: cycles, age, frozen days and so on; a copy."""
        return self._facts.joined.trials.drop(columns=["file", "row"], errors="ignore").copy()

    @property
    def settings(self) -> DecisionSettings:
        """What decisions are made by."""
        return self._facts.settings

    @property
    def sentence(self) -> str:
        """How many trials there are, and how many of them the answer on finds rests on."""
        joined: JoinedTables = self._facts.joined
        used = self._facts.counted
        aside = len({(f.file, f.row) for f in self._facts.set_aside})
        return (
            f"{count(len(joined.trials), 'trial')} joined with the history of their sources; "
            f"{count(used.n, 'hide trial')} of {count(used.dogs, 'dog')} and "
            f"{count(used.sources, 'source')} can speak for finds. Rows set aside: {aside:,}."
        )

    def to_frame(self) -> pd.DataFrame:
        """The joined trials, as :attr:`trials`."""
        return self.trials

    def _shown(self) -> pd.DataFrame:
        shown = ("started_at", "dog_id", "source_id", "result", "cycles", "age_days", "regime")
        return self._facts.joined.trials[[c for c in shown if c in self._facts.joined.trials]]


def facts_with(
    facts: Facts, *, as_of: str | dt.date | pd.Timestamp | None = None, **settings: float | None
) -> Facts:
    """The same facts, or where another floor, confidence or day is given, those decided by it."""
    moment = facts.as_of if as_of is None else end_of_day(as_of)
    return facts.decided_by(facts.settings.with_options(**settings), moment)  # type: ignore[arg-type]


def end_of_day(day: str | dt.date | pd.Timestamp) -> pd.Timestamp:
    """The moment at which a day ends."""
    try:
        moment = pd.Timestamp(day)
    except ValueError:
        raise ValueError(f"as_of {day!r} is not a date. Write it as 2026-03-14.") from None
    return moment.normalize() + pd.Timedelta(days=1)


def facts_of(given: object, kind: type, made_by: str) -> Facts:
    """The facts behind a result that was handed on.

    Raises
    ------
    TypeError
        It is something else; the message says what makes one.
    """
    if not isinstance(given, kind):
        raise TypeError(f"this takes what {made_by} gives, not a {type(given).__name__}.")
    facts: Facts = given._facts  # type: ignore[attr-defined]
    return facts
