"""project.toml: the settings of a project, read key by key with every fault noted."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import holidays

from forecast.cells import CellError, Findings, Limits, nearest, parse_choice
from forecast.estimates import Estimate
from forecast.exposure import BreathingProtection, ExposureLimits
from forecast.project import (
    Checking,
    Drying,
    Grant,
    GrantChange,
    Outcomes,
    Places,
    Project,
    Sessions,
    WorkingTime,
)
from forecast.sections import (
    SHARE,
    Section,
    dates_of,
    flag_of,
    list_of,
    months_of,
    parse_toml,
    shown,
    stages_of,
    text_of,
)
from forecast.stages import Stage

__all__ = ["PROJECT_FILE", "ProjectSettings", "read_settings", "settings_from", "values_of"]

PROJECT_FILE = "project.toml"
_SECTIONS = (
    "project",
    "grant",
    "exposure",
    "breathing_protection",
    "places",
    "sessions",
    "quarantine",
    "drying",
    "checking",
    "outcomes",
    "time",
    "stages",
    "record",
)
_NEEDED = ("project", "grant", "places")
_WEEKS = ("any-7-days", "calendar")
_MOST_YEARS = 20  # from the grant's start to the horizon
_COUNT = Limits(0, 1_000_000, whole=True)
_MINUTES = Limits(0, 1_440)
_MONEY = Limits(0, 1e12)


@dataclass(frozen=True)
class ProjectSettings:
    """What project.toml says, under the names of :class:`~forecast.project.Project`.

    ``grant.items_promised`` is 0 where the file does not say: the whole collection.
    """

    title: str
    reference: str
    organisation: str
    currency: str
    country: str
    subdivision: str | None
    observe_public_holidays: bool
    grant: Grant
    places: Places
    exposure: ExposureLimits
    breathing: BreathingProtection
    sessions: Sessions
    quarantine_days: int
    drying: Drying
    checking: Checking
    outcomes: Outcomes
    time: WorkingTime
    stages_off: frozenset[Stage]
    record_url_from: str


def _counted(value: object) -> tuple[str, ...]:
    what = '"done", to which "not-imaged" may be added'
    names = [
        parse_choice(text_of(part), ("done", "not-imaged"), what) for part in list_of(value, what)
    ]
    if "done" not in names:
        raise CellError(what, 'Write ["done"] or ["done", "not-imaged"].')
    return tuple(dict.fromkeys(names))


def _currency(value: object) -> str:
    if not re.fullmatch(r"[A-Z]{3}", text_of(value)):
        raise CellError("a currency of three capital letters (ISO 4217)", "Write GBP, EUR or USD.")
    return text_of(value)


def _environment_name(value: object) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*|", text_of(value)):
        raise CellError(
            "the name of an environment variable, such as TEAM_DATABASE",
            "Put the address of the database into that variable: it does not belong in a file.",
        )
    return text_of(value)


def read_settings(data: bytes, findings: Findings) -> ProjectSettings | None:
    """The settings in project.toml, or None if the file cannot be read at all."""
    values = parse_toml(PROJECT_FILE, data, findings)
    return None if values is None else settings_from(values, findings)


def settings_from(values: Mapping[str, object], findings: Findings) -> ProjectSettings:
    """The settings that the tables of project.toml say; what is wrong is noted."""
    sections: dict[str, Section] = {}
    for name in _SECTIONS:
        content = values.get(name, {})
        if not isinstance(content, dict):
            findings.add(
                PROJECT_FILE,
                name,
                shown(content),
                f"a section [{name}]",
                f"Write [{name}] on a line of its own and its keys below.",
            )
            content = {}
        elif name in _NEEDED and name not in values:
            findings.add(
                PROJECT_FILE,
                f"[{name}]",
                "",
                "this section",
                f"Write [{name}] on a line of its own and its keys below.",
            )
        sections[name] = Section(PROJECT_FILE, name, content, findings)
    top = Section(PROJECT_FILE, "", values, findings)
    top.whole("schema", Limits(1, 1, whole=True), 1, required=True)
    for name in _SECTIONS:
        top.get(name, lambda value: value, None, assumed=False)
    top.close("a section or key of this file")
    settings = _settings(sections)
    for section in sections.values():
        section.close()
    return settings


def values_of(project: Project) -> dict[str, dict[str, object]]:
    """The tables of project.toml that say what a project says: :func:`settings_from` backwards.

    A place's unlimited number, and what is not told, are left out.
    """
    grant = {key: _plain(value) for key, value in vars(project.grant).items() if key != "changes"}
    changes = [
        {"date": each.day, "end": each.end, "agreed_by": each.agreed_by}
        for each in project.grant.changes
    ]
    tables: dict[str, dict[str, object]] = {
        "project": {
            key: getattr(project, key)
            for key in (
                "title",
                "reference",
                "organisation",
                "currency",
                "country",
                "subdivision",
                "observe_public_holidays",
            )
        },
        "grant": grant | ({"change": changes} if changes else {}),
        "exposure": dict(vars(project.exposure)),
        "breathing_protection": dict(vars(project.breathing)),
        "places": dict(vars(project.places)),
        "sessions": dict(vars(project.sessions)),
        "quarantine": {"minimum_days": project.quarantine_days},
        "stages": {"off": [stage.name.lower() for stage in sorted(project.stages_off)]},
        "record": {"url_from": project.record_url_from},
    }
    for name in ("drying", "checking", "outcomes", "time"):
        tables[name] = {key: _plain(v) for key, v in vars(getattr(project, name)).items()}
    return {
        name: {key: value for key, value in table.items() if value is not None}
        for name, table in tables.items()
    }


def _plain(value: object) -> object:
    """A value as TOML has it."""
    if isinstance(value, Estimate):
        return [value.low, value.likely, value.high]
    return list(value) if isinstance(value, tuple) else value


def _settings(sections: Mapping[str, Section]) -> ProjectSettings:
    """All sections, read."""
    project, record = sections["project"], sections["record"]
    country, subdivision, observe = _country(project)
    # The address may hold a password: what was read is not repeated.
    url_from = ""
    if record.has("url_from"):
        url_from = _hidden(record, "url_from")
    return ProjectSettings(
        title=project.text("title", required=True),
        reference=project.text("reference"),
        organisation=project.text("organisation"),
        currency=project.get("currency", _currency, "GBP", assumed=False),
        country=country,
        subdivision=subdivision,
        observe_public_holidays=observe,
        grant=_grant(sections["grant"]),
        places=_places(sections["places"]),
        exposure=_exposure(sections["exposure"]),
        breathing=_breathing(sections["breathing_protection"]),
        sessions=_sessions(sections["sessions"]),
        quarantine_days=sections["quarantine"].whole(
            "minimum_days", Limits(0, 3_650, whole=True), 0
        ),
        drying=_drying(sections["drying"]),
        checking=_checking(sections["checking"]),
        outcomes=_outcomes(sections["outcomes"]),
        time=_time(sections["time"]),
        stages_off=sections["stages"].get("off", stages_of, frozenset(), assumed=False),
        record_url_from=url_from,
    )


def _hidden(section: Section, key: str) -> str:
    """The name of an environment variable; a wrong value is never shown."""
    fault: list[CellError] = []

    def parse(value: object) -> str:
        try:
            return _environment_name(value)
        except CellError as misread:
            fault.append(misread)
            return ""

    name = section.get(key, parse, "")
    for misread in fault:
        section.reject(key, "(not shown)", misread.expected, misread.remedy)
    return name


def _country(project: Section) -> tuple[str, str | None, bool]:
    """Country, subdivision, and whether public holidays are observed."""
    observe = project.get("observe_public_holidays", flag_of, True)
    supported = holidays.list_supported_countries(include_aliases=False)

    def known(value: object) -> str:
        code = text_of(value)
        if not re.fullmatch(r"[A-Z]{2}", code):
            raise CellError("a country of two capital letters (ISO 3166-1)", "Write GB, DE or US.")
        if observe and code not in supported:
            near = "Write GB." if code == "UK" else nearest(code, supported)
            raise CellError(
                "a country whose public holidays are known",
                f"{near} Or write observe_public_holidays = false and list the days in "
                "closures.csv.",
            )
        return code

    country = project.get("country", known, "GB", assumed=observe)

    def part(value: object) -> str | None:
        code = text_of(value).removeprefix(f"{country}-")
        if not code:
            return None
        if observe and code not in supported[country]:
            raise CellError(f"a part of {country} (ISO 3166-2)", nearest(code, supported[country]))
        return code

    no_part: str | None = None
    # Without its part a country gives only the days that all its parts share: worth a look.
    has_parts = observe and bool(supported.get(country))
    return country, project.get("subdivision", part, no_part, assumed=has_parts), observe


def _two_years_after(day: date) -> date:
    """The same date two years on; 28 February for a leap day."""
    try:
        return day.replace(year=day.year + 2)
    except ValueError:
        return day.replace(year=day.year + 2, day=28)


def _grant(section: Section) -> Grant:
    """The grant; 0 items promised stand for the whole collection."""
    start = section.date("start", date(2000, 1, 3), required=True)
    end = section.date("end", start, required=True)
    none: tuple[GrantChange, ...] = ()
    changes = section.get("change", lambda value: _changes(value, section), none, assumed=False)
    last_end = max([end, *(change.end for change in changes)])
    horizon = section.date("horizon", _two_years_after(last_end))
    if end < start:
        section.reject(
            "end", str(end), f"a date on or after start ({start})", "Correct one of the dates."
        )
    for change in changes:
        if change.end < start:
            section.reject(
                "change",
                str(change.end),
                f"an end on or after start ({start})",
                "Correct the end that was agreed.",
            )
    if horizon < last_end:
        section.reject(
            "horizon",
            str(horizon),
            f"a date on or after the end ({last_end})",
            "Leave the line out: then it is two years after the end.",
        )
    elif (horizon - start).days > _MOST_YEARS * 366:
        section.reject(
            "horizon",
            str(horizon),
            f"at most {_MOST_YEARS} years from the start",
            "Correct the year.",
        )
    never: tuple[date, ...] = ()
    due = section.get("reports_due", dates_of, never, assumed=False)
    return Grant(
        funder=section.text("funder"),
        start=start,
        end=end,
        horizon=horizon,
        items_promised=section.whole("items_promised", Limits(1, 1_000_000, whole=True), 0),
        award=section.number("award", _MONEY, 0.0, assumed=False) if section.has("award") else None,
        images_promised=(
            section.whole("images_promised", Limits(0, 1_000_000_000, whole=True), 0)
            if section.has("images_promised")
            else None
        ),
        reports_due=due,
        changes=changes,
    )


def _changes(value: object, grant: Section) -> tuple[GrantChange, ...]:
    """The [[grant.change]] tables."""
    changes = []
    for table in list_of(value, "tables headed [[grant.change]]"):
        if not isinstance(table, dict):
            raise CellError(
                "tables headed [[grant.change]]", "Write the keys below such a heading."
            )
        section = Section(PROJECT_FILE, "grant.change", table, grant.findings)
        day = section.date("date", date.min, required=True)
        end = section.date("end", date.max, required=True)
        agreed_by = section.text("agreed_by")
        section.close()
        if date.min < day and end < date.max:
            changes.append(GrantChange(day, end, agreed_by))
    days = [change.day for change in changes]
    if sorted(set(days)) != days:
        raise CellError("changes in the order of their dates", "Put them in order, one a date.")
    return tuple(changes)


def _places(section: Section) -> Places:
    """How many there are of each place."""
    sets = section.whole("tool_sets", _COUNT, -1)
    return Places(
        quarantine_items=section.whole("quarantine_items", _COUNT, 0, required=True),
        drying_items=section.whole("drying_items", _COUNT, 0, required=True),
        cleaning_benches=section.whole("cleaning_benches", _COUNT, 0, required=True),
        camera_stations=section.whole("camera_stations", _COUNT, 0, required=True),
        tool_sets=None if sets < 0 else sets,
        tool_drying_hours=section.number("tool_drying_hours", Limits(0, 2_400), 24.0),
    )


def _exposure(section: Section) -> ExposureLimits:
    """The limits, which stand above 4 hours and 3 days only with somebody's approval."""
    limits = ExposureLimits(
        hours_per_day=section.number("hours_per_day", Limits(0, 24, above=True), 3.0),
        days_per_week=section.whole("days_per_week", Limits(1, 7, whole=True), 3),
        week=section.get(
            "week",
            lambda v: parse_choice(
                text_of(v), ("any-7-days", "calendar"), "any-7-days or calendar"
            ),
            "any-7-days",
        ),
        approved_by=section.text("approved_by"),
    )
    for key, value, most in (
        ("hours_per_day", limits.hours_per_day, 4),
        ("days_per_week", limits.days_per_week, 3),
    ):
        if value > most and not limits.approved_by:
            section.reject(
                key,
                f"{value:g}",
                f"at most {most} without approval",
                f"Write {most} or less. More stands only where the employer's own "
                "assessment has already approved it; approved_by then names the "
                "role.",
            )
    return limits


