"""Pages lead somewhere, and the commands on them do what the pages say."""

import json
import re
import runpy
import shutil
import subprocess
import sys
import tomllib
from html import unescape
from itertools import pairwise
from pathlib import Path

import pytest

from outcomes.records.columns import TABLES
from outcomes.records.unit_file import load_settings
from outcomes.report.share_file import share_bytes
from outcomes.settings import Settings

from . import numbers_in_prose
from .pool.shares import shares_of

ROOT = Path(__file__).parents[1]
LONGEST = 28  # words; of running text between marks that end a thought
PAGES = sorted(
    [
        *(page for folder in (".", "docs", "benchmarks") for page in (ROOT / folder).glob("*.md")),
        *(ROOT / "tests/studies/pages").glob("*.md"),
        ROOT / "synthetic_data/README.md",
    ]
)
NAMES = [page.relative_to(ROOT).as_posix() for page in PAGES]


def _text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def _blocks(name: str, language: str) -> list[str]:
    found = re.findall(rf"^```{language}\n(.*?)^```$", _text(name), flags=re.MULTILINE | re.DOTALL)
    return [block.strip() for block in found]


def _anchors(page: Path) -> set[str]:
    """What a heading can be linked by, as code hosts derive it."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def _run(arguments: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    code = "import sys\nfrom outcomes.cli import main\nsys.argv[0] = 'outcomes'\nmain()"
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)


@pytest.mark.parametrize("name", NAMES)
def test_links_within_the_project_lead_somewhere(name: str) -> None:
    page = ROOT / name
    broken = []
    for link in re.findall(r"\]\(([^)\s]+)\)", _text(name)):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        if not target.exists() or (anchor and anchor not in _anchors(target)):
            broken.append(link)
    assert broken == []


def test_readme_figure_is_described_as_on_page() -> None:
    alt, path = re.search(r"!\[([^\]]+)\]\((\S+\.png)\)", _text("README.md")).groups()
    assert (ROOT / path).is_file()
    # On the page a number is never parted from its per cent sign.
    page = _text("reports/briefing.html").replace("\u00a0", " ")
    headline = re.search(r"<h1>(.*?)</h1>", page, flags=re.DOTALL).group(1)
    assert alt.startswith(unescape(headline).strip())
    assert f'aria-label="Figure: {alt}"' in unescape(page)


def test_readme_says_if_truth_was_found() -> None:
    planted = tomllib.loads(_text("synthetic_data/truth.toml"))["threshold"]["cycles"]
    found = json.loads(_text("reports/results.json"))["retire"]
    low, high = found["low"], found["high"]
    said = f"{planted:.1f} cycles, within the interval found ({low:.0f} to {high:.0f})"
    assert low < planted < high
    assert said in " ".join(_text("README.md").split())


@pytest.mark.parametrize("name", numbers_in_prose.PAGES)
def test_numbers_on_a_page_are_the_programs(name: str) -> None:
    text = _text(name)
    assert "<!--=" in text
    assert numbers_in_prose.write_numbers(text) == text


@pytest.mark.parametrize("name", numbers_in_prose.PAGES)
def test_no_mark_parts_a_paragraph(name: str) -> None:
    # A line that begins with a comment ends the paragraph before it.
    lines = _text(name).splitlines()
    parted = [
        line
        for before, line in pairwise(lines)
        if before.strip() and re.match(r"\s*<!--=.*?-->.*<!---->", line)
    ]
    assert parted == []


def test_every_column_is_on_its_page() -> None:
    page = _text("docs/records.md")
    absent = [
        f"{table.name}.{column.name}"
        for table in TABLES.values()
        for column in table.columns
        if f"`{column.name}`" not in page
    ]
    assert absent == []


def _settings_of(page: str, folder: Path) -> Settings:
    (text,) = _blocks(page, "toml")
    (folder / "unit.toml").write_text(text, encoding="utf-8")
    return load_settings(folder)


def test_the_settings_on_the_page_can_be_read(tmp_path: Path) -> None:
    settings = _settings_of("docs/records.md", tmp_path).records
    assert settings.unit == "North Valley"
    assert settings.units["storage.temperature_c"] == "C"


def test_plan_settings_on_page_can_be_read(tmp_path: Path) -> None:
    settings = _settings_of("docs/planning.md", tmp_path).plan
    assert settings.training_days == ("Tuesday", "Saturday")
    assert settings.third_person is False


def test_every_command_is_on_the_first_page() -> None:
    from outcomes.cli import _COMMANDS

    listed = re.findall(r"^\| `outcomes (\w+)", _text("docs/start.md"), flags=re.MULTILINE)
    assert listed == list(_COMMANDS)


def test_sources_are_cited_and_listed() -> None:
    text, _, references = _text("docs/methods.md").partition("## References")
    listed = re.findall(r"^- (\w+) .*?\((\d{4})\)", references, flags=re.MULTILINE)
    text = " ".join(text.split())
    cited = re.findall(r"(\w+)(?:, \w+)*(?: and \w+| et al\.)? \(?(\d{4})\b", text)
    assert sorted(set(cited)) == sorted(listed)


def _sentences(name: str) -> list[str]:
    """Running text: no code, table, heading, reference; what stands between marks stays."""
    text = _text(name).partition("## References")[0]
    text = re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"^(?:\||#).*$", "", text, flags=re.MULTILINE).replace("**", "")
    parts = re.split(r"\n\s*\n|\n(?=- |\d\. )", text)
    told = [" ".join(part.split()).lstrip("- ") for part in parts]
    return [one for part in told for one in re.split(r"(?<=[.?!:;])\s+", part) if one]


BY_HAND = [name for name in NAMES if name == "README.md" or name.startswith("docs/")]


def test_no_sentence_stands_twice() -> None:
    told = [one for name in BY_HAND for one in _sentences(name) if len(one.split()) >= 5]
    assert sorted({one for one in told if told.count(one) > 1}) == []


@pytest.mark.parametrize("name", BY_HAND)
def test_few_sentences_are_long(name: str) -> None:
    long = [one for one in _sentences(name) if len(one.split()) > LONGEST]
    assert long == []


def test_eight_pages_are_short() -> None:
    assert len(BY_HAND) == 9
    by_hand = [re.sub(r"<!--=.*?<!---->", "", _text(n), flags=re.DOTALL) for n in BY_HAND]
    assert sum(len(text.replace("|", " ").split()) for text in by_hand) < 15_000


# A command that stands on several pages is run once.
COMMANDS = list(
    {
        line: (name, line)
        for name in NAMES
        if name.startswith("docs/")
        for block in _blocks(name, "sh")
        for line in block.splitlines()
    }.values()
)
PLAN_FILES = ("packing.html", "plan.html", "plan.json", "plan.xlsx", "power.png")
# What each command leaves behind, by what it is called with.
LEFT_BY = {
    "figure": ["shelf.png"],
    "plan": [f"plan/{name}" for name in PLAN_FILES],
    "share": ["ours.json"],
    "pool": [f"pool/{name}" for name in ("pool.html", "pool.json", "pool.png", "pool.svg")],
    "template": ["unit.xlsx"],
    "join": ["joined.csv", "joined_set_aside.csv"],
    "brief": [
        "briefing/briefing.html",
        "briefing/figure.pdf",
        "briefing/figure.png",
        "briefing/figure.svg",
        "briefing/results.json",
        "briefing/set_aside.csv",
        "briefing/trials.csv",
    ],
}


@pytest.mark.slow
@pytest.mark.parametrize(("name", "line"), COMMANDS, ids=[line for _, line in COMMANDS])
def test_a_command_on_a_page_runs(name: str, line: str, tmp_path: Path) -> None:
    shutil.copytree(ROOT / "synthetic_data", tmp_path / "records")
    program, *arguments = line.split()
    assert program == "outcomes"
    given = {argument for argument in arguments if argument in ("ours.json", "theirs.json")}
    if arguments[0] == "pool":
        for share, place in zip(shares_of(2), sorted(given), strict=True):
            (tmp_path / place).write_bytes(share_bytes(share))
    done = _run(arguments, tmp_path)
    assert done.returncode == 0, done.stderr
    made = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    made -= given if arguments[0] == "pool" else set()
    made -= {f"records/{p.name}" for p in (ROOT / "synthetic_data").iterdir()}
    called_with = " ".join(arguments)
    left = next((names for start, names in LEFT_BY.items() if called_with.startswith(start)), [])
    assert sorted(made) == sorted(left)


def _fill(workbook: Path) -> None:
    """Write the synthetic unit's tables into a blank workbook, under the columns it names."""
    import openpyxl
    import pandas as pd

    book = openpyxl.load_workbook(workbook)
    for table in ("sources", "storage", "trials", "dogs"):
        sheet = book[table]
        header = [cell.value for cell in sheet[1]]
        rows = pd.read_csv(ROOT / "synthetic_data" / f"{table}.csv", dtype=object).reindex(
            columns=header
        )
        for position, row in enumerate(rows.itertuples(index=False), start=2):
            for column, value in enumerate(row, start=1):
                if not pd.isna(value):
                    sheet.cell(position, column, value)
    book.save(workbook)


