"""``share`` asks before anything leaves; ``pool`` refuses in one line what cannot be added."""

import json
import re
import sys
from dataclasses import replace
from pathlib import Path
from unittest import mock

import pandas as pd
import pytest

from outcomes.pool.share import Share
from outcomes.report.share_file import read_share_file, share_bytes
from outcomes.simulate import Truth, simulate_unit
from tests.conftest import write_records
from tests.pool.shares import DEFINITION, share_of, shares_of

ODD = 'Ünit ‹7› / Zweig "Nord"'


def odd_names(unit):
    """The same unit under names that stand in no program."""
    trials, sources = unit.trials.copy(), unit.sources.copy()
    storage, dogs = unit.storage.copy(), unit.dogs.copy()
    labels = {s: f"Quelle-{n}-Grabfeld" for n, s in enumerate(sources["source_id"])}
    names = {d: f"Wotan von Hinterdupfing {n}" for n, d in enumerate(dogs["dog_id"])}
    kinds = {k: f"Oberschenkel{n}" for n, k in enumerate(sources["kind"].unique())}
    for frame in (trials, sources, storage):
        frame["source_id"] = frame["source_id"].map(labels)
    for frame in (trials, dogs):
        frame["dog_id"] = frame["dog_id"].map(names)
    sources["kind"] = sources["kind"].map(kinds)
    trials["handler_id"] = "Frau Ännchen Xaver"
    trials["note"] = "geheimer Ort bei Posemuckel"
    return replace(unit, trials=trials, sources=sources, storage=storage, dogs=dogs)


@pytest.fixture(scope="session")
def records(tmp_path_factory) -> Path:
    """A unit near the least counts, under odd names, in a folder of an odd name."""
    truth = Truth(cycle_log_odds=-0.05, baseline_log_odds=1.4, shared_thaws=False)
    unit = simulate_unit(truth, 31, trials=280, dogs=3, sources=12, months=18)
    folder = tmp_path_factory.mktemp("odd") / "Geheimordner"
    written = write_records(odd_names(unit), folder)
    (written / "unit.toml").write_text(f"unit = {json.dumps(ODD, ensure_ascii=False)}\n", "utf-8")
    return written


@pytest.fixture(scope="session")
def shared(records, tmp_path_factory, call) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("out") / "share.json"
    answer = call("share", records, "--out", out, "--yes")
    assert answer.status == 0, answer.err
    return out, answer.out


