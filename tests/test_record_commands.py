"""Commands of the week: what they say, their exit codes, and no traceback for bad input."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from forecast import cli, record_commands, recording
from forecast.exposure import CAUTIONS
from forecast.folder import read_project
from forecast.return_files import write_return
from forecast.weekly import ExposureDay, WeeklyReturn
from tests.test_recording import TINY, told

COMMANDS_THAT_LOOK = (
    ("export", "{out}"),
    ("anonymise", "--before", "2026-01-12", "--export", "{out}"),
    ("report", "week"),
    ("hindcast", "--replications", "4"),
    ("track-record",),
)

Said = tuple[int, str, str]
Run = Callable[..., Said]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "project"
    shutil.copytree(TINY, made)
    return made


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command with few futures: its exit code, what it said, and what it complained of."""
    real = recording.record_return

    def with_few(*given: object, **named: object) -> recording.Recorded:
        few = {"replications": 6, "why_replications": 4}
        return real(*given, **(named | few))  # type: ignore[arg-type]

    monkeypatch.setattr(recording, "record_return", with_few)

    def runs(*arguments: object) -> Said:
        code = cli.main([str(each) for each in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return runs


def returns(tmp_path: Path, *weeks: WeeklyReturn) -> Path:
    """A folder with a folder for each week."""
    into = tmp_path / "returns"
    into.mkdir()
    for ret in weeks:
        write_return(ret, into / ret.week.isoformat())
    return into


def test_the_week_from_sheet_to_record(run: Run, folder: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.xlsx"
    code, said, _ = run("sheet", folder, sheet, "--week", "2026-01-05")
    assert code == 0
    assert sheet.is_file()
    assert "The smallest valid return is one total for each stage." in said
    assert all(caution in said for caution in CAUTIONS)
    code, _, complaint = run("record", folder, sheet)
    assert code == 2
    assert "sheet.xlsx" in complaint, "an empty sheet tells nothing"
    assert not (folder / "record.sqlite").exists()


def test_several_returns_are_recorded_and_the_last_issues_a_forecast(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    source = returns(tmp_path, *told()[:2])
    code, said, complaint = run("record", folder, source)
    assert code == 0
    assert "2026-01-05: the return of 2026-01-05 is recorded.\n" in said
    assert "2026-01-12: the return of 2026-01-12 is recorded.\n" in said
    assert said.count("Forecast as of ") == 1
    assert "Forecast as of 18 January 2026: the promise of 30 items" in said
    assert "Since the forecast as of 4 January 2026, " in said
    assert complaint.count("Making the forecast ...") == 1
    code, said, complaint = run("record", folder, source)
    assert code == 0
    assert said.count("is on record; nothing was changed.") == 2
    assert "forecast" not in complaint


def test_without_a_forecast_the_return_alone_is_kept(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    code, said, complaint = run(
        "record", folder, returns(tmp_path, told()[0]), "--no-forecast"
    )
    assert code == 0
    assert "Forecast as of" not in said
    assert "Making the forecast" not in complaint


def test_a_crossed_limit_is_said_before_anything_else(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    first = told()[0]
    others = [row for row in first.exposure if (row.day, row.person) != (first.week, "AB")]
    exposure = (ExposureDay(first.week, "AB", 3.5), *others)
    source = returns(tmp_path, replace(first, exposure=exposure))
    code, said, _ = run("record", folder, source, "--no-forecast")
    assert code == 0
    assert said.startswith(
        "A planning limit was crossed: AB worked 3.5 hours with mouldy items on 2026-01-05; the "
        "planning limit is 3 hours a day. Tell whoever is responsible for health and safety.\n"
    )


def test_what_was_recorded_before_a_refused_return_stays_and_is_named(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    first, second = told()[:2]
    many = replace(second, counts=tuple(replace(row, items=999) for row in second.counts))
    code, said, complaint = run("record", folder, returns(tmp_path, first, many))
    assert code == 2
    assert "the return of 2026-01-05 is recorded." in said
    assert "Recorded before this, and kept: 2026-01-05.\n" in complaint
    assert "in the input:" in complaint
    assert recording.read_history(folder, read_project(folder)).returns == (first,)


def test_a_correction_says_that_the_earlier_one_is_kept(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    first = told()[0]
    run("record", folder, returns(tmp_path, first), "--no-forecast")
    right = tmp_path / "right"
    write_return(replace(first, drying=(), told=first.told - {"drying"}), right)
    code, _, complaint = run("record", folder, right, "--no-forecast")
    assert code == 2
    assert "record them with --correction" in complaint
    code, said, _ = run("record", folder, right, "--no-forecast", "--correction")
    assert code == 0
    assert (
        "the return of 2026-01-05 is recorded in the place of the earlier one, which is kept."
    ) in said


def test_one_week_cannot_be_given_for_several_returns(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    source = returns(tmp_path, *told()[:2])
    code, _, complaint = run("record", folder, source, "--week", "2026-01-05")
    assert code == 2
    assert "--week: read '2026-01-05'; expected no week: there are 2 returns." in complaint
    assert not (folder / "record.sqlite").exists()


def test_all_that_is_wrong_with_a_recording_is_named_in_one_go(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    (folder / "team.csv").unlink()
    code, _, complaint = run("record", folder, tmp_path / "nowhere", "--week", "soon")
    assert code == 2
    assert complaint.startswith("3 problems in the input:")
    assert "--week: read 'soon'; expected a date" in complaint
    assert "FILE-or-DIR: read '" in complaint
    assert "team.csv" in complaint


def test_a_folder_without_a_return_is_refused_in_words(run: Run, folder: Path) -> None:
    code, _, complaint = run("record", folder, folder)
    assert code == 2
    assert "project: read 'a folder without a return'" in complaint


@pytest.mark.parametrize(("week", "said"), [("2026-01-06", "a Monday"), ("2025-01-06", "2026")])
def test_a_week_that_is_none_is_refused(
    week: str, said: str, run: Run, folder: Path, tmp_path: Path
) -> None:
    out = tmp_path / "sheet.xlsx"
    code, _, complaint = run("sheet", folder, out, "--week", week)
    assert code == 2
    assert f"--week: read '{week}'" in complaint
    assert said in complaint
    assert not out.exists()


@pytest.mark.parametrize("command", COMMANDS_THAT_LOOK, ids=lambda command: command[0])
def test_what_looks_at_a_record_says_that_there_is_none_and_makes_none(
    command: tuple[str, ...], run: Run, folder: Path, tmp_path: Path
) -> None:
    name, *rest = command
    options = [each.format(out=tmp_path / "out") for each in rest]
    code, said, complaint = run(name, folder, *options)
    assert code == 2
    assert said == ""
    assert "record.sqlite: read 'no return'; expected at least one week on record." in complaint
    assert not (folder / "record.sqlite").exists()
    assert not (folder / "reports").exists()


def test_a_damaged_record_is_refused_in_words_and_left_alone(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    damaged = b"SQLite format 3\0 and nothing else"
    (folder / "record.sqlite").write_bytes(damaged)
    source = returns(tmp_path, told()[0])
    for command in (("record", folder, source), ("track-record", folder), ("schedule", folder)):
        code, _, complaint = run(*command)
        assert code == 2, command
        assert "record.sqlite" in complaint
    assert (folder / "record.sqlite").read_bytes() == damaged


def test_all_wrong_options_of_a_report_are_named_in_one_go(run: Run, folder: Path) -> None:
    options = ["--as-of=x", "--audience=press", "--replications=0", "--seed=-1"]
    code, _, complaint = run("report", folder, "month", *options)
    assert code == 2
    assert complaint.startswith("5 problems in the input:")
    assert "KIND: read 'month'; expected week or plans." in complaint


def test_a_report_before_the_first_return_is_refused(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    run("record", folder, returns(tmp_path, told()[0]), "--no-forecast")
    code, _, complaint = run("report", folder, "week", "--as-of", "2026-01-06")
    assert code == 2
    assert "read 'no return up to 2026-01-06'" in complaint


def test_an_export_goes_into_an_empty_record_once_and_as_it_is(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    run("record", folder, returns(tmp_path, *told()[:2]))
    out, other = tmp_path / "exported", tmp_path / "other"
    shutil.copytree(TINY, other)
    code, said, _ = run("export", folder, out)
    assert code == 0
    assert f"files into {out.resolve()}." in said
    assert run("export", folder, out)[0] == 2
    code, _, complaint = run(
        "record", other, out, "--correction", "--no-forecast", "--week", "2026-01-05"
    )
    assert code == 2
    assert complaint.count("an export goes into an empty record as it is") == 3
    code, said, _ = run("record", other, out)
    assert code == 0
    assert "Put an export into the record: 2 returns, with all forecasts that were issued." in said
    code, _, complaint = run("record", other, out)
    assert code == 2
    assert "an empty record to put an export into" in complaint


def test_names_become_numbers_after_an_export(run: Run, folder: Path, tmp_path: Path) -> None:
    run("record", folder, returns(tmp_path, *told()[:2]), "--no-forecast")
    out = tmp_path / "named"
    options = ["--before", "2026-01-12", "--export"]
    code, said, _ = run("anonymise", folder, *options, out)
    assert code == 0
    assert said.startswith("3 persons became numbers in weeks that were over before 2026-01-12.\n")
    assert f"The export with the names: {out.resolve()}. Keep it safe" in said
    code, said, _ = run("anonymise", folder, *options, tmp_path / "again")
    assert code == 0
    assert said.startswith("Nobody is named in weeks that were over before 2026-01-12")
    assert not (tmp_path / "again").exists()
    code, _, complaint = run(
        "anonymise", folder, "--before", "2026-02-01", "--export", tmp_path / "again"
    )
    assert code == 2
    assert "--before: read '2026-02-01'" in complaint


def test_issued_forecasts_and_hindcasts_are_judged_on_a_page(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    run("record", folder, returns(tmp_path, *told()))
    said = ""
    for name, options in (("track-record", ()), ("hindcast", ("--replications", "4"))):
        code, said, _ = run(name, folder, *options)
        assert code == 0
        page = Path(said.strip().splitlines()[-1].removeprefix("The track record as a page: "))
        assert page.name == f"{name.replace('-', '_')}_2026-01-25.html"
        assert page.is_file()
    assert "never counted among the issued" in said
    assert "\nHindcasts: So far 2 forecasts of the items done one week later " in said
    assert "\nIssued: No issued forecast could be held against what came yet" in said


def test_a_project_folder_in_which_no_page_can_be_put_is_a_wrong_input(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    run("record", folder, returns(tmp_path, told()[0]), "--no-forecast")
    (folder / "reports").write_text("a file", encoding="utf-8")
    code, _, complaint = run("track-record", folder)
    assert code == 2
    assert "reports: read 'File exists'" in complaint
    assert "Give a file elsewhere with --out" in complaint


def test_the_menu_names_every_command_of_the_week(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    said = capsys.readouterr().out
    for name in ("sheet", "record", "export", "anonymise", "report", "hindcast", "track-record"):
        assert f"    {name} " in said.replace("\n", " ") + " "
    assert record_commands.__all__ == ["add_record_commands"]
