"""A slow second look at a stay: what held at every instant, from the definitions alone."""

from datetime import datetime, timedelta
from typing import Any

from tests import oracle
from tests.strategies import Case

State = dict[str, Any]


def step_of(case: Case) -> timedelta:
    return timedelta(seconds=oracle.exact_step(case.tables, case.as_of, case.thresholds))


def states(case: Case, stay: dict[str, Any]) -> list[tuple[datetime, State]]:
    """Every instant of the stay with what the timeline should say of it."""
    at, end = oracle.window(stay, case.as_of)
    found = []
    while at < end:
        found.append((at, oracle.state_at(stay, case.tables, case.zone, case.as_of, case.thresholds, at)))
        at += step_of(case)
    return found


def audited_minutes(case: Case, walked: list[tuple[datetime, State]], start: datetime, end: datetime) -> float:
    """The minutes from start to end that are not excluded."""
    counted = sum(start <= at < end and not now["excluded"] for at, now in walked)
    return counted * step_of(case).total_seconds() / 60
