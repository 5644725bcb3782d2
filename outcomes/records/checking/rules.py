"""The rules records are checked against: one name, one severity, one message each.

``stops``: no work is possible. ``set aside``: the row is not used.
``note``: the row is used; a person should look. A breach of one of
``VALUE_RULES`` in a side column (see :class:`~outcomes.records.columns.Column`)
costs only the value: it becomes a note.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

SILENT_DAYS = 180  # in the freezer before anything was logged: a late log; our choice
LATE_LOG_DAYS = 30  # from when a source was taken in to its first move; common practice, no source


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Attributes
    ----------
    name, severity
        What it is called, and what a breach does.
    problem, mend
        Message texts; the names in braces are filled in with the facts.
    """

    name: str
    severity: str
    problem: str
    mend: str


_STOPS = (
    Rule(
        "missing table",
        "stops",
        "there is no table of {table}",
        "{likely}Add {table}.csv or {table}.parquet to the folder, or a sheet called {table} to "
        "the workbook.",
    ),
    Rule(
        "table given twice",
        "stops",
        "the table {table} is there more than once: {files}",
        "Keep one of them.",
    ),
    Rule(
        "unit in the heading",
        "stops",
        "the heading names {unit}, but unit.toml does not, so the numbers would be read as {kept}",
        "Say it in unit.toml, beside the records, under [units.{table}]: "
        '{name} = "{unit}" (or "{ours}", if it is {kept} after all)',
    ),
    Rule("unreadable file", "stops", "it cannot be read: {reason}", "{mend}"),
    Rule("empty file", "stops", "{reason}", "{mend}"),
    Rule("no header", "stops", "{reason}", "{mend}"),
    Rule("merged header", "stops", "{reason}", "{mend}"),
    Rule("no rows", "stops", "there are no rows under the header", "Fill in at least one row."),
    Rule(
        "missing column",
        "stops",
        "the column is missing",
        "Add it, or say in unit.toml, beside the records, which column it is, under "
        "[columns.{table}]: {name} = {likely}",
    ),
    Rule(
        "header not in row 1",
        "stops",
        "the column names seem to stand in row {found}, not in row 1",
        "Say in unit.toml, beside the records, under [columns.{table}], which column is which: "
        "the row is found by their names.",
    ),
    Rule(
        "duplicate column",
        "stops",
        "{count} columns would be {name}",
        "Keep one of them, or give the others another name.",
    ),
    Rule(
        "column in another unit",
        "stops",
        "{share:.0f} % of the values are out of range, but not if they are °F",
        "If they are °F, say so in unit.toml, beside the records, under [units.{table}]: "
        'temperature_c = "F"',
    ),
)

