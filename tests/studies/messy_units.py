"""Made-up units' records as such units keep them, each with what was meant by every trial.

They were written from how records look in the trade, not from what the toolkit guesses.
"""

import csv
import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from openpyxl import Workbook

LAST = dt.date(2026, 2, 20)


@dataclass
class Messy:
    """Where the records are, and what was meant: a row a trial, in the order of the sheets."""

    path: Path
    meant: pd.DataFrame
    other: dict = field(default_factory=dict)


@dataclass
class _Search:
    day: dt.datetime
    dog: str
    handler: str
    source: int | None
    result: str
    seconds: float | None
    cycles: int
    helped: bool
    blind: str


def _searches(rng, dogs, n_sources, days, first, per_day):
    """Searches of a unit in order of time, and on which days each source was out."""
    out = {s: [] for s in range(n_sources)}
    searches = []
    for number in range(days):
        day = dt.datetime.combine(first + dt.timedelta(days=6 * number), dt.time(8, 20))
        sources = rng.choice(n_sources, size=min(4, n_sources), replace=False)
        for source in sources:
            out[source].append(day.date())
        clock = day
        for _ in range(per_day):
            dog = dogs[rng.integers(len(dogs))]
            source = int(rng.choice(sources)) if rng.random() < 0.8 else None
            hit = rng.random() < (0.8 if source is not None else 0.06)
            result = ("find" if hit else "miss") if source is not None else (
                "false alert" if hit else "clear"
            )  # fmt: skip
            seconds = float(np.clip(np.exp(rng.normal(5.2, 0.6)), 15, 595).round())
            searches.append(
                _Search(
                    clock,
                    *dog,
                    source,
                    result,
                    seconds if result == "find" or rng.random() < 0.5 else None,
                    len(out[source]) if source is not None else 0,
                    bool(rng.random() < 0.04),
                    str(rng.choice(["single", "double", "open"], p=[0.6, 0.2, 0.2])),
                )
            )
            clock += dt.timedelta(minutes=int(rng.integers(14, 33)))
    return searches, out


def _meant(searches, label):
    return pd.DataFrame(
        {
            "started_at": [s.day for s in searches],
            "dog_id": [s.dog for s in searches],
            "source_id": [None if s.source is None else label(s.source) for s in searches],
            "result": [s.result for s in searches],
            "search_s": [s.seconds for s in searches],
        }
    )


