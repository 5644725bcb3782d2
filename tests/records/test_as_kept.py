"""Records as a unit keeps them: two years, titles, dates apart, dittos, totals, its own labels."""

import datetime as dt
import tomllib
from pathlib import Path

import pytest
from openpyxl import Workbook

from outcomes.errors import SettingsError
from outcomes.records.read import examine_and_read, read_records
from outcomes.records.reading.fold import spellings_to_join
from outcomes.records.suggest import draft_settings, suggest_settings
from outcomes.records.unit_file import settings_of

TODAY = dt.date(2026, 3, 14)
HEADINGS = ("Date", "Time", "K9", "Aid #", "H/M/FA", "Mins", "Depth", "Temp")
YEARS = {
    "Log 2024": [
        (dt.date(2024, 5, 1), dt.time(9, 30), "Ash", "HR-01", "H", 2.5, "surface", "45F"),
        (None, "1015", "ASH", "hr 1", "M", None, "6 in", "46F"),
        (None, "11:00", "Birch", "blank", "C", None, None, 50),
        ("Total", None, None, None, 3),
    ],
    "Log 2025": [
        (dt.date(2025, 5, 2), "0830", "Birch", "#HR-1", "H", 3, 0, "50F"),
        (None, "0915", "Ash", "HR-02", "H", 1, "2 in", "51F"),
        (None, "0950", "Ash", "blank", "FA", None, None, "51F"),
    ],
}


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A workbook of two years and a list of sources, each below a title."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in YEARS.items():
        sheet = book.create_sheet(name)
        for row in ([f"Training log {name[-4:]}"], [], HEADINGS, *rows):
            sheet.append(list(row))
    sheet = book.create_sheet("Aids")
    for row in (
        ("Our aids",),
        ("Aid #", "Type", "Received", "Stored", "Thaws to date", "Disposed of"),
        ("HR-01", "muscle", dt.date(2024, 1, 5), "chest freezer", 9, None),
        ("HR-02", "bone", dt.date(2024, 2, 5), "Fridge", None, dt.date(2025, 6, 1)),
    ):
        sheet.append(list(row))
    book.save(tmp_path / "unit.xlsx")
    return tmp_path / "unit.xlsx"


def tried(path: Path):
    def usable(settings):
        found, records = examine_and_read(path, settings, today=TODAY)
        return (0 if records is None else len(records.trials)), found.rows_in.get("trials", 0)

    return draft_settings(path, usable)


def test_draft_used_unread_reads_every_trial(kept) -> None:
    draft = tried(kept)
    assert (draft.usable, draft.left_open) == (6, 0)
    said = tomllib.loads(draft.text)
    assert said["tables"] == {"sources": "Aids", "trials": ["Log 2024", "Log 2025"]}
    assert said["columns"]["trials"]["started_at"] == ["Date", "Time"]
    assert said["same_as_above"] == {"trials": ["Date"]}
    assert said["fold_labels"] == ["source_id", "dog_id"]
    # Every guess has its ground beside it.
    lines = [line for line in draft.text.splitlines() if " = " in line]
    assert all("  # " in line for line in lines)


def test_as_kept_is_read_as_meant(kept) -> None:
    records = read_records(kept, settings_of(tried(kept).text).records, today=TODAY)
    trials = records.trials
    assert trials["started_at"].dt.strftime("%y-%m-%d %H:%M").tolist() == [
        *("24-05-01 09:30", "24-05-01 10:15", "24-05-01 11:00"),
        *("25-05-02 08:30", "25-05-02 09:15", "25-05-02 09:50"),
    ]
    assert trials["source_id"].tolist() == ["HR-01", "HR-01", None, "HR-01", "HR-02", None]
    assert trials["dog_id"].tolist() == ["Ash", "Ash", "Birch", "Birch", "Ash", "Ash"]
    assert trials["result"].tolist() == ["find", "miss", "clear", "find", "find", "false alert"]
    assert trials["depth_cm"].round(2).tolist()[:2] == [0.0, 15.24]
    assert trials["temperature_c"].round(1).tolist()[:2] == [7.2, 7.8]
    assert trials["trial_id"].tolist()[0] == "Log 2024 4"
    assert trials["trial_id"].is_unique
    # The row as the person sees it, in its own sheet.
    assert trials["row"].tolist() == [4, 5, 6, 4, 5, 6]
    assert trials["file"].iloc[3] == "unit.xlsx, sheet Log 2025"
    aside = [(f.file, f.row, f.rule) for f in records.set_aside]
    assert aside == [("unit.xlsx, sheet Log 2024", 7, "total row")]
    assert records.rows_in["trials"] == len(trials) + 1


