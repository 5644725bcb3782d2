"""Units of measure: what a stated one converts to, and how a heading names one."""

import pandas as pd
import pytest

from outcomes.records.columns import SOURCES, STORAGE, TRIALS
from outcomes.records.read import examine_records, read_records
from outcomes.records.reading.units import unit_in_heading
from outcomes.records.reading.values import read_column
from outcomes.settings import RecordsSettings

from .forms import read


# The inch, the mile and the pound are fixed by the international yard and pound agreement
# (1959), the knot by the First International Extraordinary Hydrographic Conference (1929).
@pytest.mark.parametrize(
    ("column", "unit", "text", "ours"),
    [
        (TRIALS.column("temperature_c"), "F", "32", 0.0),
        (TRIALS.column("temperature_c"), "F", "-40", -40.0),
        (STORAGE.column("temperature_c"), "F", "50", 10.0),
        (TRIALS.column("depth_cm"), "in", "10", 25.4),
        (TRIALS.column("depth_cm"), "ft", "1", 30.48),
        (TRIALS.column("wind_m_s"), "mph", "10", 4.4704),
        (TRIALS.column("wind_m_s"), "km/h", "36", 10.0),
        (TRIALS.column("wind_m_s"), "kn", "10", 5.144444444444445),
        (SOURCES.column("mass_g"), "lb", "1", 453.59237),
        (SOURCES.column("mass_g"), "oz", "1", 28.349523125),
        (TRIALS.column("search_s"), "min", "1.5", 90.0),
        (TRIALS.column("search_s"), "mm:ss", "05:30", 330.0),
        (TRIALS.column("search_s"), "mm:ss", "90:05", 5405.0),
        (TRIALS.column("search_s"), "mm:ss", "1:00:05", 3605.0),
        (TRIALS.column("limit_s"), "min", "5", 300.0),
        (TRIALS.column("set_min"), "h", "1.5", 90.0),
    ],
)
def test_a_stated_unit_is_converted(column, unit: str, text: str, ours: float) -> None:
    read_here = read(column, [text], units={column.name: unit}).series[0]
    assert read_here == pytest.approx(ours, rel=1e-14, abs=1e-14)  # one rounding


def test_unit_of_one_table_holds_there() -> None:
    cells = pd.Series(pd.Categorical(["50"]))
    settings = RecordsSettings(units={"storage.temperature_c": "F"})
    column = TRIALS.column("temperature_c")
    assert read_column(column, cells, settings, "trials").series[0] == 50
    assert read_column(column, cells, settings, "storage").series[0] == 10


def test_ranges_hold_in_our_own_unit() -> None:
    column = TRIALS.column("temperature_c")
    assert list(read(column, ["56"]).broken()) == ["impossible temperature"]
    assert not read(column, ["56"], units={"temperature_c": "F"}).broken()


@pytest.mark.parametrize(
    ("column", "heading", "unit"),
    [
        ("search_s", "Time (mins)", "min"),
        ("search_s", "Search time, minutes", "min"),
        ("search_s", "Time mm:ss", "mm:ss"),
        ("search_s", "Seconds (not min)", None),
        ("search_s", "Minimum effort", None),
        ("temperature_c", "Temp_F", "F"),
        ("temperature_c", "Temp °C", None),
        ("depth_cm", "Depth (in)", "in"),
        ("depth_cm", "Depth in cm", None),
        ("depth_cm", "Depth in soil", None),
        ("depth_cm", "Depth, in.", "in"),
        ("set_min", "Hours set", "h"),
        ("wind_m_s", "Wind mph", "mph"),
        ("result", "Found in", None),
    ],
)
def test_a_heading_names_a_unit_or_none(column: str, heading: str, unit: str | None) -> None:
    assert unit_in_heading(TRIALS.column(column), heading) == unit


@pytest.mark.parametrize("unit", ["min", "s"])
def test_unit_in_a_heading_stops_until_said(clean, write, unit: str) -> None:
    for row in clean["trials"]:
        row["Time (mins)"] = "2" if row.pop("search_s") else ""
    named = '[columns.trials]\nsearch_s = "Time (mins)"\n'
    (line,) = [f.line() for f in examine_records(write(clean, named)).stops]
    assert line.endswith('under [units.trials]: search_s = "min" (or "s", if it is s after all)')
    said = f'{named}[units.trials]\nsearch_s = "{unit}"\n'
    read = read_records(write(clean, said)).trials["search_s"].dropna()
    assert set(read) == {120.0 if unit == "min" else 2.0}
