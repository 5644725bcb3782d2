"""How many small faults planted in a module its tests notice.

From the repository's root, with the extra ``mutation`` (DEVELOPERS.md says how):

    .venv/bin/python tests/studies/mutation.py                          every module of the plan
    .venv/bin/python tests/studies/mutation.py exposure/set_aside.py    these alone
    .venv/bin/python tests/studies/mutation.py --sample 40              so many faults a module
    .venv/bin/python tests/studies/mutation.py --page-only              the page again

mutmut changes one thing at a time (a comparison, a number, an argument) in a copy of the project,
and runs the tests of that module alone until one fails. What no test notices is kept in
``tests/studies/mutation_units/`` to be looked at: some change nothing that could be seen (a word of
an error, a tie that cannot occur). The shares go to ``pages/mutation.md``. Every fault of every
module takes many hours; a sample is drawn at random, without replacement, by the seed. Needs an
operating system with ``fork``.
"""

import argparse
import csv
import datetime as dt
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from scipy.stats import binomtest

ROOT = Path(__file__).parents[2]
FOLDER = Path(__file__).parent / "mutation_units"
PAGE = ROOT / "tests" / "studies" / "pages" / "mutation.md"
EXPOSURE = ("tests/exposure",)
JOINING = ("tests/exposure",)
# Module → the tests that are about it.
PLAN: dict[str, tuple[str, ...]] = {
    "exposure/accumulate.py": EXPOSURE,
    "exposure/log.py": EXPOSURE,
    "exposure/readings.py": EXPOSURE,
    "exposure/stays.py": EXPOSURE,
    "exposure/thaws.py": EXPOSURE,
    "exposure/set_aside.py": JOINING,
    "exposure/trials.py": JOINING,
    "analysis/decisions/bootstrap.py": ("tests/analysis/decisions/test_bootstrap.py",),
    "analysis/decisions/compare.py": (
        "tests/analysis/decisions/test_compare.py",
        "tests/analysis/decisions/test_compare_reference.py",
    ),
    "analysis/decisions/curve.py": (
        "tests/analysis/decisions/test_curve.py",
        "tests/analysis/decisions/test_threshold.py",
        "tests/reference/test_logistic_reference.py",
    ),
    "analysis/decisions/explain.py": ("tests/analysis/decisions/test_explain.py",),
    "analysis/decisions/exposure_left.py": ("tests/analysis/decisions/test_exposure_left.py",),
    "analysis/decisions/matched_portions.py": (
        "tests/analysis/decisions/test_matched_portions.py",
    ),
    "analysis/decisions/rate_of_use.py": ("tests/analysis/decisions/test_rate_of_use.py",),
    "analysis/decisions/shelf.py": (
        "tests/analysis/decisions/test_shelf.py",
        "tests/analysis/decisions/test_shelf_predictions.py",
    ),
    "analysis/decisions/source_draws.py": (
        "tests/analysis/decisions/test_source_draws.py",
        "tests/analysis/decisions/test_curve.py",
        "tests/analysis/decisions/test_exposure_left.py",
    ),
    "analysis/decisions/storage_bounds.py": ("tests/analysis/decisions/test_storage_bounds.py",),
    "analysis/decisions/threshold.py": (
        "tests/analysis/decisions/test_threshold.py",
        "tests/reference/test_logistic_reference.py",
    ),
    "analysis/decisions/trade_off.py": (
        "tests/analysis/decisions/test_trade_off.py",
        "tests/report/test_either.py",
    ),
    "analysis/finds/any_shape.py": (
        "tests/analysis/finds/test_shape_arithmetic.py",
        "tests/analysis/finds/test_any_shape.py",
        "tests/analysis/finds/test_verdict_branches.py",
    ),
    "analysis/finds/kinds.py": ("tests/analysis/finds/test_shape_arithmetic.py",),
    "analysis/finds/line_tests.py": ("tests/analysis/finds/test_verdict_branches.py",),
    "analysis/finds/memory.py": ("tests/analysis/finds/test_memory.py",),
    "analysis/finds/refits.py": ("tests/analysis/finds/test_refits.py",),
    "analysis/finds/shapes.py": ("tests/analysis/finds/test_shapes.py",),
    "analysis/finds/terms.py": ("tests/analysis/finds/test_terms.py",),
    "analysis/lifetimes/chance.py": ("tests/analysis/lifetimes/test_chance.py",),
    "analysis/monitoring/asked_again.py": ("tests/analysis/monitoring/test_asked_again.py",),
    "exposure/counted.py": ("tests/exposure/test_counted.py",),
    "models/averaged_interval.py": ("tests/models/test_averaged_interval.py",),
    "models/calibrated_test.py": ("tests/analysis/finds/test_refits.py",),
    "models/linear_mixed.py": ("tests/models/test_linear_mixed.py",),
    "models/one_effect.py": ("tests/models/test_one_effect.py",),
    "models/score_test.py": ("tests/models/test_score_test.py",),
    "records/reading/fold.py": ("tests/records/reading", "tests/records/test_as_kept.py"),
    "records/reading/gather.py": ("tests/records/test_as_kept.py",),
}
# A fault is noticed by the first example that fails: making it small would take minutes each.
NO_SHRINKING = """
import hypothesis as _hypothesis

_hypothesis.settings.register_profile(
    "faults",
    phases=(_hypothesis.Phase.explicit, _hypothesis.Phase.generate),
    derandomize=True,
    database=None,
)
_hypothesis.settings.load_profile("faults")
"""
# mutmut's words, by what they mean here.
NOTICED = ("killed", "timeout", "segfault", "caught by type check")
MISSED = ("survived", "suspicious")


