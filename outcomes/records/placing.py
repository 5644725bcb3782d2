"""Files put in place all together, so that a failure leaves whatever was there before."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from outcomes.errors import OutputError


def write_files(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write all files or none: made aside in the same place, then renamed one by one.

    Parameters
    ----------
    folder
        Made if it is not there. Other files in it are left alone.
    files
        Name → bytes.

    Raises
    ------
    OutputError
        The folder cannot be made or written to, or the disk is full.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file, not a folder. Name a folder to write to.")
    aside: Path | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".outcomes-", dir=folder))
        for name, content in files.items():
            (aside / name).write_bytes(content)
        _put_in_place(aside, folder, list(files))
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(
            f"{folder} cannot be written to ({reason}). Choose another folder or make room."
        ) from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)


def _put_in_place(aside: Path, folder: Path, names: Sequence[str]) -> None:
    """Rename all into place, or put back what was there."""
    before = aside / "before"
    before.mkdir()
    new = [name for name in names if not (folder / name).exists()]
    try:
        for name in names:
            if (folder / name).is_dir():
                raise IsADirectoryError(errno.EISDIR, f"{name} is a folder")
            if name not in new:
                (folder / name).replace(before / name)
            (aside / name).replace(folder / name)
    except BaseException:  # an interrupt too, at whatever step, must not leave half old, half new
        for name in names:
            if (before / name).exists():
                (before / name).replace(folder / name)
            elif name in new:
                (folder / name).unlink(missing_ok=True)
        raise
