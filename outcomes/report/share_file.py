"""Share files: read with one clear line for what is damaged, written as stable bytes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from outcomes.errors import OutputError, UsageError
from outcomes.pool.share import Share, ShareError, read_share, same_definition
from outcomes.wording.pool import describe_same_numbers, describe_same_unit, describe_unlike

_MOST_BYTES = 1_000_000  # a share of ours has some thousand


@dataclass(frozen=True, slots=True)
class SharesRead:
    """Shares of different units and one definition.

    Attributes
    ----------
    shares
        In the order of their files.
    told
        What a person should know of files that were not used.
    """

    shares: tuple[Share, ...]
    told: tuple[str, ...]


def share_bytes(share: Share) -> bytes:
    """The file of a share."""
    return msgspec.json.format(msgspec.json.encode(share), indent=0) + b"\n"


def read_share_file(path: Path) -> Share:
    """One share.

    Raises
    ------
    UsageError
        There is no such file.
    ShareError
        It is no share, or a damaged one.
    """
    try:
        if not path.is_file():
            raise UsageError(
                f"{path}: there is no such file. Name a file that `outcomes share` wrote."
            )
        with path.open("rb") as file:
            text = file.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"{str(path)!r} cannot be read ({reason}).") from error
    if len(text) > _MOST_BYTES:
        raise ShareError(f"{path} is larger than any share, so it is none.")
    try:
        return read_share(text)
    except ShareError as error:
        mend = "Ask the unit to send it again"
        raise ShareError(f"{path} {error}. {mend}.") from None


def read_shares(paths: Sequence[Path]) -> SharesRead:
    """Shares of several units; one unit's twice is used once, and told.

    Raises
    ------
    UsageError, ShareError
        A file cannot be read, or two shares count differently.
    """
    used: dict[str, tuple[Path, Share]] = {}
    told: list[str] = []
    for path in paths:
        share = read_share_file(path)
        other = used.get(share.unit_code)
        if other is None:
            used[share.unit_code] = (path, share)
            continue
        if share.through == other[1].through and share != other[1]:
            raise ShareError(
                f"{other[0]} and {path} are of one unit ({share.unit_code}) and one quarter, and "
                "differ. Leave one out."
            )
        kept, left = ((path, share), other) if share.through > other[1].through else (
            other, (path, share)
        )  # fmt: skip
        used[share.unit_code] = kept
        told.append(describe_same_unit(share.unit_code, str(kept[0]), str(left[0])))
    shares = _without_copies(list(used.values()), told)
    first_path, first = shares[0]
    for path, share in shares[1:]:
        setting = same_definition(first.definition, share.definition)
        if setting is not None:
            values = [getattr(s.definition, setting) for s in (first, share)]
            raise ShareError(describe_unlike(setting, str(first_path), str(path), values))
    return SharesRead(tuple(share for _, share in shares), tuple(told))


def _without_copies(
    shares: Sequence[tuple[Path, Share]], told: list[str]
) -> list[tuple[Path, Share]]:
    """Each surface once: two units never agree in every number."""
    kept: list[tuple[Path, Share]] = []
    for path, share in shares:
        same = next(
            (p for p, s in kept if share.surface is not None and s.surface == share.surface), None
        )
        if same is None:
            kept.append((path, share))
        else:
            told.append(describe_same_numbers(str(same), str(path)))
    return kept


def check_share_out(path: Path, last: Path | None) -> None:
    """Refuse to write over anything but the share that this one follows.

    Raises
    ------
    OutputError
        Something else is there.
    UsageError
        The name does not end in .json, or an earlier share is there and ``--after`` was not given.
    """
    from outcomes.report.out_folder import check_name

    if path.suffix.lower() != ".json":
        raise UsageError(f"--out {path}: name a file that ends in .json.")
    check_name(path)
    if not path.exists():
        return
    if last is not None and path.resolve() == last.resolve():
        return
    try:
        read_share_file(path)
    except (ShareError, UsageError):
        raise OutputError(
            f"{path} is there already and is not a share, so it is left as it is. Give another "
            "name."
        ) from None
    raise UsageError(
        f"{path} is an earlier share. Give it as --after {path}, so that the unit keeps its code "
        "and too little that is new is not shared; or give another name."
    )
