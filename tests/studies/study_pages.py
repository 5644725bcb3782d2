"""What the pages in ``tests/studies/pages/`` say, for sentences and tables on the pages by hand.

Those pages are held to the stored units by the studies' own tests; a number taken from them
is a number of the studies.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FALSE_CALLS = "The rule's false calls on independent trials"  # a section of the lifetimes
# Two of the kinds of interval that were compared.
TOLD = "as told: by error, less bias, for few sources"
PLAIN_PROFILE = "profile likelihood, chi-square"
PAGES = Path(__file__).parent / "pages"


@cache
def page(name: str) -> str:
    """A page's text."""
    return (PAGES / f"{name}.md").read_text(encoding="utf-8")


@cache
def rows(name: str, section: str = "") -> tuple[Mapping[str, str], ...]:
    """The rows of a page's first table, or of the first below a heading, by column."""
    text = page(name)
    if section:
        text = text.split(f"\n## {section}\n", 1)[1]
    lines = [line for line in text.splitlines() if line.startswith("|")]
    first = text[text.index(lines[0]) :].split("\n\n", 1)[0].splitlines()
    head, _, *body = ([cell.strip() for cell in line.strip("|").split("|")] for line in first)
    return tuple(dict(zip(head, cells, strict=True)) for cells in body)


def cell(name: str, first: str, column: str, section: str = "") -> str:
    """What a table says of what stands in its first column."""
    (row,) = (row for row in rows(name, section) if next(iter(row.values())) == first)
    return row[column]


@dataclass(frozen=True)
class Counted:
    """How often something was so on simulated units, of all scenarios and in the worst of them.

    ``count`` of ``of``; in the scenario ``worst`` ``worst_count`` of ``worst_of``, where
    ``at_most`` in 100 cannot be ruled out (95 % limit).
    """

    count: int
    of: int
    worst: str
    worst_count: int
    worst_of: int
    at_most: float

    @property
    def per_100(self) -> str:
        """Of 100, so many; one decimal below ten."""
        share = 100.0 * self.count / self.of
        return f"{share:.0f}" if share >= 9.95 else f"{share:.1f}"

    @property
    def counted(self) -> str:
        """So many of so many, in all scenarios."""
        return f"{self.count:,} of {self.of:,}"

    @property
    def counted_worst(self) -> str:
        """So many of so many, in the worst scenario."""
        return f"{self.worst_count} of {self.worst_of}"


# What is asked; the measures that answer it; whether those tell what is right.
ASKED: Mapping[str, tuple[str, Sequence[str], bool]] = {
    "retire": ("sources to retire: still good enough", ("retire is advised wrongly",), False),
    "keep": ("sources to keep: not good enough", ("keep is advised wrongly",), False),
    "late": (
        "limits by a true cause: came too late",
        (
            "retire_after is not beyond the true threshold",
            "retire_after is not beyond the true threshold by age",
        ),
        True,
    ),
    "change": (
        "units without a change: told one",
        ("a change is called that is not there",),
        False,
    ),
    "cause": (
        "units that change: told a cause that is none",
        ("age is named and is not a cause", "cycles is named and is not a cause"),
        False,
    ),
    "rise": ("units whose finds fall: told a rise", ("a rise is told where finds fall",), False),
    "unseen": (
        "units whose finds fall: told no change was detected",
        ("no change is detected though one is planted",),
        False,
    ),
    "effect": (
        "95 % intervals of cycles or age: miss the truth",
        ("95 % interval of cycles holds the truth", "95 % interval of age_days holds the truth"),
        True,
    ),
    "threshold": (
        "90 % intervals of the threshold: miss the truth",
        (
            "90 % interval holds the true threshold",
            "90 % interval holds the true threshold by age",
        ),
        True,
    ),
}


