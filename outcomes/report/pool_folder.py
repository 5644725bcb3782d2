"""The folder that a pool goes to: only files of ours are written over there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from outcomes.errors import OutputError, UsageError
from outcomes.report.out_folder import check_name, check_out, check_replaced

_PAGE = b": do stored sources change what the dogs find?</title>"
_KEYS = {"format", "made_by", "units", "slopes"}


def check_pool_folder(folder: Path, shares: Sequence[Path]) -> None:
    """Refuse to write over what is not a pool's.

    Raises
    ------
    UsageError
        A share has the name of a file to be written.
    OutputError
        A file there is not one that ``outcomes pool`` writes.
    """
    check_out(folder, folder / "no records", ("pool.png", "pool.svg"))
    for path in shares:
        if path.resolve() == (folder / "pool.json").resolve():
            raise UsageError(f"{path} would be written over. Name another folder.")
    for name, ours in (("pool.html", _is_page), ("pool.json", _is_pool)):
        path = folder / name
        check_name(path)
        if path.is_file() and not ours(path):
            raise OutputError(
                f"{path} is there already and is not a file that this command writes, so it is "
                "left as it is. Give another folder."
            )
    for name in ("pool.png", "pool.svg"):
        check_replaced(folder / name)


def _is_page(path: Path) -> bool:
    return _PAGE in path.read_bytes()[:65536]


def _is_pool(path: Path) -> bool:
    try:
        found = msgspec.json.decode(path.read_bytes())
    except (msgspec.MsgspecError, RecursionError, UnicodeError):
        return False
    return isinstance(found, dict) and set(found) >= _KEYS
