"""How many small faults planted in a module its tests notice.

From the repository's root, with the extra ``mutation`` (DEVELOPERS.md says how):

    .venv/bin/python tests/studies/mutation.py                          every module of the plan
    .venv/bin/python tests/studies/mutation.py joining/set_aside.py     these alone
    .venv/bin/python tests/studies/mutation.py --page-only              the page again

mutmut changes one thing at a time (a comparison, a number, an argument) in a copy of the project,
and runs the tests of that module alone until one fails. What no test notices is kept in
``tests/studies/mutation_units/`` to be looked at: some change nothing that could be seen (a word of
an error, a tie that cannot occur). The shares go to ``docs/mutation.md``. Needs an operating system
with ``fork``.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDER = Path(__file__).parent / "mutation_units"
PAGE = ROOT / "docs" / "mutation.md"
EXPOSURE = ("tests/exposure",)
JOINING = ("tests/joining",)
# Module → the tests that are about it.
PLAN: dict[str, tuple[str, ...]] = {
    "exposure/accumulate.py": EXPOSURE,
    "exposure/log.py": EXPOSURE,
    "exposure/readings.py": EXPOSURE,
    "exposure/stays.py": EXPOSURE,
    "exposure/thaws.py": EXPOSURE,
    "joining/set_aside.py": JOINING,
    "joining/trials.py": JOINING,
    "decide/bootstrap.py": ("tests/decide/test_bootstrap.py",),
    "decide/compare.py": ("tests/decide/test_compare.py", "tests/decide/test_compare_reference.py"),
    "decide/curve.py": ("tests/decide/test_curve.py", "tests/reference/test_logistic_reference.py"),
    "decide/explain.py": ("tests/decide/test_explain.py",),
    "decide/exposure_left.py": ("tests/decide/test_exposure_left.py",),
    "decide/frontier.py": ("tests/decide/test_frontier.py",),
    "decide/matched_portions.py": ("tests/decide/test_matched_portions.py",),
    "decide/overlap.py": ("tests/decide/test_overlap.py",),
    "decide/rate_of_use.py": ("tests/decide/test_rate_of_use.py",),
    "decide/shelf.py": ("tests/decide/test_shelf.py", "tests/decide/test_shelf_predictions.py"),
    "decide/source_draws.py": ("tests/decide/test_curve.py", "tests/decide/test_exposure_left.py"),
    "decide/threshold.py": (
        "tests/decide/test_threshold.py",
        "tests/reference/test_logistic_reference.py",
    ),
    "decide/trade_off.py": ("tests/decide/test_trade_off.py",),
}
# mutmut's words, by what they mean here.
NOTICED = ("killed", "timeout", "segfault", "caught by type check")
MISSED = ("survived", "suspicious")


def mutate(module: str, children: int) -> tuple[Counter[str], list[str]]:
    """Mutants of one module by how they ended, and the survivors as mutmut shows them."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "project"
        ignored = shutil.ignore_patterns(".git", ".venv", "reports", "__pycache__", ".*_cache")
        shutil.copytree(ROOT, copy, ignore=ignored)
        settings = {
            "source_paths": ["outcomes"],
            "only_mutate": [f"outcomes/{module}"],
            "pytest_add_cli_args_test_selection": list(PLAN[module]),
            # One process; what Hypothesis keeps of one mutant must not decide about the next.
            "pytest_add_cli_args": ["-n", "0", "-p", "no:cacheprovider"],
            "also_copy": ["tests", "synthetic_data", "docs", "README.md", "CHANGELOG.md"],
        }
        lines = ["", "[tool.mutmut]", *(f"{k} = {json.dumps(v)}" for k, v in settings.items())]
        with (copy / "pyproject.toml").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        environment = os.environ | {"OUTCOMES_CORES": "1"}
        run = [sys.executable, "-m", "mutmut"]
        done = subprocess.run(
            [*run, "run", "--max-children", str(children)],
            cwd=copy, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{module}: mutmut stopped.\n{done.stdout[-3000:]}")
        results = subprocess.run(
            [*run, "results", "--all", "true"],
            cwd=copy, env=environment, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        ended: Counter[str] = Counter()
        survivors = []
        for line in results.splitlines():
            name, _, how = line.strip().rpartition(": ")
            if not name:
                continue
            ended[how] += 1
            if how in MISSED:
                shown = subprocess.run(
                    [*run, "show", name],
                    cwd=copy, env=environment, capture_output=True, text=True,
                ).stdout  # fmt: skip
                survivors.append(f"{name}\n{changed_lines(shown)}")
        return ended, survivors


def changed_lines(shown: str) -> str:
    """The lines taken out and put in, without the rest of a diff."""
    return "\n".join(
        line
        for line in shown.splitlines()
        if line[:1] in "+-" and not line.startswith(("+++", "---"))
    )


def store(module: str, ended: Counter[str], survivors: Iterable[str]) -> None:
    """Replace what is kept of one module."""
    FOLDER.mkdir(exist_ok=True)
    rows = {row["module"]: row for row in read_stored()}
    rows[module] = {
        "module": module,
        "noticed": str(sum(ended[how] for how in NOTICED)),
        "missed": str(sum(ended[how] for how in MISSED)),
        "not_reached": str(ended["no tests"]),
        "date": dt.date.today().isoformat(),
        "mutmut": metadata.version("mutmut"),
    }
    with (FOLDER / "modules.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[module]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows[name] for name in PLAN if name in rows)
    target = FOLDER / f"{module.replace('/', '_').removesuffix('.py')}.txt"
    target.write_text("\n\n".join(survivors) + "\n", encoding="utf-8")


def read_stored() -> list[dict[str, str]]:
    path = FOLDER / "modules.csv"
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def as_markdown(rows: list[dict[str, str]]) -> str:
    """The shares as a page of the documentation."""
    text = [
        "# Faults the tests notice",
        "",
        "Made by `tests/studies/mutation.py`; nothing here is typed by hand. One small fault at a",
        "time (a comparison turned, a number or an argument changed) is planted in a module, and",
        "the tests of that module alone are run. A fault that no test notices need not be a gap:",
        "some change nothing that could be seen. They are kept beside the study, in",
        "`tests/studies/mutation_units/`, one file a module.",
        "",
        "| module | faults | noticed | not noticed | not reached | share noticed | date |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        noticed, missed, lost = (int(row[k]) for k in ("noticed", "missed", "not_reached"))
        total = noticed + missed + lost
        share = f"{100 * noticed / total:.0f} %" if total else ""
        text.append(
            f"| `{row['module']}` | {total} | {noticed} | {missed} | {lost} | {share} | "
            f"{row['date']} |"
        )
    left = [module for module in PLAN if module not in {row["module"] for row in rows}]
    if left:
        text += ["", "Not yet run: " + ", ".join(f"`{module}`" for module in left) + "."]
    return "\n".join(text) + "\n"


def main() -> None:
    """Plant faults in the modules named and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", help="of the plan, such as joining/set_aside.py")
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--page-only", action="store_true", help="run nothing")
    given = parser.parse_args()
    unknown = [module for module in given.modules if module not in PLAN]
    if unknown:
        parser.error(f"no such module in the plan: {', '.join(unknown)}")
    for module in [] if given.page_only else given.modules or PLAN:
        sys.stderr.write(f"{module}\n")
        store(module, *mutate(module, given.children))
    PAGE.write_text(as_markdown(read_stored()), encoding="utf-8")


if __name__ == "__main__":
    main()
