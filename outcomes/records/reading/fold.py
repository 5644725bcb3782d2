"""Labels that differ in nothing that tells two things apart, read as one: a rule a unit accepts."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

# Label → the table that lists what it names, and every column that may name it.
LABELS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "source_id": ("sources", ("source_id", "parent_id")),
    "dog_id": ("dogs", ("dog_id",)),
    "handler_id": ("trials", ("handler_id",)),
    "place_id": ("storage", ("place_id",)),
}
_BETWEEN_DIGITS = re.compile(r"(?<=\d)[\s_\-]+(?=\d)")


def fold_label(text: str) -> str:
    """A label without case, blanks, hyphens, ``#``, leading zeros and invisible characters.

    Between two digits a blank or hyphen stays, for ``1-2`` is not ``12``.

    >>> [fold_label(text) for text in ("HR-01", "hr 1", "#HR-001 ", "S1-2", "S12", "A+")]
    ['hr1', 'hr1', 'hr1', 's1-2', 's12', 'a+']
    """
    seen = "".join(
        c for c in unicodedata.normalize("NFKC", text) if unicodedata.category(c) != "Cf"
    )
    parted = _BETWEEN_DIGITS.sub("\0", seen.casefold())
    plain = re.sub(r"[\s_\-#]+", "", parted).replace("\0", "-")
    return re.sub(r"(?<!\d)0+(?=\d)", "", plain)


def bare_label(text: str) -> str:
    """A label without what stands in brackets behind it; as it is where nothing else does.

    >>> [bare_label(text) for text in ("HR-3 (femur)", "#3 [left]", "(toy)", "HR-3")]
    ['HR-3', '#3', '(toy)', 'HR-3']
    """
    return re.sub(r"(?<=\S)\s*[(\[][^()\[\]]*[)\]]\s*$", "", text)


def spellings_to_join(listed: Sequence[str], used: Iterable[str]) -> dict[str, str]:
    """Each spelling that is read as another, and the one it is read as.

    Parameters
    ----------
    listed
        Labels of the table that lists them, as written; where two of them fold to
        one, each could be meant, and neither is joined to anything. What no label of
        the list folds to is read without what stands in brackets behind it.
    used
        Labels as written wherever they are used, one for each use.

    Returns
    -------
    dict
        Spelling → the listed one, or where none is listed the commonest (at equal
        numbers the first in order of text).
    """
    homes: dict[str, set[str]] = defaultdict(set)
    for label in listed:
        homes[fold_label(label)].add(label)
    uses: dict[str, Counter[str]] = defaultdict(Counter)
    for label in used:
        uses[fold_label(label)][label] += 1
    joined: dict[str, str] = {}
    for folded, counts in uses.items():
        of_list = homes.get(folded, set())
        if not of_list and homes:
            bare = {fold_label(bare_label(label)) for label in counts}
            of_list = homes.get(bare.pop(), set()) if len(bare) == 1 else set()
        if not folded or len(of_list) > 1:
            continue
        home = min(of_list or counts, key=lambda label: (-counts[label], label))
        joined |= {label: home for label in counts if label != home}
    return joined
