"""Columns known by a word within their heading and by what their cells hold; only to suggest."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

# Table → our column → what its heading says somewhere, and what it does not say.
_SIGNS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "sources": {
        "discarded_on": (
            r"discard|dispos|destr|thrown|binned|retired|removed|burn|\bgone\b|used up|eliminat|"
            r"withdrawn|\bout\b",
            "",
        ),
        "counted_on": (r"count|tall(y|ied)|as (of|at)|checked", r"thaw|cycle|number|how many"),
        "acquired_on": (
            r"acqui|rec(ei)?v|rec.?d|rcvd|got|obtain|collect|arriv|came|intake|date|since|\bin\b|"
            r"from when",
            r"thaw|expir|use by|born|death|last|next|count|tall",
        ),
        "age_at_acquisition_days": (r"\bage|how old|\bold\b|post.?mortem|pmi", ""),
        "cycles_counted": (
            r"thaw|cycle|defrost|times out",
            r"(?<!to )\bdate|last|before|prior|when",
        ),
        "kept_in": (r"kept|store|storage|where|lives|home|\bloc\b|location", ""),
        "packaging": (r"pack|pkg|container|jar|bag|wrap|held in|vessel", ""),
        "mass_g": (r"weigh|mass|amount|size|quantity|how much", ""),
        "parent_id": (r"cut from|part of|split|portion|parent|taken from|piece of", ""),
        "kind": (r"type|kind|tissue|material|what|desc|contents|categor|class|item", r"pack|use"),
    },
    "storage": {
        "moved_to": (r"\bout\b|\bin\b|move|where|to\b|doing|action|happen|direction|put|place", ""),
        "moved_at": (r"date|when|time|day|\bts\b", ""),
        "temperature_c": (r"temp", ""),
        "packaging": (r"pack|container|wrap", ""),
        "source_id": (r"aid|source|sample|smpl|tag|label|item|material|specimen|article", ""),
    },
    "trials": {
        "source_id": (
            r"\baids?\b|source|sample|smpl|specimen|article|tag\b|target|material|odou?r|"
            r"which hide",
            "",
        ),
        "dog_id": (
            r"\bdog|k-?9|canine",
            r"did|do\b|help|alert|find|found|^(?!dog|k-?9|canine).*handler|"
            r"handler.?s? (name|id)|born",
        ),
        "blinding": (r"blind|knew|know|aware|told|informed", ""),
        "assisted": (r"help|assist|prompt|\bcued?\b|intervene", ""),
        "handler_id": (
            r"handl|\bhn?dl?r?\b|team|person|who\b|run by|with whom",
            r"know|knew|help|blind|aware",
        ),
        "false_alerts": (r"false|\bfas?\b|wrong|unconfirmed|off (target|source)", ""),
        "result": (
            r"res(u)?lt|rslt|outcome|find|found|alert|indicat|respon|what did|hit|score",
            r"time",
        ),
        "limit_s": (r"limit|max|allowed|allotted|cut.?off", ""),
        "set_min": (
            r"\bset\b|placed|soak|\blay\b|laid|hid(den)?\b|ageing|aging|\bwait|in place|"
            r"put (out|down)|been out|\bout for|expos|sat\b",
            r"time (was|of)|by whom|\bwho\b|depth|deep|date",
        ),
        "search_s": (
            r"^t$|search|srch|to find|find time|durat|took|how long|elapsed|\bsecs?\b|seconds|"
            r"\bmin(ute)?s?\b",
            r"set|placed|soak|lay|limit|max|start|blind|number",
        ),
        "cycles": (r"thaw|cycle|defrost|freez\w* (count|no\b|number|#)|times frozen", ""),
        "depth_cm": (r"deep|depth|how far down", ""),
        "humidity_pct": (r"humid|\brh\b|\bhum\b", ""),
        "wind_m_s": (r"wind|wnd|breeze", r"dir|from"),
        "temperature_c": (r"temp|\bdeg(rees)?\b|°|how (hot|cold|warm)", r"trend|body"),
        "setting": (r"where|site|venue|location|environ|terrain|area|surround|place$", ""),
        "placement": (r"placement|hide type|how .*(hidden|hid|placed)|height|kind of hide", ""),
        "hide_id": (r"hide", r"type|depth|kind|time|how"),
    },
}


def columns_by_signs(
    table: str,
    absent: Sequence[str],
    free: Sequence[str],
    fits: Callable[[str, str], bool],
) -> dict[str, str]:
    """Our columns without a place, and the unplaced ones whose heading has a sign of them.

    Parameters
    ----------
    table
        The table they belong to.
    absent
        Our names without a column.
    free
        The unit's columns without a place, in their order.
    fits
        Whether the cells of a column of the unit's (second) may be those of ours (first).

    Returns
    -------
    dict
        Our name → the unit's; each once, in the order in which the signs tell most.

    Examples
    --------
    >>> columns_by_signs("trials", ["depth_cm", "set_min"], ["How deep?", "Aid placed"],
    ...                  lambda ours, theirs: True)
    {'set_min': 'Aid placed', 'depth_cm': 'How deep?'}
    """
    found: dict[str, str] = {}
    for ours, (sign, no_sign) in _SIGNS.get(table, {}).items():
        if ours not in absent:
            continue
        for theirs in free:
            # What stands in brackets is a unit or a remark on how to fill it in.
            plain = re.sub(r"[(\[].*?[)\]]|_", " ", theirs).casefold().strip() or theirs.casefold()
            if (
                theirs not in found.values()
                and re.search(sign, plain)
                and not (no_sign and re.search(no_sign, plain))
                and fits(ours, theirs)
            ):
                found[ours] = theirs
                break
    return found
