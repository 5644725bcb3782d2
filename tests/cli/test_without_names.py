"""A briefing without names holds none of them, in any file, and the key lies elsewhere."""

import base64
import re
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from outcomes.records.read import read_records
from outcomes.report.without_names import free_words, without_names
from outcomes.settings import DecisionSettings

NAMES = ("dog", "handler", "source", "trial", "session", "hide")


def _read(folder: Path, table: str) -> pd.DataFrame:
    return pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False)


@pytest.fixture(scope="module")
def named_records(few_records: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Names that cannot stand for anything else, notes, a row set aside, and a name in a word."""
    folder = tmp_path_factory.mktemp("named") / "Quibblewick"
    folder.mkdir()
    tables = {t: _read(few_records, t) for t in ("sources", "storage", "trials", "dogs")}
    for column, start in (
        ("dog_id", "Zorgon"),
        ("handler_id", "Wexley"),
        ("source_id", "Kvasir"),
        ("trial_id", "Yttrium"),
        ("session_id", "Gadolin"),
        ("hide_id", "Mjolnir"),
        ("parent_id", "Kvasir"),
    ):
        for table, frame in tables.items():
            if column == "handler_id" and table == "trials":
                frame[column] = frame["dog_id"].str.replace("Zorgon", "")
            if column in frame:
                frame[column] = [f"{start}{v}" if v else "" for v in frame[column]]
    trials = tables["trials"]
    trials["notes"] = "Zorgon's handler Plumbago was late"
    trials["setting"] = "woods behind " + trials["handler_id"]
    trials.loc[3, "source_id"] = "KvasirUnheardOf"
    trials.loc[4, "result"] = "Fnordish"
    for table, frame in tables.items():
        frame.to_csv(folder / f"{table}.csv", index=False)
    return folder


HIDDEN = (
    "Zorgon", "Wexley", "Kvasir", "Yttrium", "Gadolin", "Mjolnir", "Plumbago", "Fnordish",
    "Quibblewick",
)  # fmt: skip


def _texts(content: bytes) -> list[bytes]:
    """All that is to be read in a file: its bytes, what is packed in them, and text in hex."""
    found = [content]
    for packed in re.findall(rb"base64,([A-Za-z0-9+/=]+)", content):
        found += _texts(base64.b64decode(packed))
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        found.append(zlib.decompressobj().decompress(stream) if stream[:1] == b"x" else stream)
    for text in re.findall(rb"<([0-9A-Fa-f]{8,})>", content):
        found.append(bytes.fromhex(text.decode()[: len(text) // 2 * 2]))
    for at in re.finditer(rb"(zTXt|iTXt|tEXt)", content):
        found.append(content[at.start() : at.start() + 5000])
    return found + [t.decode("utf-16", "ignore").encode() for t in found if t[:2] == b"\xfe\xff"]


def _hidden_in(folder: Path) -> set[tuple[str, str]]:
    return {
        (file.name, name)
        for file in folder.iterdir()
        for text in _texts(file.read_bytes())
        for name in HIDDEN
        if name.lower().encode() in text.lower()
    }


@pytest.fixture(scope="module")
def briefing(
    named_records: Path, call: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    home = tmp_path_factory.mktemp("handed")
    answer = call("brief", named_records, "--out", home / "briefing", "--without-names")
    assert answer.status == 0, answer.err
    return home / "briefing"


def test_no_name_is_left_in_any_byte(briefing) -> None:
    assert {f.name for f in briefing.iterdir()} == {
        "briefing.html", "figure.png", "figure.svg", "figure.pdf", "results.json", "trials.csv",
        "set_aside.csv",
    }  # fmt: skip
    assert _hidden_in(briefing) == set()


def test_the_search_finds_names_where_they_are(named_records, call, tmp_path) -> None:
    call("join", named_records, "--out", tmp_path / "joined.csv")
    assert {name for _, name in _hidden_in(tmp_path)} >= {"Zorgon", "Kvasir", "Plumbago"}
    packed = base64.b64encode(b"<svg>Zorgon</svg>")
    assert any(b"Zorgon" in t for t in _texts(b"src=data:image/svg+xml;base64," + packed))
    assert any(
        b"Zorgon" in t for t in _texts(b"stream\n" + zlib.compress(b"Zorgon") + b"\nendstream")
    )


def test_rows_are_told_with_place_and_reason(briefing) -> None:
    aside = _read(briefing, "set_aside")
    assert set(aside["file"]) <= {"trials", "storage", "sources", "dogs"}
    assert {"5", "6"} <= set(aside["row"])
    assert all(aside["reason"])


def test_key_lies_beside_and_turns_codes_back(briefing, named_records) -> None:
    key = _read(briefing.parent, "briefing-key")
    assert set(key["what"]) <= set(NAMES)
    assert key["code"].is_unique
    coded, table = without_names(read_records(named_records), DecisionSettings().seed)
    assert table.astype(str).to_dict("list") == key.to_dict("list")
    back = dict(zip(key["code"], key["name"], strict=True))
    plain = read_records(named_records)
    assert [back[c] for c in coded.trials["dog_id"]] == list(plain.trials["dog_id"])
    assert [back[c] for c in coded.sources["source_id"]] == list(plain.sources["source_id"])


def test_key_is_never_overwritten_or_handed_on(named_records, call, tmp_path) -> None:
    key, out = tmp_path / "key.csv", tmp_path / "slide.png"
    key.write_text("somebody else's", encoding="utf-8")
    drawn = ("figure", "records", named_records, "--out", out, "--without-names", "--key")
    answer = call(*drawn, key)
    assert answer.status == 2
    assert "is not written over" in answer.err
    assert not out.exists()
    assert key.read_text(encoding="utf-8") == "somebody else's"
    inside = tmp_path / "briefing" / "key.csv"
    answer = call(
        "brief", named_records, "--out", tmp_path / "briefing", "--without-names", "--key", inside
    )
    assert answer.status == 2
    assert "must not lie with what is handed on" in answer.err
    assert not inside.exists()
    answer = call("figure", "records", named_records, "--out", out, "--key", tmp_path / "k.csv")
    assert answer.status == 2


@pytest.mark.slow
def test_figure_without_names_has_none(named_records, call, tmp_path) -> None:
    folder, key = tmp_path / "slides", tmp_path / "key.csv"
    for kind in ("svg", "pdf"):
        answer = call(
            "figure", "records", named_records, "--out", folder / f"records.{kind}",
            "--without-names", "--key", key,
        )  # fmt: skip
        assert answer.status == 0, answer.err
    assert _hidden_in(folder) == set()
    assert key.is_file()


def test_codes_say_nothing_of_the_order_of_rows(named_records) -> None:
    records = read_records(named_records)
    turned = replace(
        records,
        **{t: getattr(records, t)[::-1].reset_index(drop=True) for t in ("trials", "sources")},
    )
    keys = [without_names(r, 1)[1].set_index("name")["code"] for r in (records, turned)]
    assert keys[0].to_dict() == keys[1].to_dict()
    assert keys[0].to_dict() != without_names(records, 2)[1].set_index("name")["code"].to_dict()
    trials = keys[0][keys[0].str.startswith("T")]
    in_rows = trials.loc[records.trials["trial_id"]].tolist()
    assert in_rows != sorted(in_rows)


def test_short_names_are_hidden_where_they_stand_alone(named_records) -> None:
    records = read_records(named_records)
    name = records.trials["dog_id"].iloc[0]
    trials = records.trials.assign(
        dog_id=records.trials["dog_id"].replace(name, "Bo"), setting="Bo's bone shed, bo"
    )
    coded, key = without_names(replace(records, trials=trials), 1)
    code = key.set_index("name")["code"]["Bo"]
    assert set(coded.trials["setting"]) == {f"{code}'s bone shed, {code}"}
    assert free_words(coded)["setting"] == (f"{code}'s bone shed, {code}",)


def test_own_words_are_told_before_they_go_out(named_records, call, tmp_path) -> None:
    (tmp_path / "unit.toml").write_text('unit = "Vale"\n')
    answer = call(
        "figure", "records", named_records, "--out", tmp_path / "f.svg", "--without-names",
        "--settings", tmp_path / "unit.toml",
    )  # fmt: skip
    assert answer.status == 0, answer.err
    assert "go out as they are: the unit's name (Vale); kind: " in answer.err
