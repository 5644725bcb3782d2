"""The committed example is what the committed records give."""

from __future__ import annotations

import json
import platform
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

from outcomes.brief.facts import gather_facts
from outcomes.brief.write import briefing_files
from outcomes.records.read import read_records

ROOT = Path(__file__).parents[1]
REPORTS = ROOT / "reports"
COMPARED = ("briefing.html", "figure.png", "figure.svg", "figure.pdf", "results.json")
# What a number, a line of the figure or a letter passes through on its way to the file.
_ON_THE_WAY = ("glmm", "jinja2", "matplotlib", "numpy", "pandas", "scipy", "statsmodels")
# Elsewhere the optimiser stops at another last digit; it is told to stop at about 1e-8.
_RELATIVE, _ABSOLUTE = 1e-5, 1e-7


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return briefing_files(gather_facts(read_records(ROOT / "synthetic_data")))


def _as_pinned() -> bool:
    """Whether this is where bytes are promised: Linux on x86-64, on the pinned versions."""
    pins = dict(
        line.lower().split("==")
        for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if "==" in line
    )
    here = (sys.platform, platform.machine()) == ("linux", "x86_64")
    return here and all(metadata.version(name) == pins[name] for name in _ON_THE_WAY)


def _differences(stored: Any, now: Any, where: str = "") -> list[str]:
    if isinstance(stored, dict) and isinstance(now, dict) and stored.keys() == now.keys():
        return [d for k in stored for d in _differences(stored[k], now[k], f"{where}/{k}")]
    if isinstance(stored, list) and isinstance(now, list) and len(stored) == len(now):
        pairs = enumerate(zip(stored, now, strict=True))
        return [d for k, (a, b) in pairs for d in _differences(a, b, f"{where}/{k}")]
    if isinstance(stored, float) and isinstance(now, int | float):
        near = abs(stored - now) <= _ABSOLUTE + _RELATIVE * abs(stored)
        return [] if near else [f"{where}: {stored} stored, {now} now"]
    return [] if stored == now else [f"{where}: {stored!r} stored, {now!r} now"]


@pytest.mark.parametrize("name", COMPARED)
def test_the_example_is_made_again_byte_for_byte(name: str, made: dict[str, bytes]) -> None:
    if not _as_pinned():
        pytest.skip("bytes are promised on Linux x86-64 with the versions of constraints.txt")
    again = (
        "reports/ is not what synthetic_data/ gives now; if that was meant, look at it and commit: "
        "outcomes brief synthetic_data --out reports"
    )
    same = (REPORTS / name).read_bytes() == made[name]  # a difference would fill the screen
    assert same, again


def test_the_examples_numbers_and_words_are_those_made_again(made: dict[str, bytes]) -> None:
    stored = json.loads((REPORTS / "results.json").read_text(encoding="utf-8"))
    now = json.loads(made["results.json"])
    assert set(stored["inputs"].pop("versions")) == set(now["inputs"].pop("versions"))
    assert _differences(stored, now) == []


def test_a_number_that_moved_is_told() -> None:
    moved = _differences({"p": [0.5, None]}, {"p": [0.5001, None]})
    assert moved == ["/p/0: 0.5 stored, 0.5001 now"]
    assert _differences({"p": None}, {"p": 0.5}) != []
    assert _differences({"p": [1]}, {"p": [1, 2]}) != []
