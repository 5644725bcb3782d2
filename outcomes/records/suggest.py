"""A ``unit.toml`` to start from, guessed from the records; people decide, nothing is applied."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from rapidfuzz import fuzz

from outcomes.records.columns import TABLES, Column, Table
from outcomes.records.findings import quoted
from outcomes.records.loading import CannotReadError, Cells, find_tables, load_table
from outcomes.records.spelling import fold
from outcomes.records.unit_file import load_settings
from outcomes.records.values import UNITS, clean, read_column, texts_of
from outcomes.settings import Settings

LEAST_LIKENESS = 72.0
MOST_WORDS = 12

# Names units give these columns, beside ours; only ever used to suggest.
_COLUMN_NAMES: Mapping[str, tuple[str, ...]] = {
    "source_id": ("source", "training aid", "aid", "sample", "source label", "aid number"),
    "kind": ("type", "tissue", "material", "source type"),
    "acquired_on": ("acquired", "received", "date received", "collected", "date acquired"),
    "age_at_acquisition_days": ("age when acquired", "age at receipt", "initial age"),
    "packaging": ("container", "packing", "packed"),
    "mass_g": ("weight", "mass", "amount", "grams"),
    "parent_id": ("parent", "cut from", "portion of", "parent source"),
    "moved_at": ("date", "moved", "date moved", "move date", "time", "when"),
    "moved_to": ("to", "location", "place", "storage", "stored in", "where"),
    "temperature_c": ("temperature", "temp", "air temperature"),
    "place_id": ("place number", "which freezer", "freezer number", "logger", "probe", "sensor"),
    "read_at": ("date time", "timestamp", "time", "date", "logged at", "measured at", "when"),
    "trial_id": ("trial", "number", "no", "run", "search number", "trial number", "id"),
    "session_id": ("session", "training session", "training day"),
    "started_at": ("date", "start", "start time", "date time", "started", "time", "when"),
    "dog_id": ("dog", "dog name", "k9", "canine"),
    "handler_id": ("handler", "handler name"),
    "result": ("outcome", "find or miss", "found", "response"),
    "false_alerts": ("false alert count", "false positives", "falses"),
    "search_s": ("search time", "time to find", "duration", "seconds", "time taken"),
    "limit_s": ("time limit", "limit", "max time"),
    "blinding": ("blind", "blinded", "single or double blind"),
    "set_min": ("set time", "soak time", "soak", "minutes set"),
    "hide_id": ("hide", "hide number", "placement number"),
    "humidity_pct": ("humidity", "relative humidity", "rh"),
    "wind_m_s": ("wind", "wind speed"),
    "setting": ("environment", "area", "terrain"),
    "placement": ("hide type", "position", "how placed"),
    "depth_cm": ("depth", "buried depth"),
    "assisted": ("helped", "help given", "handler helped", "prompted"),
    "started_on": ("started", "training started", "start date"),
    "qualified_on": ("qualified", "certified", "date qualified"),
    "born_on": ("born", "date of birth", "dob", "birth date"),
}

_WORDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "result": {
        "find": ("hit", "found", "located", "positive", "success"),
        "miss": ("missed", "not found", "no find", "fail", "failed", "negative"),
        "clear": ("all clear", "cleared", "correct negative", "no alert"),
        "false alert": ("false", "false positive", "false indication", "fa"),
    },
    "moved_to": {
        "freezer": ("frozen", "deep freeze", "deep freezer"),
        "refrigerator": ("fridge", "refrigerated", "cooler", "cold store"),
        "ambient": ("room", "room temperature", "out", "thawed", "field", "training"),
        "discarded": ("disposed", "destroyed", "thrown away", "disposal", "incinerated"),
    },
    "packaging": {
        "sealed": ("airtight", "closed", "vacuum"),
        "vented": ("perforated", "ventilated"),
        "open": ("uncovered", "none"),
    },
    "blinding": {
        "open": ("known", "not blind", "unblinded"),
        "single": ("single blind", "blind"),
        "double": ("double blind",),
    },
    "assisted": {"yes": ("y", "1", "x", "helped"), "no": ("n", "0", "unassisted")},
}

_UNIT_MARKS: Mapping[str, Mapping[str, str]] = {
    "temperature_c": {"F": r"\bf\b|°f|fahrenheit"},
    "depth_cm": {"in": r"\bin\b|inch", "ft": r"\bft\b|feet", "mm": r"\bmm\b"},
    "wind_m_s": {"mph": r"mph|miles", "km/h": r"km/?h|kph", "kn": r"\bkn\b|knots?"},
    "search_s": {"mm:ss": r"mm:ss", "min": r"\bmins?\b|minutes"},
    "limit_s": {"mm:ss": r"mm:ss", "min": r"\bmins?\b|minutes"},
    "mass_g": {"kg": r"\bkg\b", "oz": r"\boz\b|ounces", "lb": r"\blbs?\b|pounds"},
}


def likely_columns(table: Table, absent: Sequence[str], free: Sequence[str]) -> dict[str, str]:
    """For our columns that are absent, the unplaced column most like each.

    Parameters
    ----------
    table
        The table they belong to.
    absent
        Our names without a column.
    free
        The unit's columns without a place.

    Returns
    -------
    dict
        Our name → the unit's; each column once, only where they are alike.
    """
    scores = sorted(
        (
            (-_likeness(ours, theirs), not table.column(ours).needed, ours, theirs)
            for ours in absent
            for theirs in dict.fromkeys(free)
        ),
    )
    likely: dict[str, str] = {}
    for score, _, ours, theirs in scores:
        if -score < LEAST_LIKENESS:
            break
        if ours not in likely and theirs not in likely.values():
            likely[ours] = theirs
    return likely


def _likeness(ours: str, theirs: str) -> float:
    text = _plain(theirs)
    if not text:
        return 0.0
    names = (ours.replace("_", " "), *_COLUMN_NAMES.get(ours, ()))
    return max(fuzz.ratio(text, name) for name in names)


def _plain(name: str) -> str:
    """A column name without units, case, punctuation and run-together words."""
    name = re.sub(r"[(\[].*?[)\]]", " ", name)
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return " ".join(re.findall(r"[^\W_]+", name.casefold()))


def suggest_settings(path: str | Path, settings: Settings | None = None) -> str:
    """The text of a ``unit.toml`` to start from.

    Parameters
    ----------
    path
        The records, as for :func:`~outcomes.records.read.read_records`.
    settings
        What the unit has said already; None for the ``unit.toml`` beside the records.

    Returns
    -------
    str
        Valid TOML with a guess for each of the unit's columns and words that
        has no place yet. What is only possible is commented out. Empty of
        settings where nothing needs to be said.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    SettingsError
        If ``unit.toml`` cannot be used.
    """
    path = Path(path)
    known = load_settings(None, path) if settings is None else settings
    columns: list[str] = []
    words: dict[str, list[str]] = {}
    units: list[str] = []
    orders: set[str] = set()
    ambiguous = False
    for cells in _loaded(path):
        table = TABLES[cells.name]
        placed, guessed = _placed(cells, table, known)
        if guessed:
            columns += [f"[columns.{table.name}]  # our name = your name"]
            columns += [f"{ours} = {quoted(theirs)}" for ours, theirs in guessed.items()]
            columns += [""]
        for ours, theirs in (placed | guessed).items():
            column = table.column(ours)
            raw = cells.columns[cells.header.index(theirs)]
            texts = [clean(text) for text in texts_of(raw)[1]]
            if column.words:
                words.setdefault(ours, []).extend(_word_lines(column, texts, known))
            if column.type == "time" and known.date_order is None:
                orders |= _orders(texts)
                ambiguous |= "date ambiguous" in read_column(column, raw, known, table.name).rules
            units += _unit_lines(column, theirs, texts, known)
    return _toml(_order_lines(orders) if ambiguous else [], columns, words, units)


def _order_lines(orders: set[str]) -> list[str]:
    if len(orders) == 1:
        return [f"date_order = {quoted(min(orders))}", ""]
    return ['# date_order = "day first"  # or "month first"', ""]


def _toml(
    order: Sequence[str],
    columns: Sequence[str],
    words: Mapping[str, Sequence[str]],
    units: Sequence[str],
) -> str:
    lines = [
        "# Guessed from the records: read every line, correct it, and save it as unit.toml",
        "# beside them. Nothing here is applied until you do.",
        "",
        *order,
        *columns,
    ]
    for name, pairs in words.items():
        if pairs:
            lines += [f"[words.{name}]  # your word = our word", *dict.fromkeys(pairs), ""]
    if units:
        lines += ["[units]  # the unit a column is written in", *dict.fromkeys(units), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def _loaded(path: Path) -> list[Cells]:
    loaded = []
    try:
        places = find_tables(path)
    except CannotReadError:
        return []
    for found in places.found.values():
        for place in found[:1]:
            try:
                loaded.append(load_table(place))
            except CannotReadError:
                continue  # examine_records says what is wrong with this file
    return loaded


def _placed(
    cells: Cells, table: Table, settings: Settings
) -> tuple[dict[str, str], dict[str, str]]:
    mapped = settings.columns.get(table.name, {})
    placed = {
        name: mapped.get(name, name)
        for name in table.names
        if mapped.get(name, name) in cells.header
    }
    absent = [name for name in table.names if name not in placed]
    free = [name for name in cells.header if name and name not in placed.values()]
    return placed, likely_columns(table, absent, free)


def _word_lines(column: Column, texts: Sequence[str], settings: Settings) -> list[str]:
    said = {clean(word).casefold() for word in settings.words.get(column.name, {})}
    ours = {*column.words, *(("true", "false") if column.type == "yes or no" else ())}
    unknown = sorted(
        {t for t in texts if t and t.casefold() not in ours and t.casefold() not in said}
    )
    lines = []
    for text in unknown[:MOST_WORDS]:
        guess = _likely_word(column, text)
        if guess is None:
            choices = ", ".join(column.words)
            lines.append(f'# {quoted(text[:60])} = ""  # one of: {choices}')
        else:
            lines.append(f"{quoted(text)} = {quoted(guess)}")
    if len(unknown) > MOST_WORDS:
        lines.append(f"# and {len(unknown) - MOST_WORDS} more words")
    return lines


def _likely_word(column: Column, text: str) -> str | None:
    names = _WORDS.get(column.name, {})
    for word in column.words:
        if fold(text) in {fold(word), *(fold(name) for name in names.get(word, ()))}:
            return word
    best = max(column.words, key=lambda word: fuzz.ratio(text.casefold(), word))
    return best if fuzz.ratio(text.casefold(), best) >= 80 else None


def _orders(texts: Sequence[str]) -> set[str]:
    """Orders that some date of the column can only be read in."""
    pairs = [re.match(r"(\d{1,2})[/.\-](\d{1,2})[/.\-]\d{2,4}\b", text) for text in texts]
    numbers = np.array([(int(m[1]), int(m[2])) for m in pairs if m]).reshape(-1, 2)
    orders = set()
    if (numbers[:, 0] > 12).any():
        orders.add("day first")
    if (numbers[:, 1] > 12).any():
        orders.add("month first")
    return orders


def _unit_lines(column: Column, theirs: str, texts: Sequence[str], settings: Settings) -> list[str]:
    if column.name not in UNITS or column.name in settings.units:
        return []
    for unit, mark in _UNIT_MARKS.get(column.name, {}).items():
        if re.search(mark, theirs.replace("_", " "), re.IGNORECASE):
            return [f"{column.name} = {quoted(unit)}"]
    clocks = [text for text in texts if re.fullmatch(r"\d{1,3}:[0-5]\d", text)]
    if clocks and "mm:ss" in UNITS[column.name]:
        return [f'{column.name} = "mm:ss"']
    return []
