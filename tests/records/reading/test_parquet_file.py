"""Parquet files hold the same records as text files."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from outcomes.records.read import examine_records, read_records

from .forms import TODAY, same, typed


def test_parquet_is_the_same_typed_or_as_text(clean, write) -> None:
    folder = write(clean)
    expected = read_records(folder, today=TODAY)
    typed_folder, text_folder = folder / "typed", folder / "text"
    typed_folder.mkdir()
    text_folder.mkdir()
    for table, rows in clean.items():
        columns = list(dict.fromkeys(c for row in rows for c in row))
        cells = {c: [typed(c, row.get(c, "")) for row in rows] for c in columns}
        pq.write_table(pa.table(cells), typed_folder / f"{table}.parquet")
        frame = pd.DataFrame(rows).fillna("").set_index(columns[0], drop=False)
        frame.index.name = None
        frame.astype("category").to_parquet(text_folder / f"{table}.parquet")
    for other in (typed_folder, text_folder):
        found = read_records(other, today=TODAY)
        assert found.findings == ()
        for table in ("sources", "storage", "trials", "dogs"):
            same(getattr(expected, table), getattr(found, table))


def test_parquet_zones_and_nesting_are_told(clean, write) -> None:
    folder = write(clean)
    (folder / "trials.csv").unlink()
    (folder / "dogs.csv").unlink()
    frame = pd.DataFrame(clean["trials"])
    frame["started_at"] = pd.to_datetime(frame["started_at"]).dt.tz_localize("UTC")
    frame.to_parquet(folder / "trials.parquet")
    pq.write_table(pa.table({"dog_id": [["Ash"], ["Birch"]]}), folder / "dogs.parquet")
    found = examine_records(folder, today=TODAY)
    assert [f.rule for f in found.set_aside] == ["time with a zone"] * 6
    (stop,) = found.stops
    assert (stop.rule, stop.file) == ("unreadable file", "dogs.parquet")
