"""What is written, and what must never be: the records, a finished result, half a result."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from outcomes.errors import OutputError, UsageError
from outcomes.records.placing import write_files
from outcomes.report.out_folder import FILES, JOINED, check_out, check_replaced


def _bytes_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "RECORDS"),
        ("fit", "RECORDS"),
        ("retire", "RECORDS"),
        ("compare", "RECORDS"),
        ("watch", "RECORDS", "--figure", "charts.png"),
        ("join", "RECORDS", "--out", "joined.csv"),
        ("brief", "RECORDS", "--out", "briefing"),
    ],
)
def test_no_command_changes_the_records(
    arguments, call, own_records, tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = _bytes_in(own_records)
    assert call(*[own_records if a == "RECORDS" else a for a in arguments]).status == 0
    assert _bytes_in(own_records) == before


def test_a_template_never_replaces_a_file(call, tmp_path) -> None:
    there = tmp_path / "records.xlsx"
    there.write_bytes(b"two years of work")
    answer = call("template", there)
    assert answer.status == 1
    assert answer.complaints == [
        f"outcomes: {there}: there is something of that name already, and it is left as it is. "
        "Give another name."
    ]
    assert there.read_bytes() == b"two years of work"


def test_template_into_no_folder_says_so(call, tmp_path) -> None:
    answer = call("template", tmp_path / "nowhere" / "blank.xlsx")
    assert answer.status == 1
    assert "could not be written (no such file or directory)" in answer.complaints[0]


def test_briefing_stays_out_of_the_records(call, own_records, tmp_path) -> None:
    before = _bytes_in(own_records)
    for out in (own_records, own_records / ".", tmp_path / "own" / ".." / "own"):
        answer = call("brief", own_records, "--out", out)
        assert answer.status == 2
        assert "is where the records are. Name another folder." in answer.complaints[0]
    assert _bytes_in(own_records) == before


def test_a_briefing_is_never_written_over_a_file(call, few_records, tmp_path) -> None:
    (tmp_path / "notes").write_text("mine")
    answer = call("brief", few_records, "--out", tmp_path / "notes")
    assert answer.status in (1, 2)
    assert answer.complaints == [
        f"outcomes: {tmp_path / 'notes'} is a file, not a folder. Name a folder to write to."
    ]
    assert (tmp_path / "notes").read_text() == "mine"


@pytest.mark.parametrize("command", ["brief", "join", "demo"])
def test_unwritable_place_is_one_line(command, call, few_records, tmp_path) -> None:
    (tmp_path / "notes").write_text("mine")
    out = tmp_path / "notes" / ("joined.csv" if command == "join" else "briefing")
    answer = call(command, *([] if command == "demo" else [few_records]), "--out", out)
    assert answer.status in (1, 2)
    assert len(answer.complaints) == 1
    assert "notes" in answer.complaints[0]
    assert "Traceback" not in answer.err
    assert (tmp_path / "notes").read_text() == "mine"


@pytest.mark.slow
def test_second_briefing_replaces_only_the_first(call, few_records, tmp_path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "letter.txt").write_text("mine")
    for floor in ("0.7", "0.8"):
        assert call("brief", few_records, "--floor", floor, "--out", tmp_path / "b").status == 0
        found = json.loads((tmp_path / "b" / "results.json").read_text(encoding="utf-8"))
        assert found["settings"]["floor"] == float(floor)
    assert (tmp_path / "b" / "letter.txt").read_text() == "mine"
    assert sorted(p.name for p in (tmp_path / "b").iterdir()) == sorted([*FILES, "letter.txt"])


def test_full_disk_in_making_leaves_old_files(tmp_path, monkeypatch) -> None:
    write_files(tmp_path, {"a": b"old a", "b": b"old b"})
    write = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.name == "b":
            raise OSError(28, "No space left on device")
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_files(tmp_path, {"a": b"new a", "b": b"new b"})
    monkeypatch.undo()
    assert _bytes_in(tmp_path) == {"a": b"old a", "b": b"old b"}


def test_failed_placing_leaves_old_files(tmp_path) -> None:
    (tmp_path / "a").write_bytes(b"old a")
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "mine").write_bytes(b"mine")
    with pytest.raises(OutputError):
        write_files(tmp_path, {"a": b"new a", "b": b"new b"})
    assert _bytes_in(tmp_path) == {"a": b"old a", "b/mine": b"mine"}


@pytest.mark.parametrize("out", ["trials.csv", "sources.csv", "storage.csv"])
def test_joined_trials_never_replace_records(out, call, own_records) -> None:
    before = _bytes_in(own_records)
    answer = call("join", own_records, "--out", own_records / out)
    assert answer.status != 0
    assert _bytes_in(own_records) == before


def test_demo_never_replaces_a_units_records(call, own_records, tmp_path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    own_records.rename(home / "records")
    before = _bytes_in(home)
    assert call("demo", "--out", home).status != 0
    assert _bytes_in(home) == before


def test_demo_makes_its_folder_and_again(tmp_path) -> None:
    home = tmp_path / "new"
    # Before its records are written, and after.
    check_out(home, home / "records")
    (home / "records").mkdir(parents=True)
    check_out(home, home / "records")
    with pytest.raises(UsageError, match="where the records are"):
        check_out(home / "records", home / "records")


@pytest.mark.slow
def test_same_records_and_seed_same_bytes(briefing_of, tmp_path) -> None:
    # Bootstrap and all: the effect of this unit is strong enough to be simulated.
    records = briefing_of("effect falling").folder.parent / "records"
    runs = []
    for number in ("1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": number, "TZ": f"UTC-{number}"}
        environment["PYTHONPATH"] = str(Path(__file__).parents[2])
        command = [sys.executable, "-c", "from outcomes.cli import main; main()", "brief"]
        options = [str(records), "--seed", "11", "--out", str(tmp_path / number)]
        runs.append(
            subprocess.Popen(
                [*command, *options],
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        )
    assert [run.wait(timeout=300) for run in runs] == [0, 0]
    first, second = (_bytes_in(tmp_path / number) for number in ("1", "2"))
    assert sorted(first) == sorted(FILES)
    different = [name for name in first if first[name] != second[name]]
    assert different == []


def test_briefing_never_lands_by_its_workbook(call, tmp_path) -> None:
    book = tmp_path / "mine.xlsx"
    call("template", str(book))
    (tmp_path / "trials.csv").write_text("mine", encoding="utf-8")
    answer = call("brief", str(book), "--out", str(tmp_path))
    assert answer.status == 2
    assert (tmp_path / "trials.csv").read_text(encoding="utf-8") == "mine"


def test_foreign_trials_table_is_never_replaced(tmp_path) -> None:
    records, out = tmp_path / "records", tmp_path / "out"
    records.mkdir()
    out.mkdir()
    (out / "trials.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="tables of records"):
        check_out(out, records)
    # Beside results.json it is what an earlier run wrote, and may be written again.
    (out / "results.json").write_text('{"made_by": {"name": "outcomes"}}', encoding="utf-8")
    (out / "trials.csv").write_text(",".join(JOINED), encoding="utf-8")
    check_out(out, records)


@pytest.mark.parametrize("name", FILES)
def test_briefing_replaces_no_foreign_file(name, call, few_records, tmp_path) -> None:
    mine = tmp_path / "out" / name
    mine.parent.mkdir()
    program = b"\x89PNG\r\n\x1a\n" if name.endswith("png") else b"%PDF-1.4 /Producer (other)"
    mine.write_bytes(program + b" two years of work")
    before = _bytes_in(tmp_path)
    answer = call("brief", few_records, "--out", mine.parent)
    assert answer.status != 0
    assert len(answer.complaints) == 1
    assert _bytes_in(tmp_path) == before


@pytest.mark.parametrize(
    "arguments",
    [
        ("brief", "RECORDS", "--out", "LONG"),
        ("join", "RECORDS", "--out", "LONG.csv"),
        ("figure", "records", "RECORDS", "--out", "LONG.png"),
        ("watch", "RECORDS", "--figure", "LONG.png"),
        ("brief", "RECORDS", "--out", "out", "--without-names", "--key", "LONG.csv"),
        ("demo", "--out", "LONG"),
        ("template", "LONG.xlsx"),
        ("check", "RECORDS", "--settings", "LONG.toml"),
        ("check", "LONG"),
    ],
)
def test_name_too_long_is_one_line(arguments, call, few_records, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    given = [few_records if a == "RECORDS" else a.replace("LONG", "x" * 300) for a in arguments]
    answer = call(*given)
    assert answer.status in (1, 2), answer.err
    assert len(answer.complaints) == 1
    assert _bytes_in(tmp_path) == {}


def _left(path: Path) -> str:
    return (
        f"outcomes: {path} is there already and is not a file that this command writes, so it is "
        "left as it is. Give another name."
    )


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_joined_trials_replace_only_their_like(ending, call, own_records, tmp_path) -> None:
    out = tmp_path / "out" / f"joined{ending}"
    first = call("join", own_records, "--out", out)
    assert first.status == 0
    assert "replaced" not in first.out
    again = call("join", own_records, "--out", out)
    assert again.status == 0
    assert again.out == first.out.replace(
        f"{out}:", f"{out} (it replaced the file that was there):"
    )
    for mine in (out, out.with_name("joined_set_aside.csv")):
        kept = mine.read_bytes()
        mine.write_bytes(b"trial_id,started_at,dog_id,result,cycles\nT1,2026-01-01,D1,find,3\n")
        before = _bytes_in(out.parent)
        answer = call("join", own_records, "--out", out)
        assert answer.status == 1
        assert answer.complaints == [_left(mine)]
        assert _bytes_in(out.parent) == before
        mine.write_bytes(kept)


@pytest.mark.parametrize(
    ("kind", "ours"),
    [
        ("png", Path("reports/figure.png").read_bytes()),
        ("svg", Path("reports/figure.svg").read_bytes()),
        ("pdf", Path("reports/figure.pdf").read_bytes()),
        ("png", b""),
    ],
)
def test_figure_replaces_only_a_figure(kind, ours, tmp_path) -> None:
    path = tmp_path / f"slide.{kind}"
    assert not check_replaced(path)
    path.write_bytes(ours)
    assert check_replaced(path)
    path.write_bytes(b"two years of work")
    with pytest.raises(OutputError, match="not a file that this command writes"):
        check_replaced(path)
    assert path.read_bytes() == b"two years of work"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("figure", "records", "RECORDS", "--out", "slide.png"), "slide.png written; it replaced"),
        (("watch", "RECORDS", "--figure", "slide.png"), "Drawn: slide.png (it replaced the file"),
    ],
)
def test_drawing_command_says_what_it_replaced(
    arguments, said, call, own_records, tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    given = [own_records if a == "RECORDS" else a for a in arguments]
    there = Path("slide.png")
    there.write_bytes(b"mine")
    refused = call(*given)
    assert (refused.status, refused.complaints) == (1, [_left(there)])
    assert there.read_bytes() == b"mine"
    there.unlink()
    assert "replaced" not in call(*given).out
    assert said in call(*given).out
