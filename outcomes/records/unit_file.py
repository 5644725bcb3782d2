"""``unit.toml`` → :class:`~outcomes.settings.Settings`."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rapidfuzz import process

from outcomes.errors import SettingsError, UsageError
from outcomes.records.columns import TABLES
from outcomes.records.values import UNITS
from outcomes.settings import EarlyWarning, ReliabilityRule, Settings

FILE_NAME = "unit.toml"
MAX_BYTES = 1_000_000

_Check = Callable[[Any], bool]


def _number(low: float, high: float, *, open_ends: bool = False) -> tuple[_Check, str]:
    def check(value: Any) -> bool:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        return low < value < high if open_ends else low <= value <= high

    between = "strictly between" if open_ends else "from"
    joined = f"{low:g} and {high:g}" if open_ends else f"{low:g} to {high:g}"
    return check, f"a number {between} {joined}"


def _whole(low: int, high: float = math.inf) -> tuple[_Check, str]:
    def check(value: Any) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high

    if math.isfinite(high):
        return check, f"a whole number from {low} to {high:g}"
    return check, f"a whole number of at least {low}"


def _one_of(*words: str) -> tuple[_Check, str]:
    return (lambda value: value in words), " or ".join(f'"{word}"' for word in words)


_TEXT: tuple[_Check, str] = (lambda value: isinstance(value, str)), "text in quotation marks"
_FLAG: tuple[_Check, str] = (lambda value: isinstance(value, bool)), "true or false"

# Section → key → what its value must be. The empty section is the top of the file.
_SCALARS: Mapping[str, Mapping[str, tuple[_Check, str]]] = {
    "": {
        "unit": _TEXT,
        "date_order": _one_of("day first", "month first"),
        "decimal": _one_of(".", ","),
    },
    "temperatures": {
        "freezer_c": _number(-90, 0),
        "refrigerator_c": _number(-10, 20),
        "ambient_c": _number(-30, 50),
    },
    "exposure": {
        "thaw_after_h": _number(0, 168),
        "base_c": _number(-20, 20),
        "frozen_at_least": _number(0, 1),
        "refrigerated_at_most": _number(0, 1),
        "unlogged_thaws": _one_of("infer", "strict"),
    },
    "readings": {
        "thawed_above_c": _number(-5, 10),
        "frozen_below_c": _number(-20, 10),
        "longest_gap_h": _number(0, 168),
    },
    "decision": {
        "floor": _number(0, 1, open_ends=True),
        "confidence": _number(0.5, 1, open_ends=True),
        "alpha": _number(0, 0.5, open_ends=True),
        "seed": _whole(0),
    },
    "rule": {"misses": _whole(1), "window": _whole(1), "qualified_only": _FLAG},
    "early_warning": {
        "odds_ratio": _number(1, 20, open_ends=True),
        "false_call": _number(0, 0.5, open_ends=True),
        "within": _whole(5, 1000),
    },
}
_SECTIONS = ("tables", "columns", "words", "units", *(name for name in _SCALARS if name))


def load_settings(path: Path | None, records_path: Path) -> Settings:
    """Read the unit's settings.

    Parameters
    ----------
    path
        A settings file, or None for ``unit.toml`` beside the records (inside
        the folder, or in the same folder as the workbook).
    records_path
        The records, a folder or a workbook.

    Returns
    -------
    Settings
        The defaults where there is no ``unit.toml`` and none was asked for.

    Raises
    ------
    UsageError
        If ``path`` is given and is not a file.
    SettingsError
        If the file cannot be read, or holds a key or a value that is not known.

    Notes
    -----
    What the file may hold; all of it is optional::

        unit = "North Valley"             # the unit's name
        date_order = "day first"          # or "month first"
        decimal = ","                     # if numbers are written 12,5

        [tables]                          # our name = your file's or sheet's name
        storage = "Storage log"

        [columns.trials]                  # our name = your name
        result = "Outcome"

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

        [readings]                        # of a temperature logger
        thawed_above_c = 0
        frozen_below_c = -1
        longest_gap_h = 2                 # readings further apart leave a gap

        [decision]
        floor = 0.85
        confidence = 0.90
        alpha = 0.05
        seed = 1

        [rule]                            # when a source counts as unreliable
        misses = 2
        window = 3
        qualified_only = true

        [early_warning]
        odds_ratio = 2
        false_call = 0.05
        within = 50

    Words are matched without regard to case and outer spaces; nothing else is
    guessed. A word may be given the meaning ``""``: an empty cell.
    """
    if path is None:
        path = settings_path(records_path)
        try:
            if not path.exists():
                return Settings()
        except OSError:  # a path that cannot be one: reading the records tells of it
            return Settings()
    elif not path.is_file():
        raise UsageError(f"{path}: no such settings file. Give the path of a unit.toml.")
    return _settings(_parsed(path), path)


def settings_path(records_path: Path) -> Path:
    """Where ``unit.toml`` is looked for: inside the folder, or beside the workbook."""
    folder = records_path if records_path.is_dir() else records_path.parent
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


def _parsed(path: Path) -> Mapping[str, Any]:
    try:
        if not path.is_file():
            raise SettingsError(f"{path}: not an ordinary file. Put the settings themselves there.")
        if path.stat().st_size > MAX_BYTES:
            raise SettingsError(f"{path}: larger than 1 MB. Keep to the settings of the unit.")
        return tomllib.loads(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise SettingsError(f"{path}: it cannot be read ({reason}). Make it readable.") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: it is not UTF-8 text. Save it as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"{path}: not valid TOML: {error}. Text needs quotation marks; a section's name "
            "stands in [brackets], once, with all its lines below it."
        ) from error
    except RecursionError as error:
        raise SettingsError(f"{path}: nested too deeply. Keep it to the settings.") from error


def _settings(given: Mapping[str, Any], path: Path) -> Settings:
    found: dict[str, Any] = {}
    readers = {"tables": _tables, "columns": _columns, "words": _words, "units": _units}
    for key, value in given.items():
        if key in _SCALARS and key:
            section = _section(value, key, path)
            for name, inner in section.items():
                found[name] = _scalar(key, name, inner, path)
        elif key in _SCALARS[""]:
            found[key] = _scalar("", key, value, path)
        elif key in readers:
            found[key] = readers[key](_section(value, key, path), path)
        else:
            raise SettingsError(_unknown("", key, (*_SCALARS[""], *_SECTIONS), path))
    rule = {name: found.pop(name) for name in _SCALARS["rule"] if name in found}
    warning = {name: found.pop(name) for name in _SCALARS["early_warning"] if name in found}
    if "longest_gap_h" in found:
        found["longest_reading_gap_h"] = found.pop("longest_gap_h")
    settings = Settings(
        **found, rule=ReliabilityRule(**rule), early_warning=EarlyWarning(**warning)
    )
    if settings.rule.misses > settings.rule.window:
        raise SettingsError(
            f"{path}: [rule] misses ({settings.rule.misses}) is more than window "
            f"({settings.rule.window}). A rule counts misses within a window of trials."
        )
    if settings.refrigerated_at_most >= settings.frozen_at_least:
        raise SettingsError(
            f"{path}: [exposure] refrigerated_at_most must be less than frozen_at_least."
        )
    if settings.frozen_below_c > settings.thawed_above_c:
        raise SettingsError(
            f"{path}: [readings] frozen_below_c must not be more than thawed_above_c."
        )
    return settings


def _section(value: Any, name: str, path: Path) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise SettingsError(f"{path}: {name} is a section. Write it as [{name}] on a line alone.")
    return value


def _scalar(section: str, name: str, value: Any, path: Path) -> Any:
    known = _SCALARS[section]
    if name not in known:
        raise SettingsError(_unknown(section, name, tuple(known), path))
    check, wanted = known[name]
    if not check(value):
        where = f"[{section}] {name}" if section else name
        share = section == "decision" and isinstance(value, int | float) and 1 < value < 100
        hint = f": perhaps {value / 100:.2f}" if share else ""
        raise SettingsError(
            f"{path}: {where} = {_written(value)} cannot be used. Give {wanted}{hint}."
        )
    if (
        isinstance(value, int)
        and not isinstance(value, bool)
        and name
        not in (
            "seed",
            "misses",
            "window",
        )
    ):
        return float(value)
    return value


def _written(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:59] + "…"


def _unknown(section: str, key: str, known: tuple[str, ...], path: Path) -> str:
    where = f"[{section}] {key}" if section else key
    text = f"{path}: {where} is not a setting."
    if section and key in _SCALARS[""]:
        return f"{text} {key} stands at the top of the file, above the first [section]."
    for home, names in _SCALARS.items():
        if home and key in names:
            return f"{text} {key} stands in the section [{home}]."
    guess = process.extractOne(key, known, score_cutoff=70)
    if guess is not None:
        return f"{text} Perhaps {guess[0]}?"
    homes = {name: home for home, names in _SCALARS.items() for name in names}
    guess = process.extractOne(key, list(homes), score_cutoff=80)
    if guess is not None:
        home = f" in the section [{homes[guess[0]]}]" if homes[guess[0]] else ""
        return f"{text} Perhaps {guess[0]}{home}?"
    return f"{text} Known here: {', '.join(known)}."


def _tables(given: Mapping[str, Any], path: Path) -> Mapping[str, str]:
    tables: dict[str, str] = {}
    for table, name in given.items():
        if table not in TABLES:
            raise SettingsError(
                _unknown("tables", table, tuple(TABLES), path)
                + " It is written: our name = your name."
            )
        if not isinstance(name, str) or not name.strip():
            raise SettingsError(
                f"{path}: [tables] {table} = {_written(name)} cannot be used. "
                "Give the name of your file or sheet in quotation marks."
            )
        if name.strip().casefold() in (other.casefold() for other in tables.values()):
            raise SettingsError(
                f"{path}: [tables] names {name.strip()!r} twice. One file or sheet can be only "
                "one table."
            )
        tables[table] = name.strip()
    return tables


def _columns(given: Mapping[str, Any], path: Path) -> Mapping[str, Mapping[str, str]]:
    columns = {}
    for table, names in given.items():
        if table not in TABLES:
            raise SettingsError(_unknown("columns", table, tuple(TABLES), path))
        section = f"columns.{table}"
        theirs: dict[str, str] = {}
        for ours, name in _section(names, section, path).items():
            if ours not in TABLES[table].names:
                raise SettingsError(
                    _unknown(section, ours, TABLES[table].names, path)
                    + " It is written: our name = your name."
                )
            if not isinstance(name, str) or not name.strip():
                raise SettingsError(
                    f"{path}: [{section}] {ours} = {_written(name)} cannot be used. "
                    "Give the name of your column in quotation marks."
                )
            if name.strip() in theirs.values():
                raise SettingsError(
                    f"{path}: [{section}] names the column {name.strip()!r} twice. "
                    "One column can be only one thing."
                )
            theirs[ours] = name.strip()
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