def test_sources_stand_for_moves_of_no_log(kept) -> None:
    records = read_records(kept, settings_of(tried(kept).text).records, today=TODAY)
    moves = [
        (s, f"{at:%Y-%m-%d}", to)
        for s, at, to in records.storage[["source_id", "moved_at", "moved_to"]].itertuples(
            index=False
        )
    ]
    assert sorted(moves) == [
        ("HR-01", "2024-01-05", "freezer"),
        ("HR-02", "2024-02-05", "refrigerator"),
        ("HR-02", "2025-06-01", "discarded"),
    ]


def test_listed_twins_are_left_to_the_person() -> None:
    assert spellings_to_join(["S1", "s01", "S2"], ["S1", "s01", "s 1", "s2"]) == {"s2": "S2"}
    # What a copied cell may carry unseen (a zero-width space) tells nothing apart.
    assert spellings_to_join(["S1-2"], ["s1\u200b 2", "s12"]) == {"s1\u200b 2": "S1-2"}


def test_folding_reaches_what_a_portion_is_cut_from(clean, write) -> None:
    clean["sources"][2]["parent_id"] = "#s01"
    records = read_records(write(clean, 'fold_labels = ["source_id"]\n'), today=TODAY)
    assert records.sources["parent_id"].tolist() == [None, None, "S1"]


def test_dates_that_run_back_are_no_dittos(kept, tmp_path) -> None:
    from openpyxl import load_workbook

    book = load_workbook(kept)
    for name in YEARS:  # each empty date is that of another day: times fall
        for row, time in ((5, "0700"), (6, "0600")):
            book[name].cell(row, 2).value = time
    book.save(kept)
    assert "same_as_above" not in tomllib.loads(tried(kept).text)


def test_draft_leaves_open_what_loses_trials(clean, write) -> None:
    # Half of the temperatures would be read in another unit than they are.
    for row in clean["trials"]:
        row["Search time (min)"] = row.pop("search_s")
    folder = write(clean)
    calls = []

    def usable(settings):
        calls.append(settings)
        return (1 if settings.units else 6), 6

    draft = draft_settings(folder, usable)
    assert (draft.usable, draft.left_open) == (6, 1)
    assert '# search_s = "min"  # left open: with it 5 more trials' in draft.text
    assert len(calls) == 2


def test_one_word_for_what_a_dog_did_is_two_results(clean, write) -> None:
    for row in clean["trials"]:
        row["result"] = "yes" if row["result"] in ("find", "false alert") else "no"
        row["false_alerts"] = ""
    said = '[words.result]\nyes = "find or false alert"\nno = "miss or clear"\n'
    results = read_records(write(clean, said), today=TODAY).trials["result"]
    assert results.tolist() == ["find", "miss", "clear", "find", "find", "false alert"]


def test_the_other_column_tells_of_blank_areas(clean, write) -> None:
    for row in clean["trials"]:
        blank = not row["source_id"]
        row["Found?"] = "" if blank else {"find": "Yes", "miss": "No"}[row["result"]]
        row["Alerts?"] = {"false alert": "Yes"}.get(row.pop("result"), "No")
        row.pop("false_alerts")
    said = (
        '[columns.trials]\nresult = ["Found?", "Alerts?"]\n'
        '[words.result]\nYes = "find or false alert"\nNo = "miss or clear"\n'
    )
    results = read_records(write(clean, said), today=TODAY).trials["result"]
    assert results.tolist() == ["find", "miss", "clear", "find", "find", "false alert"]


def test_no_row_is_lost_between_two_files(clean, write) -> None:
    folder = write(clean)
    lines = (folder / "trials.csv").read_text().splitlines(keepends=True)
    (folder / "a.csv").write_text("".join(lines[:4]))
    (folder / "b.csv").write_text("".join([lines[0], *lines[4:], lines[2].replace("Birch", "")]))
    (folder / "trials.csv").unlink()
    (folder / "unit.toml").write_text('[tables]\ntrials = ["a", "b"]\n')
    found, records = examine_and_read(folder, today=TODAY)
    assert records is not None
    aside = {(f.file, f.row) for f in found.set_aside if f.table == "trials"}
    assert found.rows_in["trials"] == found.used["trials"] + len(aside) == 7
    assert len(records.trials) == found.used["trials"]
    assert ("b.csv", 5) in aside


@pytest.mark.parametrize("row", [1, 3])
def test_stated_row_of_names_is_taken(clean, write, row) -> None:
    folder = write(clean, f"[header_row]\ntrials = {row}\n")
    if row == 3:
        text = (folder / "trials.csv").read_text()
        (folder / "trials.csv").write_text(f"Training\n{text.splitlines()[0]}\n{text}")
    assert len(read_records(folder, today=TODAY).trials) == 6


