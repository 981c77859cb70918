"""Recording a return: read, checked, kept, and a forecast issued, all of it or nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from forecast import recalibrate
from forecast.attribution import Mixture, State, Why, explain
from forecast.choices import DEFAULT_REPLICATIONS, DEFAULT_SEED
from forecast.errors import ForecastError, InputError, Problem
from forecast.folder import project_files, project_from_files
from forecast.history import NOTHING_YET, History
from forecast.issued import Draws, Issued, issued_from
from forecast.outcome import Futures
from forecast.paired import Taken, together
from forecast.planning import Knowledge
from forecast.project import Project
from forecast.record import Filed, Record, open_record
from forecast.replicate import job_of
from forecast.return_checks import Crossing, check
from forecast.return_files import read_return
from forecast.track_record import hindcast
from forecast.weekly import SHEETS, WeeklyReturn

__all__ = [
    "WHY_REPLICATIONS",
    "Recorded",
    "hindcasts",
    "issued_forecasts",
    "read_history",
    "record_return",
    "returns_in",
]

WHY_REPLICATIONS = 200  # of each mixture of causes

Say = Callable[[str], None]


@dataclass(frozen=True)
class Recorded:
    """What came of recording one return.

    Attributes:
        changed: whether anything was written; the same return twice changes nothing.
        crossings: planning limits that it shows crossed, to be shown before anything else.
        warnings: doubts, kept with it.
        issued: the forecast that was issued with it; None where nothing changed, or where it could
            not be made.
    """

    week: date
    changed: bool
    corrected: bool
    crossings: tuple[Crossing, ...]
    warnings: tuple[Problem, ...]
    issued: Issued | None

    @property
    def why(self) -> Why | None:
        """Why the date moved."""
        return Why.from_json(self.issued.why) if self.issued and self.issued.why else None


def returns_in(source: Path) -> tuple[Path, ...]:
    """The returns that a file or a folder holds, in the order of their names.

    A workbook is one, and so is a folder of CSV files named as the sheets. A folder of such folders
    or workbooks holds as many.

    Raises:
        InputError: there is none.
    """
    if not source.is_dir():
        return (source,)
    if any((source / f"{sheet}.csv").is_file() for sheet in SHEETS):
        return (source,)
    within = sorted(
        path
        for path in source.iterdir()
        if not path.name.startswith((".", "~$"))
        and (path.suffix.lower() == ".xlsx" or (path.is_dir() and len(_sheets_in(path))))
    )
    if within:
        return tuple(within)
    raise InputError(
        [
            Problem(
                source.name,
                "",
                "a folder without a return",
                "a workbook, CSV files named as the sheets, or folders of them",
                f"The sheets are {', '.join(SHEETS)}; `forecast sheet` writes a workbook of them.",
            )
        ]
    )


def _sheets_in(folder: Path) -> tuple[Path, ...]:
    """CSV files of a folder that are named as the sheets of a return."""
    return tuple(path for sheet in SHEETS if (path := folder / f"{sheet}.csv").is_file())


def record_return(
    folder: Path,
    source: Path,
    week: date | None = None,
    *,
    correction: bool = False,
    forecast: bool = True,
    now: datetime | None = None,
    say: Say = lambda _: None,
    replications: int = DEFAULT_REPLICATIONS,
    why_replications: int = WHY_REPLICATIONS,
) -> Recorded:
    """Record one week's return in a project's record, and issue a forecast with it.

    Args:
        folder: the project folder.
        source: a workbook, or a folder of CSV files.
        week: its Monday, where the rows do not tell.
        correction: it takes the place of what is on record of its week, which is kept.
        forecast: issue one; without it only the return is kept.
        now: the moment, with its zone; None: by the clock.
        say: told what is being done.
        replications: futures of the forecast.
        why_replications: futures of each mixture of causes; 0: do not explain the change.

    Raises:
        InputError: the project, the return, or the record is not what it should be: all problems
            in one go, and nothing was recorded.
        ForecastError: the record cannot be written; nothing was recorded.
    """
    files = project_files(folder)
    project = project_from_files(files)
    told = read_return(source, project, week)
    moment = datetime.now(UTC) if now is None else now
    with open_record(folder, project, create=True) as record:
        before = record.history()
        looked = check(project, before, told, record.persons_ever(), moment.date())
        if looked.errors:
            raise InputError(looked.errors)
        if _same(before, told):
            return Recorded(told.week, False, False, looked.crossings, looked.warnings, None)
        after = History.of([*before.returns, told])
        warnings = [*record.warnings, *looked.warnings]
        issued = None
        # What cannot be recorded is refused before anybody waits for a forecast.
        if forecast and _will_be_recorded(before, told, correction):
            issued = _forecast(
                record, project, after, moment, warnings, say, replications, why_replications
            )
        added = record.add(
            told,
            inputs=files,
            recorded_at=moment,
            correction=correction,
            warnings=warnings,
            crossings=looked.crossings,
            also=None
            if issued is None
            else lambda entry: entry.issue(_filed(issued), after.up_to(issued.as_of)),
        )
    return Recorded(
        told.week,
        added.changed,
        added.corrected is not None,
        looked.crossings,
        tuple(warnings),
        issued,
    )


def _same(before: History, told: WeeklyReturn) -> bool:
    """Whether what is on record of the week says the same."""
    return any(each.digest == told.digest for each in before.returns)


def _will_be_recorded(before: History, told: WeeklyReturn, correction: bool) -> bool:
    return correction == any(each.week == told.week for each in before.returns)


# --- the forecast that is issued -----------------------------------------------------------------


def _forecast(
    record: Record,
    project: Project,
    after: History,
    moment: datetime,
    warnings: list[Problem],
    say: Say,
    replications: int,
    why_replications: int,
) -> Issued | None:
    """The forecast for the last week on record; where it cannot be made, a warning says so.

    What the team told is kept all the same.
    """
    as_of = recalibrate.default_as_of(project, after)
    now = State(project, after.up_to(as_of), as_of)
    try:
        say("Making the forecast ...")
        knowledge = recalibrate.known(project, now.history, as_of)
        futures = recalibrate.forecast(
            project, now.history, as_of, replications, DEFAULT_SEED, knowledge=knowledge
        )
    except Exception as error:  # noqa: BLE001  # a fault of ours must not lose what a team told
        warnings.append(_went_wrong("forecast", as_of, "a forecast that can be issued", error))
        return None
    why = ""
    if why_replications:
        say("Finding out why the date moved: about a minute ...")
        try:
            known = _Known(now, knowledge)
            simulated = _Simulated(min(why_replications, replications))
            why = explain(_last_state(record, project), now, known, simulated).to_json()
        except Exception as error:  # noqa: BLE001  # see above
            warnings.append(_went_wrong("why the date moved", as_of, "an explanation", error))
    returns = tuple(each.digest for each in now.history.returns)
    return issued_from(futures, after.returns[-1].week, moment, returns, why)


def _went_wrong(what: str, as_of: date, expected: str, error: Exception) -> Problem:
    """That something which goes with a return could not be made."""
    reason = str(error) if isinstance(error, ForecastError) else f"{type(error).__name__}: {error}"
    return Problem(
        what,
        f"as of {as_of.isoformat()}",
        reason,
        expected,
        "The return is recorded without it.",
    )


@dataclass(frozen=True)
class _Known:
    """What is known in a state; that of now was worked out before."""

    now: State
    knowledge: Knowledge

    def __call__(self, project: Project, history: History, as_of: date) -> Knowledge:
        if State(project, history, as_of) == self.now:
            return self.knowledge
        return recalibrate.known(project, history, as_of)


@dataclass(frozen=True)
class _Simulated:
    """Some futures of each mixture, always as many and of the same luck."""

    replications: int

    def __call__(self, mixtures: Sequence[Mixture]) -> list[Taken]:
        jobs = [
            job_of(m.project, m.as_of, self.replications, DEFAULT_SEED, knowledge=m.knowledge)
            for m in mixtures
        ]
        return together(jobs, range(self.replications))


def _last_state(record: Record, project: Project) -> State:
    """What was known when the last forecast was issued; before any, the plan before its start."""
    filed = record.issued()
    if not filed:
        return State(project, NOTHING_YET, project.default_as_of())
    last = filed[-1]
    by_number = {version.number: version.ret for version in record.versions()}
    history = History.of(by_number[number] for number in last.known)
    return State(_as_it_was(project, last.inputs.files), history, last.as_of)


def _as_it_was(project: Project, files: Mapping[str, bytes]) -> Project:
    """The project as its files were; today's where they cannot be read any more."""
    try:
        return project_from_files(files)
    except InputError:
        return project


