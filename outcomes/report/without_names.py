"""Records with codes in the place of names, and the key that turns codes back."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from outcomes.errors import UsageError
from outcomes.planning.document import key_digest, plan_bytes, plan_from_bytes
from outcomes.random_streams import random_stream
from outcomes.records.checking.rules import RULES
from outcomes.records.columns import ADDED, TABLES
from outcomes.records.csv_text import csv_bytes
from outcomes.records.plan_file import PlanFile
from outcomes.records.tables import Finding, Records
from outcomes.report.out_folder import check_name
from outcomes.settings import RecordsSettings

_OF = {
    "dog_id": ("dog", "D"),
    "handler_id": ("handler", "H"),
    "inspected_by": ("handler", "H"),
    "source_id": ("source", "S"),
    "parent_id": ("source", "S"),
    "trial_id": ("trial", "T"),
    "session_id": ("session", "N"),
    "hide_id": ("hide", "P"),
    "place_id": ("place", "L"),
}
_SHORTEST = 3  # letters from which a name is looked for within other words; shorter ones, alone
WITHHELD = "(withheld)"


def without_names(records: Records, seed: int) -> tuple[Records, pd.DataFrame]:
    """The same records with every dog, handler, source, trial, session, hide and place coded.

    Codes are dealt out by the seed, so that they say nothing of the order of rows and the
    same records get the same codes. Columns the toolkit does not know, free notes among them, are
    left out; what was found wrong is told by its rule, without the values found.
    Names of files and of unusual kinds or places of a search may name somebody
    too: a file is told as its table, and a name within such a word is replaced. The
    unit's own names of tables and columns, and its spellings of names, are left out
    of the settings.

    Parameters
    ----------
    records
        As read and checked.
    seed
        Of the settings.

    Returns
    -------
    Records
        To be used in the place of those given.
    DataFrame
        The key: ``what``, ``name`` and ``code``, text.
    """
    frames = {name: getattr(records, name) for name in TABLES}
    codes = _codes(frames, seed)
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
        inspections=coded["inspections"],
        findings=findings,
        files=tuple(replace(f, file=" and ".join(f.tables)) for f in records.files),
        settings=_settings(records.settings, codes),
        plan=None if records.plan is None else _coded_key(records.plan, codes),
    )
    return new, key


def free_words(coded: Records) -> dict[str, Sequence[str]]:
    """A unit's own words that codes do not replace, and that go out as they are.

    Parameters
    ----------
    coded
        From :func:`without_names`.

    Returns
    -------
    dict
        Column → its words, the commonest first; ``unit`` → the unit's name, where it has one.
    """
    found: dict[str, Sequence[str]] = {}
    if coded.settings.unit:
        found["unit"] = (coded.settings.unit,)
    for name in TABLES:
        frame = getattr(coded, name)
        for column in TABLES[name].columns:
            if column.type == "text" and column.name in frame:
                words = frame[column.name].dropna().value_counts().index
                if len(words):
                    found[column.name] = tuple(map(str, words))
    return found


def _settings(settings: RecordsSettings, codes: Mapping[str, Mapping[str, str]]) -> RecordsSettings:
    """The settings without what a unit calls its files and what it says for a name or a place."""
    fixed = {c.name for table in TABLES.values() for c in table.columns if c.words}
    return replace(
        settings,
        tables={},
        columns={},
        same_as_above={},
        ticked={},
        dog_columns={},
        words={
            name: dict(zip(_without(pd.Series([*said]), codes), said.values(), strict=True))
            for name, said in settings.words.items()
            if name in fixed
        },
    )


def _codes(frames: Mapping[str, pd.DataFrame], seed: int) -> dict[str, dict[str, str]]:
    """What is named → name → code."""
    found: dict[str, dict[str, None]] = {}
    for frame in frames.values():
        for column, (what, _) in _OF.items():
            if column in frame:
                mentioned = [str(name) for name in frame[column].dropna().unique()]
                found.setdefault(what, {}).update(dict.fromkeys(mentioned))
    letter = dict(_OF.values())
    codes = {}
    for part, (what, names) in enumerate(found.items()):
        wide = max(len(str(len(names))), 2)
        # By the names and not the rows: of sorted names no order of rows is left.
        order = random_stream(seed, "codes", part).permutation(len(names))
        codes[what] = {
            name: f"{letter[what]}{number + 1:0{wide}d}"
            for name, number in zip(sorted(names), order.tolist(), strict=True)
        }
    return codes


def _coded_key(key: PlanFile, codes: Mapping[str, Mapping[str, str]]) -> PlanFile:
    """The key of a plan with codes, sealed anew."""
    plan = plan_from_bytes(key.content, key.file)
    # What is planned and not on record has no code: it gets one that no record has.
    more = {
        what: {name: f"{what} {n + 1} of the plan" for n, name in enumerate(names)}
        for what, names in (
            ("source", sorted({s.source_id for s in plan.storage})),
            ("dog", sorted({t.dog_id for t in plan.trials})),
            ("handler", sorted({t.handler_id for t in plan.trials if t.handler_id})),
        )
    }

    def code(what: str, name: str | None) -> str | None:
        if name is None:
            return None
        return codes.get(what, {}).get(name) or more[what].get(name, WITHHELD)

    def needed(what: str, name: str) -> str:
        return code(what, name) or WITHHELD

    trials = tuple(
        replace(
            trial,
            dog_id=needed("dog", trial.dog_id),
            handler_id=code("handler", trial.handler_id),
            source_id=code("source", trial.source_id),
        )
        for trial in plan.trials
    )
    storage = tuple(
        replace(
            source,
            source_id=needed("source", source.source_id),
            parent_id=code("source", source.parent_id),
        )
        for source in plan.storage
    )
    coded = replace(plan, trials=trials, storage=storage, key_sha256=key_digest(trials, storage))
    return PlanFile(key.file, plan_bytes(coded), key.starts_on, {}, ())


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
    if not given:
        return texts
    # A short name is one only where it stands alone: Bo, and not the beginning of bone.
    pattern = re.compile(
        "|".join(
            re.escape(name) if len(name) >= _SHORTEST else rf"(?<!\w){re.escape(name)}(?!\w)"
            for name in sorted(given, key=len, reverse=True)
        ),
        re.IGNORECASE,
    )
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