def _breathing(section: Section) -> BreathingProtection:
    return BreathingProtection(
        section.number("wear_minutes", _MINUTES, 0.0),
        section.number("rest_minutes", _MINUTES, 0.0),
    )


def _sessions(section: Section) -> Sessions:
    usual = Sessions()
    return Sessions(
        section.number("protective_clothing", _MINUTES, usual.protective_clothing),
        section.number("clear_bench", _MINUTES, usual.clear_bench),
        section.number("clear_camera", _MINUTES, usual.clear_camera),
        section.number("shortest", _MINUTES, usual.shortest),
    )


def _drying(section: Section) -> Drying:
    usual = Drying()
    return Drying(
        section.number("attention_minutes", _MINUTES, usual.attention_minutes),
        # A share of 1 would keep an item in the dryer for ever.
        section.estimate("still_damp", usual.still_damp, Limits(0, 0.99)),
        section.whole("start_within_days", Limits(0, 3_650, whole=True), usual.start_within_days),
        section.get("month_factor", months_of, usual.month_factor),
    )


def _checking(section: Section) -> Checking:
    usual = Checking()
    return Checking(
        section.number("share_checked", SHARE, usual.share_checked),
        section.estimate("reject_share", usual.reject_share, Limits(0, 0.99)),
        section.number("reimaged_share", SHARE, usual.reimaged_share),
    )


def _outcomes(section: Section) -> Outcomes:
    usual = Outcomes()
    return Outcomes(
        section.estimate("set_aside", usual.set_aside),
        section.estimate("not_imaged", usual.not_imaged),
        section.get("counts_as_done", _counted, usual.counts_as_done),
    )


def _time(section: Section) -> WorkingTime:
    usual = WorkingTime()
    return WorkingTime(
        section.estimate("delivered_share", usual.delivered_share),
        section.estimate("absence_days_a_year", usual.absence_days_a_year, Limits(0, 366)),
        section.number("absence_spell_days", Limits(1, 366), usual.absence_spell_days),
        section.estimate("practice", usual.practice, Limits(0, 1, above=True)),
        section.number("practice_starts_at", Limits(0, 1e6, above=True), usual.practice_starts_at),
        section.estimate("week_spread", usual.week_spread, Limits(0, 3)),
    )