_CELLS = (
    Rule(
        "more cells than the header",
        "set aside",
        "the row has cells beyond the last named column",
        "Put quotation marks around text that holds the separator, or name the column.",
    ),
    Rule(
        "total row",
        "set aside",
        "it begins with a word for a sum, so it is taken to add up the others",
        "Leave it, or delete it from the records.",
    ),
    Rule(
        "open quotation mark",
        "set aside",
        "the cell holds whole further rows, so a quotation mark was left open",
        "Remove the lone quotation mark; the rows inside were not read.",
    ),
    Rule(
        "merged cells",
        "set aside",
        "the cell is merged with others, so its rows are unclear",
        "Unmerge it, and fill in every row.",
    ),
    Rule(
        "formula without a value",
        "set aside",
        "the file does not hold the result of this formula",
        "Open and save it in a spreadsheet program, or put the value itself there.",
    ),
    Rule(
        "spreadsheet error",
        "set aside",
        "this is a spreadsheet's error, not a value",
        "Mend the formula, or leave the cell empty.",
    ),
    Rule(
        "line break in a name",
        "set aside",
        "there is a line break inside a name",
        "Keep it on one line; look for a quotation mark left open.",
    ),
    Rule(
        "text too long",
        "set aside",
        "the text is longer than {limit} characters",
        "Shorten it; keep remarks in a column of their own.",
    ),
    Rule("empty needed value", "set aside", "a needed value is empty", "Fill it in{above}."),
    Rule(
        "unknown word",
        "set aside",
        "not one of the words for {name}",
        "Write {words}, or say in unit.toml, beside the records, under [words.{name}], which of "
        "them {quoted} means.",
    ),
    Rule(
        "date for a place",
        "set aside",
        "this is a date, not a place",
        "If a row tells when the source was taken out and when it came back, say so in unit.toml, "
        "beside the records, under [columns.storage]: moved_back_at = {theirs}; and take out the "
        "line that says moved_to.",
    ),
    Rule(
        "number unreadable",
        "set aside",
        "not a number",
        "Write a plain number, as in 12.5, or leave it empty.",
    ),
    Rule(
        "number with a unit in it",
        "set aside",
        "there is more than a number in the cell",
        "Write the number alone, in {unit}; another unit for the whole column is named in "
        "unit.toml, beside the records, under [units].",
    ),
    Rule(
        "comma in a number",
        "set aside",
        "a comma can mean two things in a number",
        'Write 12.5 and 1200, or say at the top of unit.toml, beside the records: decimal = ","',
    ),
    Rule(
        "point in a number",
        "set aside",
        'there is a point, but unit.toml says decimal = ","',
        "Write 12,5 and 1200.",
    ),
    Rule(
        "minutes and seconds",
        "set aside",
        "this is a clock time, not a number in {unit}",
        "If the whole column is minutes and seconds, say so in unit.toml, beside the records, "
        'under [units]: {name} = "mm:ss"; otherwise write the number, 90 for 1:30.',
    ),
    Rule(
        "clock times among numbers",
        "set aside",
        "this is a clock time, but other cells of the column are plain numbers",
        "Write it in seconds, 90 for 1:30; or write the plain numbers as minutes and seconds too, "
        "1:30 for 90, and say so in unit.toml, beside the records, under [units]: "
        '{name} = "mm:ss"',
    ),
    Rule(
        "not minutes and seconds",
        "set aside",
        "not minutes and seconds, as unit.toml says the column is",
        "Write it as minutes and seconds, 1:30 for 90 seconds; if most of the column is plain "
        "numbers, change [units] {name} in unit.toml and write the rest as numbers.",
    ),
    Rule(
        "date for a number",
        "set aside",
        "this is a date, not a number: a spreadsheet makes a date of an entry such as 3-4 or 1/2, "
        "and of a number in a cell with a date format",
        "Give the cell a number format and type the number again.",
    ),
    Rule("not a whole number", "set aside", "a count must be a whole number", "Correct the count."),
    Rule(
        "number out of range",
        "set aside",
        "not between {low:g} and {high:g}{space_unit}",
        "Correct it; if the column is in another unit, say so in unit.toml, beside the records, "
        "under [units].",
    ),
    Rule(
        "impossible temperature",
        "set aside",
        "not between {low:g} and {high:g} °C",
        "Correct it; if the column is in °F, say so in unit.toml, beside the records, under "
        '[units.{table}]: temperature_c = "F"',
    ),
    Rule(
        "impossible storage temperature",
        "set aside",
        "no temperature for this place, in °C",
        "Correct it; if the column is in °F, say so in unit.toml, beside the records, under "
        '[units.storage]: temperature_c = "F"',
    ),
    Rule(
        "date unreadable",
        "set aside",
        "not a date or time",
        "Write it as 2026-03-14 or 2026-03-14 09:30.",
    ),
    Rule(
        "date ambiguous",
        "set aside",
        "the date can be read two ways",
        "Write it as 2026-03-14, or say at the top of unit.toml, beside the records: date_order = "
        '"day first" (or "month first")',
    ),
    Rule(
        "dates of both orders",
        "set aside",
        "the column has dates of both orders, {orders}, so no date_order can decide this one",
        "Write it as 2026-03-14; if one of those two rows is a slip, correct that.",
    ),
    Rule(
        "date against the order",
        "set aside",
        "not a date in the date_order that unit.toml says",
        "Write it as 2026-03-14; if the whole column is written so, correct date_order in "
        "unit.toml, beside the records.",
    ),
    Rule(
        "date order in doubt",
        "set aside",
        "the column has dates against the date_order that unit.toml says, {orders}, and none that "
        "bears it out, so it cannot decide this one",
        "Correct that date if it is a slip, or else date_order in unit.toml, beside the records; "
        "or write this one as 2026-03-14.",
    ),
    Rule(
        "time with a zone",
        "set aside",
        "the time names a time zone",
        "Write the local time without zone, as in 2026-03-14 09:30.",
    ),
    Rule(
        "spreadsheet date number",
        "set aside",
        "this is a spreadsheet's number for a date",
        "Give the column a date format, or write 2026-03-14.",
    ),
    Rule(
        "date in the future",
        "set aside",
        "later than tomorrow; today is {today}",
        "Correct the date.",
    ),
    Rule("date before 1950", "set aside", "no record is that old", "Correct the year."),
)

