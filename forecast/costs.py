"""What a plan costs if its work ends on a day: wages, and what a scenario says it costs.

People are paid their rostered hours at their rate from their first day to their last; public
holidays, closures and absence are paid. Who has no last day is paid until the work is finished.
What was paid before the first simulated day is the same in all plans, and left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from forecast.people import TeamRow
from forecast.project import Project
from forecast.scenario import Scenario

__all__ = ["Costs", "costs"]

_DAYS_A_MONTH = 365.25 / 12.0

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Costs:
    """Money by the day on which the work ends; D days from the grant's start to the horizon.

    Attributes:
        by_last_day: (D,) all that is paid from the first simulated day on, if the work ends on day
            d; before that day as on it.
        assumed: in sentences, whom nobody gave an end or an hourly cost.
        currency: of the money.
    """

    by_last_day: Floats
    assumed: tuple[str, ...]
    currency: str

    def at(self, finish_day: NDArray[np.integer]) -> Floats:
        """(R,) money of each future.

        Args:
            finish_day: (R,) day numbers; -1, not by the horizon, is paid to the horizon.
        """
        last = len(self.by_last_day) - 1
        return np.asarray(self.by_last_day[np.where(finish_day < 0, last, finish_day)])


def costs(project: Project, scenario: Scenario | None, first_day: int) -> Costs:
    """What a plan costs.

    A change of a scenario costs ``once`` on its first day, and ``monthly`` from that day to its
    last day or the finish, by the day; a scenario as a whole does so from the first simulated day.
    A month is a twelfth of 365.25 days. Work that ends before a change begins saves its cost.

    Args:
        project: the plan itself, with the scenario applied.
        scenario: whose costs to add; None: there is none.
        first_day: number of the first simulated day.
    """
    paid = np.zeros(project.days)  # on each day, while there is work
    anyway = 0.0  # to people who have an end
    last_rows = {row.person: row for row in project.team}
    for row in project.team:
        wages = _wages(project, row, first_day)
        if last_rows[row.person].end is None:
            paid += wages
        else:
            anyway += float(wages.sum())
    if scenario is not None:
        paid += _of_scenario(project, scenario, first_day)
    by_last_day = anyway + np.cumsum(paid)
    by_last_day[:first_day] = by_last_day[min(first_day, project.days - 1)]
    return Costs(by_last_day, _assumed(project, first_day), project.currency)


def _wages(project: Project, row: TeamRow, first_day: int) -> Floats:
    """(D,) what a row of the rota is paid on each day from the first simulated one on."""
    days = np.arange(project.days)
    end = project.days if row.end is None else project.day_number(row.end)
    there = (days >= max(first_day, project.day_number(row.start))) & (days <= end)
    hours = np.array(row.hours)[(days + project.grant.start.weekday()) % 7]
    return np.where(there, hours * (row.hourly_cost or 0.0), 0.0)


def _of_scenario(project: Project, scenario: Scenario, first_day: int) -> Floats:
    """(D,) what the scenario and its changes cost on each day."""
    days = np.arange(project.days)
    paid = np.zeros(project.days)
    for each in (scenario, *scenario.changes):
        begin, end = first_day, project.days - 1
        if not isinstance(each, Scenario):
            if each.from_ is not None:
                begin = max(begin, project.day_number(each.from_))
            if each.until is not None:
                end = min(end, project.day_number(each.until))
        if begin <= end:
            paid[begin] += each.once
        paid += np.where((days >= begin) & (days <= end), each.monthly / _DAYS_A_MONTH, 0.0)
    return paid


def _assumed(project: Project, first_day: int) -> tuple[str, ...]:
    """Who is paid to the finish, and who costs nothing."""
    day = project.grant.start + timedelta(days=first_day)
    there = [row for row in project.team if row.end is None or row.end >= day]
    last_rows = {row.person: row for row in there}
    stay = [person for person, row in last_rows.items() if row.end is None]
    free = dict.fromkeys(row.person for row in there if row.hourly_cost is None and any(row.hours))
    sentences = []
    if stay:
        sentences.append(f"Paid until the work is finished, since no end is given: {_list(stay)}.")
    if free:
        sentences.append(f"Not counted, since no hourly cost is given: {_list(list(free))}.")
    return tuple(sentences)


def _list(names: list[str]) -> str:
    return ", ".join(names)