@cache
def wrong(asked: str) -> Counted:
    """How often the answers were wrong (of ``unseen``: missing)."""
    _, measures, right = ASKED[asked]
    found = []
    for row in rows("calibration"):
        if row["what"] in measures:
            n = int(row["units (or sources)"])
            count = round(float(row["found"].split(" %")[0]) / 100.0 * n)
            low, high = (float(limit) for limit in re.findall(r"\d+\.\d", row["limits"]))
            wrongly, most = (n - count, 100.0 - low) if right else (count, high)
            found.append((wrongly / n, most, wrongly, n, row["scenario"]))
    _, most, count, n, scenario = max(found)
    return Counted(
        count=sum(one[2] for one in found),
        of=sum(one[3] for one in found),
        worst=scenario,
        worst_count=count,
        worst_of=n,
        at_most=most,
    )


def unseen(scenario: str) -> str:
    """Of 100 units of a scenario, so many in which the planted change was not detected."""
    (row,) = (
        row
        for row in rows("calibration")
        if row["scenario"] == scenario and row["what"] == ASKED["unseen"][1][0]
    )
    return f"{float(row['found'].split(' %')[0]):.0f}"


def scenarios() -> Sequence[str]:
    """What was planted, in the order of the study."""
    return list(dict.fromkeys(row["scenario"] for row in rows("calibration")))


def table(head: Sequence[str], body: Sequence[Sequence[str]]) -> str:
    """A table between the marks of a page."""
    lines = [head, ["---"] * len(head), *body]
    return "\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines) + "\n\n"


def wrong_table() -> str:
    """Every question, and how often it was answered wrongly."""
    head = ["of 100", "wrong", "counted", "most, in", "counted there", "up to"]
    body = []
    for asked, (words, _, _) in ASKED.items():
        own = wrong(asked)
        there = own.counted_worst
        body.append([words, own.per_100, own.counted, own.worst, there, f"{own.at_most:.0f}"])
    return table(head, body)


def promise_table() -> str:
    """How many promises each study asks about, and how many were kept."""
    head = ["study", "promises", "found within", "of these, too few units", "outside", "broken"]
    body = []
    for name in ("calibration", "decisions", "intervals", "lifetimes"):
        (said,) = re.findall(r"^\*\*In short: (.+?)\*\*", page(name), flags=re.MULTILINE)

        def number(words: str, said: str = said) -> str:
            found = re.search(words, said)
            return found.group(1) if found else "0"

        link = f"[{name}](../tests/studies/pages/{name}.md)"
        words = (r"of (\d+) promises", r"within (\d+)", r"for (\d+) of", r"outside (\d+)")
        broken = number(r"; (\d+) of those")
        body.append([link, *(number(one) for one in words), broken])
    return table(head, body)


def chosen(
    name: str,
    columns: Sequence[str],
    first: Sequence[str],
    section: str = "",
    second: Sequence[str] = (),
) -> str:
    """Some rows and columns of a page's table, by what stands in its first two columns."""
    own = [row for row in rows(name, section) if next(iter(row.values())) in first]
    assert len(own) >= len(first), f"{name}: not all of {first}"
    if second:
        own = [row for row in own if list(row.values())[1] in second]
        assert len(own) == len(first) * len(second), f"{name}: not all of {second}"
    return table(columns, [[row[column] for column in columns] for row in own])


def told_broken() -> str:
    """The promises of the study of answers that were broken."""
    broken = [row for row in rows("calibration") if row["kept"].startswith("no:")]
    told = [
        f"{row['scenario']}: “{row['what']}” in {row['found'].split(' ±')[0]}, where "
        f"{row['promised']} was promised"
        for row in broken
    ]
    return "; ".join(told) or "none at these numbers of units"


def outside() -> str:
    """How many values from outside are held, and of how many methods."""
    (told,) = re.findall(r"^(\d+ values of \d+ methods)", page("outside-checks"), re.MULTILINE)
    return told


def noticed() -> str:
    """The share of planted faults that the tests notice, with its error."""
    (share,) = re.findall(r"modules, (\S+ % ± \S+) \(", page("mutation"))
    return share


def pool_table() -> str:
    """How often what is told of several units held, by how many and of which kind."""
    worlds = {"Alike": "alike", "Unlike": "unlike", "Alike, none can say": "alike, none can say"}
    head = ["units", *worlds.values()]
    numbers = [row["units"] for row in rows("pools", "Alike")]
    body = [[k, *(cell("pools", k, "told", world) for world in worlds)] for k in numbers]
    return table(head, body)
