"""Five more made-up units' records in habits that the others do not have.

They were written after the toolkit had read those of ``more_messy_units.py`` (the last two: after
it had read the first three), and before it was tried on these.
"""

import csv
import datetime as dt
from pathlib import Path

import numpy as np
from messy_units import Messy, _meant, _searches
from openpyxl import Workbook


def months(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """A sheet a month, weekdays before dates, what a sample is behind its label."""
    rng = np.random.default_rng([seed, 111])
    dogs = [("Cooper", "Tina"), ("Bella", "Ray"), ("Mack", "Tina")]
    searches, out = _searches(rng, dogs, 8, days, dt.date(2024, 1, 13), 6)
    kinds = ["femur", "muscle", "blood cloth", "soil"]

    def label(source):
        return f"{source + 1}"

    book = Workbook()
    book.remove(book.active)
    told = {"find": "found", "miss": "missed", "clear": "clear", "false alert": "false"}
    for month in sorted({(s.day.year, s.day.month) for s in searches}):
        sheet = book.create_sheet(f"{dt.date(*month, 1):%b %y}")
        sheet.append(["When", "Dog/handler", "Sample", "How did it go", "Mins", "Notes"])
        own = [s for s in searches if (s.day.year, s.day.month) == month]
        for s in own:
            n = s.source
            day = f"{s.day:%a} {s.day.month}/{s.day.day}/{s.day:%y} {s.day.hour}:{s.day:%M}"
            sheet.append(
                [
                    day,
                    s.dog,
                    "nothing out" if n is None else f"#{label(n)} ({kinds[n % 4]})",
                    told[s.result],
                    None if s.seconds is None else round(s.seconds / 60, 1),
                    str(rng.choice(["", "", "hot", "rubble pile", "helped him a bit"])),
                ]
            )
        sheet.append([])
        sheet.append([f"{len(own)} searches this month"])
    sheet = book.create_sheet("Samples")
    sheet.append(["#", "What", "Since", "Lives in"])
    for n in range(8):
        since = [dt.date(2023, 10, 3 + n), "Oct 2023"][n % 2]
        sheet.append([n + 1, kinds[n % 4], since, ["garage freezer", "fridge"][n == 7]])
    sheet = book.create_sheet("In and out")
    sheet.append(["Please note every time!"])
    sheet.append(["When", "Sample", "What"])
    for day, n in sorted((d, n) for n, of in out.items() for d in set(of)):
        shown = f"{day:%a} {day.month}/{day.day}/{day:%y}"
        sheet.append([f"{shown} 6:45", f"#{label(n)} ({kinds[n % 4]})", "out to training"])
        sheet.append([f"{shown} 18:10", f"#{label(n)} ({kinds[n % 4]})", "back in the freezer"])
    book.save(folder / "dogs.xlsx")
    return Messy(folder / "dogs.xlsx", _meant(searches, label))


def export(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Tables exported from a database: true and false, a blank named too, times to the second."""
    rng = np.random.default_rng([seed, 112])
    dogs = [("dog_07", "u_3"), ("dog_11", "u_4"), ("dog_12", "u_3")]
    searches, out = _searches(rng, dogs, 9, days, dt.date(2025, 1, 4), 6)
    records = folder / "dump"
    records.mkdir()

    def label(source):
        return f"smp-{source + 1:04d}"

    def save(name, rows):
        with (records / name).open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)

    rows = [["search_id", "created_at", "start_ts", "end_ts", "canine_id", "user_id", "sample_id",
             "is_blank", "alerted", "blind_type", "temp_f", "geo_lat", "geo_lon"]]  # fmt: skip
    for number, s in enumerate(searches):
        s.seconds = s.seconds or 480.0
        end = s.day + dt.timedelta(seconds=s.seconds)
        blank = s.source is None
        rows.append(
            [
                5000 + number,
                f"{end + dt.timedelta(minutes=7):%Y-%m-%d %H:%M:%S}",
                f"{s.day:%Y-%m-%d %H:%M:%S}",
                f"{end:%Y-%m-%d %H:%M:%S}",
                s.dog,
                s.handler,
                "" if blank else label(s.source),
                str(blank).upper(),
                str(s.result in ("find", "false alert")).upper(),
                {"single": "SINGLE_BLIND", "double": "DOUBLE_BLIND", "open": "KNOWN"}[s.blind],
                int(rng.integers(30, 90)),
                f"{rng.uniform(40, 41):.5f}",
                f"{-rng.uniform(80, 81):.5f}",
            ]
        )
    save("searches.csv", rows)
    listed = [["id", "tissue_type", "intake_date", "container_type", "mass_grams", "status"]]
    moves = [["event_id", "sample_id", "event_type", "event_ts", "user_id"]]
    for n in range(9):
        got = dt.date(2024, 10, 2 + n)
        listed.append([label(n), ["BONE", "BLOOD", "ADIPOSE"][n % 3], str(got),
                       ["GLASS_SEALED", "MESH_BAG"][n % 2], 20 + n, "ACTIVE"])  # fmt: skip
        moves.append([n, label(n), "FREEZER_IN", f"{got} 15:00:00", "u_3"])
    for day, n in sorted((d, n) for n, of in out.items() for d in set(of)):
        moves.append([len(moves), label(n), "FREEZER_OUT", f"{day} 07:00:12", "u_4"])
        moves.append([len(moves), label(n), "FREEZER_IN", f"{day} 17:30:40", "u_4"])
    save("samples.csv", listed)
    save("sample_events.csv", moves)
    return Messy(records, _meant(searches, label))


def grid(folder: Path, seed: int = 1, days: int = 40) -> Messy:
    """A row a hide, a column a dog with a letter in it: F, M, C, A."""
    rng = np.random.default_rng([seed, 113])
    dogs = [("Rex", "P"), ("Mia", "Q"), ("Odin", "P")]
    searches, out = _searches(rng, dogs, 7, days, dt.date(2024, 9, 7), 4)

    def label(source):
        return f"K{source + 1}"

    book = Workbook()
    sheet = book.active
    sheet.title = "Hides"
    sheet.append(["Date", "Time", "Sample", "Where", *(dog for dog, _ in dogs)])
    told = {"find": "F", "miss": "M", "clear": "C", "false alert": "FA"}
    for s in searches:
        row = [s.day.date(), s.day.time(), "none" if s.source is None else label(s.source),
               str(rng.choice(["shed", "field"]))]  # fmt: skip
        sheet.append([*row, *(told[s.result] if dog == s.dog else None for dog, _ in dogs)])
    sheet = book.create_sheet("Samples")
    sheet.append(["Sample", "Type", "Received", "Kept", "Thaws so far"])
    for n in range(7):
        sheet.append([label(n), ["bone", "tissue"][n % 2], dt.date(2024, 6, 3 + n), "freezer",
                      len(out[n])])  # fmt: skip
    book.save(folder / "hides.xlsx")
    meant = _meant(searches, label)
    return Messy(folder / "hides.xlsx", meant.assign(search_s=np.nan))


def precinct(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Reports of an office: capitals, lines above and below the table, date and hours in one."""
    rng = np.random.default_rng([seed, 121])
    dogs = [("K9 REX", "OFC SMITH"), ("K9 ZARA", "OFC LEE")]
    searches, out = _searches(rng, dogs, 8, days, dt.date(2024, 3, 9), 6)
    records = folder / "reports"
    records.mkdir()

    def label(source):
        return f"12-{chr(65 + source)}"

    def save(name, title, rows):
        with (records / name).open("w", newline="", encoding="utf-8") as file:
            write = csv.writer(file)
            write.writerow([title])
            write.writerow(["GENERATED 2026-02-20"])
            write.writerow([])
            write.writerows(rows)
            write.writerow([])
            write.writerow(["END OF REPORT"])

    told = {"find": "POS", "miss": "NEG", "clear": "NEG", "false alert": "FALSE POS"}
    rows = [["DATE/TIME", "CANINE", "OFFICER", "ITEM NO", "RESULT", "DURATION", "LOCATION TYPE",
             "KNOWN/UNKNOWN", "TEMP (F)"]]  # fmt: skip
    for s in searches:
        m, sec = divmod(int(s.seconds or 0), 60)
        rows.append(
            [
                f"{s.day:%m/%d/%Y %H%M}",
                s.dog,
                s.handler,
                "BLANK" if s.source is None else f"ITEM {label(s.source)}",
                told[s.result],
                "" if s.seconds is None else f"0:{m:02d}:{sec:02d}",
                str(rng.choice(["VEHICLE", "STRUCTURE", "OPEN AREA"])),
                "KNOWN" if s.blind == "open" else "UNKNOWN",
                int(rng.integers(30, 95)),
            ]
        )
    save("canine training.csv", "CANINE TRAINING REPORT", rows)
    listed = [["ITEM NO", "DESCRIPTION", "DATE REC'D", "STORAGE", "REC'D BY"]]
    for n in range(8):
        listed.append([f"ITEM {label(n)}", ["BONE FRAGMENT", "TISSUE"][n % 2],
                       f"01/{10 + n}/2024", "EVIDENCE FREEZER", "SMITH"])  # fmt: skip
    save("item list.csv", "TRAINING AID INVENTORY", listed)
    moves = [["ITEM NO", "DATE/TIME OUT", "DATE/TIME IN", "OFFICER"]]
    for day, n in sorted((d, n) for n, of in out.items() for d in set(of)):
        moves.append([f"ITEM {label(n)}", f"{day:%m/%d/%Y} 0700", f"{day:%m/%d/%Y} 1630", "LEE"])
    save("freezer sign out.csv", "EVIDENCE FREEZER SIGN OUT", moves)
    meant = _meant(searches, lambda n: f"ITEM {label(n)}")
    return Messy(records, meant)


def society(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Plus and minus for results, no sample written 0, days with hyphens, a freezer since a day."""
    rng = np.random.default_rng([seed, 122])
    dogs = [("Joep", "An"), ("Saar", "Piet"), ("Bas", "An")]
    searches, _ = _searches(rng, dogs, 9, days, dt.date(2024, 5, 4), 6)

    def label(source):
        return str(source + 1)

    book = Workbook()
    sheet = book.active
    sheet.title = "Trainings"
    sheet.append(
        ["Day", "Hour", "Dog", "Guide", "Nr.", "+/-", "False", "Minutes", "Freeze count", "Place",
         "Weather"]
    )  # fmt: skip
    for s in searches:
        hide = s.source is not None
        sheet.append(
            [
                f"{s.day.day}-{s.day.month}-{s.day.year}",
                f"{s.day.hour}.{s.day:%M}",
                s.dog,
                s.handler,
                int(label(s.source)) if hide else 0,
                {"find": "+", "miss": "-"}[s.result] if hide else None,
                1 if s.result == "false alert" else None,
                None if s.seconds is None else round(s.seconds / 60, 1),
                s.cycles if hide else None,
                str(rng.choice(["wood", "heath", "barn"])),
                str(rng.choice(["dry", "rain", "wind"])),
            ]
        )
    sheet = book.create_sheet("Samples")
    sheet.append(["Nr.", "Substance", "Date of receipt", "In freezer since", "Packing", "Remarks"])
    for n in range(9):
        got = dt.date(2024, 2, 5 + n)
        shown = f"{got.day}-{got.month}-{got.year}"
        sheet.append([n + 1, ["bone", "fat", "blood"][n % 3], shown, shown, "glass", None])
    book.save(folder / "trainings.xlsx")
    return Messy(folder / "trainings.xlsx", _meant(searches, label))


LAST_UNITS = {
    "months": months,
    "export": export,
    "grid": grid,
    "precinct": precinct,
    "society": society,
}
