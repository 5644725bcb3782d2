"""Files put in place all together: at every moment each name holds its old file or its new one."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from outcomes.errors import OutputError

_ASIDE = ".outcomes-"


def write_new(path: Path, content: bytes) -> None:
    """Write a file that is not there yet, whole or not at all.

    Raises
    ------
    OutputError
        Something of that name is there, or it cannot be written.
    """
    begun = False
    try:
        with path.open("xb") as file:
            begun = True
            file.write(content)
    except FileExistsError as error:
        raise OutputError(
            f"{path} is there already and is left as it is. Give another name."
        ) from error
    except OSError as error:
        if begun:
            path.unlink(missing_ok=True)
        raise _cannot_write(path, error) from error


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
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
        for name, content in files.items():
            (aside / name).write_bytes(content)
        _put_in_place(aside, folder, list(files))
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)


@dataclass(frozen=True, slots=True)
class PlacedFirst:
    """A file put in place before the others of its folder are ready.

    Attributes
    ----------
    path
        Where it is.
    among_others
        Whether others of an earlier run were there: the folder holds two runs for a while.
    """

    path: Path
    among_others: bool
    _aside: Path
    _file: int

    def settle(self) -> None:
        """The others are there too: what was put by for the case is not needed."""
        shutil.rmtree(self._aside, ignore_errors=True)

    def take_back(self) -> str:
        """The others will not come: leave the folder with files of one run, and say how.

        The file stays where it is the only one. Else what was there before is there again.
        One that has been written over since is left as it is.

        Returns
        -------
        str
            A sentence for people; empty where there is nothing to say.
        """
        before = self._aside / self.path.name
        if _number(self.path) != self._file:
            told = ""
        elif not self.among_others:
            told = f"{self.path} is this run's, and the only file written."
        else:
            try:
                if before.exists():
                    before.replace(self.path)
                    told = f"{self.path} is the earlier briefing's again."
                else:
                    self.path.unlink()
                    told = f"{self.path} is taken away again."
            except OSError:  # what was put by is left where it is, for a person to find
                return f"{self.path} is this run's, the files beside it are an earlier briefing's."
        shutil.rmtree(self._aside, ignore_errors=True)
        return told


def place_first(folder: Path, name: str, content: bytes, others: Iterable[str]) -> PlacedFirst:
    """Write one file now, those beside it to follow; it can be taken back.

    Parameters
    ----------
    folder
        Made if it is not there. Other files in it are left alone.
    name, content
        The file. One of that name is put by until the outcome is known.
    others
        Names of the files to follow.

    Raises
    ------
    OutputError
        The folder cannot be made or written to, or the disk is full.
    """
    path = folder / name
    aside: Path | None = None
    placed = False
    try:
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
        if path.is_file():
            _put_by(path, aside / name)
        (aside / "new").write_bytes(content)
        there = any((folder / other).exists() for other in others if other != name)
        number = _number(aside / "new")
        (aside / "new").replace(path)
        placed = True
        return PlacedFirst(path, there, aside, number)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        if aside is not None and not placed:
            shutil.rmtree(aside, ignore_errors=True)


def _number(path: Path) -> int:
    """What tells a file from one that has taken its name since; -1 where there is none."""
    try:
        return path.stat().st_ino
    except OSError:
        return -1


def _cannot_write(folder: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(
        f"{folder} cannot be written to ({reason}). Choose another folder or make room."
    )


def _put_by(path: Path, other: Path) -> None:
    """A second name for a file, or a copy where the disk gives none; the first name stays."""
    try:
        other.hardlink_to(path)
    except OSError:
        shutil.copy2(path, other)


def leftovers(folder: Path) -> list[Path]:
    """What a run that was killed outright left beside its results, in order of their names."""
    return sorted(path for path in folder.glob(f"{_ASIDE}*") if path.is_dir())


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
                _put_by(folder / name, before / name)
            (aside / name).replace(folder / name)
    except BaseException:  # an interrupt too, at whatever step, must not leave half old, half new
        for name in names:
            if (before / name).exists():
                (before / name).replace(folder / name)
            elif name in new:
                (folder / name).unlink(missing_ok=True)
        raise