def test_without_a_terminal_and_yes_nothing_is_shared(tmp_path, call) -> None:
    answer = call("share", "synthetic_data", "--out", tmp_path / "share.json")
    assert answer.status == 2
    assert "give --yes" in answer.err
    assert len(answer.err.splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_an_earlier_share_wants_to_be_named(tmp_path, call) -> None:
    out = tmp_path / "share.json"
    out.write_bytes(share_bytes(share_of("aaaa", (-0.5, 0.1))))
    before = out.read_bytes()
    answer = call("share", "synthetic_data", "--out", out, "--yes")
    assert answer.status == 2
    assert f"--after {out}" in answer.err
    assert out.read_bytes() == before


def test_what_is_not_ours_is_not_written_over(tmp_path, call) -> None:
    out = tmp_path / "share.json"
    out.write_text("{}")
    answer = call("share", "synthetic_data", "--out", out, "--yes")
    assert answer.status == 1
    assert out.read_text() == "{}"


@pytest.mark.slow
def test_what_leaves_is_printed(shared) -> None:
    out, told = shared
    share = read_share_file(out)
    assert isinstance(share, Share)
    for part in ("What leaves:", "What does not leave:", "What that lets others work out:"):
        assert part in told
    assert share.unit_code in told
    assert share.sentence in told


@pytest.mark.slow
def test_no_name_label_date_kind_or_path_leaves(shared, records) -> None:
    text = shared[0].read_text(encoding="utf-8")
    of_any_unit = share_bytes(share_of("aaaa", (-0.5, 0.1))).decode()
    for table in ("sources", "storage", "trials", "dogs"):
        frame = pd.read_csv(records / f"{table}.csv", dtype=str)
        for column in frame:
            for word in frame[column].dropna().unique():
                # Numbers, and words that stand in the file of any unit, tell nothing of this one.
                if len(word) > 3 and not re.fullmatch(r"[-\d.]+", word) and word not in of_any_unit:
                    assert word not in text, (table, column, word)
    for word in ("Wotan", "Quelle", "Oberschenkel", "Posemuckel", "Ännchen", "Zweig", "Geheim"):
        assert word not in text
        assert json.dumps(word)[1:-1] not in text
    assert str(records) not in text
    assert str(Path.home()) not in text
    assert not re.search(r"\d{4}-\d{2}", text)
    assert not re.search(r"\d{1,2}:\d{2}", text)


@pytest.mark.slow
def test_counts_are_rounded_and_dogs_banded(shared) -> None:
    share = read_share_file(shared[0])
    counts = share.counts
    assert {n % 5 for n in (counts.trials, counts.misses, counts.sources)} == {0}
    assert counts.dogs == "3-5"
    assert share.exposures.cycles.p95 % 5 == 0
    assert share.exposures.age.p95_days % 50 == 0


@pytest.mark.slow
def test_the_same_records_are_not_shared_again(shared, records, tmp_path, call) -> None:
    out = tmp_path / "again.json"
    answer = call("share", records, "--out", out, "--after", shared[0], "--yes")
    assert answer.status == 1
    assert "0 new trials for certain (at least 20)" in answer.err
    assert not out.exists()


@pytest.mark.slow
def test_a_no_writes_nothing(records, tmp_path, call) -> None:
    out = tmp_path / "share.json"
    with (
        mock.patch.object(sys.stdin, "isatty", return_value=True, create=True),
        mock.patch("click.confirm", return_value=False),
    ):
        answer = call("share", records, "--out", out)
    assert answer.status == 0
    assert "Nothing was written." in answer.out
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_too_few_misses_are_not_shared(tmp_path, call) -> None:
    unit = simulate_unit(Truth(baseline_log_odds=4.5), 8, trials=200, dogs=4, sources=12, months=12)
    records = write_records(unit, tmp_path / "records")
    answer = call("share", records, "--out", tmp_path / "share.json", "--yes")
    assert answer.status == 1
    assert re.search(r"\d+ misses \(at least 30\)", answer.err)
    assert not (tmp_path / "share.json").exists()


def files(folder: Path, *shares: Share) -> list[Path]:
    folder.mkdir(exist_ok=True)
    for share in shares:
        (folder / f"{share.unit_code}.json").write_bytes(share_bytes(share))
    return sorted(folder.iterdir())


def test_a_pool_writes_page_figure_and_numbers(tmp_path, call) -> None:
    paths = files(tmp_path / "shares", *shares_of(3), share_of("zzzz", None))
    out = tmp_path / "pool"
    answer = call("pool", *paths, "--out", out)
    assert answer.status == 0, answer.err
    assert {p.name for p in out.iterdir()} == {"pool.html", "pool.json", "pool.png", "pool.svg"}
    found = json.loads((out / "pool.json").read_text())
    assert found["format"] == 1
    assert [u["unit_code"] for u in found["units"]] == ["aaaa", "bbbb", "cccc", "zzzz"]
    assert set(found["slopes"]) == {"cycles", "age"}
    cycles = found["slopes"]["cycles"]
    assert set(cycles["common"]) == {"log_odds", "std_error", "low", "high"}
    assert cycles["between_units"] is None
    assert set(cycles["prediction"]) == {"low", "high"}
    page = (out / "pool.html").read_text()
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org", "")
    # The same again, byte for byte, over its own files.
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert call("pool", *paths[::-1], "--out", out).status == 0
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_json_is_all_there_is_on_standard_output(tmp_path, call) -> None:
    paths = files(tmp_path / "shares", *shares_of(2), share_of("gggg", (-0.9, 0.3)))
    answer = call("pool", *paths, "--out", tmp_path / "pool", "--json")
    assert json.loads(answer.out)["sentence"]
    assert "taken for a copy" in answer.err


@pytest.mark.parametrize(
    ("shares", "status", "words"),
    [
        ([share_of("aaaa", (-0.5, 0.1))], 2, "name at least two files"),
        (
            [
                share_of("aaaa", (-0.5, 0.1)),
                share_of("bbbb", (-0.4, 0.1), definition=replace(DEFINITION, thaw_after_h=2.0)),
            ],
            1,
            "set thaw_after_h under [exposure]",
        ),
        ([share_of("aaaa", (-0.5, 0.1)), share_of("bbbb", (-0.5, 0.1))], 2, "leaves one unit"),
    ],
)
def test_what_cannot_be_pooled_ends_in_one_line(shares, status, words, tmp_path, call) -> None:
    answer = call("pool", *files(tmp_path / "shares", *shares), "--out", tmp_path / "pool")
    assert answer.status == status
    assert words in answer.err.splitlines()[-1]
    assert "Traceback" not in answer.err
    assert not (tmp_path / "pool").exists()


def test_a_damaged_share_stops_the_pool(tmp_path, call) -> None:
    paths = files(tmp_path / "shares", *shares_of(2))
    paths[1].write_bytes(paths[1].read_bytes()[:500])
    answer = call("pool", *paths, "--out", tmp_path / "pool")
    assert answer.status == 1
    assert str(paths[1]) in answer.err
    assert "Ask the unit to send it again" in answer.err


def test_a_pool_goes_over_nothing_else(tmp_path, call) -> None:
    paths = files(tmp_path / "shares", *shares_of(2))
    out = tmp_path / "pool"
    out.mkdir()
    for name in ("pool.html", "pool.json", "pool.png"):
        (out / name).write_text("mine")
        answer = call("pool", *paths, "--out", out)
        assert answer.status == 1
        assert (out / name).read_text() == "mine"
        (out / name).unlink()


def test_a_page_shows_no_markup_of_a_share(tmp_path, call) -> None:
    paths = files(
        tmp_path / "shares",
        *shares_of(2),
        share_of("mmmm", (-0.6, 0.0), sentence="<script>x</script>"),
    )
    assert call("pool", *paths, "--out", tmp_path / "pool").status == 0
    assert "<script>" not in (tmp_path / "pool" / "pool.html").read_text()


@pytest.mark.parametrize("content", ["{}", "[]", "", "no pool", '{"format": 1}', "[" * 90_000])
def test_a_damaged_pool_stops_the_briefing(content, tmp_path, call) -> None:
    pool = tmp_path / "pool.json"
    pool.write_text(content)
    answer = call("brief", "synthetic_data", "--out", tmp_path / "out", "--with-pool", pool)
    assert answer.status == 1
    assert len(answer.err.splitlines()) == 1
    assert str(pool) in answer.err
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_briefing_sets_the_pool_beside_its_own(records, tmp_path, call) -> None:
    paths = files(tmp_path / "shares", *shares_of(6))
    assert call("pool", *paths, "--out", tmp_path / "pool").status == 0
    pool = tmp_path / "pool" / "pool.json"
    out = tmp_path / "out"
    answer = call("brief", records, "--out", out, "--with-pool", pool)
    assert answer.status == 0, answer.err
    found = json.loads((out / "results.json").read_text())["pool"]
    assert found["units"] == 6
    assert found["exposure"] == "cycles"
    assert found["pooled"]["low"] < found["pooled"]["ratio"] < found["pooled"]["high"]
    assert found["sentence"] in answer.out
    page = (out / "briefing.html").read_text()
    assert "Beside other units." in page
    assert "by other units alone" in page
    # Units that count otherwise are no company.
    other = files(
        tmp_path / "others",
        *(replace(s, definition=replace(DEFINITION, thaw_after_h=3.0)) for s in shares_of(3)),
    )
    assert call("pool", *other, "--out", tmp_path / "others-pool").status == 0
    answer = call(
        "brief", records, "--out", tmp_path / "out2", "--with-pool",
        tmp_path / "others-pool" / "pool.json",
    )  # fmt: skip
    assert answer.status == 1
    assert "set thaw_after_h under [exposure]" in answer.err
