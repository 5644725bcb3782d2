"""What is printed for people: its width, its length, its colours, and how far a step is."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from outcomes.cli import terminal
from outcomes.report import report
from outcomes.report.fit_in_short import MOST_LINES, short_fit_lines
from outcomes.text import KEPT_TOGETHER, Row, wrapped
from tests.conftest import UNITS, write_records

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "synthetic_data"
# The names of other ways of asking are too long for it.
WIDEST_TABLE = 90


class _Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def lines_of(demo_facts):
    made = {
        "fit": lambda: short_fit_lines(demo_facts),
        "fit --full": lambda: report.fit_lines(demo_facts),
        "retire": lambda: report.retire_lines(demo_facts),
        "compare": lambda: report.compare_lines(demo_facts),
    }
    return lambda name: list(made[name]())


@pytest.mark.slow
@pytest.mark.parametrize("width", [40, 60, 80, 100, 132])
@pytest.mark.parametrize("name", ["fit", "fit --full", "retire", "compare"])
def test_prose_keeps_to_the_width(name, width, lines_of) -> None:
    for line in lines_of(name):
        shown = wrapped(line, width)
        if isinstance(line, Row):
            assert "\n".join(shown) == line
            continue
        assert max(map(len, shown)) <= width
        assert " ".join(" ".join(shown).split()) == " ".join(line.split())


@pytest.mark.slow
def test_tables_fit_on_eighty_columns(lines_of) -> None:
    for name in ("fit", "retire", "compare"):
        assert max(len(one) for line in lines_of(name) for one in wrapped(line, 80)) <= 80
    full = [one for line in lines_of("fit --full") for one in wrapped(line, 80)]
    assert max(map(len, full)) <= WIDEST_TABLE


@pytest.mark.parametrize("width", [50, 72, 200])
@pytest.mark.parametrize("command", ["fit", "retire", "compare", "check", "watch"])
def test_commands_wrap_to_the_terminal(command, width, call, few_records) -> None:
    answer = call(command, few_records, columns=width)
    longest = max(map(len, answer.out.splitlines()))
    # A command to paste and a path stay whole.
    assert longest <= max(width, len(f"outcomes fit {few_records} --full. ") + 20)
    assert [
        x for x in answer.out.splitlines() if len(x) > width and str(few_records) not in x
    ] == []


def test_piped_output_is_wrapped_at_eighty(few_records) -> None:
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    done = subprocess.run(
        [sys.executable, "-m", "outcomes", "watch", "records"],
        capture_output=True,
        text=True,
        cwd=few_records.parent,
        env={**environment, "PYTHONPATH": str(ROOT), "FORCE_COLOR": "1"},
        check=True,
    )
    assert 60 < max(map(len, done.stdout.splitlines())) <= 80
    assert "\x1b" not in done.stdout + done.stderr


def test_an_error_stays_one_line_in_a_pipe(call, tmp_path) -> None:
    answer = call("fit", tmp_path / "nowhere", columns=40)
    assert len(answer.err.strip().splitlines()[-1]) > 40


SOME_UNITS = [
    "too few trials",
    "effect falling",
    "cycles and age identical",
    "kinds apart",
    "only blank areas",
]


@pytest.mark.slow
@pytest.mark.parametrize("name", SOME_UNITS)
def test_fit_answers_on_one_screen(name, call, tmp_path, monkeypatch) -> None:
    write_records(UNITS[name](), tmp_path / "records")
    monkeypatch.chdir(tmp_path)
    answer = call("fit", "records", columns=80)
    assert answer.status in (0, 1)
    lines = answer.out.splitlines()
    if answer.status == 0:
        assert 5 <= len(lines) <= MOST_LINES
        assert "outcomes fit records --full" in answer.out
        assert "association in one unit's records" in answer.out


@pytest.mark.slow
def test_what_the_screen_leaves_out_is_in_full(demo_facts) -> None:
    short = "\n".join(short_fit_lines(demo_facts))
    full = "\n".join(report.fit_lines(demo_facts))
    assert "Terms of the model" in full
    assert "Terms of the model" not in short
    assert sum(len(wrapped(x, 80)) for x in short_fit_lines(demo_facts)) <= MOST_LINES
    for said in ("in other ways", "called unreliable", "Search time: ", "false alerts an hour"):
        assert said in short


@pytest.mark.slow
def test_long_command_leaves_room_by_dropping_side_questions(demo_facts) -> None:
    long = f"outcomes fit /{'a' * 300} --full".replace(" ", KEPT_TOGETHER)
    told = list(short_fit_lines(demo_facts, lambda line: line.replace("outcomes fit", long)))
    assert any(long in line for line in told)
    assert sum(len(wrapped(line, 80)) for line in told) <= MOST_LINES


def test_a_command_is_never_broken() -> None:
    from outcomes.cli.options import with_command

    named = with_command("run outcomes check.", Path("records"), Path("our unit.toml"))
    assert "check records --settings 'our unit.toml'".replace(" ", KEPT_TOGETHER) in named
    line = with_command("It may be missing here. outcomes check says why.", Path("our records"))
    (whole,) = (one for one in wrapped(line, 30) if "check" in one)
    assert whole.startswith("outcomes check 'our records'")
    row = Row("outcomes check  as it stands")
    assert with_command(row, Path("x")) is row


@pytest.mark.parametrize(
    ("changed", "wanted"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "NO_COLOR": ""}, True),
        ({"TERM": "xterm", "NO_COLOR": "1"}, False),
        ({"TERM": "dumb"}, False),
    ],
)
def test_colours_only_where_wanted(changed, wanted, monkeypatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in changed.items():
        monkeypatch.setenv(name, value)
    assert terminal.wants_colour(_Screen()) is wanted
    assert terminal.wants_colour(io.StringIO()) is False


def test_only_the_advice_word_is_coloured(monkeypatch, capsys) -> None:
    monkeypatch.setattr(terminal, "wants_colour", lambda _: True)
    for line in ("retire  BLD-02  retire", "Retire: shown below", "        retire it"):
        terminal.tell_advice(line)
    coloured, *plain = capsys.readouterr().out.splitlines()
    assert coloured == "\x1b[31mretire\x1b[0m  BLD-02  retire"
    assert not any("\x1b" in line for line in plain)


@pytest.mark.slow
def test_no_colour_in_a_pipe(call) -> None:
    answer = call("retire", DEMO, columns=80)
    assert answer.out.count("\nretire  ") >= 1
    assert "\x1b" not in answer.out + answer.err


def test_share_done_is_told_where_one_watches(monkeypatch) -> None:
    screen = _Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    for done in (1, 4):
        terminal.meter("resamples fitted", done, 4)
    assert screen.getvalue() == (
        "\r  resamples fitted: 1 of 4 (25 %)\r  resamples fitted: 4 of 4 (100 %)\n"
    )
    monkeypatch.setattr(sys, "stderr", quiet := io.StringIO())
    terminal.meter("resamples fitted", 1, 4)
    assert quiet.getvalue() == ""


@pytest.mark.slow
def test_side_questions_tell_their_share(few_records) -> None:
    from outcomes.answers.facts import gather_facts
    from outcomes.records.read import read_records
    from outcomes.report.page import render_page_figure
    from outcomes.settings import DecisionSettings

    told = []
    facts = gather_facts(
        read_records(few_records), DecisionSettings(), meter=lambda *step: told.append(step)
    )
    assert facts.further is not None
    steps = [(done, of) for what, done, of in told if what == "questions answered"]
    assert steps == [(k, 6) for k in range(1, 7)]
    told.clear()
    facts.answer_all()
    render_page_figure(facts)
    for what, of in (
        ("limits and shelf", 3),
        ("storage compared", 2),
        ("times, alerts and charts", 6),
        ("pictures drawn", 4),
    ):
        assert [step[1:] for step in told if step[0] == what][:of] == [
            (k, of) for k in range(1, of + 1)
        ]