@dataclass(frozen=True)
class Planted:
    """What became of the faults of one module: how many there are, and those tried.

    ``survivors``: those that no test noticed, as lines taken out and put in.
    """

    faults: int
    ended: Counter[str]
    survivors: list[str]


def mutate(module: str, children: int, sample: int | None, seed: int) -> Planted:
    """Plant the faults of one module, or a sample of them, each alone."""
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
            # A fault that makes the tests four times as long does not end: it is noticed.
            "timeout_multiplier": 2.0,
            "timeout_constant": 5.0,
            "also_copy": ["tests", "synthetic_data", "docs", "README.md", "CHANGELOG.md"],
        }
        lines = ["", "[tool.mutmut]", *(f"{k} = {json.dumps(v)}" for k, v in settings.items())]
        with (copy / "pyproject.toml").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        with (copy / "tests" / "conftest.py").open("a", encoding="utf-8") as file:
            file.write(NO_SHRINKING)
        environment = os.environ | {"OUTCOMES_CORES": "1"}
        run = [sys.executable, "-m", "mutmut"]

        def results() -> list[tuple[str, str]]:
            told = subprocess.run(
                [*run, "results", "--all", "true"],
                cwd=copy, env=environment, capture_output=True, text=True, check=True,
            ).stdout  # fmt: skip
            parted = (line.strip().rpartition(": ") for line in told.splitlines())
            return [(name, how) for name, _, how in parted if name]

        def plant(names: Sequence[str]) -> subprocess.CompletedProcess[str]:
            return subprocess.run(
                [*run, "run", "--max-children", str(children), *names],
                cwd=copy, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                text=True,
            )  # fmt: skip

        # Asked for one that is not there, mutmut makes them all, runs the tests, and then stops.
        begun = plant(["none"])
        if "nothing matches" not in begun.stdout:
            raise RuntimeError(f"{module}: mutmut stopped.\n{begun.stdout[-3000:]}")
        ask_every_test(copy / "mutants" / "mutmut-stats.json")
        chosen: list[str] = []
        if sample is not None:
            chosen = draw([name for name, _ in results()], sample, seed)
        done = plant(chosen)
        if done.returncode:
            raise RuntimeError(f"{module}: mutmut stopped.\n{done.stdout[-3000:]}")
        ended: Counter[str] = Counter()
        survivors = []
        found = results()
        for name, how in found:
            if chosen and name not in chosen:
                continue
            ended[how] += 1
            if how in MISSED:
                shown = subprocess.run(
                    [*run, "show", name],
                    cwd=copy, env=environment, capture_output=True, text=True,
                ).stdout  # fmt: skip
                survivors.append(f"{name}\n{changed_lines(shown)}")
        return Planted(len(found), ended, survivors)


def ask_every_test(stats: Path) -> None:
    """Have every fault that is reached at all asked of every test of the module.

    mutmut would ask those alone in which it saw the function run. What a fixture made once for
    many tests runs, it saw in the first of them, and the others, which look at it, were not asked.
    """
    found = json.loads(stats.read_text(encoding="utf-8"))
    every = sorted(found["duration_by_test"])
    seen = found["tests_by_mangled_function_name"]
    found["tests_by_mangled_function_name"] = {k: every for k, tests in seen.items() if tests}
    stats.write_text(json.dumps(found), encoding="utf-8")


def draw(names: Sequence[str], sample: int, seed: int) -> list[str]:
    """So many of the names at random, in their order; all where there are no more."""
    if len(names) <= sample:
        return list(names)
    return sorted(random.Random(seed).sample(sorted(names), sample))