@pytest.mark.slow
def test_readmes_way_to_a_briefing_works(tmp_path: Path) -> None:
    steps = [
        block.removeprefix(".venv/bin/outcomes ").split()
        for block in _blocks("README.md", "sh")[2:]
    ]
    assert [step[0] for step in steps] == ["template", "check", "brief"]
    template, check, brief = steps
    assert _run(template, tmp_path).returncode == 0
    _fill(tmp_path / template[-1])
    checked = _run(check, tmp_path)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "trials: 1,200 rows in = 1,200 usable + 0 set aside" in checked.stdout
    made = _run(brief, tmp_path)
    assert made.returncode == 0, made.stderr
    assert (tmp_path / brief[-1] / "briefing.html").is_file()


def test_developers_page_names_the_files() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = {Path(name).name for name in re.findall(r"`([\w/]+\.py)`", text)}
    tree = {p.name for p in ROOT.glob("*.py")}
    tree |= {p.name for folder in ("outcomes", "tests") for p in (ROOT / folder).rglob("*.py")}
    assert not named - tree
    analysis = {p.name for p in (ROOT / "outcomes/analysis").rglob("*.py")} - {"__init__.py"}
    assert not analysis - named


@pytest.mark.slow
def test_worked_example_runs_and_draws_all_four(monkeypatch, capsys) -> None:
    import matplotlib.pyplot as plt

    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(plt, "show", lambda: None)
    runpy.run_path(str(ROOT / "docs/worked_example.py"))
    axes = plt.gcf().axes
    plt.close("all")
    assert len(axes) == 4
    assert all(ax.has_data() for ax in axes)
    assert "planted -0.11, found " in capsys.readouterr().out