def _filed(issued: Issued) -> Filed:
    """A forecast as the record keeps it."""
    return Filed(
        week=issued.week,
        as_of=issued.as_of,
        issued_at=issued.issued_at,
        seed=issued.seed,
        replications=issued.replications,
        version=issued.version,
        input_sha256=issued.input_sha256,
        results=issued.results,
        draws=issued.draws.to_bytes(),
        why=issued.why,
    )


# --- reading -------------------------------------------------------------------------------------


def issued_forecasts(record: Record) -> tuple[Issued, ...]:
    """Every forecast that was issued, in the order in which they were."""
    digest = {version.number: version.ret.digest for version in record.versions()}
    return tuple(
        Issued(
            week=filed.week,
            as_of=filed.as_of,
            issued_at=filed.issued_at,
            seed=filed.seed,
            replications=filed.replications,
            version=filed.version,
            input_sha256=filed.input_sha256,
            returns=tuple(digest[number] for number in filed.known),
            results=filed.results,
            draws=Draws.from_bytes(filed.draws),
            why=filed.why,
        )
        for filed in record.issued()
    )


def read_history(folder: Path, project: Project, as_of: date | None = None) -> History:
    """What is on record in a project's folder; nothing where there is no record yet.

    Raises:
        InputError: the record cannot be read.
    """
    with open_record(folder, project, create=False) as record:
        return record.history(as_of)


def hindcasts(
    folder: Path, project: Project, replications: int, say: Say = lambda _: None
) -> tuple[Issued, ...]:
    """The forecasts that would have been made at each past week, from what was on file then.

    They are not kept.

    Args:
        folder: the project folder.
        project: as it is; each hindcast uses the project as it was recorded with its week.
        replications: futures of each.
        say: told what is being done.

    Raises:
        InputError: the record cannot be read.
    """
    with open_record(folder, project, create=False) as record:
        versions = record.versions()
    first = {version.week: version for version in reversed(versions)}

    def forecaster(then: Project, on_file: History, as_of: date, seed: int) -> Futures:
        return recalibrate.forecast(
            then, on_file, as_of, replications, seed, progress=False, standstill=False
        )

    made: list[Issued] = []
    for week in sorted(first):
        say(f"The forecast after the week of {week.isoformat()} ...")
        number = first[week].number
        on_file = History.of(version.ret for version in versions if version.number <= number)
        then = _as_it_was(project, first[week].inputs.files)
        made += hindcast(then, {week: on_file}.__getitem__, [week], forecaster, DEFAULT_SEED)
    return tuple(made)
