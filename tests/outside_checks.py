"""Values from outside the project, held by tests and listed on a page.

A test takes the fixture ``outside``, opens a method with its source, and holds each value of ours
to the one printed outside. The same call makes the row of the page in
``tests/studies/pages/outside-checks.md``, so that the page cannot say what
no test holds. To write the page again::

    python -m pytest -n 0 --write-outside-checks tests
"""

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
STORED = ROOT / "tests" / "reference" / "outside_checks.json"
LEFT_OUT = ROOT / "tests" / "reference" / "outside_checks_left_out.md"
BY_R = ROOT / "tests" / "reference" / "outside_values.csv"
PAGE = ROOT / "tests" / "studies" / "pages" / "outside-checks.md"
# How a value from outside is known.
KNOWN = {
    "read": "Read in the publication, or in a source that quotes it.",
    "memory": "Published value from memory; another program gives the same figure.",
    "computed": "Computed by another program; none of it was published.",
    "closed": "Follows from a formula.",
}
MADE_AGAIN = (KNOWN["computed"], KNOWN["memory"])


@dataclass(frozen=True)
class Row:
    """One value: ours beside the one printed outside."""

    method: str
    source: str
    how: str
    test: str
    value: str
    published: str
    ours: str
    allowed: str


class Method:
    """Values of one method from one source; each call asserts one and records it."""

    def __init__(self, rows: list[Row], method: str, source: str, how: str, test: str) -> None:
        self._rows = rows
        self._opened = (method, source, KNOWN[how], test)

    def __call__(
        self, value: str, published: str, ours: float, within: float | None = None
    ) -> None:
        """Hold ``ours`` to what is printed; to half of its last digit where nothing is said."""
        allowed = half_last_digit(published) if within is None else within
        shown = as_shown(float(ours), published)
        self._rows.append(Row(*self._opened, value, published, shown, f"{allowed:.2g}"))
        # A difference of exactly half a digit may be the floating point's own.
        assert abs(float(ours) - float(published)) <= allowed * (1 + 1e-6), (
            f"{value}: {float(ours)!r} ours, {published} outside, {allowed} allowed"
        )

    def each(
        self,
        values: Iterable[str],
        published: str,
        ours: Sequence[float],
        within: float | None = None,
    ) -> None:
        """Hold several at once: ``published`` has them in one line, as printed."""
        for value, printed, own in zip(values, published.split(), ours, strict=True):
            self(value, printed, own, within)


def decimals(published: str) -> int:
    """Digits after the point of a number as printed, an exponent counted in."""
    mantissa, _, exponent = published.lower().partition("e")
    return len(mantissa.partition(".")[2]) - int(exponent or 0)


def half_last_digit(published: str) -> float:
    """Within which the printed digits hold: a bare 0 or 1, the end of a range, is meant exactly."""
    return 1e-9 if published in ("0", "1") else 0.5 * 10.0 ** -decimals(published)


def as_shown(ours: float, published: str) -> str:
    """Ours with one digit more than the outside value has."""
    if "e" in published.lower():
        mantissa = published.lower().partition("e")[0]
        return f"{ours:.{len(mantissa.partition('.')[2]) + 1}e}"
    return f"{round(ours, decimals(published) + 1) + 0.0:.{decimals(published) + 1}f}"


def difference(row: Row) -> str:
    """Of what is shown, to one digit."""
    apart = round(float(row.ours) - float(row.published), decimals(row.published) + 1)
    return f"{apart:.1g}" if apart else "0"


def moved(now: Sequence[Row], stored: Sequence[Row]) -> list[str]:
    """One line for each value that is not the stored one, to a unit of the last digit shown."""
    lines = []
    if len(now) != len(stored):
        lines.append(f"{len(now)} values now, {len(stored)} stored")
    for a, b in zip(now, stored, strict=False):
        same = asdict(a) | {"ours": ""} == asdict(b) | {"ours": ""}
        unit = 10.0 ** -(decimals(a.published) + 1)
        if not same or abs(float(a.ours) - float(b.ours)) > unit * (1 + 1e-6):
            lines.append(f"{a.method}, {a.value}: {a.ours} now, {b.value}: {b.ours} stored")
    return lines