_ROWS = (
    Rule("identical rows", "set aside", "the same as row {other}", "Remove one of them."),
    Rule(
        "duplicate id",
        "set aside",
        "also in row {other}, with other contents, so it cannot be told which is right",
        "Give each its own {name}, or remove the wrong one.",
    ),
    Rule(
        "unknown source", "set aside", "there is no such source in the table of sources", "{likely}"
    ),
    Rule("unknown dog", "set aside", "there is no such dog in the table of dogs", "{likely}"),
    Rule(
        "unknown place",
        "set aside",
        "no move in the storage log goes to a place of this name",
        "{likely}",
    ),
    Rule(
        "reading of nothing",
        "set aside",
        "neither a source nor a place is named, so it is unclear what was read",
        "Fill in source_id or place_id.",
    ),
    Rule(
        "reading of two things",
        "set aside",
        "a source and a place are named, so it is unclear which was read",
        "Name the source if the logger travels with it, otherwise the place.",
    ),
    Rule(
        "two readings at one time",
        "set aside",
        "{what} was also read in row {other} at this time, with another temperature",
        "Remove the wrong one; when clocks go back, give the hour as the log does.",
    ),
    Rule(
        "inspection of nothing",
        "set aside",
        "nothing was weighed, measured or scored",
        "Fill in what was found, 0 for none of it, or remove the row.",
    ),
    Rule(
        "drip above mass",
        "set aside",
        "the drip weighs more than the source",
        "Correct one of the two.",
    ),
    Rule(
        "source set aside",
        "set aside",
        "its source was set aside in {where}",
        "Mend that row first.",
    ),
    Rule("unknown parent", "set aside", "there is no such source to be a portion of", "{likely}"),
    Rule(
        "portion of itself",
        "set aside",
        "a source cannot be a portion of itself",
        "Name the source it was cut from, or leave it empty.",
    ),
    Rule(
        "ring of portions",
        "set aside",
        "these sources are portions of each other: {ring}",
        "Name for each the source it was cut from.",
    ),
    Rule(
        "parent acquired later",
        "set aside",
        "cut from {parent}, which was acquired only on {parent_date}",
        "Correct one of the two dates.",
    ),
    Rule(
        "parent set aside",
        "set aside",
        "the source it was cut from was set aside in {where}",
        "Mend that row first.",
    ),
    Rule(
        "before the source existed",
        "set aside",
        "the source was acquired only on {date}",
        "Correct this date, or acquired_on of {source}.",
    ),
    Rule(
        "move after discard",
        "set aside",
        "{source} was discarded on {date}",
        "Correct the date, or remove the discard.",
    ),
    Rule(
        "two moves at one time, order unknown",
        "set aside",
        "{source} was moved to {places} at one time, and its log is not in order of time",
        "Give the times of day.",
    ),
    Rule(
        "trial on a discarded source",
        "set aside",
        "{source} was discarded on {date}",
        "Correct the date, the source, or the discard.",
    ),
    Rule(
        "planned trial without its key",
        "set aside",
        "a planned trial, and no plan.json to tell what lay in its area; it is counted, and not "
        "analysed",
        "Give the key with --plan plan.json, or put it beside the records, when it may be opened.",
    ),
    Rule(
        "planned trial of another plan",
        "set aside",
        "{plan} holds no such planned trial, so it is unclear what lay in its area",
        "Correct the label; if these are results of an earlier plan, fill in their sources.",
    ),
    Rule(
        "planned trial twice",
        "set aside",
        "the same planned trial as row {other}",
        "Remove one of them; a trial done in its stead carries no plan_id.",
    ),
    Rule("result contradicts blank area", "set aside", "{what}", "{mend}"),
    Rule(
        "result contradicts false alerts",
        "set aside",
        "the result is {result}, but the number of false alerts is {count:g}",
        "Correct one of the two.",
    ),
    Rule(
        "search time zero",
        "set aside",
        "a search cannot take no time",
        "Fill in the seconds, or leave it empty if no time was taken.",
    ),
    Rule(
        "result contradicts search time",
        "set aside",
        "the result is {result}, but the search time says something else",
        "Correct the result, or write the seconds.",
    ),
    Rule(
        "find over the limit",
        "set aside",
        "found after the time limit of {limit:g} s, so it is unclear whether it counts",
        "Correct the time, the limit or the result.",
    ),
)

