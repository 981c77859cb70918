"""A table of bad inputs: how each spoils a copy of the tiny project, and what is said about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["BAD_INPUTS", "BadInput", "add", "put", "swap"]

Spoil = Callable[[Path], None]


@dataclass(frozen=True)
class BadInput:
    """One way to spoil a project, and the one problem (or ``problems``) that it gives."""

    name: str
    spoil: Spoil
    file: str
    place: str
    remedy: str
    problems: int = 1


def put(name: str, text: str | bytes) -> Spoil:
    """Write a file anew."""
    data = text.encode() if isinstance(text, str) else text
    return lambda folder: void((folder / name).write_bytes(data))


def swap(name: str, old: str, new: str) -> Spoil:
    """Replace the first place where a text stands."""

    def spoil(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text, f"{name} holds no {old!r}"
        (folder / name).write_bytes(text.replace(old, new, 1).encode())

    return spoil


def add(name: str, text: str) -> Spoil:
    """Add lines at the end."""

    def spoil(folder: Path) -> None:
        with (folder / name).open("a", encoding="utf-8") as file:
            file.write(text + "\n")

    return spoil


def void(_: object) -> None:
    """Let an expression stand for a statement."""


def section(name: str, *lines: str) -> Spoil:
    """Add a section to project.toml."""
    return add("project.toml", "\n".join((f"[{name}]", *lines)))


def drop(name: str) -> Spoil:
    """Delete a file."""
    return lambda folder: (folder / name).unlink()


def folder_instead(name: str) -> Spoil:
    """A folder where a file should be."""

    def spoil(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).mkdir()

    return spoil


TOML, COLLECTION, SURVEY = "project.toml", "collection.csv", "survey.csv"
TIMES, TEAM, PILOT = "task_times.csv", "team.csv", "pilot.csv"
CLOSURES, PLACES, DAYPLAN = "closures.csv", "places.csv", "dayplan.csv"
DELIVERIES, SUPPLIES, PROMISES = "deliveries.csv", "supplies.csv", "promises.csv"
BUDGET, SPEND, SCENARIOS = "budget.csv", "spend.csv", "scenarios.toml"

_COLLECTION = "series,material,items,images_per_item,bound\n"
_SURVEY = "series,box,material,mould,red_rot,items\n"
_CLOSURES = "first_day,last_day,person,reason\n"
_PLACES = "place,number,first_day,last_day\n"
_DAYPLAN = "person,weekday,stage\n"
_DELIVERIES = "date,series,items\n"
_PILOT = "stage,material,mould,red_rot,minutes\n"
_PROMISES = "series,material,items,images,by\n"
_SUPPLIES = "supply,unit,per,stage,amount,in_stock,pack,lead_time_days,unit_cost,line\n"
_SPEND = "date,line,amount,note,status\n"

_ROWS: tuple[tuple[str, Spoil, str, str, str], ...] = (
    # Files
    ("a required file is missing", drop(TIMES), TIMES, "", "Save it there"),
    ("project.toml is missing", drop(TOML), TOML, "", "Save it there"),
    ("a file has an unknown name", put("closure.csv", _CLOSURES), "closure.csv", "",
     "Did you mean closures.csv? Rename the file, or move it"),
    ("an unknown TOML file", put("scenario.toml", ""), "scenario.toml", "", "scenarios.toml"),
    ("a file is a folder", folder_instead(CLOSURES), CLOSURES, "", "Move the folder"),
    ("a required file is a folder", folder_instead(TEAM), TEAM, "", "Move the folder"),
    ("a file is empty", put(SURVEY, ""), SURVEY, "", "names of the columns"),
    ("a file holds notes only", put(SURVEY, "# later\n"), SURVEY, "", "names of the columns"),
    ("a required file has no rows", put(TEAM, "person,role,start,end,mon,tue,wed,thu,fri,sat,sun,"
     "begins,mould_work,stages\n"), TEAM, "", "Add one"),
    ("bytes in Latin-1", put(CLOSURES, _CLOSURES.encode() + "2026-02-02,2026-02-02,,Fête\n".encode(
     "latin-1")), CLOSURES, "row 2", "CSV (UTF-8)"),
    ("bytes in UTF-16", put(CLOSURES, _CLOSURES.encode("utf-16")), CLOSURES, "", "CSV (UTF-8)"),
    ("a workbook under a CSV name", put(CLOSURES, b"PK\x03\x04rest"), CLOSURES, "", "as CSV"),
    ("a line of 10 MB", put(CLOSURES, _CLOSURES + "2026-02-02,2026-02-02,," + "x" * 10_000_000),
     CLOSURES, "row 2", "shorten the cell"),
    ("a quotation mark that never ends", add(TIMES, 'reboxing,folder,,,item,1,2,3,,"never'),
     TIMES, "row 11", "Close the quotation mark"),
    ("tabs between the cells", put(CLOSURES, "first_day\tlast_day\n2026-02-02\t2026-02-02\n"),
     CLOSURES, "", "Save the sheet as CSV"),
    ("scenarios.toml is no TOML", put(SCENARIOS, "name = \n"), SCENARIOS, "line 1", "Correct"),
    ("the collection is missing", drop(COLLECTION), COLLECTION, "", "Save it there"),
    # Columns and rows
    ("an unknown column", swap(TEAM, "stages,hourly_cost", "stages,hourly_costs"), TEAM,
     "row 1, column hourly_costs", "Did you mean hourly_cost?"),
    ("a column twice", swap(TEAM, "hourly_cost,line", "hourly_cost,hourly_cost"), TEAM,
     "row 1, column hourly_cost", "Delete the second"),
    ("a required column is missing", swap(SURVEY, "red_rot,items", "red_rot,box2"), SURVEY,
     "row 1", "Add the column items"),
    ("a row is too short", add(COLLECTION, "More,map,3"), COLLECTION, "row 4",
     "Complete the row"),
    ("a row is too long", add(COLLECTION, "More,map,3,2,no,7,7"), COLLECTION, "row 4",
     "double quotes"),
    ("a cell without a column name", put(CLOSURES, "first_day,last_day,,person\n"
     "2026-02-02,2026-02-02,stray,\n"), CLOSURES, "row 2", "Name the column"),
    # collection.csv
    ("items that are no number", swap(COLLECTION, "volume,12", "volume,twelve"), COLLECTION,
     "row 2, column items", "digits only"),
    ("half an item", swap(COLLECTION, "volume,12", "volume,12.5"), COLLECTION,
     "row 2, column items", "Correct the number"),
    ("negative items", swap(COLLECTION, "volume,12", "volume,-12"), COLLECTION,
     "row 2, column items", "Correct the number"),
    ("NaN images", swap(COLLECTION, "12,40", "12,nan"), COLLECTION,
     "row 2, column images_per_item", "digits only"),
    ("infinite images", swap(COLLECTION, "12,40", "12,1e999"), COLLECTION,
     "row 2, column images_per_item", "Correct the number"),
    ("a decimal comma in a comma file", swap(COLLECTION, "12,40", '12,"40,5"'), COLLECTION,
     "row 2, column images_per_item", "full stop"),
    ("neither yes nor no", swap(COLLECTION, "40,yes", "40,true"), COLLECTION,
     "row 2, column bound", "Write yes or no"),
    ("a series without a name", swap(COLLECTION, "Loose papers,folder", ",folder"), COLLECTION,
     "row 3, column series", "Fill in the cell"),
    ("a material of a series twice", add(COLLECTION, "Loose papers,folder,2,15,no"), COLLECTION,
     "row 4", "Row 3 says it already"),
    ("images out of order", put(COLLECTION, "series,material,items,images_per_item,bound,"
     "images_low,images_high\nMinute books,volume,12,40,yes,50,60\n"
     "Loose papers,folder,18,15,no,,\n"), COLLECTION, "row 2, column images_per_item",
     "rising order"),
    ("too large a collection", put(COLLECTION, _COLLECTION + "Minute books,volume,600000,4,yes\n"
     "Loose papers,folder,600000,5,no\n"), COLLECTION, "column items", "several projects"),
    # survey.csv
    ("an unknown material", add(SURVEY, "Loose papers,4,folders,none,no,1"), SURVEY,
     "row 7, column material", "Did you mean folder?"),
    ("an unknown series", add(SURVEY, "Loose paper,4,folder,none,no,1"), SURVEY,
     "row 7, column series", "Did you mean Loose papers?"),
    ("a material that the series does not hold", add(SURVEY, "Loose papers,4,volume,none,no,1"),
     SURVEY, "row 7, column material", "Choose one of: folder"),
    ("unknown mould", add(SURVEY, "Loose papers,4,folder,dormant,no,1"), SURVEY,
     "row 7, column mould", "none, inactive, active"),
    ("unknown red rot", add(SURVEY, "Loose papers,4,folder,none,some,1"), SURVEY,
     "row 7, column red_rot", "Write yes or no"),
    ("the same condition of a box twice", add(SURVEY, "Loose papers,3,folder,none,no,1"), SURVEY,
     "row 7", "Row 5 says it already"),
    ("more looked at than exist", add(SURVEY, "Minute books,9,volume,none,no,9"), SURVEY,
     "material volume in Minute books", "Correct the items"),
    ("more looked at than exist, series not told", add(SURVEY, ",9,volume,none,no,9"), SURVEY,
     "material volume", "Correct the items"),
    ("a material that nobody looked at", put(SURVEY, _SURVEY + ",,volume,none,no,4\n"), SURVEY,
     "material folder", "as if about ten items"),
    # task_times.csv
    ("an unknown stage", swap(TIMES, "covers,volume", "cover,volume"), TIMES,
     "row 3, column stage", "Did you mean covers?"),
    ("minutes at quarantine", swap(TIMES, "covers,volume", "quarantine,volume"), TIMES,
     "row 3, column stage", "minimum_days under [quarantine]"),
    ("drying by image", swap(TIMES, "drying,,active,,item", "drying,,active,,image"), TIMES,
     "row 2, column per", "write item"),
    ("drying of dormant mould", swap(TIMES, "drying,,active", "drying,,inactive"), TIMES,
     "row 2, column mould", "Only active mould"),
    ("unknown per", swap(TIMES, "covers,volume,,,item", "covers,volume,,,box"), TIMES,
     "row 3, column per", "item, image"),
    ("likely below low", swap(TIMES, "item,5,8,12", "item,9,8,12"), TIMES,
     "row 3, column likely", "smallest number in low"),
    ("high below likely", swap(TIMES, "item,5,8,12", "item,5,8,7"), TIMES,
     "row 3, column likely", "largest in high"),
    ("negative minutes", swap(TIMES, "item,5,8,12", "item,-5,8,12"), TIMES,
     "row 3, column low", "Correct the number"),
    ("blank minutes", swap(TIMES, "item,5,8,12", "item,5,,12"), TIMES,
     "row 3, column likely", "Fill in the number"),
    ("a negative scatter", swap(TIMES, "5,8,12,0.3", "5,8,12,-0.3"), TIMES,
     "row 3, column scatter", "Correct the number"),
    ("a row for the same work twice", add(TIMES, "covers,volume,,,item,1,2,3,,"), TIMES,
     "row 11", "Row 3 says it already"),
    ("a material without any minutes", put(TIMES, "stage,material,mould,red_rot,per,low,likely,high"
     "\ncleaning,volume,,,item,30,45,70\n"), TIMES, "material folder", "Add rows for folder"),
    # pilot.csv
    ("a timed item in no time", put(PILOT, _PILOT + "cleaning,volume,,,0\n"), PILOT,
     "row 2, column minutes", "Correct the number"),
    ("timed quarantine", put(PILOT, _PILOT + "quarantine,volume,,,5\n"), PILOT,
     "row 2, column stage", "minimum_days"),
    ("timed drying", put(PILOT, _PILOT + "drying,volume,active,,5\n"), PILOT,
     "row 2, column stage", "it takes days"),
    # team.csv
    ("a date that may be two days", swap(TEAM, "AB,conservator,2026-01-05", "AB,conservator,"
     "03/09/2026"), TEAM, "row 2, column start", "write 2026-09-03 or 2026-03-09"),
    ("a date with the day first", swap(TEAM, "AB,conservator,2026-01-05", "AB,conservator,"
     "31.01.2026"), TEAM, "row 2, column start", "Write 2026-01-31"),
    ("a date that does not exist", swap(TEAM, "AB,conservator,2026-01-05", "AB,conservator,"
     "2026-02-30"), TEAM, "row 2, column start", "Correct the day or the month"),
    ("a year with a digit too few", swap(TEAM, "AB,conservator,2026-01-05", "AB,conservator,"
     "0226-01-05"), TEAM, "row 2, column start", "Correct the year"),
    ("an end before its start", swap(TEAM, "2026-01-05,2026-02-13", "2026-01-05,2026-01-02"), TEAM,
     "row 3, column end", "Correct one of the dates"),
    ("overlapping rows of a person", swap(TEAM, "2026-02-13", "2026-02-16"), TEAM,
     "row 4, column start", "Row 3 covers some of them"),
    ("an open row before another", swap(TEAM, "2026-02-13", ""), TEAM, "row 4, column start",
     "write its last day into end"),
    ("more than 24 hours a day", swap(TEAM, ",,6,6,0,6", ",,25,6,0,6"), TEAM, "row 2, column mon",
     "Correct the number"),
    ("a time of day in words", swap(TEAM, "09:00", "9am"), TEAM, "row 2, column begins",
     "such as 09:00"),
    ("a reason in mould_work", swap(TEAM, "10:00,no", "10:00,no (asked not to)"), TEAM,
     "row 5, column mould_work", "a reason does not belong"),
    ("a stage that nobody knows", swap(TEAM, "imaging;checking", "scanning;checking"), TEAM,
     "row 5, column stages", "Did you mean cleaning?"),
    ("quarantine among the stages", swap(TEAM, "imaging;checking", "imaging;quarantine"), TEAM,
     "row 5, column stages", "Nobody works at quarantine"),
    ("a stage twice", swap(TEAM, "imaging;checking", "imaging;imaging"), TEAM,
     "row 5, column stages", "Delete the second"),
    ("no stage at all", swap(TEAM, "imaging;checking;reboxing", ""), TEAM, "row 5, column stages",
     "cleaning;imaging"),
    ("a negative cost", swap(TEAM, "reboxing,18", "reboxing,-18"), TEAM,
     "row 5, column hourly_cost", "Correct the number"),
    ("a line that the budget lacks", put(BUDGET, "line,amount\nStaffing,900\n"), TEAM,
     "row 2, column line", "Did you mean Staffing?"),
    # closures.csv
    ("a reason beside a person", put(CLOSURES, _CLOSURES + "2026-02-02,2026-02-03,AB,why\n"),
     CLOSURES, "row 2, column reason", "why somebody is away is private"),
    ("an unknown person", put(CLOSURES, _CLOSURES + "2026-02-02,2026-02-03,XY,\n"), CLOSURES,
     "row 2, column person", "AB, CD, EF"),
    ("days off that end before they begin", put(CLOSURES, _CLOSURES + "2026-02-03,2026-02-02,,\n"),
     CLOSURES, "row 2, column last_day", "Correct one of the dates"),
    ("the same days off twice", put(CLOSURES, _CLOSURES + "2026-02-03,2026-02-03,,\n" * 2),
     CLOSURES, "row 3", "Row 2 says it already"),
    # places.csv
    ("an unknown place", put(PLACES, _PLACES + "camera,0,2026-02-02,2026-02-06\n"), PLACES,
     "row 2, column place", "camera_stations"),
    ("overlapping days of a place", put(PLACES, _PLACES + "camera_stations,0,2026-02-02,2026-02-06"
     "\ncamera_stations,2,2026-02-06,2026-02-09\n"), PLACES, "row 3, column first_day",
     "Row 2 covers some of them"),
    ("a negative number of places", put(PLACES, _PLACES + "camera_stations,-1,2026-02-02,"
     "2026-02-06\n"), PLACES, "row 2, column number", "Correct the number"),
    # dayplan.csv
    ("an unknown weekday", put(DAYPLAN, _DAYPLAN + "AB,mo,cleaning\n"), DAYPLAN,
     "row 2, column weekday", "Did you mean mon?"),
    ("a stage that the person is not trained for", put(DAYPLAN, _DAYPLAN + "EF,mon,cleaning\n"),
     DAYPLAN, "row 2, column stage", "if the training has been given"),
    ("quarantine in the day plan", put(DAYPLAN, _DAYPLAN + "EF,mon,quarantine\n"), DAYPLAN,
     "row 2, column stage", "Nobody works at quarantine"),
    ("two plans for a weekday", put(DAYPLAN, _DAYPLAN + "EF,mon,imaging\nEF,mon,checking\n"),
     DAYPLAN, "row 3", "Row 2 says it already"),
    # deliveries.csv
    ("a delivery that brings too few", put(DELIVERIES, _DELIVERIES + "2026-01-05,Minute books,12\n"
     "2026-01-12,Loose papers,17\n"), DELIVERIES, "series Loose papers", "Correct the items"),
    ("a series that never comes", put(DELIVERIES, _DELIVERIES + "2026-01-05,Minute books,12\n"),
     DELIVERIES, "series Loose papers", "Correct the items"),
    ("a delivery before the grant", put(DELIVERIES, _DELIVERIES + "2025-12-01,Minute books,12\n"
     "2026-01-12,Loose papers,18\n"), DELIVERIES, "series Minute books", "Write 2026-01-05"),
    # supplies.csv, budget.csv, spend.csv, promises.csv
    ("an unknown use of a supply", put(SUPPLIES, _SUPPLIES + "gloves,pair,person,cleaning,1,1,1,1,"
     "1,\n"), SUPPLIES, "row 2, column per", "session, item, box, drying-item"),
    ("a pack of nothing", put(SUPPLIES, _SUPPLIES + "gloves,pair,session,cleaning,1,1,0,1,1,\n"),
     SUPPLIES, "row 2, column pack", "Correct the number"),
    ("a line of the budget twice", put(BUDGET, "line,amount\nStaff,900\nStaff,100\n"), BUDGET,
     "row 3", "Row 2 says it already"),
    ("an amount with a currency", put(BUDGET, "line,amount\nStaff,£900\n"), BUDGET,
     "row 2, column amount", "without units"),
    ("money spent without a budget", put(SPEND, _SPEND + "2026-02-02,Staff,20,pay,\n"), SPEND,
     "row 2, column line", "There is none to choose from"),
    ("an unknown series in a promise", put(PROMISES, _PROMISES + "Books,,3,,2026-03-01\n"),
     PROMISES, "row 2, column series", "Minute books"),
    ("a promise before the grant", put(PROMISES, _PROMISES + "Minute books,,3,,2025-03-01\n"),
     PROMISES, "series Minute books", "Correct the date"),
    # project.toml
    ("a line that is no TOML", swap(TOML, "start = 2026-01-05", "start = 05/01/2026"), TOML,
     "line 13", "Write dates like 2026-03-09"),
    ("an unknown section", section("dryings", "places = 1"), TOML, "dryings",
     "Did you mean drying?"),
    ("an unknown key", swap(TOML, "drying_items", "dryer_items"), TOML, "[places] dryer_items",
     "Did you mean drying_items?"),
    ("a section that is a value", swap(TOML, "schema = 1", "schema = 1\ndrying = 3"), TOML,
     "drying", "on a line of its own"),
    ("another schema", swap(TOML, "schema = 1", "schema = 2"), TOML, "schema", "Correct"),
    ("no schema", swap(TOML, "schema = 1", ""), TOML, "schema", "schema = "),
    ("no title", swap(TOML, 'title = "Thirty invented items"', ""), TOML, "[project] title",
     "title = "),
    ("a title that is a number", swap(TOML, '"Thirty invented items"', "30"), TOML,
     "[project] title", "double quotes"),
    ("no such currency", swap(TOML, '"GBP"', '"pounds"'), TOML, "[project] currency", "GBP, EUR"),
    ("an everyday name of a country", swap(TOML, '"GB"\nsubdivision = "ENG"', '"UK"'), TOML,
     "[project] country", "Write GB"),
    ("no such country", swap(TOML, '"GB"\nsubdivision = "ENG"', '"XQ"'), TOML,
     "[project] country", "observe_public_holidays = false"),
    ("no such part of a country", swap(TOML, '"ENG"', '"ENGL"'), TOML, "[project] subdivision",
     "Did you mean ENG?"),
    ("a flag in quotes", swap(TOML, 'country = "GB"', 'observe_public_holidays = "yes"'), TOML,
     "[project] observe_public_holidays", "true or false"),
    ("an end before the start", swap(TOML, "end = 2026-03-31", "end = 2025-03-31"), TOML,
     "[grant] end", "Correct one of the dates"),
    ("a horizon before the end", swap(TOML, "2026-12-31", "2026-02-28"), TOML, "[grant] horizon",
     "Leave the line out"),
    ("a horizon in another age", swap(TOML, "2026-12-31", "2096-12-31"), TOML, "[grant] horizon",
     "Correct the year"),
    ("a time of day in a date", swap(TOML, "end = 2026-03-31", "end = 2026-03-31T12:00:00"), TOML,
     "[grant] end", "without a time of day"),
    ("a date in quotes that may be two days", swap(TOML, "end = 2026-03-31", 'end = "03/04/2026"'),
     TOML, "[grant] end", "write 2026-04-03 or 2026-03-04"),
    ("reports out of order", swap(TOML, "horizon = 2026-12-31",
     "reports_due = [2026-03-01, 2026-02-01]"), TOML, "[grant] reports_due", "Put them in order"),
    ("a change without an end", add(TOML, "[[grant.change]]\ndate = 2026-03-01"), TOML,
     "[grant.change] end", "Write a line end"),
    ("changes out of order", add(TOML, "[[grant.change]]\ndate = 2026-03-01\nend = 2026-05-01\n"
     "[[grant.change]]\ndate = 2026-02-01\nend = 2026-06-01"), TOML, "[grant] change",
     "Put them in order"),
    ("more hours of exposure without approval", swap(TOML, "hours_per_day = 3.0",
     "hours_per_day = 4.5"), TOML, "[exposure] hours_per_day", "Write 4 or less"),
    ("more days of exposure without approval", swap(TOML, "days_per_week = 3",
     "days_per_week = 4"), TOML, "[exposure] days_per_week", "Write 3 or less"),
    ("no such week", swap(TOML, "any-7-days", "any-8-days"), TOML, "[exposure] week",
     "Did you mean any-7-days?"),
    ("a negative wearing time", section("breathing_protection", "wear_minutes = -1"), TOML,
     "[breathing_protection] wear_minutes", "Correct the number"),
    ("half a bench", swap(TOML, "cleaning_benches = 1", "cleaning_benches = 0.5"), TOML,
     "[places] cleaning_benches", "Correct the number"),
    ("infinite minutes", section("sessions", "shortest = inf"), TOML, "[sessions] shortest",
     "a number that is known"),
    ("eleven months", section("drying", "month_factor = [1,1,1,1,1,1,1,1,1,1,1]"), TOML,
     "[drying] month_factor", "twelve numbers, not 11"),
    ("two numbers for an estimate", section("drying", "still_damp = [0.1, 0.2]"), TOML,
     "[drying] still_damp", "smallest first"),
    ("an estimate out of order", section("checking", "reject_share = [0.3, 0.1, 0.2]"), TOML,
     "[checking] reject_share", "smallest first"),
    ("an item that never dries", section("drying", "still_damp = [1, 1, 1]"), TOML,
     "[drying] still_damp", "Correct the number"),
    ("a share above 1", section("checking", "share_checked = 10"), TOML,
     "[checking] share_checked", "Correct the number"),
    ("practice that ends in no time", section("time", "practice = [0.0, 0.9, 1.0]"), TOML,
     "[time] practice", "Correct the number"),
    ("a spell below one day", section("time", "absence_spell_days = 0.5"), TOML,
     "[time] absence_spell_days", "Correct the number"),
    ("an outcome that counts by itself", section("outcomes", 'counts_as_done = ["not-imaged"]'),
     TOML, "[outcomes] counts_as_done", 'Write ["done"]'),
    ("a stage off that nobody knows", section("stages", 'off = ["scanning"]'), TOML,
     "[stages] off", "Did you mean cleaning?"),
    ("the address of a database", section("record", 'url_from = "db://me:secret@host/x"'), TOML,
     "[record] url_from", "does not belong in a file"),
)  # fmt: skip

# Where one slip is two facts, both are told.
_PROBLEMS = {
    "a required column is missing": 2,  # ... and an unknown one in its place
    "a line that the budget lacks": 4,  # in each row that names it
    "an unknown key": 2,  # ... and the key that is missing
}

BAD_INPUTS = tuple(BadInput(*row, problems=_PROBLEMS.get(row[0], 1)) for row in _ROWS)
