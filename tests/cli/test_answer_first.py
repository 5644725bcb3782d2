"""The answer comes before the rest, and no folder is left with half of two runs."""

from collections.abc import Callable
from pathlib import Path

import pytest

from outcomes.errors import OutputError
from outcomes.records.placing import place_first, write_files
from outcomes.report.out_folder import FILES, JOINED, SET_ASIDE
from outcomes.text import wrapped

STOPS = {
    "Ctrl-C": (KeyboardInterrupt(), 130, "stopped; nothing was overwritten."),
    "a full disk": (OutputError("no room is left. Make room."), 1, "no room is left. Make room."),
    "a defect": (ZeroDivisionError("here"), 70, "(ZeroDivisionError: here). Set OUTCOMES_TRACE"),
}


def _bytes_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def stopped_after_the_answer(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException], None]:
    """Make what follows the answer raise."""

    def stop(error: BaseException) -> None:
        def raises(*_: object) -> None:
            raise error

        monkeypatch.setattr("outcomes.report.write.briefing_files", raises)

    return stop


def _earlier_briefing(folder: Path) -> dict[str, bytes]:
    figures = {
        # As much of each as tells it is ours.
        "figure.png": b"\x89PNG\r\n\x1a\n".ljust(41, b" ") + b"Title\0 old",
        "figure.svg": b'<svg aria-labelledby="figure-title">',
        "figure.pdf": b"%PDF- /Subject",
        "briefing.html": b"<title>U: do stored sources change what the dogs find?</title>",
        "results.json": b'{"name": "outcomes"}',
        "trials.csv": ",".join(JOINED).encode(),
        "set_aside.csv": ",".join(SET_ASIDE).encode(),
    }
    write_files(folder, {name: figures.get(name, b"old") for name in FILES})
    return _bytes_in(folder)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["brief", "demo"])
def test_the_answer_and_its_figure_come_first(
    command, call, few_records, tmp_path, stopped_after_the_answer
) -> None:
    stopped_after_the_answer(OutputError("no room is left."))
    records = [few_records] if command == "brief" else []
    out = tmp_path / "out"
    answer = call(command, *records, "--out", out)
    assert answer.status == 1
    assert len(answer.out.splitlines()) == 3
    assert answer.out.splitlines()[-1].startswith(("Limit: ", "No limit", "No retirement", "Too"))
    assert (out / "figure.png").read_bytes().startswith(b"\x89PNG")
    assert [p.name for p in out.iterdir() if p.is_file()] == ["figure.png"]
    still = [line for line in answer.err.splitlines() if "Still to come: advice on" in line]
    assert len(still) == 1
    assert still[0].startswith(f"{out / 'figure.png'} is drawn. Still")


@pytest.mark.slow
def test_first_figure_is_the_one_that_stays(
    call, few_records, tmp_path, stopped_after_the_answer
) -> None:
    assert call("brief", few_records, "--out", tmp_path / "whole").status == 0
    stopped_after_the_answer(OutputError("no room is left."))
    assert call("brief", few_records, "--out", tmp_path / "first").status == 1
    whole, first = (_bytes_in(tmp_path / name) for name in ("whole", "first"))
    assert first == {"figure.png": whole["figure.png"]}


@pytest.mark.parametrize("stop", STOPS)
def test_a_new_folder_keeps_figure_and_says_so(
    stop, call, few_records, tmp_path, stopped_after_the_answer
) -> None:
    error, status, said = STOPS[stop]
    stopped_after_the_answer(error)
    out = tmp_path / "out"
    answer = call("brief", few_records, "--out", out)
    assert answer.status == status
    assert len(answer.complaints) == 1
    assert said in answer.complaints[0]
    assert answer.complaints[0].endswith(
        f" {out / 'figure.png'} is this run's, and the only file written."
    )
    assert list(_bytes_in(out)) == ["figure.png"]


