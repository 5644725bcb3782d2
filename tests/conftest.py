"""Joined trials made by hand, small units of every kind, and a briefing on each, made once."""

from __future__ import annotations

import contextlib
import html.parser
import io
import json
import os
import pickle
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

# As the command line does, before NumPy is imported: the same sums in the same order.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# Commands are called within this process; that a second one changes nothing has its own test.
os.environ.setdefault("OUTCOMES_CORES", "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import pytest  # noqa: E402
from hypothesis import settings as hypothesis_settings  # noqa: E402

from outcomes.cli import main  # noqa: E402
from outcomes.simulate import Truth, Unit, simulate_unit  # noqa: E402

from .outside_checks import Method, Recorder  # noqa: E402

if TYPE_CHECKING:
    from outcomes.answers.facts import Facts

# How long an example takes hangs on the machine; a hang has time-outs of its own.
hypothesis_settings.register_profile("project", deadline=None)
hypothesis_settings.load_profile("project")


_LONGEST_WAIT_S = 120.0
_SLOW_PAGES = ("python.md",)
_API = Path(__file__).parents[1] / "outcomes" / "api"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what has no place for a mark of its own: pages that fit models, and the studies."""
    for item in items:
        # Each example of a result fits a unit's finds.
        if item.path.name in _SLOW_PAGES or item.path.parent == _API:
            item.add_marker("slow")
        if item.path.parent.name == "studies":
            item.add_marker("study")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-outside-checks",
        action="store_true",
        help="write their page",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(
        Recorder(config.getoption("--write-outside-checks")), "outside checks"
    )


@pytest.fixture
def outside(request: pytest.FixtureRequest) -> Iterator[Callable[[str, str, str], Method]]:
    """Open a method with its source; what it returns holds values and records them."""
    recorder = request.config.pluginmanager.get_plugin("outside checks")
    test = request.node.nodeid
    rows = recorder.rows[test] = []
    yield lambda method, source, how: Method(rows, method, source, how, test)
    recorder.close(test)


TABLES = ("sources", "storage", "trials", "dogs")
NEEDED = {
    "sources": ["source_id", "kind", "acquired_on"],
    "storage": ["source_id", "moved_at", "moved_to"],
    "trials": ["trial_id", "started_at", "dog_id", "source_id", "result"],
    "dogs": ["dog_id"],
}
# One of each thing a spreadsheet, a web page or a program could take for something else.
ODD_NAMES = (
    "<b>bold</b>",
    "=1+1",
    "N" * 200,
    "Ænima 骨 №7",
    "a & b",
    'O\'Hara "two"',
    "-1",
    "@SUM(A1)",
    "{{ 7 * 7 }}",
    "None",
    "nan",
    "007",
)


@dataclass(frozen=True)
class Answer:
    """What a command handed back: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def complaints(self) -> list[str]:
        """Lines of standard error that are not progress."""
        return [line for line in self.err.splitlines() if line and not line.endswith("…")]


@dataclass(frozen=True)
class Briefing:
    """A briefing made on a small unit: the answer, its files, and the page as read."""

    answer: Answer
    folder: Path
    unit: Unit

    @property
    def results(self) -> dict[str, Any]:
        text = (self.folder / "results.json").read_text(encoding="utf-8")
        loaded: dict[str, Any] = json.loads(text, parse_constant=_no_constant)
        return loaded

    @property
    def page(self) -> Page:
        return read_page((self.folder / "briefing.html").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Page:
    """Texts of a page as a person reads them: paragraphs and list items, and table cells."""

    paragraphs: tuple[str, ...]
    cells: tuple[str, ...]

    @property
    def text(self) -> str:
        return "\n".join((*self.paragraphs, *self.cells))


def _no_constant(name: str) -> Any:
    raise AssertionError(f"{name} is not JSON")


_PARAGRAPHS = ("h1", "h2", "p", "li", "figcaption", "caption")
_OF_A_SOURCE = {"name", "advice", "cycles", "next"}  # what stands in the row of a source


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: dict[str, list[str]] = {"paragraph": [], "cell": []}
        self.place: str | None = None

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        words = (dict(attrs).get("class") or "").split()
        if tag in _PARAGRAPHS and "source" not in words and ("hidden", None) not in attrs:
            self.place = "paragraph"
        elif tag in ("td", "th") or (tag == "span" and set(words) & _OF_A_SOURCE):
            self.place = "cell"
        else:
            return
        self.parts[self.place].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in (*_PARAGRAPHS, "td", "th") or (tag == "span" and self.place == "cell"):
            self.place = None

    def handle_data(self, data: str) -> None:
        if self.place is not None:
            self.parts[self.place][-1] += data


def read_page(text: str) -> Page:
    """Paragraphs and table cells of a page, with runs of white space as one space."""
    reader = _Reader()
    reader.feed(text)
    tidy = {k: tuple(re.sub(r"\s+", " ", t).strip() for t in v) for k, v in reader.parts.items()}
    return Page(paragraphs=tidy["paragraph"], cells=tidy["cell"])


def call_outcomes(*arguments: object, columns: int = 100_000) -> Answer:
    """Run ``outcomes`` with these arguments in this process, on lines as wide as need be."""
    out, err = io.StringIO(), io.StringIO()
    status = 0
    with (
        mock.patch.object(sys, "argv", ["outcomes", *map(str, arguments)]),
        mock.patch.dict(os.environ, COLUMNS=str(columns)),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        kept = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        try:
            main()
        except SystemExit as stop:
            status = int(stop.code or 0)
        finally:
            for number, handler in kept.items():
                signal.signal(number, handler)
    return Answer(status, out.getvalue(), err.getvalue())


@pytest.fixture(scope="session")
def call() -> Callable[..., Answer]:
    return call_outcomes


def write_records(unit: Unit, folder: Path, tables: Sequence[str] = TABLES) -> Path:
    """Write a unit's tables as a unit would hand them over, without its truth."""
    folder.mkdir(parents=True)
    for table in tables:
        frame = getattr(unit, table)
        if "assisted" in frame:
            frame = frame.assign(assisted=frame["assisted"].map({True: "yes", False: "no"}))
        frame.to_csv(folder / f"{table}.csv", index=False, date_format="%Y-%m-%d %H:%M")
    return folder


def _small(truth: Truth | None = None, **sizes: Any) -> Unit:
    given = {"trials": 260, "dogs": 4, "sources": 12, "months": 18} | sizes
    return simulate_unit(truth or Truth(baseline_log_odds=1.2), 7, **given)


def _with_trials(unit: Unit, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Unit:
    return replace(unit, trials=change(unit.trials.copy()).reset_index(drop=True))


def _with_results(unit: Unit, result: str | Callable[[pd.DataFrame], Any]) -> Unit:
    def change(trials: pd.DataFrame) -> pd.DataFrame:
        hide = trials["source_id"].notna()
        new = result if isinstance(result, str) else result(trials[hide])
        trials.loc[hide, "result"] = new
        return trials

    return _with_trials(unit, change)


def _separated() -> Unit:
    unit = _small(trials=400)
    cycles = unit.true_trials.set_index("trial_id")["cycles"]
    return _with_results(
        unit, lambda trials: np.where(trials["trial_id"].map(cycles) < 10, "find", "miss")
    )


def _one_dog_one_source() -> Unit:
    def change(trials: pd.DataFrame) -> pd.DataFrame:
        commonest = trials["source_id"].value_counts().index[0]
        kept = trials[trials["source_id"] == commonest]
        return kept.assign(dog_id=kept["dog_id"].iloc[0])

    return _with_trials(_small(), change)


def _all_assisted() -> Unit:
    return _with_trials(
        _small(),
        lambda trials: trials.assign(assisted=trials["source_id"].notna().astype("boolean")),
    )


def _odd_names() -> Unit:
    unit = _small()
    names = dict(zip(unit.sources["source_id"], ODD_NAMES, strict=True))

    def renamed(frame: pd.DataFrame) -> pd.DataFrame:
        columns = [c for c in ("source_id", "parent_id") if c in frame]
        return frame.assign(**{c: frame[c].map(names, na_action="ignore") for c in columns})

    return replace(
        unit,
        sources=renamed(unit.sources),
        storage=renamed(unit.storage),
        trials=renamed(unit.trials),
    )


def _first_hide_trials(number: int, **columns: str) -> Unit:
    return _with_trials(
        _small(), lambda trials: trials[trials["source_id"].notna()].head(number).assign(**columns)
    )


def _one_session() -> Unit:
    return _with_trials(
        _small(),
        lambda trials: trials[trials["session_id"] == trials["session_id"].value_counts().index[0]],
    )


def _only_needed() -> Unit:
    unit = _small()
    return replace(unit, **{table: getattr(unit, table)[NEEDED[table]] for table in TABLES})


UNITS: dict[str, Callable[[], Unit]] = {
    "no effect": _small,
    "too few trials": lambda: _small(trials=60, dogs=3, sources=8),
    "one dog": lambda: _small(dogs=1),
    "one source": lambda: _small(sources=1),
    "no misses": lambda: _with_results(_small(), "find"),
    "no finds": lambda: _with_results(_small(), "miss"),
    "cycles and age identical": lambda: _small(
        Truth(cycle_log_odds=-0.25, baseline_log_odds=2.5, tied="exactly"), trials=420
    ),
    "all refrigerated": lambda: _small(Truth(baseline_log_odds=1.2, all_refrigerated=True)),
    "all frozen": lambda: _small(Truth(baseline_log_odds=1.2, all_frozen=True)),
    "no storage rows": lambda: (lambda u: replace(u, storage=u.storage.iloc[:0]))(_small()),
    "only the needed columns": _only_needed,
    "no dogs table": _small,
    "no blank areas": lambda: _small(blank_share=0.0),
    "only blank areas": lambda: _small(blank_share=1.0),
    "all trials assisted": _all_assisted,
    "one session": _one_session,
    "one trial": lambda: _first_hide_trials(1, result="find"),
    "one miss": lambda: _first_hide_trials(1, result="miss"),
    "one dog at one source": _one_dog_one_source,
    "effect rising": lambda: _small(Truth(cycle_log_odds=0.25, baseline_log_odds=-1.0), trials=420),
    "effect falling": lambda: _small(
        Truth(cycle_log_odds=-0.30, baseline_log_odds=3.0), trials=420
    ),
    "finds and misses apart": _separated,
    "a hundred trials": lambda: _small(Truth(baseline_log_odds=0.5), trials=100, sources=10),
    "odd names": _odd_names,
    "one kind": lambda: (lambda u: replace(u, sources=u.sources.assign(kind="muscle")))(_small()),
    "kinds apart": lambda: _small(
        Truth(baseline_log_odds=1.2, kind_decides_storage=1.0, refrigerated_share=0.5), trials=300
    ),
}


def _brief(home: Path, name: str, *options: str) -> Briefing:
    unit = UNITS[name]()
    tables = TABLES[:3] if name == "no dogs table" else TABLES
    records = write_records(unit, home / "records", tables)
    answer = call_outcomes("brief", records, "--out", home / "briefing", *options)
    return Briefing(answer, home / "briefing", unit)


def made_once(home: Path, make: Callable[..., Any], *arguments: str) -> Any:
    """What ``make`` gives in the folder ``home``: made by the first process that asks for it."""
    kept = home / "made.pickle"
    try:
        home.mkdir()
    except FileExistsError:
        until = time.monotonic() + _LONGEST_WAIT_S
        while not kept.exists() and time.monotonic() < until:
            time.sleep(0.05)
        return pickle.loads(kept.read_bytes())
    made = make(home, *arguments)
    (home / "making.pickle").write_bytes(pickle.dumps(made))
    (home / "making.pickle").rename(kept)
    return made


@pytest.fixture(scope="session")
def briefing_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Briefing]:
    """The briefing on a named small unit, made once, whichever process asks first."""
    made: dict[tuple[str, ...], Briefing] = {}
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def make(*key: str) -> Briefing:
        if key not in made:
            made[key] = made_once(shared / "-".join(("unit", *key)), _brief, *key)
        return made[key]

    return make


@pytest.fixture(scope="session")
def few_records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of a unit with too few trials, which no test may change."""
    return write_records(UNITS["too few trials"](), tmp_path_factory.mktemp("few") / "records")


@pytest.fixture
def own_records(few_records: Path, tmp_path: Path) -> Path:
    """A copy of those records to spoil."""
    folder = tmp_path / "own"
    folder.mkdir()
    for file in few_records.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    return folder


@pytest.fixture(scope="session")
def demo_facts() -> Facts:
    """All results on the demo unit, gathered once."""
    from outcomes.answers.facts import gather_facts
    from outcomes.records.read import read_records
    from outcomes.settings import DecisionSettings

    records = read_records(Path(__file__).parents[1] / "synthetic_data")
    return gather_facts(records, DecisionSettings())


def _made_trials(
    seed: int,
    *,
    n: int = 600,
    dogs: int = 4,
    sources: int = 12,
    baseline: float = 2.0,
    cycle: float = 0.0,
    age: float = 0.0,
    cycle_slopes: np.ndarray | None = None,
    source_sd: float = 0.0,
    tied: bool = False,
) -> pd.DataFrame:
    """Hide trials with the columns that joining gives; log-odds per cycle and per 30 days.

    Each source comes in new at its own time and is used about evenly, so that
    cycles and age go together a little; ``tied`` makes age 30 days a cycle.
    """
    rng = np.random.default_rng(seed)
    source = rng.integers(0, sources, n)
    cycles = rng.integers(0, 21, n).astype(float)
    age_days = cycles * 30.0 if tied else rng.uniform(0.0, 900.0, n)
    slope = np.full(sources, cycle) if cycle_slopes is None else cycle + cycle_slopes
    effect = rng.normal(0.0, source_sd, sources)
    log_odds = baseline + slope[source] * cycles + age * age_days / 30.0 + effect[source]
    found = rng.random(n) < 1.0 / (1.0 + np.exp(-log_odds))
    return pd.DataFrame(
        {
            "trial_id": [f"T{i:05d}" for i in range(n)],
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(n), unit="h"),
            "dog_id": [f"D{d}" for d in rng.integers(0, dogs, n)],
            "source_id": [f"S{s:02d}" for s in source],
            "result": np.where(found, "find", "miss"),
            "cycles": cycles,
            "age_days": age_days,
            "documented": pd.array(np.ones(n, dtype=bool), dtype="boolean"),
        }
    )


@pytest.fixture(scope="session")
def made_trials() -> Callable[..., pd.DataFrame]:
    return _made_trials
