"""From a notebook and its parameters to one page, completely or not at all."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pytest

from forecast.blocks import Figure, Heading, Note, Paragraph, Report, Table
from forecast.errors import InputError, ReportError
from forecast.exposure import CAUTIONS
from forecast.report import (
    collect_report,
    make_report,
    notebook_path,
    page,
    run_notebook,
    write_page,
)
from forecast.schedule_forecast import (
    LEFT_OUT,
    check_settings,
    schedule_report,
    section_exposure,
    summary_sentences,
)
from tests.made_up import futures, project, without_late_dryers

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"


@lru_cache
def report(audience: str = "funder") -> Report:
    return schedule_report(futures(), audience)


new: Any = nbformat.v4  # nbformat has no types
new_write: Any = nbformat.write


def notebook(folder: Path, *cells: str, parameters: str = 'name: str = "x"') -> Path:
    first = new.new_code_cell(parameters, metadata={"tags": ["parameters"]})
    made = new.new_notebook(cells=[first, *(new.new_code_cell(cell) for cell in cells)])
    made.metadata.kernelspec = {"display_name": "?", "language": "python", "name": "python3"}
    path = folder / "small.ipynb"
    new_write(made, path)
    return path


# What the report says


def test_the_sections_stand_in_the_order_that_a_reader_needs() -> None:
    assert [block.words for block in report().of(Heading)] == [
        "Schedule forecast: The flooded library of Nowhere",
        "Items done over the whole project",
        "Items done in each week",
        "Items that wait",
        "Items with growing mould that wait too long to be dried",
        "Use of places",
        "When the last item is finished",
        "What can be promised",
        "Exposure to mould",
        "What the forecast assumes",
        "Warnings",
        "What the model leaves out",
        "Cautions",
    ]


def test_it_opens_with_the_odds_of_the_promise_in_plain_words() -> None:
    lead = report().of(Paragraph)[0]
    assert lead.lead
    assert lead.words == (
        "The promise is 600 items by 31 December 2026. It is kept in 94 in 100 of the futures "
        "that were simulated from this plan."
    )


def test_the_short_summary_says_what_the_page_says_first() -> None:
    assert summary_sentences(futures())[0] == report().of(Paragraph)[0].words


def test_a_finish_beyond_the_end_of_the_grant_holds_only_if_the_team_stays() -> None:
    assert "if the team stays on, 9 in 10 by 12 January 2027" in report().text()


def test_extreme_futures_still_make_a_report() -> None:
    made = futures()
    nobody = tuple(replace(row, mould_work=False) for row in made.project.team)
    early = replace(made.project.grant, end=date(2026, 3, 31))
    extremes = {
        "one future": futures(1, 0),
        "none finishes": futures(20, 20),
        "nobody does mould work": replace(made, project=replace(made.project, team=nobody)),
        "the grant is over": replace(
            made, grant_end=early.end, project=replace(made.project, grant=early)
        ),
    }
    texts = {name: schedule_report(each).text() for name, each in extremes.items()}
    assert "In half of the futures or more the finish is not by the" in texts["none finishes"]
    assert "Nobody is assigned to mould work" in texts["nobody does mould work"]
    assert "fewer than 1 in 100 of the futures" in texts["the grant is over"]
    assert "over 1 in 2" in texts["one future"]


def test_nothing_is_certain_anywhere() -> None:
    html = page(report())
    assert "100 %" not in re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL)
    assert not re.search(r"\b(\d+) in \1\b", report().text())


def test_never_is_said_where_more_than_one_in_ten_never_finish() -> None:
    text = schedule_report(futures(200, 40)).text()
    assert "more than 1 in 10 not by the horizon (31 December 2028)" in text


def test_the_cautions_and_what_is_left_out_are_always_there() -> None:
    assert report().of(Note)[-1].items == CAUTIONS
    for left_out in LEFT_OUT:
        assert left_out in report().text()


def test_where_nobody_waits_too_long_no_chart_is_drawn() -> None:
    made = schedule_report(without_late_dryers())
    assert "In none of the futures does one wait longer." in made.text()
    assert "figure-late-drying" not in {figure.key for figure in made.of(Figure)}


@pytest.mark.parametrize("person", project().persons)
def test_a_funder_meets_no_person_anywhere(person: str) -> None:
    assert person not in page(report("funder"))


def test_the_team_sees_each_person_who_does_mould_work() -> None:
    html = page(report("team"))
    assert "figure-person-exposure" in html
    assert "QX" in html


def test_the_exposure_of_a_single_person_is_not_shown_as_a_total() -> None:
    made = futures()
    team = (made.project.team[0], *made.project.team[2:])  # one of the two stays
    alone = replace(made, project=replace(made.project, team=team))
    assert "figure-exposure" not in {figure.key for figure in section_exposure(alone).of(Figure)}
    assert "stays within the planning limit of 3 h 00 min a day" in section_exposure(alone).text()


def test_no_limit_is_offered_as_a_way_to_gain_time() -> None:
    text = report("team").text().lower()
    assert "never a way to gain time" in text
    assert not re.search(r"(raise|raising|lift|increase|relax)\w* (the|a|this)? ?\w* ?limit", text)


def test_the_same_futures_make_the_same_page() -> None:
    assert page(schedule_report(futures())) == page(report())


# The page


def test_the_page_loads_nothing_from_outside() -> None:
    html = page(report("team"))
    assert "<script" not in html
    assert not re.search(r"url\((?!#)", html)
    assert not re.search(r"@import|<link|<img|<iframe|<object|<base", html)
    for target in re.findall(r"\s(?:[a-z]+:)?(?:href|src|srcset|data|action)=\"([^\"]*)\"", html):
        assert target.startswith("#")


def test_every_link_in_the_page_leads_somewhere() -> None:
    html = page(report())
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= set(ids)


def test_one_title_and_no_heading_level_is_skipped() -> None:
    levels = [int(level) for level in re.findall(r"<h([1-6])[ >]", page(report()))]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_the_page_says_its_language_and_names_no_place_on_this_machine() -> None:
    html = page(report("team"))
    assert '<html lang="en-GB">' in html
    assert str(Path(__file__).parents[1]) not in html
    assert "/home/" not in html


def test_a_page_that_cannot_be_written_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="cannot write"):
        write_page(report(), tmp_path / "no such folder" / "page.html")
    taken = tmp_path / "page.html"
    taken.mkdir()
    with pytest.raises(ReportError, match="cannot write"):
        write_page(report(), taken)
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


# The notebook, run with parameters


@pytest.mark.parametrize(
    ("parameters", "odds_of", "persons"),
    [
        ({"replications": 8, "seed": 3}, "8 (seed 3)", False),
        ({"replications": np.int64(4), "audience": "team", "folder": TINY}, "4 (seed 1)", True),
    ],
)
def test_the_notebook_shows_the_sections_for_its_parameters(
    parameters: dict[str, Any], odds_of: str, persons: bool
) -> None:
    made = collect_report(run_notebook(notebook_path("schedule_forecast"), parameters))
    expected = [block.words for block in report().of(Heading)][1:]
    assert [block.words for block in made.of(Heading)][1:] == expected
    assert f"Simulated futures: {odds_of}" in made.text()
    keys = {figure.key for figure in made.of(Figure)}
    assert ("figure-person-exposure" in keys) == persons
    assert {"figure-delivery", "figure-finish", "figure-exposure"} <= keys
    assert made.of(Table)[-1].caption.startswith("Stated for this project")


def test_a_misspelt_parameter_is_refused_with_the_right_name(tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    with pytest.raises(InputError) as refused:
        make_report(notebook_path("schedule_forecast"), {"audiance": "team", "sead": 2}, out)
    assert [problem.remedy for problem in refused.value.problems] == [
        "Write audience.",
        "Write seed.",
    ]
    assert not out.exists()


def test_a_wrong_value_is_told_in_plain_words_and_no_page_is_made(tmp_path: Path) -> None:
    out = tmp_path / "page.html"
    wrong = {"audience": "public", "as_of": "29.05.2026"}
    with pytest.raises(InputError) as refused:
        make_report(notebook_path("schedule_forecast"), wrong, out)
    assert str(refused.value) == (
        "parameters, as_of: read '29.05.2026'; expected a date such as 2026-05-29, or nothing. "
        "Write year, month and day, in quotes.\n"
        "parameters, audience: read 'public'; expected funder or team. "
        'Write "funder" or "team".'
    )
    assert list(tmp_path.iterdir()) == []


def test_how_far_a_notebook_is_shows_while_it_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    telling = notebook(
        tmp_path,
        "from forecast.progress import progress\nwith progress('Boxes', 'box') as tell:\n"
        "    tell(1, 4)\n    tell(4, 4)",
    )
    run_notebook(telling, {"name": "y"})
    shown = capsys.readouterr().err
    assert "Boxes" in shown
    assert "4/4" in shown


def test_a_failed_notebook_is_never_exported(tmp_path: Path) -> None:
    failing = notebook(tmp_path, "raise RuntimeError('the well is dry')")
    with pytest.raises(ReportError) as failed:
        make_report(failing, {"name": "y"}, tmp_path / "page.html")
    assert str(failed.value) == "small.ipynb failed: the well is dry"
    assert failed.value.__cause__ is None
    assert not (tmp_path / "page.html").exists()


def test_a_notebook_that_is_marked_as_failed_is_refused() -> None:
    ran = new.new_notebook(metadata={"papermill": {"exception": True}})
    with pytest.raises(ReportError, match="failed"):
        collect_report(ran)


def test_a_notebook_without_content_is_refused() -> None:
    with pytest.raises(ReportError, match="no content"):
        collect_report(new.new_notebook())


def test_a_notebook_without_a_parameters_cell_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bare.ipynb"
    made = new.new_notebook(cells=[new.new_code_cell("1")])
    made.metadata.kernelspec = {"display_name": "?", "language": "python", "name": "python3"}
    new_write(made, path)
    with pytest.raises(ReportError, match="no cell tagged `parameters`"):
        run_notebook(path, {"name": "y"})


def test_the_kernel_is_this_interpreter_whatever_is_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    elsewhere = tmp_path / "kernels" / "python3"
    elsewhere.mkdir(parents=True)
    (elsewhere / "kernel.json").write_text(
        '{"argv": ["/no/such/python"], "display_name": "?", "language": "python"}'
    )
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
    asking = notebook(tmp_path, "import sys", "print(sys.executable, day)", parameters='day = ""')
    ran = run_notebook(asking, {"day": date(2026, 5, 29)})
    assert ran.cells[-1].outputs[0].text.strip() == f"{sys.executable} 2026-05-29"


# Settings


def test_settings_are_read_from_plain_values() -> None:
    settings = check_settings(folder="a", as_of="2026-05-29", replications=5, futures_file="f.npz")
    assert settings.as_of == date(2026, 5, 29)
    assert settings.futures_file == Path("f.npz")
    assert check_settings(folder="a").as_of is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"folder": ""},
        {"folder": "a", "as_of": 20260529},
        {"folder": "a", "as_of": "2026-02-30"},
        {"folder": "a", "replications": 0},
        {"folder": "a", "replications": "many"},
        {"folder": "a", "replications": True},
        {"folder": "a", "seed": -1},
        {"folder": "a", "seed": 1.5},
        {"folder": "a", "audience": "TEAM"},
        {"folder": "a", "futures_file": None},
        {"folder": "a", "worker": 2},
        {"as_of": ""},
    ],
)
def test_a_wrong_setting_is_refused_with_a_remedy(wrong: dict[str, Any]) -> None:
    with pytest.raises(InputError) as refused:
        check_settings(**wrong)
    assert len(refused.value.problems) == 1
    assert refused.value.problems[0].remedy


def test_there_is_no_third_audience() -> None:
    with pytest.raises(InputError, match="funder or team"):
        schedule_report(futures(), "press")
