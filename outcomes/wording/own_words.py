"""A unit's own words in what is handed on without names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

MOST_SHOWN = 12


def describe_own_words(words: Mapping[str, Sequence[str]]) -> str:
    """Which of a unit's own words go out as they are, and how one is replaced.

    Parameters
    ----------
    words
        Column → its words; ``unit`` → the unit's name.

    Returns
    -------
    str
        One line; empty where there are none.

    Examples
    --------
    >>> print(describe_own_words({"unit": ["Vale"], "setting": ["barn", "Hill Farm"]}))
    These words of your own go out as they are: the unit's name (Vale); setting: barn, Hill \
Farm. Look whether one names somebody; to replace one, say so in unit.toml: unit = "a unit", or \
under [words.setting]: "barn" = "a word that names nobody".
    """
    if not words:
        return ""
    told = []
    for column, of in words.items():
        shown = ", ".join(of[:MOST_SHOWN])
        more = f" and {len(of) - MOST_SHOWN:,} more" if len(of) > MOST_SHOWN else ""
        told.append(
            f"the unit's name ({shown})" if column == "unit" else f"{column}: {shown}{more}"
        )
    mends = ['unit = "a unit"'] if "unit" in words else []
    first = next((column for column in reversed(list(words)) if column != "unit"), None)
    if first is not None:
        mends.append(f'under [words.{first}]: "{words[first][0]}" = "a word that names nobody"')
    return (
        f"These words of your own go out as they are: {'; '.join(told)}. Look whether one names "
        f"somebody; to replace one, say so in unit.toml: {', or '.join(mends)}."
    )
