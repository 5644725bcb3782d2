"""Which files and sheets are our tables, guessed from names, columns and shared labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from outcomes.records.cell_kinds import Guess, column_of, filled_texts
from outcomes.records.columns import TABLES, Table
from outcomes.records.read import header_finder
from outcomes.records.reading.cells import CannotReadError, Cells, Place
from outcomes.records.reading.files import NO_PART, find_tables, same_columns
from outcomes.records.reading.fold import bare_label, fold_label
from outcomes.records.reading.gather import gather
from outcomes.records.reading.words import says_no_source
from outcomes.records.table_guess import TableGuess, guess_table, parts_of
from outcomes.settings import RecordsSettings

MOST_LOOKED_INTO = 20
MOST_LABELS = 3  # columns looked at for labels where no heading tells
UNIQUE = 0.95  # of the labels of a list, which names each thing once
SHARED = 0.5  # of the labels that another sheet uses, those that the list has
FEWEST_SHARED = 2


def guess_structure(
    path: Path, known: RecordsSettings
) -> tuple[dict[str, TableGuess], RecordsSettings]:
    """Every table as it seems to be kept, and the settings that say so.

    Parameters
    ----------
    path
        The records.
    known
        What the unit has said already, which stands.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    """
    try:
        places = find_tables(path, known.tables)
    except CannotReadError:
        return {}, known
    guesses = {
        name: guess_table(TABLES[name], found, True, known)
        for name, found in places.found.items()
        if found
    }
    by_content = _by_content(guesses, places.free, known)
    taken = {place.file for guess in by_content.values() for place in guess.places}
    guesses |= by_content
    for name in TABLES:
        likely = places.likely.get(name, ())
        if name not in guesses and name not in known.tables and likely:
            free = tuple(place for place in likely if place.file not in taken)
            if free:
                guesses[name] = guess_table(TABLES[name], free, False, known)
    guesses |= _by_labels(guesses, places.free, known)
    guesses = {name: guesses[name] for name in TABLES if name in guesses}
    tables = {n: tuple(p.sheet or p.path.stem for p in g.places)
              for n, g in guesses.items() if not g.named}  # fmt: skip
    columns = {
        n: {**known.columns.get(n, {}), **{ours: c.names for ours, c in g.columns.items()}}
        for n, g in guesses.items()
    }
    above = {n: (g.same_as_above[0],) for n, g in guesses.items() if g.same_as_above}
    ticked = {n: g.ticked for n, g in guesses.items() if g.ticked}
    dogs = {n: g.dog_columns for n, g in guesses.items() if g.dog_columns}
    said = replace(
        known,
        tables={**known.tables, **tables},
        columns={**known.columns, **{n: c for n, c in columns.items() if c}},
        same_as_above={**above, **known.same_as_above},
        ticked={**ticked, **known.ticked},
        dog_columns={**dogs, **known.dog_columns},
    )
    read = {
        name: replace(guess, cells=_read(guess.places, TABLES[name], said))
        for name, guess in guesses.items()
    }
    return read, said


def _read(places: Sequence[Place], table: Table, settings: RecordsSettings) -> Cells | None:
    parts = parts_of(places, header_finder(table, settings))
    return gather(parts, table, settings) if parts else None


def _by_content(
    guesses: Mapping[str, TableGuess], free: Mapping[str, Place], known: RecordsSettings
) -> dict[str, TableGuess]:
    """Trials and moves among sheets of other names, known by what their columns hold."""
    found: dict[str, TableGuess] = {}
    left = {name: place for name, place in [*free.items()][:MOST_LOOKED_INTO]}
    for table, is_one in (("trials", _tells_results), ("storage", _tells_moves)):
        if table in guesses or table in known.tables:
            continue
        of_table: dict[str, TableGuess] = {}
        for name, place in left.items():
            guess = guess_table(TABLES[table], (replace(place, name=table),), False, known)
            if guess.whole is not None and is_one(guess, guess.whole):
                of_table[name] = guess
        groups: list[list[str]] = []
        for name, guess in of_table.items():
            home = next((g for g in groups if _of_one_table(name, guess, g[0], of_table)), None)
            groups.append([name]) if home is None else home.append(name)
        if not groups:
            continue
        # Of several the one that holds most: the others are told as not read.
        best = max(groups, key=lambda group: sum(_rows(of_table[name]) for name in group))
        own = tuple(replace(left[name], name=table) for name in best)
        found[table] = guess_table(TABLES[table], own, False, known)
        left = {name: place for name, place in left.items() if name not in best}
    return found


def _rows(guess: TableGuess) -> int:
    return 0 if guess.whole is None else len(guess.whole.rows)


def _of_one_table(
    name: str, guess: TableGuess, other: str, guesses: Mapping[str, TableGuess]
) -> bool:
    """Whether two sheets are parts of one table, as those of two years are."""
    headers = [g.whole.header if g.whole else () for g in (guess, guesses[other])]
    return not any(NO_PART.search(n) for n in (name, other)) and same_columns(*headers)


def _there(guess: TableGuess, cells: Cells, *names: str) -> bool:
    return all(name in guess.columns or name in cells.header for name in names)


def _tells_results(guess: TableGuess, cells: Cells) -> bool:
    """Whether it has results of searches with dates and dogs."""
    across = bool(guess.dog_columns) and _there(guess, cells, "source_id")
    needed = ("started_at",) if across else ("result", "started_at", "dog_id")
    return _there(guess, cells, *needed)


def _tells_moves(guess: TableGuess, cells: Cells) -> bool:
    """Whether it has places with dates, and labels that come more than once."""
    moves = _there(guess, cells, "moved_to") or _there(guess, cells, "moved_back_at")
    if not moves or not _there(guess, cells, "moved_at"):
        return False
    known = [guess.columns["source_id"].names[0]] if "source_id" in guess.columns else []
    known += ["source_id"] if "source_id" in cells.header else []
    labels = known or guess.free[:MOST_LABELS]
    texts = [filled_texts(column_of(cells, name)) for name in labels if name in cells.header]
    # A column that names each row once makes it a list.
    return bool(texts) and all(len(set(t)) < UNIQUE * len(t) for t in texts if t)


def _by_labels(
    guesses: Mapping[str, TableGuess], free: Mapping[str, Place], known: RecordsSettings
) -> dict[str, TableGuess]:
    """Tables and columns of labels that no name tells: a list has each once, others use it."""
    found = dict(guesses)
    trials = found.get("trials")
    if trials is None or trials.whole is None:
        return found
    taken = {place.file for guess in found.values() for place in guess.places}
    left = [place for place in free.values() if place.file not in taken][:MOST_LOOKED_INTO]
    for table in ("sources", "dogs"):
        if table in known.tables:
            continue
        label = TABLES[table].key or ""
        used = _used(trials, label, known)
        homes = found[table].places if table in found and not found[table].named else None
        for places in [homes] if homes else [(place,) for place in left if table not in found]:
            of_list = _list_of(places, used, TABLES[table], known)
            if of_list is not None:
                found[table] = of_list
                left = [place for place in left if place not in places]
                break
    sources = found.get("sources")
    labels = _labels(sources, known)
    if not labels:
        return found
    for table in ("trials", "storage", "readings", "inspections"):
        if table in found:
            found[table] = _with_labels(found[table], TABLES[table], labels, known)
    if "storage" not in found and "storage" not in known.tables:
        for place in left:
            log = guess_table(TABLES["storage"], (replace(place, name="storage"),), False, known)
            log = _with_labels(log, TABLES["storage"], labels, known)
            to = log.columns.keys() & {"moved_to", "moved_back_at"}
            if to and {"source_id", "moved_at"} <= log.columns.keys():
                found["storage"] = log
                break
    return found


def _used(trials: TableGuess, label: str, known: RecordsSettings) -> list[frozenset[str]]:
    """Sets of labels in trials that may be those of the list: of its column, or of any left."""
    assert trials.whole is not None
    name = known.name_of("trials", label)
    if label in trials.columns:
        names = [trials.columns[label].names[0]]
    elif name in trials.whole.header:
        names = [name]
    else:
        names = list(trials.free)
    return [_folded(trials.whole, name) for name in names]


def _folded(cells: Cells, name: str) -> frozenset[str]:
    """The labels of a column, folded; words for no source are none."""
    texts = {t for t in filled_texts(column_of(cells, name)) if not says_no_source(t)}
    labels = frozenset(fold_label(text) for text in texts) - {""}
    bare = frozenset(fold_label(bare_label(text)) for text in texts) - {""}
    return bare if len(bare) == len(labels) else labels


def _list_of(
    places: tuple[Place, ...],
    used: Sequence[frozenset[str]],
    table: Table,
    known: RecordsSettings,
) -> TableGuess | None:
    """The sheet as the list of these labels; None where no column of it names them once each."""
    ours = tuple(replace(place, name=table.name) for place in places)
    guess = guess_table(table, ours, False, known)
    key = table.key or ""
    if guess.whole is None or not any(used):
        return None
    best, shared = None, 0.0
    for name in guess.whole.header:
        texts = filled_texts(column_of(guess.whole, name)) if name else []
        labels = frozenset(map(fold_label, texts)) - {""}
        if len(set(texts)) < UNIQUE * len(texts):
            continue
        for of_trials in used:
            both = len(labels & of_trials)
            share = both / max(len(of_trials), 1)
            if both >= FEWEST_SHARED and share >= SHARED and share > shared:
                best, shared = name, share
    if best is None or (key in guess.columns and guess.columns[key].names == (best,)):
        return guess if best is not None else None
    told = {key: Guess((best,), "by its labels, which the trials use")}
    return guess_table(table, ours, False, known, told)


def _labels(sources: TableGuess | None, known: RecordsSettings) -> frozenset[str]:
    """The folded labels of the list of sources."""
    if sources is None or sources.whole is None:
        return frozenset()
    name = known.name_of("sources", "source_id")
    if "source_id" in sources.columns:
        name = sources.columns["source_id"].names[0]
    return _folded(sources.whole, name) if name in sources.whole.header else frozenset()


def _with_labels(
    guess: TableGuess, table: Table, labels: frozenset[str], known: RecordsSettings
) -> TableGuess:
    """The table with its column of sources, where its name does not tell but its labels do."""
    cells = guess.whole
    if cells is None or "source_id" in known.columns.get(table.name, {}):
        return guess
    if "source_id" in cells.header:
        return guess
    taken = {name for ours, g in guess.columns.items() if ours != "source_id" for name in g.names}

    def share(name: str) -> float:
        mine = _folded(cells, name)
        return len(mine & labels) / len(mine) if len(mine & labels) >= FEWEST_SHARED else 0.0

    now = guess.columns["source_id"].names[0] if "source_id" in guess.columns else None
    shares = {name: share(name) for name in cells.header if name and name not in taken}
    best = max(shares, key=lambda name: shares[name], default=None)
    enough = SHARED if now is None else shares.get(now, 0.0) + SHARED
    if best is None or best == now or shares[best] < enough:
        return guess
    told = {"source_id": Guess((best,), "by its labels, which the list of sources has")}
    return guess_table(table, guess.places, guess.named, known, told)
