"""``plan.json``, the key of a plan: which planned trial lay over which source."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec

from outcomes.errors import RecordsError, UsageError

FILE_NAME = "plan.json"
MAX_BYTES = 50_000_000
_LONGEST_SHOWN = 100
_DIGEST = re.compile(rb"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")
_MEND = "Use the plan.json that was written with the sheets."


@dataclass(frozen=True, slots=True)
class KeyTrial:
    """One planned trial, as far as the records need it.

    Attributes
    ----------
    plan_id
        Its random label.
    day
        Day of the plan, 1 on its first.
    dog_id
        The dog that is to search.
    source_id
        What lies in the area; None: a blank area.
    """

    plan_id: str
    day: int
    dog_id: str
    source_id: str | None


@dataclass(frozen=True, slots=True)
class KeyMove:
    """A source moved on a day of the plan; a move to ``ambient`` is back at its end."""

    day: int
    moved_to: str


@dataclass(frozen=True, slots=True)
class KeySource:
    """What the plan does with a source, or with a portion cut from ``parent_id``."""

    source_id: str
    parent_id: str | None
    kind: str
    container: str
    moves: tuple[KeyMove, ...]


@dataclass(frozen=True, slots=True)
class _Document:
    """The part of the file that reading records needs."""

    starts_on: dt.date
    key_sha256: str
    trials: tuple[KeyTrial, ...]
    storage: tuple[KeySource, ...]


@dataclass(frozen=True, slots=True)
class PlanFile:
    """The key as read.

    Attributes
    ----------
    file, content
        Name of the file without its folder, and its bytes.
    starts_on
        The plan's first day.
    trials
        ``plan_id`` → the planned trial.
    storage
        What the plan does with sources.
    workbook
        The sheets written together with it, where they lie beside it; else None.
    """

    file: str
    content: bytes
    starts_on: dt.date
    trials: Mapping[str, KeyTrial]
    storage: tuple[KeySource, ...]
    workbook: Path | None = None

    def date_of(self, day: int) -> dt.date:
        """The date of a day of the plan."""
        return self.starts_on + dt.timedelta(days=day - 1)


def find_plan(records: Path, plan: Path | None = None) -> PlanFile | None:
    """The key of a plan: the file named, or ``plan.json`` beside the records.

    Parameters
    ----------
    records
        The records, a folder or a workbook.
    plan
        The key, or the folder that it lies in; None: what is beside the records, if anything.

    Returns
    -------
    PlanFile or None
        None where none was named and none is there.

    Raises
    ------
    UsageError
        There is no such file.
    RecordsError
        It is not a plan, or its sheets beside it are those of another.
    """
    if plan is not None:
        path = plan / FILE_NAME if plan.is_dir() else plan
        if not _is_file(path):
            raise UsageError(
                f"{str(plan)[:_LONGEST_SHOWN]}: no such plan. Give the path of a plan.json."
            )
        return read_plan_file(path)
    beside = (records if records.is_dir() else records.parent) / FILE_NAME
    return read_plan_file(beside) if _is_file(beside) else None


def read_plan_file(path: Path) -> PlanFile:
    """Read a key.

    Raises
    ------
    RecordsError
        It cannot be read, is not a plan, or the workbook beside it is not of this plan.
    """
    content = _content(path)
    try:
        told = msgspec.json.decode(content, type=_Document)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise RecordsError(
            f"{path}: not a plan ({str(error)[:_LONGEST_SHOWN]}). {_MEND}"
        ) from error
    book = path.with_suffix(".xlsx")
    workbook = book if _is_file(book) else None
    if workbook is not None:
        _check_same_plan(workbook, path, told.key_sha256)
    return PlanFile(
        file=path.name,
        content=content,
        starts_on=told.starts_on,
        trials={trial.plan_id: trial for trial in told.trials},
        storage=told.storage,
        workbook=workbook,
    )


def _content(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise RecordsError(f"{path}: larger than 50 MB, so it is no plan. Give a plan.json.")
        return path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise RecordsError(f"{path}: it cannot be read ({reason}). Make it readable.") from error


def _check_same_plan(workbook: Path, path: Path, digest: str) -> None:
    """Refuse sheets that bear the digest of another key; one without any is let pass."""
    try:
        with zipfile.ZipFile(workbook) as archive:
            found = {
                match.decode()
                for part in archive.namelist()
                if part.endswith(".xml") and archive.getinfo(part).file_size <= MAX_BYTES
                for match in _DIGEST.findall(archive.read(part))
            }
    except (OSError, ValueError, zipfile.BadZipFile, RuntimeError, NotImplementedError):
        return  # what is wrong with it is told where its sheets are read
    if found and digest not in found:
        raise RecordsError(
            f"{path} is not the key of {workbook.name} beside it: the sheets bear the SHA-256 "
            f"{sorted(found)[0][:12]}…, the file has {digest[:12]}…. Put the plan.json there that "
            "was written with these sheets, unchanged."
        )


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that nothing can have
        return False