def test_discard_of_the_list_ends_trials_and_moves(clean, write) -> None:
    clean["sources"][1]["discarded_on"] = "2025-02-01"
    clean["storage"].append({"source_id": "S2", "moved_at": "2025-03-01", "moved_to": "freezer"})
    found, _ = examine_and_read(write(clean), today=TODAY)
    assert {(f.table, f.row, f.rule) for f in found.set_aside} == {
        ("trials", 5, "trial on a discarded source"),
        ("storage", 7, "move after discard"),
    }


def test_draft_keeps_what_the_unit_has_said(kept) -> None:
    there = (
        '# ours\nunit = "Vale"\n\n[words.result]  # as we write\nM = "miss"\n\n'
        "[decision]\nfloor = 0.8\n"
    )

    def usable(settings):
        found, records = examine_and_read(kept, settings, today=TODAY)
        return (0 if records is None else len(records.trials)), found.rows_in.get("trials", 0)

    draft = draft_settings(kept, usable, there)
    assert draft.usable == 6
    said = tomllib.loads(draft.text)
    assert (said["unit"], said["decision"]) == ("Vale", {"floor": 0.8})
    assert {"M": "miss", "H": "find"}.items() <= said["words"]["result"].items()
    # What was there stands as it was, comments too, and is not proposed again.
    assert all(line in draft.text.splitlines() for line in there.splitlines())
    assert draft.text.count("M = ") == 1
    assert draft_settings(kept, usable, draft.text).text == ""


def test_no_line_is_added_where_it_cannot_stand(kept) -> None:
    with pytest.raises(SettingsError, match="no line can be added"):
        draft_settings(kept, lambda settings: (6, 6), '[words]\nresult = {M = "miss"}\n')


def test_hidden_characters_are_folded_and_said(clean, write) -> None:
    clean["trials"][0]["source_id"] = "S\u200b1"
    folder = write(clean)
    text = suggest_settings(folder)
    assert "S1 with hidden characters is S1" in text
    (folder / "unit.toml").write_text(text)
    assert read_records(folder, today=TODAY).trials["source_id"].iloc[0] == "S1"


def test_check_tells_what_stands_for_no_log(clean, write) -> None:
    clean.pop("storage")
    for row, place in zip(clean["sources"], ("freezer", "fridge room", ""), strict=True):
        row["kept_in"] = place if place == "freezer" else ""

    def told() -> str:
        found = examine_and_read(write(clean), today=TODAY)[0].findings
        (line,) = [f.line() for f in found if f.rule == "no storage log"]
        return line

    line = told()
    assert "kept_in, which 1 of 3 sources have; its cycles from the days it was tried" in line
    assert line.endswith(
        "Fill in kept_in for each source; give the cycles where they are counted by hand, in "
        "trials or in sources; log every move from now on."
    )
    for row in clean["trials"]:
        row["cycles"] = 2
    assert "its cycles from the counts by hand in cycles. The briefing can ask" in told()


def test_row_of_out_and_back_is_two_moves(clean, write) -> None:
    for row in clean["sources"]:
        row["kept_in"] = "refrigerator" if row["source_id"] == "S2" else "freezer"
    out = [("S1", "2025-02-01 07:00", "2025-02-01 17:00"), ("S2", "2025-03-01 07:00", "2025-03-02"),
           ("S1", "2025-04-01 07:00", "")]  # fmt: skip
    clean["storage"] = [dict(zip(("source_id", "Out", "In"), row, strict=True)) for row in out]
    said = '[columns.storage]\nmoved_at = "Out"\nmoved_back_at = "In"\n'
    found, records = examine_and_read(write(clean, said), today=TODAY)
    log = records.storage[~records.storage["file"].str.contains("as the sources say")]
    assert log[["source_id", "moved_to", "file", "row"]].to_numpy().tolist() == [
        ["S1", "ambient", "storage.csv", 2],
        ["S1", "freezer", "storage.csv (put back)", 2],
        ["S2", "ambient", "storage.csv", 3],
        ["S2", "refrigerator", "storage.csv (put back)", 3],
        ["S1", "ambient", "storage.csv", 4],
    ]
    assert log["moved_at"].dt.strftime("%m-%d %H").tolist()[:2] == ["02-01 07", "02-01 17"]
    assert found.rows_in["storage"] == found.used["storage"] == 5


def test_back_is_where_a_source_is_kept(clean, write) -> None:
    clean["sources"][0]["kept_in"] = "refrigerator"
    clean["storage"].append({"source_id": "S1", "moved_at": "2025-06-01", "moved_to": "IN"})
    records = read_records(write(clean, '[words.moved_to]\nIN = "back"\n'), today=TODAY)
    (last,) = records.storage.loc[records.storage["moved_at"] == "2025-06-01", "moved_to"]
    assert last == "refrigerator"