def changed_lines(shown: str) -> str:
    """The lines taken out and put in, without the rest of a diff."""
    return "\n".join(
        line
        for line in shown.splitlines()
        if line[:1] in "+-" and not line.startswith(("+++", "---"))
    )


def store(module: str, planted: Planted, seed: int) -> None:
    """Replace what is kept of one module."""
    FOLDER.mkdir(exist_ok=True)
    ended = planted.ended
    rows = {row["module"]: row for row in read_stored()}
    rows[module] = {
        "module": module,
        "faults": str(planted.faults),
        "seed": "" if ended.total() == planted.faults else str(seed),
        "noticed": str(sum(ended[how] for how in NOTICED)),
        "missed": str(sum(ended[how] for how in MISSED)),
        "not_reached": str(ended["no tests"]),
        "tests": "every",
        "date": dt.date.today().isoformat(),
        "mutmut": metadata.version("mutmut"),
    }
    with (FOLDER / "modules.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[module]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows[name] for name in PLAN if name in rows)
    target = FOLDER / f"{module.replace('/', '_').removesuffix('.py')}.txt"
    target.write_text("\n\n".join(planted.survivors) + "\n", encoding="utf-8")


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
        "`tests/studies/mutation_units/`, one file a module. Where not every fault was planted,",
        "those that were are a random sample, and the limits of the share are exact binomial ones",
        "at 95 %. One row again, the number planted and the seed from the row:",
        "",
        "```text",
        "python tests/studies/mutation.py --sample 30 --seed 1 analysis/decisions/curve.py",
        "```",
        "",
    ]
    if any(row["tests"] == "seen" for row in rows):
        text += [
            "“Seen” among the tests: asked were those alone in which the function was seen to run,",
            "and not others that look at what a fixture made once has run. Such a share is a least",
            "one, and the command, which asks every test of the module, finds another.",
            "",
        ]
    text += [
        "| module | faults | planted | noticed | not noticed | not reached | share noticed "
        "| seed | tests | mutmut | date |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    shares: list[tuple[int, int, int]] = []
    for row in rows:
        faults, noticed, missed, lost = (
            int(row[k]) for k in ("faults", "noticed", "missed", "not_reached")
        )
        planted = noticed + missed + lost
        if not planted:
            continue
        shares.append((faults, planted, noticed))
        share = f"{100 * noticed / planted:.0f} %"
        if planted < faults:
            low, high = binomtest(noticed, planted).proportion_ci(0.95, "exact")
            share += f" ({100 * low:.0f} to {100 * high:.0f})"
        text.append(
            f"| `{row['module']}` | {faults} | {planted} | {noticed} | {missed} | {lost} | {share} "
            f"| {row['seed'] or '–'} | {row['tests']} | {row['mutmut']} | {row['date']} |"
        )
    if len(shares) > 1:
        text += ["", overall(shares)]
    left = [module for module in PLAN if module not in {row["module"] for row in rows}]
    if left:
        text += ["", "Not yet run: " + ", ".join(f"`{module}`" for module in left) + "."]
    return "\n".join(text) + "\n"


def overall(shares: Sequence[tuple[int, int, int]]) -> str:
    """The share over all faults of all modules, each module by its size.

    ``shares``: faults, planted and noticed of each. Stratified sampling without
    replacement (Cochran 1977, Sampling Techniques, chapter 5).
    """
    every = sum(faults for faults, _, _ in shares)
    mean, variance = 0.0, 0.0
    for faults, planted, noticed in shares:
        weight, share = faults / every, noticed / planted
        mean += weight * share
        if 1 < planted < faults:
            own = share * (1.0 - share) / (planted - 1) * (1.0 - planted / faults)
            variance += weight**2 * own
    error = f" ± {100 * variance**0.5:.1f} (one standard error)" if variance else ""
    return f"Of all {every:,} faults in these modules, {100 * mean:.1f} %{error} are noticed."


def main() -> None:
    """Plant faults in the modules named and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", help="of the plan, such as exposure/set_aside.py")
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--sample", type=int, help="plant so many faults a module, at random")
    parser.add_argument("--seed", type=int, default=1, help="which ones")
    parser.add_argument("--page-only", action="store_true", help="run nothing")
    given = parser.parse_args()
    unknown = [module for module in given.modules if module not in PLAN]
    if unknown:
        parser.error(f"no such module in the plan: {', '.join(unknown)}")
    for module in [] if given.page_only else given.modules or PLAN:
        sys.stderr.write(f"{module}\n")
        planted = mutate(module, given.children, given.sample, given.seed)
        store(module, planted, given.seed)
        PAGE.write_text(as_markdown(read_stored()), encoding="utf-8")
    PAGE.write_text(as_markdown(read_stored()), encoding="utf-8")


if __name__ == "__main__":
    main()
