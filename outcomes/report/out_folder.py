"""The folder that results go to: never one that holds records. Loads next to nothing."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from pathlib import Path

from outcomes.errors import OutputError, UsageError

FILES = (
    "briefing.html",
    "figure.png",
    "figure.svg",
    "figure.pdf",
    "results.json",
    "trials.csv",
    "set_aside.csv",
)

_RECORDS = ("sources", "storage", "trials", "dogs", "readings", "inspections")
_TABLE_ENDINGS = (".csv", ".parquet")
_FIGURES = (".png", ".pdf", ".svg")
# Columns that no one hands over, or not side by side: only a file of ours has them all.
JOINED = ("trial_id", "held_days", "age_days", "cycles", "degree_hours")
SET_ASIDE = ("file", "row", "column", "value", "reason")
_COLUMNS = {"trials.csv": JOINED, "set_aside.csv": SET_ASIDE}
_LOOK_BYTES = 1 << 16
_LONGEST_SHOWN = 60
# What a figure, a page and results of ours hold near their beginning, and no one else's.
_SVG = b'aria-labelledby="figure-title"'
_PAGE = b": do stored sources change what the dogs find?</title>"
_RESULTS = b'"name": "outcomes"'
REPLACED = "it replaced the file that was there"


def check_out(folder: Path, records: Path, names: Sequence[str] = FILES) -> None:
    """Refuse to write where records lie, these or another unit's.

    Parameters
    ----------
    folder
        Where results are to be written.
    records
        The records they are made from: a folder, or a workbook.
    names
        Names of the files to be written.

    Raises
    ------
    UsageError
        ``folder`` is the records' own folder, holds tables of records, is where
        the workbook lies and would get a file named like a table of records,
        is there and is not a folder, or cannot be made where it is to be.
    OutputError
        A file of one of these names is there and is not one of ours.
    """
    check_name(folder)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file, not a folder. Name a folder to write to.")
    taken = [name for name in names if _is_table(Path(name))]
    # The demo's records are still to be written: a folder, though it is not there yet.
    home = records.parent if records.is_file() else records
    if folder.resolve() == home.resolve() and (home is records or taken):
        raise UsageError(f"--out {folder} is where the records are. Name another folder.")
    if not folder.is_dir():
        _check_place(folder)
        return
    # A table of trials beside our own results is one that an earlier run wrote.
    ours = {Path(name).stem for name in taken} if (folder / "results.json").is_file() else set()
    for entry in folder.iterdir():
        if _is_table(entry) and entry.stem.lower() not in ours:
            raise UsageError(f"--out {folder} holds tables of records. Name another folder.")
    for name in names:
        if name in FILES or Path(name).suffix.lower() in _FIGURES:
            check_replaced(folder / name, _COLUMNS.get(name, ()))


def check_name(path: Path) -> None:
    """Refuse a path that no file or folder can have.

    Raises
    ------
    UsageError
        It is too long for the disk, or holds what no name may.
    """
    try:
        path.exists()
        path.lstat()
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and error.errno not in (errno.ENAMETOOLONG, errno.EINVAL):
            return
        shown = str(path) if len(str(path)) <= _LONGEST_SHOWN else f"{str(path)[:_LONGEST_SHOWN]}…"
        reason = "too long" if isinstance(error, OSError) else "not a usable path"
        raise UsageError(f"{shown!r} cannot be written: {reason}. Give another name.") from error


def check_replaced(path: Path, columns: Sequence[str] = ()) -> bool:
    """Tell whether a file is there that may be replaced: by its look, one we write ourselves.

    Parameters
    ----------
    path
        The file to be written.
    columns
        Columns that a table of ours has; a figure is known by its ending and by the title
        within that every figure of ours has, the page and the results by their beginning.

    Returns
    -------
    bool
        False where there is nothing.

    Raises
    ------
    OutputError
        What is there is not a file of that kind.
    """
    check_name(path)
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            head = file.read(_LOOK_BYTES)
            file.seek(max(path.stat().st_size - _LOOK_BYTES, 0))
            tail = file.read()
    except OSError as error:
        raise OutputError(
            f"{path} is there already and cannot be looked into ({error.strerror}), so it is left "
            "as it is. Give another name."
        ) from error
    ending = path.suffix.lower()
    if ending == ".parquet":  # names of columns stand at the end of the file
        ours = head.startswith(b"PAR1") and all(name.encode() in tail for name in columns)
    elif ending == ".csv":
        header = head.partition(b"\n")[0].decode("utf-8", "replace").strip("\ufeff\r")
        ours = set(columns) <= {name.strip('"') for name in header.split(",")}
    elif ending == ".png":  # the title is the first thing in it, and no program is named
        ours = head.startswith(b"\x89PNG\r\n\x1a\n") and head[41:47] == b"Title\0"
    elif ending == ".pdf":
        ours = head.startswith(b"%PDF-") and b"/Subject" in tail and b"/Producer" not in tail
    else:
        ours = {".svg": _SVG, ".html": _PAGE, ".json": _RESULTS}[ending] in head
    if head and not ours:
        raise OutputError(
            f"{path} is there already and is not a file that this command writes, so it is left "
            "as it is. Give another name."
        )
    return True


def _check_place(folder: Path) -> None:
    """Tell now, and not after all the work, that a folder cannot be made there."""
    there = next((place for place in folder.parents if place.exists()), None)
    if there is None:
        return
    if not there.is_dir():
        raise UsageError(f"{folder} cannot be made: {there} is a file. Name another folder.")
    if not os.access(there, os.W_OK):
        raise UsageError(f"{folder} cannot be made: {there} may not be written to. Name another.")


def _is_table(path: Path) -> bool:
    return path.stem.lower() in _RECORDS and path.suffix.lower() in _TABLE_ENDINGS
