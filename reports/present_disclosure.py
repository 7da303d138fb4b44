"""What may be shown to people outside the team: nothing from which a small count of patients can be worked back.

Band time is hidden by `pipeline.rollup.suppress_small_counts`, the same as in the report of the month. Counts and
shares of events need more, since a share of many events may rest on one patient: here both the patients with the event
and those without it are looked at. Counts of patients stand on no page but those of the two groups of the whole
hospital, so that there are no sums over wards to take apart.
Source: NHS Digital, disclosure control of hospital episode statistics (small counts, percentages and complements).
"""

from dataclasses import dataclass
from enum import StrEnum

import duckdb

from pipeline.policy import Policy


class Shown(StrEnum):
    """What may be said of a share or count of events."""

    ALL = "all"
    FEW_WITH = "few with"
    FEW_WITHOUT = "few without"
    NOTHING = "nothing"


@dataclass(frozen=True)
class Sides:
    """Patients on both sides of a share of events, hospital-wide, in one month; a patient may be on both.

    patients: with any event that counts. with_it, without_it: with an event that is in the numerator, and with one that
    is not. numerator, denominator: the events themselves.
    """

    patients: int
    with_it: int
    without_it: int
    numerator: float
    denominator: float


def sides(con: duckdb.DuckDBPyConnection, months: list[str]) -> dict[tuple[str, str], Sides]:
    """The patients on both sides of every share and rate of the catalogue, by measure and month."""
    rows = con.execute(
        """
        with by_patient as (
            select
                measure_id,
                month,
                patient_key,
                sum(numerator) as numerator,
                sum(denominator) as denominator
            from measure_rows
            where
                denominator > 0
                and month in (select unnest(?))
            group by
                measure_id,
                month,
                patient_key
        )
        select
            measure_id,
            month,
            count(*) as patients,
            sum(case when numerator > 0 then 1 else 0 end) as with_it,
            sum(case when denominator > numerator then 1 else 0 end) as without_it,
            sum(numerator) as numerator,
            sum(denominator) as denominator
        from by_patient
        group by
            measure_id,
            month
        """,
        [months],
    ).fetchall()
    return {(measure, month): Sides(*figures) for measure, month, *figures in rows}


def is_small(patients: int, policy: Policy) -> bool:
    """Whether a count of patients has to be hidden: from 1 up to under the policy's limit."""
    return 0 < patients < policy.small_count_below


def of_events(found: Sides, policy: Policy) -> Shown:
    """What may be said of a share of events, looking at the patients on both sides.

    That one side is small is said only where enough patients are left for the other that every small count stays
    possible, whatever else is known of how many there are.
    """
    few_with, few_without = is_small(found.with_it, policy), is_small(found.without_it, policy)
    if is_small(found.patients, policy):
        return Shown.NOTHING
    if not few_with and not few_without:
        return Shown.ALL
    if found.patients < 2 * policy.small_count_below - 1 or (few_with and few_without):
        return Shown.NOTHING
    return Shown.FEW_WITH if few_with else Shown.FEW_WITHOUT


def may_count_events(found: Sides, of_patients: int, policy: Policy) -> bool:
    """Whether a number of events may be told beside the number of patients who could have had one.

    Not when few had one, nor when few had none.
    """
    return not is_small(found.patients, policy) and not is_small(of_patients - found.patients, policy)


def enough_for_shares_of_events(patients: int, policy: Policy) -> bool:
    """Whether the hospital has so many patients in the month that a share of events says little of who it is not of."""
    return patients >= 3 * policy.small_count_below


def told_apart_by_few(con: duckdb.DuckDBPyConnection, month: str, policy: Policy) -> set[tuple[str, str]]:
    """Pairs of measures of which only one may be shown, since the difference of both would be a small count.

    Such are two shares of stays over nearly the same stays (fewer patients than the limit are in one only), when few
    patients count in one and not in the other: a target at any time, and one within the hour. Each pair in both orders.
    """
    rows = con.execute(
        """
        with by_stay as (
            select
                measure_id,
                stay_id,
                any_value(patient_key) as patient_key,
                sum(numerator) as numerator,
                sum(denominator) as denominator
            from measure_rows
            where
                month = ?
                and denominator > 0
            group by
                measure_id,
                stay_id
        ),
        of_stays as (
            select measure_id
            from by_stay
            group by measure_id
            having max(denominator) = 1
        ),
        stays_counted as (
            select
                by_stay.measure_id,
                by_stay.stay_id,
                by_stay.patient_key,
                by_stay.numerator > 0 as met
            from by_stay
            join of_stays
                on of_stays.measure_id = by_stay.measure_id
        ),
        pairs as (
            select
                first.measure_id as one,
                second.measure_id as other
            from of_stays as first
            join of_stays as second
                on second.measure_id <> first.measure_id
        ),
        only_in_one as (
            select
                pairs.one,
                pairs.other,
                count(distinct case when second.stay_id is null then first.patient_key end) as counted,
                count(distinct case when first.met and not coalesce(second.met, false) then first.patient_key end)
                    as met
            from pairs
            join stays_counted as first
                on first.measure_id = pairs.one
            left join stays_counted as second
                on second.measure_id = pairs.other
                and second.stay_id = first.stay_id
            group by
                pairs.one,
                pairs.other
        )
        select
            one,
            other,
            counted,
            met
        from only_in_one
        """,
        [month],
    ).fetchall()
    found = {(one, other): (counted, met) for one, other, counted, met in rows}
    few = policy.small_count_below
    return {
        pair
        for one, other in found
        if all(found[pair][0] < few for pair in ((one, other), (other, one)))
        and any(is_small(found[pair][1], policy) for pair in ((one, other), (other, one)))
        for pair in ((one, other), (other, one))
    }
