"""The query that makes rows of `measure_rows` of a measure file: one text for every engine."""

from collections.abc import Collection

from pipeline.measure_file import Measure

NUMBERS = ("numerator", "denominator", "value")
_FIGURES = (*NUMBERS, "censored")
# Past it, a number is a mistake, and sums of it are not exact.
_LARGEST = 1e15


def measure_rows_query(measure: Measure, returned: Collection[str]) -> str:
    """The SELECT of one measure, each of its rows with the patient and the patient's group in that month.

    returned: the columns that the measure's own SELECT returns. Where `retainer` is among them, the measure splits by
    evidence in its own way, and the group is made of it. Reads the view `stays_by_group` beside what the measure reads.
    Every column of `measure_rows` is there, null where the measure has none of it.
    """
    group = "groups.retainer_group"
    if "retainer" in returned:
        group = "case when result.retainer is null then 'other' else 'retainer' end"
    return f"""
        select
            '{measure.id}' as measure_id,
            result.stay_id,
            groups.patient_key,
            result.ward,
            result.month,
            {group} as "group",
            {", ".join(f"result.{name}" if name in returned else f"null as {name}" for name in _FIGURES)}
        from ({measure.sql}) as result
        join stays_by_group as groups on groups.stay_id = result.stay_id and groups.month = result.month
    """


def is_unusable(columns: Collection[str] = NUMBERS) -> str:
    """The SQL that asks whether any of these columns of a row holds a number that cannot be added up.

    That is one that is infinite, no number, or out of all proportion; null is none.
    """
    unusable = (
        f"({name} is not null and not (isfinite({name}::double) and abs({name}::double) <= {_LARGEST:g}))"
        for name in columns
    )
    return " or ".join(unusable)
