"""Records with codes in the place of names, and the key that turns codes back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.errors import UsageError
from outcomes.records.checking.rules import RULES
from outcomes.records.columns import ADDED, TABLES
from outcomes.records.csv_text import csv_bytes
from outcomes.records.tables import Finding, Records
from outcomes.report.out_folder import check_name
from outcomes.settings import RecordsSettings

_OF = {
    "dog_id": ("dog", "D"),
    "handler_id": ("handler", "H"),
    "source_id": ("source", "S"),
    "parent_id": ("source", "S"),
    "trial_id": ("trial", "T"),
    "session_id": ("session", "N"),
    "hide_id": ("hide", "P"),
    "place_id": ("place", "L"),
}
_SHORTEST = 3  # letters from which a name is looked for within other words
WITHHELD = "(withheld)"


def without_names(records: Records) -> tuple[Records, pd.DataFrame]:
    """The same records with every dog, handler, source, trial, session, hide and place coded.

    Codes are given in the order of first mention, so that the same records get
    the same codes. Columns the toolkit does not know, free notes among them, are
    left out; what was found wrong is told by its rule, without the values found.
    Names of files and of unusual kinds or places of a search may name somebody
    too: a file is told as its table, and a name within such a word is replaced. The
    unit's own names of tables and columns, and its spellings of names, are left out
    of the settings.

    Parameters
    ----------
    records
        As read and checked.

    Returns
    -------
    Records
        To be used in the place of those given.
    DataFrame
        The key: ``what``, ``name`` and ``code``, text.
    """
    frames = {name: getattr(records, name) for name in TABLES}
    codes = _codes(frames)
    key = pd.DataFrame(
        [(what, name, code) for what, given in codes.items() for name, code in given.items()],
        columns=["what", "name", "code"],
        dtype=object,
    )
    coded = {name: _coded(name, frame, codes) for name, frame in frames.items()}
    findings = tuple(_told_by_rule(f) for f in records.findings)
    new = replace(
        records,
        sources=coded["sources"],
        storage=coded["storage"],
        trials=coded["trials"],
        dogs=coded["dogs"],
        readings=coded["readings"],
        findings=findings,
        files=tuple(replace(f, file=" and ".join(f.tables)) for f in records.files),
        settings=_settings(records.settings),
    )
    return new, key


def _settings(settings: RecordsSettings) -> RecordsSettings:
    """The settings without what a unit calls its files and what it says for a name or a place."""
    fixed = {c.name for table in TABLES.values() for c in table.columns if c.words}
    return replace(
        settings,
        tables={},
        columns={},
        words={name: said for name, said in settings.words.items() if name in fixed},
    )


def _codes(frames: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, str]]:
    """What is named → name → code."""
    found: dict[str, dict[str, None]] = {}
    for frame in frames.values():
        for column, (what, _) in _OF.items():
            if column in frame:
                mentioned = [str(name) for name in frame[column].dropna().unique()]
                found.setdefault(what, {}).update(dict.fromkeys(mentioned))
    letter = dict(_OF.values())
    codes = {}
    for what, names in found.items():
        wide = max(len(str(len(names))), 2)
        codes[what] = {
            name: f"{letter[what]}{number:0{wide}d}" for number, name in enumerate(names, start=1)
        }
    return codes


def _coded(table: str, frame: pd.DataFrame, codes: Mapping[str, Mapping[str, str]]) -> pd.DataFrame:
    known = {c.name: c for c in TABLES[table].columns}
    kept = frame[[c for c in frame if c in known or c in ADDED[table]]].copy()
    for column in kept:
        if column in _OF:
            given = codes[_OF[column][0]]
            kept[column] = kept[column].map(
                lambda name, given=given: None if pd.isna(name) else given[str(name)]
            )
        elif column in known and known[column].type == "text":
            kept[column] = _without(kept[column], codes)
    return kept.assign(file=table) if "file" in kept else kept


def _without(texts: pd.Series[str], codes: Mapping[str, Mapping[str, str]]) -> pd.Series[str]:
    """Texts with any name in them replaced by its code."""
    given = {n.casefold(): c for names in codes.values() for n, c in names.items()}
    long = sorted((n for n in given if len(n) >= _SHORTEST), key=len, reverse=True)
    if not long:
        return texts
    pattern = re.compile("|".join(re.escape(name) for name in long), re.IGNORECASE)
    spelt = {
        text: pattern.sub(lambda found: given.get(found[0].casefold(), WITHHELD), text)
        for text in texts.dropna().unique()
    }
    return texts.map(lambda text: spelt.get(text, text))


def _told_by_rule(finding: Finding) -> Finding:
    """The finding with all that was found left out: where it is, and which rule it breaks."""
    rule = RULES.get(finding.rule)
    problem, mend = ("", "") if rule is None else (rule.problem, rule.mend)
    return replace(
        finding,
        file=finding.table,
        value=None if finding.value is None else WITHHELD,
        problem=re.sub(r"\{[^}]*\}", "…", problem) or finding.rule,
        mend=re.sub(r"\{[^}]*\}", "…", mend),
    )


def check_key(key: Path, folder: Path) -> None:
    """Refuse a place for the key that is within the folder handed on.

    Raises
    ------
    UsageError
        The key would lie within ``folder``.
    """
    check_name(key)
    if key.resolve().is_relative_to(folder.resolve()):
        raise UsageError(
            f"the key to the names must not lie with what is handed on: {key} is within {folder}. "
            "Name another place with --key FILE."
        )


def key_to_write(key: Path, table: pd.DataFrame) -> bytes | None:
    """The key's bytes; None where that very key is there already.

    Raises
    ------
    UsageError
        Another file is there: it is never written over.
    """
    content = csv_bytes(table)
    if not key.exists():
        return content
    if key.is_file() and key.read_bytes() == content:
        return None
    raise UsageError(
        f"{key} is there already and is not written over. Name another place with --key FILE."
    )
