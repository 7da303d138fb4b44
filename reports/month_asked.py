"""Which month a report is of: the one asked for, or the last complete one."""

from datetime import datetime

from pipeline.errors import AuditError, listed
from reports import store_tables, wording

MONTHS_NAMED = 36


def chosen_month(asked: str | None, months: list[str], as_of: datetime | None, zone: str) -> str:
    """The month asked for, or the last one that ended by the as-of.

    months: all of the store, sorted. Raises AuditError when it is not among them, or when none is complete.
    """
    if not months:
        raise AuditError(
            "The store holds no month to report: no stay was measured. Load an extract first: "
            "bandaudit load EXTRACT --store FILE"
        )
    named = f"Months in the store: {listed(months[::-1], MONTHS_NAMED)}."
    if asked is not None:
        if asked not in months:
            raise AuditError(
                f"The month given with --month is not in the store. Expected YYYY-MM. {named} "
                "Give one of them, or leave --month out for the last complete one."
            )
        return asked
    complete = [month for month in months if as_of is not None and _end(month, zone) <= as_of]
    if not complete:
        raise AuditError(
            f"No month in the store is complete: the extract ends before the first one does. {named} "
            f"To report an incomplete one, name it: --month {months[-1]}"
        )
    return complete[-1]


def _end(month: str, zone: str) -> datetime:
    after = wording.month_before(month, -1)
    return store_tables.month_bounds(after, after, zone)[0]