_NOTES = (
    Rule(
        "table under another name",
        "note",
        "there is no table of {table}, and {found} is not read",
        "{likely}",
    ),
    Rule(
        "not read",
        "note",
        "nothing is read of {names}",
        "Leave it, if there are no records in it; else say in unit.toml, under [tables], which "
        "table it is, or is part of.",
    ),
    Rule(
        "unit changes",
        "note",
        "the numbers jump here, from about {before} to about {after} {unit}, as if one of the two "
        "stretches were written in {other}",
        "If it is so, write the unit into those cells, as in 5 min, or convert them.",
    ),
    Rule(
        "columns swapped",
        "note",
        "{where} it seems to hold what {other} should, and that one this",
        "Put them back in their columns, if it is so.",
    ),
    Rule(
        "own word redefined",
        "note",
        "unit.toml says that {word!r}, a word of ours, means {meaning!r}",
        "Take the line out, unless it is meant so.",
    ),
    Rule(
        "column names found lower",
        "note",
        "the column names were found in row {found}; what stands above is not read",
        "Leave it, if that is right; else say header_row in unit.toml.",
    ),
    Rule(
        "unknown column",
        "note",
        "not a column of the records; carried through untouched",
        "{likely}",
    ),
    Rule(
        "vague date",
        "note",
        "not a day, so taken as {taken}, {why}: it may be up to {days} days older than is reckoned",
        "Write the day, if it is written down anywhere; else leave it.",
    ),
    Rule(
        "control characters",
        "note",
        "the row holds characters that cannot be shown; each is read as \ufffd",
        "Type those cells again.",
    ),
    Rule(
        "long at ambient temperature",
        "note",
        "the log has {source} at ambient temperature for {days} days from here, until {until}",
        "If it was put back before, log when; if it was out so long, leave it.",
    ),
    Rule(
        "source unlike the plan",
        "note",
        "the plan has {planned} there; it is analysed as planned, and as it was done beside it",
        "Leave it, if the source was exchanged; otherwise correct it, or leave it empty.",
    ),
    Rule(
        "dog unlike the plan",
        "note",
        "the plan has {planned} search there",
        "Leave it, if another dog stood in; otherwise correct it.",
    ),
    Rule(
        "planned trials not done",
        "note",
        "{count} of the plan in this table without a result; they are not read",
        "Fill in the result, once they are done; leave it empty where a trial is lost.",
    ),
    Rule("count unlike the log", "note", "not what the log shows", "Correct the wrong one."),
    Rule(
        "rows that may be copies",
        "note",
        "the same as row {other}, without an id or a time of day to tell them apart; both are used",
        "Remove one of them if it is a copy; otherwise leave it.",
    ),
    Rule(
        "unnamed column",
        "note",
        "column {number} has no name; carried through as {name}",
        "Name it in row 1, or clear it.",
    ),
    Rule(
        "repeated unknown column",
        "note",
        "the name is used {count} times; carried through under numbered names",
        "Give each column its own name.",
    ),
    Rule(
        "column of an added name",
        "note",
        "the toolkit adds a column of this name; carried through as {name}",
        "Leave it, if that will do; otherwise give it another name.",
    ),
    Rule(
        "Windows-1252 text",
        "note",
        "not UTF-8, so read as Windows-1252",
        "Look at accented letters; save as CSV UTF-8 to be sure.",
    ),
    Rule(
        "fewer cells than the header",
        "note",
        "the row ends early; the missing cells are read as empty",
        "Look whether the row is whole.",
    ),
    Rule(
        "no storage rows",
        "note",
        "the storage log is empty, so no trial can be used for finds, search time or storage",
        "Log where each source was kept: without it, nothing can be said of thaws or age.",
    ),
    Rule(
        "no storage log",
        "note",
        "there is no storage log: where a source was follows from kept_in, which {kept}; its "
        "cycles from {cycles}. The briefing can ask about cycles, age and refrigerated against "
        "frozen, but not how warm a source was, how long it was out, or what happened on other "
        "days",
        "{mend}",
    ),
    Rule(
        "discarded before it was acquired",
        "note",
        "earlier than acquired_on, so it is not used",
        "Correct one of the two dates.",
    ),
    Rule(
        "source without storage history",
        "note",
        "no storage move is logged for this source, and no kept_in",
        "Log where it has been kept, or fill in kept_in.",
    ),
    Rule(
        "storage log begins late",
        "note",
        "its first storage move is {days} days later, on {date}; what it went through before is "
        "not known and counts as no thaw",
        "Log its earlier moves, if they are written down anywhere, or fill in cycles_before; else "
        "take its cycles as at least so many.",
    ),
    Rule(
        "moves out of order",
        "note",
        "earlier than the row before it for {source}",
        "Leave it, if the dates are right; they are put in order.",
    ),
    Rule(
        "two moves at one time",
        "note",
        "{source} was moved to {places} at one time; the last of these rows counts",
        "Give the times of day.",
    ),
    Rule(
        "move to the same place",
        "note",
        "{source} was there already",
        "Leave it, if temperature or packaging changed; otherwise a move between is missing.",
    ),
    Rule(
        "place of two kinds",
        "note",
        "{place} is called {first} in row {other}, and {kind} here",
        "Give each freezer, refrigerator and room a name of its own.",
    ),
    Rule(
        "gap in the readings",
        "note",
        "{what} has {count}, {hours:,.0f} h in all, without a reading; the longest, {longest:,.0f} "
        "h, ends here",
        "Leave it, if there are no readings of that time; the place's own temperature is used.",
    ),
    Rule(
        "readings unlike the place",
        "note",
        "more than half of the readings of {what} are not those of a {kind}",
        "If they are °F, say so in unit.toml, beside the records, under [units.readings]: "
        'temperature_c = "F"; otherwise look at the logger.',
    ),
    Rule(
        "mass that rises",
        "note",
        "heavier than the {before} g in {where}, and no re-packing is logged between them",
        "Correct the wrong one; or log the packaging, if it was packed anew.",
    ),
    Rule(
        "discarded on a busy day",
        "note",
        "{source} has trials or moves on the day it was "
        "discarded; taken as discarded at the end of that day",
        "Give the time of the discard.",
    ),
    Rule(
        "trial while in the freezer",
        "note",
        "the log has {source} in the freezer {when}",
        "Log when it was taken out; until then {policy}.",
    ),
    Rule(
        "miss without a time",
        "note",
        "a miss without a search time",
        "Fill in how long the dog searched.",
    ),
    Rule(
        "search ended before it began",
        "note",
        "earlier than it began, or over a day later, so it tells no search time",
        "Correct one of the two times.",
    ),
    Rule(
        "search ended as it began",
        "note",
        "it ended in the minute in which it began, so it tells no search time",
        "Fill in the seconds, if they are known.",
    ),
    Rule(
        "search over the limit",
        "note",
        "searched longer than the limit of {limit:g} s",
        "Check whether the limit is in seconds.",
    ),
    Rule(
        "find at the limit",
        "note",
        "found exactly at the time limit",
        "Check that it was a find, not the end of the time.",
    ),
    Rule(
        "one dog in two trials",
        "note",
        "{dog} was still searching in row {other} at this time",
        "Correct one of the two start times, or the search time.",
    ),
    Rule(
        "dog's dates out of order",
        "note",
        "earlier than {other_name}, which is {date}",
        "Correct one of the two dates.",
    ),
    Rule(
        "spellings alike",
        "note",
        "looks like {other!r} in row {other_row}; kept apart",
        "If they are the same, say so in unit.toml, beside the records, under [words.{name}]: "
        "{quoted} = {other_quoted}",
    ),
)

# Rows whose cells are not what the header says.
TEARING_RULES = frozenset(("more cells than the header", "open quotation mark", "total row"))
# What can be wrong with one cell alone.
VALUE_RULES = frozenset(rule.name for rule in _CELLS) - TEARING_RULES - {"empty needed value"} | {
    "search time zero"
}

RULES: Mapping[str, Rule] = MappingProxyType(
    {rule.name: rule for rule in (*_STOPS, *_CELLS, *_ROWS, *_NOTES)}
)