def ridge(folder: Path, seed: int = 1, days: int = 60) -> Messy:
    """A workbook: a sheet a year below a title, date once a day, a freezer sign-out sheet."""
    rng = np.random.default_rng([seed, 71])
    kinds = ["muscle", "bone (dry)", "blood/gauze", "placenta", "teeth", "soil"]
    dogs = [("Bracken", "K. Moor"), ("Tarn", "L. Fell"), ("Quill", "K. Moor"), ("Ember", "S. Dale")]
    searches, out = _searches(rng, dogs, 14, days, dt.date(2024, 2, 3), 7)

    def label(source):
        return f"CR-{source + 1:03d}"

    def scrawled(source):
        n = source + 1
        return str(rng.choice([f"CR-{n:03d}", f"CR-{n:03d}", f"cr {n}", f"CR{n:02d}", f"#CR-{n}"]))

    book = Workbook()
    book.remove(book.active)
    told = {"find": "Find", "miss": "Miss", "clear": "Clear", "false alert": "False"}
    for year in (2024, 2025, 2026):
        own = [s for s in searches if s.day.year == year]
        sheet = book.create_sheet(f"{year} Training")
        sheet.append([f"Ridge Search Dogs - training record {year}"])
        sheet.append([])
        sheet.append(
            ["Date", "Start", "Dog", "Handler", "Aid", "Where", "Result", "Time to find",
             "Depth (in)", "Temp", "Wind mph", "Aid placed", "Blind?", "Helped", "Remarks"]
        )  # fmt: skip
        before = None
        for s in own:
            dog = s.dog.upper() if rng.random() < 0.05 else s.dog
            m, sec = divmod(int(s.seconds or 0), 60)
            sheet.append(
                [
                    s.day.date() if s.day.date() != before else None,
                    s.day.strftime("%H%M") if rng.random() < 0.5 else s.day.time(),
                    dog,
                    s.handler,
                    "negative" if s.source is None else scrawled(s.source),
                    str(rng.choice(["barn", "woods", "rubble", "field edge"])),
                    told[s.result],
                    None if s.seconds is None else f"{m}:{sec:02d}",
                    str(rng.choice(["surface", "4", "6", "12"])),
                    f"{rng.integers(28, 90)}F",
                    int(rng.integers(0, 15)),
                    f"{rng.integers(3, 18) * 10} min",
                    {"single": "Y", "double": "DB", "open": "N"}[s.blind],
                    "x" if s.helped else None,
                    "false on trash pile, then moved on" if rng.random() < 0.03 else None,
                ]
            )
            before = s.day.date()
        sheet.append([])
        finds = sum(s.result == "find" for s in own)
        sheet.append(["Totals", None, None, None, len(own), None, finds])
    sheet = book.create_sheet("Aids")
    sheet.append(["Aid inventory - update when new material comes in"])
    sheet.append(["Aid #", "Material", "Rec'd", "Packed in", "Weight (oz)", "Cut from", "Notes"])
    for n in range(14):
        sheet.append(
            [label(n), kinds[n % len(kinds)], dt.date(2023, 6 + n % 6, 3 + n),
             ["sealed bag", "jar w/ holes", "open tray"][n % 3], round(1 + 0.7 * n, 1),
             scrawled(0) if n == 12 else None, "gloves!" if n == 2 else None]
        )  # fmt: skip
    sheet = book.create_sheet("Freezer sheet")
    sheet.append(["Freezer sign out / in"])
    sheet.append(["Date", "Time", "Aid", "OUT/IN", "Initials"])
    for day in sorted({d for days in out.values() for d in days}):
        begin = True
        for source, days in out.items():
            if day not in days or rng.random() < 0.12:
                continue
            shown = day if begin else None
            begin = False
            sheet.append([shown, "0715", scrawled(source), "OUT", "KM"])
            if rng.random() > 0.08:
                sheet.append([None, "1630", scrawled(source), "IN", "LF"])
    book.save(folder / "Ridge training.xlsx")
    return Messy(folder / "Ridge training.xlsx", _meant(searches, label))


