"""``unit.toml`` → :class:`~outcomes.settings.Settings`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

from rapidfuzz import process

from outcomes.errors import SettingsError, SettingValueError, UsageError
from outcomes.records.columns import ALERTED, BACK, NOT_ALERTED, TABLES
from outcomes.records.reading.fold import LABELS
from outcomes.records.reading.units import UNITS
from outcomes.records.tables import shortened
from outcomes.settings import (
    DecisionSettings,
    EarlyWarning,
    PlanSettings,
    RecordsSettings,
    ReliabilityRule,
    Settings,
)

FILE_NAME = "unit.toml"
MAX_BYTES = 1_000_000
MOST_HEADER_ROW = 1_000

# Section → its keys; the empty section is the top of the file. A key is the field of its name
# in a class of settings, where its bounds stand.
_KEYS: Mapping[str, tuple[str, ...]] = {
    "": ("unit", "date_order", "decimal", "fold_labels"),
    "temperatures": ("freezer_c", "refrigerator_c", "ambient_c"),
    "exposure": (
        *("thaw_after_h", "base_c", "frozen_at_least", "refrigerated_at_most"),
        *("unlogged_thaws", "cycles_from"),
    ),
    "readings": ("thawed_above_c", "frozen_below_c", "longest_gap_h"),
    "decision": ("floor", "confidence", "alpha", "seed", "most_mass_lost"),
    "rule": tuple(field.name for field in fields(ReliabilityRule)),
    "early_warning": tuple(field.name for field in fields(EarlyWarning)),
    "plan": tuple(field.name for field in fields(PlanSettings)),
}
_FIELDS: Mapping[str, str] = {"longest_gap_h": "longest_reading_gap_h"}  # key → field, if another
_OF_COLUMNS = ("same_as_above", "ticked", "dog_columns")
_LAYOUT = ("tables", "columns", "header_row", *_OF_COLUMNS, "words", "units")
_SECTIONS = (*_LAYOUT, *(name for name in _KEYS if name))


def load_settings(records: str | Path, file: str | Path | None = None) -> Settings:
    """Read the unit's settings.

    Parameters
    ----------
    records
        The records, a folder or a workbook.
    file
        A settings file, or None for ``unit.toml`` beside the records (inside
        the folder, or in the same folder as the workbook).

    Returns
    -------
    Settings
        The defaults where there is no ``unit.toml`` and none was asked for.

    Raises
    ------
    UsageError
        If ``file`` is given and is not a file.
    SettingsError
        If the file cannot be read, or holds a key or a value that is not known.

    Notes
    -----
    What the file may hold; all of it is optional::

        unit = "North Valley"             # the unit's name
        date_order = "day first"          # or "month first"
        decimal = ","                     # if numbers are written 12,5

        fold_labels = ["source_id"]       # HR-01, hr 1 and #HR-1 are one source

        [tables]                          # our name = your file's or sheet's name
        storage = "Storage log"
        trials = ["Log 2024", "Log 2025"] # one table of ours, several of yours

        [columns.trials]                  # our name = your name
        result = "Outcome"
        started_at = ["Date", "Time"]     # one column of ours, several of yours

        [header_row]                      # where the row of column names is not found
        trials = 3

        [same_as_above]                   # columns of yours whose empty cells mean "as above"
        trials = ["Date"]

        [ticked]                          # columns of yours in which a mark means their heading
        trials = ["Find", "Miss"]         # with result = ["Find", "Miss"] in [columns.trials]

        [dog_columns]                     # a row a hide, a column a dog with its result
        trials = ["Rex", "Mia"]

        [words.result]                    # "your word" = "our word"
        "Hit" = "find"

        [words.dog_id]                    # also joins two spellings of one name
        "Rexx" = "Rex"

        [units]                           # the unit a column is written in
        search_s = "mm:ss"
        temperature_c = "F"               # in every table that has it

        [units.storage]
        temperature_c = "C"               # in this table only

        [temperatures]                    # where the storage log gives none, °C
        freezer_c = -18
        refrigerator_c = 4
        ambient_c = 20

        [exposure]
        thaw_after_h = 1
        base_c = 0
        frozen_at_least = 0.8
        refrigerated_at_most = 0.2
        unlogged_thaws = "infer"          # or "strict"
        cycles_from = "counted"           # counts by hand before the log, or "log"

        [readings]                        # of a temperature logger
        thawed_above_c = 0
        frozen_below_c = -1
        longest_gap_h = 2                 # readings further apart leave a gap

        [decision]
        floor = 0.85
        confidence = 0.90
        alpha = 0.05
        seed = 1
        most_mass_lost = 0.1              # of a source, by weighing; not asked without it

        [rule]                            # when a source counts as unreliable
        misses = 3                        # without these two: chosen from the unit's own finds
        window = 5
        qualified_only = true

        [early_warning]
        odds_ratio = 2
        false_call = 0.05
        within = 50

        [plan]                            # of `outcomes plan`
        question = "cycles"               # or "storage" or "age"; without it: as sources allow
        design = "pairs"                  # or "split" or "shelf"; likewise
        weeks = 12
        trials_per_week = 20              # blank areas counted
        blanks = 0.25
        sources = ["S1", "S2"]            # all that are held
        may_cut = false                   # whether sources may be cut in two
        looks = 1
        training_days = ["Tuesday", "Saturday"]
        dogs = ["Rex", "Ash"]             # those of the last three months on record
        dogs_a_hide = 2
        thaws_a_month = 8                 # of one source, at most
        searches_a_dog = 4                # in a day, at most
        minutes_a_search = 15
        minutes_a_day = 360
        third_person = true               # one who keeps the store and sets no hide
        starts_on = 2026-03-16            # the Monday after the last trial

    Words are matched without regard to case and outer spaces; nothing else is
    guessed. A word may be given the meaning ``""``: an empty cell.
    """
    if file is None:
        path = settings_path(Path(records))
        try:
            if not path.exists():
                return Settings()
        except OSError:  # a path that cannot be one: reading the records tells of it
            return Settings()
    elif not _is_file(path := Path(file)):
        shown = shortened(str(path))
        raise UsageError(f"{shown}: no such settings file. Give the path of a unit.toml.")
    return _settings(_parsed(path), path)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


def settings_path(records_path: Path) -> Path:
    """Where ``unit.toml`` is looked for: inside the folder, or beside the workbook."""
    try:
        folder = records_path if records_path.is_dir() else records_path.parent
    except (OSError, ValueError):  # a name that nothing can have
        folder = records_path.parent
    return folder / FILE_NAME


def sections_of(path: Path) -> frozenset[str]:
    """Names of the sections a settings file has; empty where there is no file.

    Raises
    ------
    SettingsError
        If it cannot be read.
    """
    if not path.exists():
        return frozenset()
    sections: set[str] = set()

    def gather(table: Mapping[str, Any], name: str) -> None:
        for key, value in table.items():
            if isinstance(value, Mapping):
                inner = f"{name}.{key}" if name else key
                sections.add(inner)
                gather(value, inner)

    gather(_parsed(path), "")
    return frozenset(sections)


def text_there(path: Path) -> str:
    """The text of a settings file; empty where there is none.

    Raises
    ------
    SettingsError
        If it cannot be read.
    """
    try:
        if not path.exists():
            return ""
        if not path.is_file():
            raise SettingsError(f"{path}: not an ordinary file. Put the settings themselves there.")
        if path.stat().st_size > MAX_BYTES:
            raise SettingsError(f"{path}: larger than 1 MB. Keep to the settings of the unit.")
        return path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise SettingsError(f"{path}: it cannot be read ({reason}). Make it readable.") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: it is not UTF-8 text. Save it as UTF-8.") from error


def _parsed(path: Path) -> Mapping[str, Any]:
    text = text_there(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"{path}: not valid TOML: {error}. Text needs quotation marks; a section's name "
            "stands in [brackets], once, with all its lines below it."
        ) from error
    except RecursionError as error:
        raise SettingsError(f"{path}: nested too deeply. Keep it to the settings.") from error


def settings_of(text: str) -> Settings:
    """The settings that a text says, as a file of it would.

    Raises
    ------
    SettingsError
        If it cannot be used.
    """
    return _settings(tomllib.loads(text), Path(FILE_NAME))


def _settings(given: Mapping[str, Any], path: Path) -> Settings:
    found: dict[str, Any] = {}
    of_columns = (partial(_columns_of_tables, name) for name in _OF_COLUMNS)
    of_layout = (_tables, _columns, _header_rows, *of_columns, _words, _units)
    readers: Mapping[str, Any] = dict(zip(_LAYOUT, of_layout, strict=True))
    for key, value in given.items():
        if key in _KEYS and key:
            for name, inner in _section(value, key, path).items():
                if name not in _KEYS[key]:
                    raise SettingsError(_unknown(key, name, _KEYS[key], path))
                found[_FIELDS.get(name, name)] = inner
        elif key == "fold_labels":
            found[key] = _labels(value, path)
        elif key in _KEYS[""]:
            found[key] = value
        elif key in readers:
            found[key] = readers[key](_section(value, key, path), path)
        else:
            raise SettingsError(_unknown("", key, (*_KEYS[""], *_SECTIONS), path))

    def of(settings: type) -> dict[str, Any]:
        return {f.name: found[f.name] for f in fields(settings) if f.name in found}

    try:
        return Settings(
            RecordsSettings(**of(RecordsSettings)),
            DecisionSettings(
                **of(DecisionSettings),
                rule=ReliabilityRule(**of(ReliabilityRule)),
                early_warning=EarlyWarning(**of(EarlyWarning)),
            ),
            PlanSettings(**of(PlanSettings)),
        )
    except SettingValueError as error:
        raise SettingsError(f"{path}: {_place(error.setting)} {error.problem}") from error


def _place(name: str) -> str:
    """Where a setting stands in the file: its section and its key."""
    key = next((key for key, field in _FIELDS.items() if field == name), name)
    section = next(home for home, keys in _KEYS.items() if key in keys)
    return f"[{section}] {key}" if section else key


def _section(value: Any, name: str, path: Path) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise SettingsError(f"{path}: {name} is a section. Write it as [{name}] on a line alone.")
    return value


def _written(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:59] + "…"


def _unknown(section: str, key: str, known: tuple[str, ...], path: Path) -> str:
    where = f"[{section}] {key}" if section else key
    text = f"{path}: {where} is not a setting."
    if section and key in _KEYS[""]:
        return f"{text} {key} stands at the top of the file, above the first [section]."
    for home, names in _KEYS.items():
        if home and key in names:
            return f"{text} {key} stands in the section [{home}]."
    guess = process.extractOne(key, known, score_cutoff=70)
    if guess is not None:
        return f"{text} Perhaps {guess[0]}?"
    homes = {name: home for home, names in _KEYS.items() for name in names}
    guess = process.extractOne(key, list(homes), score_cutoff=80)
    if guess is not None:
        home = f" in the section [{homes[guess[0]]}]" if homes[guess[0]] else ""
        return f"{text} Perhaps {guess[0]}{home}?"
    return f"{text} Known here: {', '.join(known)}."


def _names(value: Any) -> tuple[str, ...] | None:
    """One name or several, trimmed; None where it is neither."""
    several = value if isinstance(value, list) else [value]
    if not several or not all(isinstance(name, str) and name.strip() for name in several):
        return None
    return tuple(dict.fromkeys(name.strip() for name in several))


def _labels(value: Any, path: Path) -> tuple[str, ...]:
    names = _names(value)
    if names is None or not set(names) <= set(LABELS):
        raise SettingsError(
            f"{path}: fold_labels = {_written(value)} cannot be used. Give a list of these: "
            f"{', '.join(LABELS)}."
        )
    return names


def _header_rows(given: Mapping[str, Any], path: Path) -> Mapping[str, int]:
    for table, row in given.items():
        if table not in TABLES:
            raise SettingsError(_unknown("header_row", table, tuple(TABLES), path))
        if not isinstance(row, int) or isinstance(row, bool) or not 1 <= row <= MOST_HEADER_ROW:
            raise SettingsError(
                f"{path}: [header_row] {table} = {_written(row)} cannot be used. Give the number "
                f"of the row that holds the column names, from 1 to {MOST_HEADER_ROW}."
            )
    return dict(given)


def _columns_of_tables(
    section: str, given: Mapping[str, Any], path: Path
) -> Mapping[str, tuple[str, ...]]:
    columns = {}
    for table, value in given.items():
        if table not in TABLES:
            raise SettingsError(_unknown(section, table, tuple(TABLES), path))
        names = _names(value)
        if names is None:
            raise SettingsError(
                f"{path}: [{section}] {table} = {_written(value)} cannot be used. "
                "Give the names of your columns in a list."
            )
        columns[table] = names
    return columns


def _tables(given: Mapping[str, Any], path: Path) -> Mapping[str, tuple[str, ...]]:
    tables: dict[str, tuple[str, ...]] = {}
    for table, name in given.items():
        if table not in TABLES:
            raise SettingsError(
                _unknown("tables", table, tuple(TABLES), path)
                + " It is written: our name = your name."
            )
        names = _names(name)
        if names is None:
            raise SettingsError(
                f"{path}: [tables] {table} = {_written(name)} cannot be used. "
                "Give the name of your file or sheet in quotation marks, or several in a list."
            )
        before = {other.casefold() for others in tables.values() for other in others}
        twice = next((name for name in names if name.casefold() in before), None)
        if twice is not None:
            raise SettingsError(
                f"{path}: [tables] names {twice!r} twice. One file or sheet can be only one table."
            )
        tables[table] = names
    return tables


def _columns(given: Mapping[str, Any], path: Path) -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    columns = {}
    for table, names in given.items():
        if table not in TABLES:
            raise SettingsError(_unknown("columns", table, tuple(TABLES), path))
        section = f"columns.{table}"
        theirs: dict[str, tuple[str, ...]] = {}
        for ours, name in _section(names, section, path).items():
            if ours not in TABLES[table].names:
                raise SettingsError(
                    _unknown(section, ours, TABLES[table].names, path)
                    + " It is written: our name = your name."
                )
            of_ours = _names(name)
            if of_ours is None:
                raise SettingsError(
                    f"{path}: [{section}] {ours} = {_written(name)} cannot be used. "
                    "Give the name of your column in quotation marks, or several in a list."
                )
            # A column that is one of several, as a date is, may be of another of ours too.
            before = {names[0] for names in theirs.values() if len(names) == 1}
            twice = next((one for one in of_ours if one in before and len(of_ours) == 1), None)
            if twice is not None:
                raise SettingsError(
                    f"{path}: [{section}] names the column {twice!r} twice. "
                    "One column can be only one thing."
                )
            theirs[ours] = of_ours
        columns[table] = theirs
    return columns


def _words(given: Mapping[str, Any], path: Path) -> Mapping[str, Mapping[str, str]]:
    known = {column.name: column for table in TABLES.values() for column in table.columns}
    words = {}
    for name, pairs in given.items():
        section = f"words.{name}"
        if name not in known:
            raise SettingsError(_unknown("words", name, tuple(known), path))
        meanings: dict[str, str] = {}
        folded: dict[str, str] = {}
        for theirs, ours in _section(pairs, section, path).items():
            allowed = known[name].words
            if name == "result":
                allowed = (*allowed, ALERTED, NOT_ALERTED)
            if name == "moved_to":
                allowed = (*allowed, BACK)
            if not isinstance(ours, str) or (allowed and ours not in (*allowed, "")):
                wanted = ", ".join(f'"{word}"' for word in allowed) or "text in quotation marks"
                raise SettingsError(
                    f'{path}: [{section}] "{theirs}" = {_written(ours)} cannot be used. '
                    f"It is written: your word = our word. Give {wanted}."
                )
            if folded.setdefault(theirs.strip().casefold(), ours) != ours:
                raise SettingsError(
                    f'{path}: [{section}] gives "{theirs.strip()}" two meanings. Keep one of them.'
                )
            meanings[theirs] = ours
        words[name] = meanings
    return words


def _units(given: Mapping[str, Any], path: Path) -> Mapping[str, str]:
    units: dict[str, str] = {}
    for key, value in given.items():
        if key in TABLES:
            section = f"units.{key}"
            known = tuple(name for name in TABLES[key].names if name in UNITS)
            for name, unit in _section(value, section, path).items():
                units[f"{key}.{name}"] = _unit(section, name, unit, known, path)
        else:
            units[key] = _unit("units", key, value, tuple(UNITS), path)
    return units


def _unit(section: str, name: str, unit: Any, known: tuple[str, ...], path: Path) -> str:
    if name not in known:
        raise SettingsError(_unknown(section, name, known, path))
    if not isinstance(unit, str) or unit not in UNITS[name]:
        wanted = ", ".join(f'"{known_unit}"' for known_unit in UNITS[name])
        raise SettingsError(
            f"{path}: [{section}] {name} = {_written(unit)} cannot be used. Give one of {wanted}."
        )
    return unit
