"""Write the numbers that stand in running text anew, from where the program has them.

On a page such a number stands between two comments, which readers do not see; the first tells
where it comes from, with the format of an f-string. After a change to the program:

    python tests/numbers_in_prose.py

What a study found is taken from its own page (``study``, see ``studies/study_pages.py``).
"""

import json
import re
import sys
import tomllib
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.models.distributions import exact_interval
from outcomes.report.out_folder import FILES
from outcomes.settings import Settings
from outcomes.simulate.truth import DEMO_SEED
from outcomes.text import DAYS_PER_MONTH

ROOT = Path(__file__).parents[1]
PAGES = (
    "docs/start.md",
    "docs/records.md",
    "docs/briefing.md",
    "docs/planning.md",
    "docs/questions.md",
    "docs/methods.md",
    "docs/how-right.md",
    "synthetic_data/README.md",
)
WORDS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
NTH = ("", "first", "second", "third", "fourth")
# The name a module of the package has on the pages.
MODULES = {
    "change": "analysis.inspections.change", "pool_answer": "pool.answer", "prior": "pool.prior",
    "disclosure": "pool.disclosure",
    "asked_again": "analysis.monitoring.asked_again", "charts": "analysis.monitoring.charts",
    "before_and_since": "analysis.decisions.before_and_since",
    "dog_effects": "analysis.finds.dog_and_source_effects", "kinds": "analysis.finds.kinds",
    "next_step": "analysis.decisions.next_step", "stock": "analysis.decisions.stock",
    "bootstrap": "analysis.decisions.bootstrap", "bounds": "analysis.decisions.storage_bounds",
    "chance": "analysis.lifetimes.chance", "compare": "analysis.decisions.compare",
    "curve": "analysis.decisions.curve", "cusum": "models.cusum",
    "cycles_or_age": "analysis.finds.cycles_or_age", "design": "analysis.finds.choose_terms",
    "draws": "analysis.decisions.source_draws",
    "false_alerts": "analysis.searches.false_alerts", "finds": "analysis.finds.model",
    "floor_grid": "answers.floor_grid", "kaplan_meier": "analysis.lifetimes.kaplan_meier",
    "make": "planning.make", "members": "planning.members",
    "lifetimes": "analysis.lifetimes.regression", "rule": "analysis.lifetimes.rule",
    "portions": "analysis.decisions.matched_portions",
    "search_time": "analysis.searches.search_time", "searches": "analysis.searches.conditions",
    "share_found": "analysis.searches.share_found",
    "other_trials": "analysis.finds.other_trials",
    "specifications": "analysis.finds.specifications", "any_shape": "analysis.finds.any_shape",
    "line_tests": "analysis.finds.line_tests",
    "shelf": "analysis.decisions.shelf", "shelf_figure": "draw.shelf_figure",
    "slopes": "analysis.finds.slopes",
    "thaws": "exposure.thaws",
    "use_ratio": "exposure.use_ratio", "validation": "analysis.finds.validation",
}  # fmt: skip
_MINUS = re.compile(r"(?<!\w)-(?=\d)")
_NUMBER = re.compile(r"<!--=(?P<source>.*?)-->.*?<!---->", re.DOTALL)


class Names(dict[str, Any]):
    """What a number may come from; modules are imported where a page names them."""

    def __missing__(self, name: str) -> Any:
        if name == "study":
            return import_module("study_pages")
        return import_module(f"outcomes.{MODULES[name]}")


def example() -> dict[str, Any]:
    """What the synthetic unit and its stored results give."""
    results = json.loads((ROOT / "reports/results.json").read_text(encoding="utf-8"))
    unit = ROOT / "synthetic_data"
    trials = pd.read_csv(unit / "trials.csv", dtype={"source_id": str})
    moves = pd.read_csv(unit / "storage.csv", dtype=str)
    days = pd.to_datetime(trials["started_at"])
    hides = trials[trials["result"].isin(["find", "miss"])]
    truth = tomllib.loads((unit / "truth.toml").read_text(encoding="utf-8"))
    return {
        "results": results,
        "cycles": next(t for t in results["find"]["terms"] if t["term"] == "cycles"),
        "threshold": truth["threshold"],
        "planted": truth["planted"],
        "hides": len(hides),
        "misses": int((hides["result"] == "miss").sum()),
        "first": days.min(),
        "last": days.max(),
        "months": round((days.max() - days.min()).days / DAYS_PER_MONTH),
        "discarded": int((moves["moved_to"] == "discarded").sum()),
        "most_dogs": int(hides.groupby("hide_id")["dog_id"].nunique().max()),
    }


def write_numbers(page: str) -> str:
    """The page with every number as the program has it now."""
    settings = Settings()
    names = Names(
        settings=settings,
        lowest=lambda n: exact_interval(n, n, settings.decisions.confidence)[0],
        times=lambda ratio: {2.0: "twice", 3.0: "three times"}[ratio],
        exp=np.exp,
        WORDS=WORDS,
        NTH=NTH,
        FILES=FILES,
        DEMO_SEED=DEMO_SEED,
        **(example() if "<!--=" in page else {}),
    )

    def write(found: re.Match[str]) -> str:
        number = str(eval(f"f{'{' + found['source'] + '}'!r}", {}, names))
        return f"<!--={found['source']}-->{_MINUS.sub('−', number)}<!---->"

    return _NUMBER.sub(write, page)


if __name__ == "__main__":
    sys.path.append(str(ROOT / "tests/studies"))
    for name in PAGES:
        place = ROOT / name
        text = place.read_text(encoding="utf-8")
        place.write_text(write_numbers(text), encoding="utf-8", newline="\n")