@pytest.mark.parametrize("without", [None, "figure.png"])
@pytest.mark.parametrize("stop", STOPS)
def test_earlier_briefing_stays_whole(
    stop, without, call, few_records, tmp_path, stopped_after_the_answer
) -> None:
    error, status, said = STOPS[stop]
    stopped_after_the_answer(error)
    out = tmp_path / "out"
    before = _earlier_briefing(out)
    if without is not None:
        (out / without).unlink()
        del before[without]
    answer = call("brief", few_records, "--out", out)
    assert answer.status == status
    assert "the other files there are an earlier briefing's until then" in answer.err
    assert len(answer.complaints) == 1
    assert said in answer.complaints[0]
    as_it_was = "taken away again" if without is not None else "the earlier briefing's again"
    assert answer.complaints[0].endswith(f" {out / 'figure.png'} is {as_it_was}.")
    assert _bytes_in(out) == before


@pytest.mark.slow
def test_finished_briefing_leaves_nothing_by(call, few_records, tmp_path) -> None:
    out = tmp_path / "out"
    before = _earlier_briefing(out)
    assert call("brief", few_records, "--out", out).status == 0
    after = _bytes_in(out)
    assert sorted(after) == sorted(FILES)
    assert all(after[name] != before[name] for name in FILES)


@pytest.mark.parametrize("name", ["figure.png", "figure.svg", "figure.pdf"])
def test_file_that_is_no_figure_stops_first(name, call, few_records, tmp_path) -> None:
    (tmp_path / name).write_bytes(b"two years of work")
    answer = call("brief", few_records, "--out", tmp_path)
    assert answer.status == 1
    assert answer.err.splitlines() == [
        f"outcomes: {tmp_path / name} is there already and is not a file that this command writes, "
        "so it is left as it is. Give another name."
    ]
    assert _bytes_in(tmp_path)[name] == b"two years of work"


@pytest.mark.slow
def test_json_moves_the_answer_to_standard_error(call, few_records, tmp_path) -> None:
    text = call("brief", few_records, "--out", tmp_path / "a")
    answer = call("brief", few_records, "--json", "--out", tmp_path / "b")
    assert answer.out == (tmp_path / "b" / "results.json").read_text(encoding="utf-8")
    assert answer.complaints == text.out.splitlines()[:3]


def test_doubt_comes_first_and_once(call, own_records, tmp_path) -> None:
    trials = own_records / "trials.csv"
    head, *rows = trials.read_text(encoding="utf-8").splitlines()
    where = head.split(",").index("result")
    spoilt = [row.split(",") for row in rows]
    for row in spoilt[::10]:
        row[where] = "somehow"
    trials.write_text("\n".join([head, *map(",".join, spoilt)]) + "\n", encoding="utf-8")
    answer = call("brief", own_records, "--out", tmp_path / "out")
    assert answer.status == 0
    doubts = [
        line
        for line in answer.out.splitlines()
        if "trials handed over are not in this answer" in line
    ]
    assert len(doubts) == 1
    assert answer.out.splitlines().index(doubts[0]) == 0


def test_overwritten_file_is_not_taken_back(tmp_path) -> None:
    write_files(tmp_path, {"a": b"old a", "b": b"old b"})
    placed = place_first(tmp_path, "a", b"new a", ("a", "b"))
    write_files(tmp_path, {"a": b"newest a", "b": b"newest b"})
    assert not placed.take_back()
    assert _bytes_in(tmp_path) == {"a": b"newest a", "b": b"newest b"}


def test_a_full_disk_places_nothing_first(tmp_path, monkeypatch) -> None:
    write_files(tmp_path, {"a": b"old a"})

    def full(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        place_first(tmp_path, "a", b"new a", ("b",))
    assert _bytes_in(tmp_path) == {"a": b"old a"}
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_hint_names_the_command_to_paste() -> None:
    from outcomes.cli.options import with_command

    hint = with_command("They bear 3 notes: run outcomes check.", Path("our records.xlsx"))
    assert wrapped(hint, 80)[-1].endswith("check 'our records.xlsx'.")


def test_stopped_demo_says_records_are_left(tmp_path) -> None:
    from outcomes.cli.demo_command import _said_to_be_left

    with pytest.raises(KeyboardInterrupt) as stopped, _said_to_be_left(tmp_path):
        raise KeyboardInterrupt
    assert str(tmp_path) in stopped.value.__notes__[0]
