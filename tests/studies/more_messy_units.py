"""Six more made-up units' records, each kept by another secretary's habits.

They were written from how records look in the trade before it was tried how the toolkit reads
them, as were those of ``messy_units.py``.
"""

import csv
import datetime as dt
from pathlib import Path

import numpy as np
from messy_units import Messy, _meant, _searches
from openpyxl import Workbook


def _save_rows(path: Path, rows: list, delimiter: str = ",") -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=delimiter).writerows(rows)


def _days_out(out: dict) -> list:
    """Every day a source was out, in order of time: (day, source)."""
    return sorted((day, source) for source, days in out.items() for day in set(days))


def hollow(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """Titles above every sheet, crosses for results, months totalled, vague dates of receipt."""
    rng = np.random.default_rng([seed, 101])
    dogs = [("Rook", "Dana"), ("Wren", "Sam"), ("Jay", "Dana")]
    searches, out = _searches(rng, dogs, 9, days, dt.date(2024, 4, 6), 6)

    def label(source):
        return f"PH-{source + 1}"

    book = Workbook()
    book.remove(book.active)
    columns = {"find": 5, "miss": 6, "false alert": 7, "clear": 8}
    for year in (2024, 2025):
        sheet = book.create_sheet(str(year))
        sheet.append([f"PINE HOLLOW K9 - HRD TRAINING {year}"])
        sheet.append(["Fill in the same day!"])
        sheet.append(
            ["Date", "Time", "Dog", "Handler", "Sample", "Find", "Miss", "FA", "Clear",
             "Min to find", "Temp F", "Wind", "Known/Blind", "Remarks"]
        )  # fmt: skip
        own = [s for s in searches if s.day.year == year]
        month, before = None, None
        for s in own:
            if month is not None and s.day.month != month:
                sheet.append([f"Total {month:02d}/{year}", None, None, None, None, 4, 3, 1, 2])
            month = s.day.month
            row = [
                s.day.date() if s.day.date() != before else None,
                s.day.time(),
                s.dog,
                s.handler,
                None if s.source is None else label(s.source),
                *[None] * 4,
                None if s.seconds is None else round(s.seconds / 60, 1),
                int(rng.integers(30, 90)),
                str(rng.choice(["calm", "light", "5-10", "gusty"])),
                {"single": "blind", "double": "double blind", "open": "known"}[s.blind],
                "rain" if rng.random() < 0.1 else None,
            ]
            row[columns[s.result]] = "x" if rng.random() < 0.8 else "X"
            sheet.append(row)
            before = s.day.date()
    sheet = book.create_sheet("Samples")
    sheet.append(["Samples on hand"])
    sheet.append([])
    sheet.append(["Sample", "Type", "Acquired", "Donated by", "Container", "Condition"])
    got = [
        dt.date(2024, 1, 12), "Spring 2023", "2023", dt.date(2023, 11, 2), "Jan 2024",
        "approx. March 2023", dt.date(2024, 2, 1), "Fall 2023", dt.date(2023, 9, 9),
    ]  # fmt: skip
    for n, when in enumerate(got):
        kind, packed = ["bone", "muscle", "blood"][n % 3], ["jar", "vac sealed"][n % 2]
        sheet.append([label(n), kind, when, "coroner", packed, "good"])
    sheet = book.create_sheet("Freezer log")
    sheet.append(["FREEZER LOG"])
    sheet.append([])
    sheet.append(["Sample", "Date out", "Time out", "Date in", "Time in", "Initials"])
    for day, source in _days_out(out):
        sheet.append([label(source), day, dt.time(6, 30), day, dt.time(17, 45), "DP"])
    book.save(folder / "Pine Hollow.xlsx")
    return Messy(folder / "Pine Hollow.xlsx", _meant(searches, label))


def clock(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """Two clock times for a search, thaws tallied as they go, no freezer log, dates in words."""
    rng = np.random.default_rng([seed, 102])
    dogs = [("Echo", "Lou"), ("Sable", "Lou"), ("Finn", "Kit"), ("Opal", "Kit")]
    searches, _ = _searches(rng, dogs, 8, days, dt.date(2024, 3, 3), 6)
    records = folder / "K9 records"
    records.mkdir()

    def label(source):
        return str(source + 1)

    def shown(time):
        return time.strftime("%I:%M %p").lstrip("0")

    rows = [
        ["Date", "Dog", "Handler", "Sample No", "Begin", "End", "Outcome", "Terrain",
         "Times thawed", "Handler knew?", "Weather"]
    ]  # fmt: skip
    told = {
        "find": "Located",
        "miss": "Not located",
        "clear": "Blank - no alert",
        "false alert": "Blank - alerted",
    }
    for s in searches:
        s.seconds = float(60 * max(1, round((s.seconds or 540) / 60)))
        rows.append(
            [
                s.day.strftime("%-d-%b-%y"),
                s.dog,
                s.handler,
                "" if s.source is None else label(s.source),
                shown(s.day),
                shown(s.day + dt.timedelta(seconds=s.seconds)),
                told[s.result],
                str(rng.choice(["Grass", "Wooded", "Urban"])),
                "" if s.source is None else s.cycles,
                {"single": "No", "double": "No", "open": "Yes"}[s.blind],
                str(rng.choice(["clear 60s", "overcast", "warm"])),
            ]
        )
    _save_rows(records / "training 2024.csv", rows)
    listed = [["Sample No", "What it is", "In service since", "Where kept"]]
    since = ["Fall 2023", "January 2024", "2/1/2024", "2023", "12/20/2023", "Winter 2023",
             "1/8/2024", "late 2023"]  # fmt: skip
    for n, when in enumerate(since):
        kind, home = ["tooth", "tissue"][n % 2], ["Freezer", "Freezer", "Fridge"][n % 3]
        listed.append([label(n), kind, when, home])
    _save_rows(records / "sample list.csv", listed)
    return Messy(records, _meant(searches, label))


def online(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Exports of forms stamped when sent, units in every cell, out and back in one row."""
    rng = np.random.default_rng([seed, 103])
    dogs = [("Biscuit", "JM"), ("Hazel", "TR"), ("Gus", "PW")]
    searches, out = _searches(rng, dogs, 10, days, dt.date(2024, 8, 3), 6)
    records = folder / "downloads"
    records.mkdir()

    def label(source):
        return f"HR{source + 1:02d}"

    def us(time):
        return f"{time.month}/{time.day}/{time.year} {time.hour}:{time:%M:%S}"

    def long(seconds):
        m, s = divmod(int(seconds), 60)
        return f"{s} sec" if not m else f"{m} min" if not s else f"{m} min {s} sec"

    rows = [
        ["Timestamp", "K9", "Handler", "Sample used", "Result", "Search length",
         "Alerts off target", "Depth", "Temp", "Sample out for", "Blind level", "Location"]
    ]  # fmt: skip
    told = {
        "find": "Find",
        "miss": "Miss",
        "clear": "Blank area - clear",
        "false alert": "Blank area - false alert",
    }
    for s in searches:
        name = "None (blank area)" if s.source is None else label(s.source)
        rows.append(
            [
                us(s.day),
                s.dog if rng.random() > 0.05 else s.dog.lower() + " ",
                s.handler,
                name if rng.random() > 0.1 else name.lower(),
                told[s.result],
                "" if s.seconds is None else long(s.seconds),
                int(s.result == "false alert"),
                str(rng.choice(["surface", "6 in", "1 ft", "hanging"])),
                f"{rng.integers(30, 90)}°F",
                str(rng.choice(["45 min", "2 hrs", "1 hr", "30 min"])),
                {"single": "Single blind", "double": "Double blind", "open": "Known"}[s.blind],
                str(rng.choice(["quarry", "park", "old mill"])),
            ]
        )
    _save_rows(records / "Training entry (responses).csv", rows)
    taken = [["Timestamp", "Initials", "Sample", "Removed", "Returned"]]
    for day, source in _days_out(out):
        left = dt.datetime.combine(day, dt.time(7, int(rng.integers(0, 50))))
        back = dt.datetime.combine(day, dt.time(18, int(rng.integers(0, 50))))
        taken.append([us(back), "TR", label(source), us(left), us(back)])
    _save_rows(records / "Freezer removal (responses).csv", taken)
    listed = [["Timestamp", "Sample", "Tissue type", "Date acquired", "Age at intake", "Storage"]]
    for n in range(10):
        got = dt.datetime(2024, 5 + n % 3, 4 + n, 12, 30, 9)
        age = ["3 weeks", "10 days", "2 months", "unknown"][n % 4]
        listed.append([us(got), label(n), ["Bone", "Blood", "Adipose"][n % 3],
                       f"{got.month}/{got.day}/{got.year}", age, "Freezer"])  # fmt: skip
    _save_rows(records / "New sample (responses).csv", listed)
    return Messy(records, _meant(searches, label))


def ticks(folder: Path, seed: int = 1, days: int = 55) -> Messy:
    """Ticks for results, a running tally, headings that change by year, freezer stays by row."""
    rng = np.random.default_rng([seed, 104])
    dogs = [("Nell", "Roz"), ("Cap", "Ivo"), ("Tess", "Roz")]
    searches, out = _searches(rng, dogs, 9, days, dt.date(2024, 2, 10), 7)

    def label(source):
        return f"HR-{source + 1:02d}"

    def scrawled(source):
        n = source + 1
        return str(rng.choice([f"HR-{n:02d}"] * 4 + [f"HR {n}", f"hr-{n:02d}", f"HR{n}"]))

    book = Workbook()
    book.remove(book.active)
    for year in (2024, 2025):
        sheet = book.create_sheet(f"Log {year}")
        source_heading = "Source" if year == 2024 else "Source #"
        sheet.append([f"Log {year}"])
        sheet.append(
            ["Day", "Time in", source_heading, "Thaw", "Dog", "Handler", "Hit", "Miss", "False",
             "Blank OK", "Time to alert", "Temp", "Blind"]
        )  # fmt: skip
        place = {"find": 6, "miss": 7, "false alert": 8, "clear": 9}
        own = [s for s in searches if s.day.year == year]
        for s in own:
            m, sec = divmod(int(s.seconds or 0), 60)
            row = [
                s.day.date(),
                s.day.strftime("%H:%M"),
                "blank" if s.source is None else scrawled(s.source),
                None if s.source is None else s.cycles,
                s.dog,
                s.handler,
                *[None] * 4,
                None if s.seconds is None else f"{m}m {sec:02d}s",
                f"{rng.integers(0, 28)} C",
                {"single": "✓", "double": "✓✓", "open": ""}[s.blind],
            ]
            row[place[s.result]] = "✓"
            sheet.append(row)
        sheet.append([])
        sheet.append(["TOTAL", None, None, None, None, None,
                      *(sum(s.result == r for s in own) for r in place)])  # fmt: skip
    sheet = book.create_sheet("Sources")
    sheet.append(["Source", "Material", "Since", "Pack"])
    for n in range(9):
        since = dt.date(2023, 12, 1 + n) if n % 4 else f"Dec {1 + n}, 2023"
        sheet.append([label(n), ["bone", "fat", "blood"][n % 3], since, ["jar", "bag"][n % 2]])
    sheet = book.create_sheet("Freezer")
    sheet.append(["What is in the freezer"])
    sheet.append(["Source", "Into freezer", "Out of freezer"])
    by_source = {n: sorted(set(days)) for n, days in out.items()}
    stays = []
    for n, gone in by_source.items():
        into = dt.datetime(2023, 12, 1 + n, 12)
        for day in gone:
            stays.append((into, n, dt.datetime.combine(day, dt.time(7))))
            into = dt.datetime.combine(day, dt.time(18))
        stays.append((into, n, None))
    for into, n, left in sorted(stays, key=lambda stay: stay[:2]):
        sheet.append([scrawled(n), into, left])
    book.save(folder / "logbook.xlsx")
    return Messy(folder / "logbook.xlsx", _meant(searches, label))


def diary(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Dates written out, hours as 0915 hrs, the alert alone told, freeze cycles run up by hand."""
    rng = np.random.default_rng([seed, 105])
    dogs = [("Maverick", "Ofc. A"), ("Storm", "Ofc. B")]
    searches, out = _searches(rng, dogs, 7, days, dt.date(2025, 1, 11), 6)

    def label(source):
        return f"Source {chr(65 + source)}"

    book = Workbook()
    sheet = book.active
    sheet.title = "HRD diary"
    sheet.append(["Human remains detection - training diary"])
    sheet.append(["Team:", "North"])
    sheet.append([])
    sheet.append(
        ["Date", "Hrs", "Canine", "Handler", "Training source", "Freeze cycles", "Final response",
         "Find time (min:sec)", "Type of search", "Air temp", "Wind speed", "Humidity",
         "Soak time", "Evaluator present"]
    )  # fmt: skip
    for s in searches:
        m, sec = divmod(int(s.seconds or 0), 60)
        sheet.append(
            [
                f"{s.day:%b} {s.day.day}, {s.day.year}",
                f"{s.day:%H%M} hrs",
                s.dog,
                s.handler,
                "Blank" if s.source is None else label(s.source),
                None if s.source is None else s.cycles,
                "Positive" if s.result in ("find", "false alert") else "Negative",
                None if s.seconds is None else f"{m:02d}:{sec:02d}",
                {"single": "single blind", "double": "double blind", "open": "known"}[s.blind],
                f"{rng.integers(30, 90)} F",
                f"{rng.integers(0, 15)} mph",
                f"{rng.integers(20, 95)}%",
                f"{rng.choice(['30 minutes', '1 hour', '1.5 hours', '90 minutes'])}",
                str(rng.choice(["yes", "no"])),
            ]
        )
        if rng.random() < 0.03:
            sheet.append([f"{s.day:%b} {s.day.day}, {s.day.year}", "Training cancelled - storm"])
    sheet = book.create_sheet("Source inventory")
    sheet.append(["Source inventory"])
    sheet.append(["ID", "Source type", "Date obtained", "Amount", "Kept", "Cycles to date",
                  "Disposed"])  # fmt: skip
    for n in range(7):
        got = dt.date(2024, 11, 3 + n)
        shown = [f"{got:%B} {got.day}, {got.year}", "Nov. 2024", "November 2024"][n % 3]
        amount = ["40 g", "2 oz", "15 g"][n % 3]
        sheet.append([label(n), ["Teeth", "Blood", "Bone"][n % 3], shown, amount, "freezer",
                      len(out[n]), None])  # fmt: skip
    book.save(folder / "diary.xlsx")
    return Messy(folder / "diary.xlsx", _meant(searches, label))


def valley(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """Day first and two-digit years, hours as 10h15, found or not, a freezer log below a title."""
    rng = np.random.default_rng([seed, 106])
    dogs = [("Lupo", "Mara"), ("Nera", "Elio"), ("Brio", "Mara")]
    searches, out = _searches(rng, dogs, 10, days, dt.date(2024, 3, 16), 6)

    def label(source):
        return f"V{source + 1}"

    book = Workbook()
    sheet = book.active
    sheet.title = "Searches"
    sheet.append(["Valley dogs - all searches"])
    sheet.append(
        ["No.", "Date", "Hour", "Dog", "Handler", "Specimen", "Found?", "False indications",
         "Duration", "Max. time", "Exposed for (min)", "Deg C", "Wind km/h", "RH %", "Place",
         "Blind"]
    )  # fmt: skip
    week, number = None, 0
    for s in searches:
        if week is not None and s.day.isocalendar().week != week:
            sheet.append(["Subtotal", None, None, None, None, None, None, 1])
        week, number = s.day.isocalendar().week, number + 1
        hide = s.source is not None
        sheet.append(
            [
                number,
                s.day.strftime("%d/%m/%y"),
                f"{s.day.hour}h{s.day:%M}",
                s.dog.upper() if rng.random() < 0.1 else s.dog,
                s.handler,
                label(s.source) if hide else "control",
                {"find": "yes", "miss": "no"}[s.result] if hide else "-",
                int(s.result == "false alert") if not hide else 0,
                None if s.seconds is None else f"{int(s.seconds)} s",
                "10 min",
                int(rng.integers(2, 12)) * 10,
                int(rng.integers(-4, 27)),
                int(rng.integers(0, 25)),
                int(rng.integers(30, 95)),
                str(rng.choice(["forest", "ruins", "house"])),
                {"single": "yes", "double": "double", "open": "no"}[s.blind],
            ]
        )
    sheet = book.create_sheet("Specimens")
    sheet.append(["List of specimens"])
    sheet.append(
        ["Specimen", "Nature", "Arrived", "Portion of", "Wrapping", "Weight", "Eliminated"]
    )
    for n in range(10):
        sheet.append([label(n), ["bone", "muscle"][n % 2], f"{3 + n:02d}/01/24",
                      label(0) if n == 8 else None, ["vacuum", "open box"][n % 2],
                      f"{10 + 5 * n} g", None])  # fmt: skip
    sheet = book.create_sheet("Cold store")
    sheet.append(["Cold store register"])
    sheet.append(["every movement must be written here"])
    sheet.append(["Date", "Hour", "Specimen", "Where to", "Signature"])
    for n in range(10):
        sheet.append([f"{3 + n:02d}/01/24", "9h00", label(n), "cold store", "M"])
    for day, source in _days_out(out):
        sheet.append([f"{day:%d/%m/%y}", "7h10", label(source), "field", "M"])
        sheet.append([f"{day:%d/%m/%y}", "19h30", label(source), "cold store", "E"])
    book.save(folder / "valley.xlsx")
    return Messy(folder / "valley.xlsx", _meant(searches, label))


MORE_UNITS = {
    "hollow": hollow,
    "clock": clock,
    "online": online,
    "ticks": ticks,
    "diary": diary,
    "valley": valley,
}