def page(rows: Sequence[Row], left_out: str) -> str:
    """A section for each method in the order of the tests, then what is left out."""
    methods = dict.fromkeys(row.method for row in rows)
    text = [
        "# Outside checks",
        "",
        f"{len(rows)} values of {len(methods)} methods that others published or other programs",
        "give, beside what this toolkit computes. The tests that hold them write this page:",
        "",
        "```text",
        "python -m pytest -n 0 --write-outside-checks tests",
        "```",
        "",
        "Ours is shown with one digit more than the outside value has, and the difference is of",
        "what is shown. A test fails where the difference is larger than allowed, and where ours",
        "is no longer what is shown here, to one unit of the last digit.",
        "",
        "Every value computed by another program, and every published one known from memory, is",
        "made again by `tests/reference/outside_values.R`, from data that come with R's packages,",
        "stand in its folder or are typed in it. With R, anyone can run it and compare with what",
        "is stored beside it:",
        "",
        "```text",
        "python tests/reference/run_r.py outside_values",
        "```",
        "",
        "A test holds each value in `outside_values.csv` there to the one shown here, to half of",
        "its last digit and a fiftieth more. R vouches for the number, and not for where it was",
        "printed.",
    ]
    for method in methods:
        own = [row for row in rows if row.method == method]
        text += ["", f"## {method}", ""]
        for source, how in dict.fromkeys((row.source, row.how) for row in own):
            text += [f"{source} {how}", ""]
        files = dict.fromkeys(row.test.partition("::")[0] for row in own)
        text += ["Held by " + " and ".join(f"`{file}`." for file in files), ""]
        text += ["| value | outside | ours | difference | allowed |", "|---|---|---|---|---|"]
        for row in own:
            cells = (row.value, row.published, row.ours, difference(row), row.allowed)
            text.append(f"| {' | '.join(cells)} |")
    return "\n".join(text) + "\n\n" + left_out


def read_stored() -> list[Row]:
    return [Row(**row) for row in json.loads(STORED.read_text(encoding="utf-8"))]


def read_by_r() -> dict[tuple[str, str], float]:
    """What R gives again, by method and value; the first line has the versions."""
    lines = BY_R.read_text(encoding="utf-8").splitlines()[1:]
    rows = [(row["method"], row["value"], float(row["by_r"])) for row in csv.DictReader(lines)]
    values = {(method, value): by_r for method, value, by_r in rows}
    assert len(values) == len(rows), "a value stands twice"
    return values


def not_made_again(
    rows: Sequence[Row], by_r: Mapping[tuple[str, str], float], excepted: Mapping[str, str]
) -> list[str]:
    """One line for each value to make again that R's does not round to, and for each R has alone.

    ``excepted`` are the methods that R cannot give, each with the reason.
    """
    asked = [row for row in rows if row.how in MADE_AGAIN]
    lines = []
    for row in asked:
        made = by_r.get((row.method, row.value))
        if made is None and row.method not in excepted:
            lines.append(f"{row.method}, {row.value}: R gives none")
        # Half of the last digit, and a fiftieth more: programs stop a little apart.
        elif made is not None and not (
            abs(made - float(row.published)) <= 1.02 * half_last_digit(row.published)
        ):
            lines.append(f"{row.method}, {row.value}: {row.published} on the page, {made} by R")
    known = {(row.method, row.value) for row in asked}
    lines += [f"{method}, {value}: on no page" for method, value in by_r.keys() - known]
    lines += [f"{m}: excepted, and R gives it" for m in excepted if any(m == k[0] for k in by_r)]
    return lines


class Recorder:
    """Keeps the rows of a session; writes the page at its end, if it is asked to."""

    def __init__(self, write: bool) -> None:
        self.write = write
        self.rows: dict[str, list[Row]] = {}

    def close(self, test: str) -> None:
        """Compare what one test recorded with what is stored of it."""
        if not self.write:
            lines = moved(self.rows[test], [row for row in read_stored() if row.test == test])
            assert not lines, "\n".join([*lines, "write outside-checks.md again, see its top"])

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(
        self, config: pytest.Config, items: list[pytest.Item]
    ) -> None:
        if self.write:
            if config.getoption("numprocesses", 0):
                raise pytest.UsageError("--write-outside-checks needs one process: add -n 0")
            chosen = [item for item in items if "outside" in getattr(item, "fixturenames", ())]
            config.hook.pytest_deselected(items=[i for i in items if i not in chosen])
            items[:] = sorted(chosen, key=lambda item: item.nodeid.partition("::")[0])

    def pytest_sessionfinish(self, exitstatus: int) -> None:
        # A page of the tests that passed would be taken for the whole.
        if self.write and exitstatus == 0:
            rows = [row for test in self.rows.values() for row in test]
            lines = [json.dumps(asdict(row), ensure_ascii=False) for row in rows]
            STORED.write_text("[\n" + ",\n".join(lines) + "\n]\n", encoding="utf-8")
            PAGE.write_text(page(rows, LEFT_OUT.read_text(encoding="utf-8")), encoding="utf-8")