def form(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """Three exports of web forms as .csv: questions for headings, US dates with seconds."""
    rng = np.random.default_rng([seed, 72])
    dogs = [("Juniper", "Handler A"), ("Otis", "Handler B"), ("Pike", "Handler C")]
    searches, out = _searches(rng, dogs, 9, days, dt.date(2024, 9, 7), 6)
    names = [f"{kind} {n}" for n, kind in enumerate(
        ("Muscle", "Muscle", "Bone", "Bone", "Blood", "Blood", "Fat", "Cadaver soil", "Teeth"), 1
    )]  # fmt: skip
    records = folder / "exports"
    records.mkdir()

    def us(time):
        return f"{time.month}/{time.day}/{time.year} {time.hour}:{time:%M:%S}"

    with (records / "Search log (Responses).csv").open("w", newline="", encoding="utf-8") as file:
        write = csv.writer(file)
        write.writerow(
            ["Timestamp", "Date of training", "Start time of search", "Which dog?", "Who handled?",
             "Aid used (leave blank for a blank area)", "What did the dog do?",
             "Search time in minutes", "How long was the aid set out? (minutes)",
             "Did the handler know the location?", "Air temperature (F)", "Humidity %",
             "Did the handler help the dog?", "How deep was it? (inches)", "Anything else?"]
        )  # fmt: skip
        for s in searches:
            did = {
                "find": "Alerted", "miss": "No alert", "clear": "No alert", "false alert": "Alerted"
            }[s.result]  # fmt: skip
            entered = s.day + dt.timedelta(hours=float(rng.uniform(0.5, 30)))
            write.writerow(
                [
                    us(entered),
                    f"{s.day.month}/{s.day.day}/{s.day.year}",
                    s.day.strftime("%I:%M %p").lstrip("0"),
                    s.dog if rng.random() > 0.04 else s.dog.lower(),
                    s.handler,
                    "" if s.source is None else names[s.source],
                    did,
                    "" if s.seconds is None else f"{s.seconds / 60:.1f}",
                    int(rng.integers(3, 20)) * 10,
                    {"single": "No", "double": "No", "open": "Yes"}[s.blind],
                    int(rng.integers(25, 95)),
                    int(rng.integers(20, 95)),
                    "Yes" if s.helped else "No",
                    int(rng.choice([0, 0, 3, 6])),
                    "windy, dog distracted" if rng.random() < 0.1 else "",
                ]
            )
    with (records / "Aid register.csv").open("w", newline="", encoding="utf-8") as file:
        write = csv.writer(file)
        write.writerow(["Aid", "Tissue", "Date we got it", "Age when we got it (days)",
                        "How is it packaged?", "Date destroyed"])  # fmt: skip
        for n, name in enumerate(names):
            write.writerow(
                [name, name.rpartition(" ")[0].lower(), f"{1 + n // 2}/{13 + n}/2024",
                 [7, 30, ""][n % 3], ["Vacuum sealed", "Vented jar"][n % 2], ""]
            )  # fmt: skip
    with (records / "Freezer check-out (Responses).csv").open("w", newline="") as file:
        write = csv.writer(file)
        write.writerow(["Timestamp", "Your name", "Which aid?", "What are you doing with it?"])
        for n, name in enumerate(names):
            got = dt.datetime(2024, 1 + n // 2, 13 + n, 17, 4, 11)
            write.writerow([us(got), "Handler A", name, "Putting it in the freezer"])
        for day in sorted({d for days in out.values() for d in days}):
            for source, days in out.items():
                if day in days:
                    took = dt.datetime.combine(day, dt.time(6, 50, 40))
                    back = dt.datetime.combine(day, dt.time(17, 20, 5))
                    write.writerow([us(took), "Handler B", names[source], "Taking it out"])
                    write.writerow(
                        [us(back), "Handler B", names[source], "Putting it in the freezer"]
                    )
    return Messy(records, _meant(searches, lambda s: names[s]))


def tally(folder: Path, seed: int = 1, days: int = 55) -> Messy:
    """A workbook, no storage log: thaws counted by hand, dates day first, decimal commas."""
    rng = np.random.default_rng([seed, 73])
    dogs = [("Saga", "A"), ("Balder", "B"), ("Frey", "A")]
    searches, out = _searches(rng, dogs, 10, days, dt.date(2024, 5, 2), 6)

    def label(source):
        return f"P{source + 1}"

    book = Workbook()
    sheet = book.active
    sheet.title = "Log"
    sheet.append(["K9", "Nose work log - all teams"])
    sheet.append([])
    sheet.append(
        ["Day", "Clock", "K9", "Team", "Sample no.", "Thaw no.", "H/M/FA/CL", "Min.",
         "Limit (min)", "Hum.", "Wind m/s", "Temp °C", "Lay time (min)", "Site"]
    )  # fmt: skip
    short = {"find": "H", "miss": "M", "false alert": "FA", "clear": "CL"}
    for s in searches:
        sheet.append(
            [
                s.day.strftime("%d.%m.%Y"),
                s.day.strftime("%H.%M"),
                f"{s.dog} " if rng.random() < 0.1 else s.dog,
                s.handler,
                "-" if s.source is None else label(s.source),
                None if s.source is None else s.cycles,
                short[s.result],
                None if s.seconds is None else f"{s.seconds / 60:.1f}".replace(".", ","),
                10,
                f"{int(rng.integers(30, 95))}%",
                f"{rng.uniform(0, 8):.1f}".replace(".", ","),
                f"{rng.uniform(-8, 25):.1f}".replace(".", ","),
                int(rng.integers(2, 12)) * 10,
                str(rng.choice(["house", "forest", "cars"])),
            ]
        )
    sheet = book.create_sheet("Samples")
    sheet.append(
        ["No.", "What", "Got it on", "Kept in", "Thaws so far", "Counted on", "Thrown out"]
    )
    kinds = ["pork muscle", "human bone", "blood on cotton"]
    for n in range(10):
        sheet.append(
            [label(n), kinds[n % 3], f"{5 + n:02d}.01.2024",
             "Freezer" if n % 4 else "Fridge", len(out[n]), LAST.strftime("%d.%m.%Y"), None]
        )  # fmt: skip
    book.save(folder / "Nose log.xlsx")
    return Messy(folder / "Nose log.xlsx", _meant(searches, label))


def county(folder: Path, seed: int = 1, days: int = 60) -> Messy:
    """A workbook: two columns for one result, inch marks, moves from one place to another."""
    rng = np.random.default_rng([seed, 81])
    dogs = [("Gunner", "Hale"), ("Mist", "Ortiz"), ("Teak", "Hale")]
    searches, out = _searches(rng, dogs, 12, days, dt.date(2023, 3, 4), 6)

    def label(source):
        return f"HRD {source + 1}"

    book = Workbook()
    book.remove(book.active)
    for year in (2023, 2024):
        sheet = book.create_sheet(f"Trng {year % 100}")
        sheet.append(
            ["Date/Time", "Canine", "Handler", "Target", "Environment", "Hit?", "FA's", "Sec",
             "Blind/Known", "Depth", "Ageing (hrs)", "Weather temp (F)", "Comments"]
        )  # fmt: skip
        for s in (s for s in searches if s.day.year == year):
            hide = s.source is not None
            on_hide = 1 if rng.random() < 0.03 else 0
            sheet.append(
                [
                    s.day,
                    s.dog,
                    s.handler,
                    label(s.source) if hide else "Negative run",
                    str(rng.choice(["Building", "Vehicle", "Open area"])),
                    {"find": "Yes", "miss": "No"}[s.result] if hide else "N/A",
                    on_hide if hide else int(s.result == "false alert"),
                    s.seconds,
                    {"single": "Blind", "double": "Double blind", "open": "Known"}[s.blind],
                    f'{rng.choice([0, 2, 6])}"',
                    round(float(rng.uniform(0.5, 4)), 1),
                    int(rng.integers(20, 100)),
                    None,
                ]
            )
    sheet = book.create_sheet("Specimens")
    sheet.append(["Specimen ID", "Specimen", "Obtained", "Stored @"])
    homes = ["Fridge" if n % 4 == 3 else "Chest freezer" for n in range(12)]
    for n, home in enumerate(homes):
        kind = ["Femur", "Muscle", "Blood swab"][n % 3]
        sheet.append([label(n), kind, dt.datetime(2023, 1, 3 + n), home])
    sheet = book.create_sheet("Specimen movements")
    sheet.append(["Moved on", "Specimen", "From", "To", "By"])
    for day in sorted({d for days in out.values() for d in days}):
        for source, days in out.items():
            if day in days:
                to, back = (dt.datetime.combine(day, dt.time(hour)) for hour in (7, 17))
                sheet.append([to, label(source), homes[source], "Training", "JH"])
                sheet.append([back, label(source), "Training", homes[source], "JH"])
    book.save(folder / "HRD log.xlsx")
    return Messy(folder / "HRD log.xlsx", _meant(searches, label))


def shire(folder: Path, seed: int = 1, days: int = 50) -> Messy:
    """Files parted by semicolons in Windows-1252; labels are numbers, with and without zeros."""
    rng = np.random.default_rng([seed, 82])
    dogs = [("Bramble", "PC1"), ("Fern", "PC2"), ("Moss", "PC3"), ("Nettle", "PC1")]
    searches, out = _searches(rng, dogs, 11, days, dt.date(2024, 4, 13), 6)
    records = folder / "logs"
    records.mkdir()

    def label(source):
        return f"{source + 1:02d}"

    def save(name, rows):
        with (records / name).open("w", newline="", encoding="cp1252") as file:
            csv.writer(file, delimiter=";").writerows(rows)

    rows = [
        ["date", "start", "dog", "handler", "scent article", "area searched", "blind status",
         "outcome", "time taken", "time limit", "set out for (mins)", "air temp °C",
         "wind (mph)", "rel. humidity"]
    ]  # fmt: skip
    for s in searches:
        m, sec = divmod(int(s.seconds or 0), 60)
        scrawled = str((s.source or 0) + 1) if rng.random() > 0.7 else label(s.source or 0)
        rows.append(
            [
                s.day.strftime("%d/%m/%Y"),
                s.day.strftime("%H:%M"),
                s.dog,
                s.handler,
                "" if s.source is None else scrawled,
                str(rng.choice(["café", "barn", "wood"])),
                {"single": "S/B", "double": "D/B", "open": "known"}[s.blind],
                {
                    "find": "Correct find",
                    "miss": "Missed",
                    "clear": "Correct clear",
                    "false alert": "False indication",
                }[s.result],
                "" if s.seconds is None else f"{m:02d}:{sec:02d}",
                "10:00",
                int(rng.integers(2, 12) * 10),
                f"{rng.uniform(-2, 25):.0f} °C",
                int(rng.integers(0, 20)),
                f"{int(rng.integers(40, 95))} %",
            ]
        )
    save("team log.csv", rows)
    articles = [["ref", "article type", "date in", "container", "weight g", "notes"]]
    moves = [["date & time", "article", "moved to", "by"]]
    for n in range(11):
        day, packed = f"{3 + n:02d}/02/2024", ["glass jar, sealed", "vented tin"][n % 2]
        kind = ["bone", "tissue", "blood"][n % 3]
        articles.append([label(n), kind, day, packed, str(10 * n + 5), ""])
        moves.append([f"{day} 16:00", label(n), "freezer A", "PC1"])
    for day in sorted({d for days in out.values() for d in days}):
        for source, days in out.items():
            if day in days:
                moves.append([f"{day:%d/%m/%Y} 06:30", label(source), "van", "PC2"])
                moves.append([f"{day:%d/%m/%Y} 18:00", label(source), "freezer A", "PC2"])
    save("scent articles.csv", articles)
    save("freezer movements.csv", moves)
    return Messy(records, _meant(searches, label))


def terse(folder: Path, seed: int = 1, days: int = 60) -> Messy:
    """A workbook of two sheets without names, headings cut short, humidity as a fraction."""
    rng = np.random.default_rng([seed, 83])
    searches, _ = _searches(rng, [("Zed", "RB"), ("Ike", "TT")], 8, days, dt.date(2024, 1, 6), 6)

    def label(source):
        return f"S-{source + 1}"

    book = Workbook()
    sheet = book.active
    sheet.title = "Sheet1"
    sheet.append(
        ["Dt", "St time", "Dog", "Hndlr", "Smpl", "Rslt", "Srch (s)", "Wx temp", "RH", "Wnd kts",
         "Blind Y/N", "Thaws"]
    )  # fmt: skip
    told = {"find": "TP", "miss": "FN", "clear": "TN", "false alert": "FP"}
    for s in searches:
        sheet.append(
            [
                s.day.strftime("%d %b %Y"),
                s.day.time(),
                s.dog,
                s.handler,
                "" if s.source is None else label(s.source),
                told[s.result],
                s.seconds,
                int(rng.integers(-5, 25)),
                round(float(rng.uniform(0.3, 0.95)), 2),
                int(rng.integers(0, 15)),
                "N" if s.blind == "open" else "Y",
                None if s.source is None else s.cycles,
            ]
        )
    sheet = book.create_sheet("Sheet2")
    sheet.append(["Smpl", "Desc", "Rcvd", "Pkg", "Loc"])
    for n in range(8):
        kind, packed = ["musc", "bone"][n % 2], ["vac bag", "open dish"][n % 2]
        sheet.append([label(n), kind, f"{4 + n} Dec 2023", packed, "frig" if n == 7 else "frzr"])
    book.save(folder / "k9.xlsx")
    return Messy(folder / "k9.xlsx", _meant(searches, label))


def signout(folder: Path, seed: int = 1, days: int = 40) -> Messy:
    """A workbook: one row for a sign-out and its return, what the dog did for a result."""
    rng = np.random.default_rng([seed, 91])
    dogs = [("Duke", "Ana"), ("Lark", "Ben"), ("Vex", "Cy")]
    searches, out = _searches(rng, dogs, 10, days, dt.date(2024, 3, 2), 6)

    def label(source):
        return f"TA{source + 1:02d}"

    book = Workbook()
    sheet = book.active
    sheet.title = "K9 training log"
    sheet.append(["K9 Unit training log 2024"])
    sheet.append(
        ["Training date", "Search start", "K9 name", "Handler name", "Training aid #",
         "Search area type", "Alert / No alert", "Elapsed", "Aid in place since (min)",
         "Known to handler?", "Air temp F", "Wind (mph)", "Notes"]
    )  # fmt: skip
    for s in searches:
        m, sec = divmod(int(s.seconds or 0), 60)
        sheet.append(
            [
                s.day.date(),
                s.day.strftime("%H:%M"),
                s.dog,
                s.handler,
                "NONE" if s.source is None else label(s.source),
                str(rng.choice(["warehouse", "brush"])),
                "Alert" if s.result in ("find", "false alert") else "No alert",
                None if s.seconds is None else dt.time(0, m, sec),
                int(rng.integers(2, 15) * 10),
                "Y" if s.blind == "open" else "N",
                int(rng.integers(30, 95)),
                int(rng.integers(0, 14)),
                None,
            ]
        )
    sheet = book.create_sheet("Aid inventory")
    sheet.append(
        ["Training aid #", "Contents", "Received from", "Date received", "Storage", "Packaging"]
    )
    for n in range(10):
        kind, packed = ["placenta", "bone", "blood"][n % 3], ["sealed jar", "mesh bag"][n % 2]
        day, home = dt.date(2024, 1, 5 + n), "Freezer" if n % 5 else "Refrigerator"
        sheet.append([label(n), kind, "ME office", day, home, packed])
    sheet = book.create_sheet("Sign out")
    sheet.append(["Training aid #", "Signed out by", "Date out", "Time out", "Date in", "Time in"])
    for day in sorted({d for days in out.values() for d in days}):
        for source, of in out.items():
            if day in of and rng.random() > 0.06:
                back = day if rng.random() > 0.05 else None
                sheet.append([label(source), "Ana", day, "0700", back, "1700"])
    book.save(folder / "k9 log.xlsx")
    return Messy(folder / "k9 log.xlsx", _meant(searches, label))


def jars(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """Exports of another form: sources called jars, when it was sent in beside when it began."""
    rng = np.random.default_rng([seed, 92])
    dogs = [("Piper", "H1"), ("Ranger", "H2")]
    searches, out = _searches(rng, dogs, 8, days, dt.date(2025, 1, 4), 6)
    records = folder / "exp"
    records.mkdir()

    def label(source):
        return f"Jar {chr(65 + source)}"

    def save(name, rows):
        with (records / name).open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)

    rows = [
        ["Submission ID", "Submitted", "When did the search begin?", "Dog", "Your name",
         "Which jar was hidden? (choose Blank if none)", "Outcome of the search",
         "How many false alerts?", "Seconds until find", "Was it blind?", "Humidity",
         "Temperature (°C)", "Hidden for how many minutes"]
    ]  # fmt: skip
    told = {
        "find": "Found it",
        "miss": "Did not find",
        "clear": "Correctly cleared",
        "false alert": "False alert",
    }
    blind = {"single": "Single-blind", "double": "Double-blind", "open": "Not blind"}
    for number, s in enumerate(searches):
        sent = s.day + dt.timedelta(minutes=float(rng.uniform(11, 600)))
        rows.append(
            [
                f"sub-{number}",
                sent.strftime("%Y-%m-%dT%H:%M:%S"),
                s.day.strftime("%Y-%m-%d %H:%M"),
                s.dog,
                s.handler,
                "Blank" if s.source is None else label(s.source),
                told[s.result],
                int(s.result == "false alert"),
                "" if s.seconds is None else int(s.seconds),
                blind[s.blind],
                f"{rng.uniform(0.3, 0.9):.2f}",
                int(rng.integers(-3, 25)),
                int(rng.integers(10, 100)),
            ]
        )
    save("Search form.csv", rows)
    listed = [["Jar", "What is inside", "Filled on", "Home", "Lid"]]
    for n in range(8):
        lid, home = ["closed lid", "perforated lid"][n % 2], "Fridge" if n == 7 else "Deep freeze"
        listed.append([label(n), ["fat", "muscle"][n % 2], f"2024-12-{2 + n:02d}", home, lid])
    save("Jars.csv", listed)
    moves = [["Submitted", "Jar", "Action"]]
    for day in sorted({d for days in out.values() for d in days}):
        for source, of in out.items():
            if day in of:
                moves.append([f"{day} 06:10", label(source), "Checked out"])
                moves.append([f"{day} 19:00", label(source), "Checked in"])
    save("Jar movements.csv", moves)
    return Messy(records, _meant(searches, label))


def counts(folder: Path, seed: int = 1, days: int = 45) -> Messy:
    """A workbook of two half years with ditto marks, labels that are numbers, thaws counted."""
    rng = np.random.default_rng([seed, 93])
    dogs = [("ash", "M"), ("oak", "M"), ("elm", "N")]
    searches, out = _searches(rng, dogs, 9, days, dt.date(2024, 6, 1), 6)

    def label(source):
        return str(source + 101)

    book = Workbook()
    book.remove(book.active)
    told = {"find": "F", "miss": "M", "clear": "C", "false alert": "FA"}
    for name, later in (("Jun-Sep", False), ("Oct on", True)):
        own = [s for s in searches if (s.day.month >= 10 or s.day.year > 2024) is later]
        sheet = book.create_sheet(name)
        sheet.append(
            ["date", "time", "dog", "hnd", "smp no", "freeze/thaw #", "F / M / C / FA", "t (s)",
             "max t (s)", "bur. depth cm", "ground", "°C"]
        )  # fmt: skip
        before = None
        for s in own:
            sheet.append(
                [
                    s.day.date() if s.day.date() != before else '"',
                    s.day.strftime("%H%M"),
                    s.dog.upper() if rng.random() < 0.3 else s.dog,
                    s.handler,
                    "no smp" if s.source is None else int(label(s.source)),
                    None if s.source is None else s.cycles,
                    told[s.result],
                    s.seconds,
                    600,
                    int(rng.integers(0, 40)),
                    str(rng.choice(["sand", "clay"])),
                    int(rng.integers(0, 28)),
                ]
            )
            before = s.day.date()
        sheet.append(["TOTAL", None, None, None, None, None, None, 5000])
    sheet = book.create_sheet("samples")
    sheet.append(
        ["smp no", "tissue", "date got", "kept where", "total freeze/thaws to date", "thrown away"]
    )
    for n in range(9):
        kind, got = ["rib", "skin", "liver"][n % 3], dt.date(2024, 5, 1 + n)
        sheet.append([101 + n, kind, got, "freezer", len(out[n]), None])
    book.save(folder / "counts.xlsx")
    return Messy(folder / "counts.xlsx", _meant(searches, label))


UNITS = {
    "ridge": ridge,
    "form": form,
    "tally": tally,
    "county": county,
    "shire": shire,
    "terse": terse,
    "signout": signout,
    "jars": jars,
    "counts": counts,
}
