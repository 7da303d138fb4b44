"""Accounts for the rows of OMOP tables that became no row of the extract, in sentences for the user."""

from collections.abc import Callable, Mapping

import duckdb

# Rows of measurements that are part of no row of the extract.
_MEASURED_UNUSED = """
    with joined as (
        select
            quantity,
            case
                when length(taken_at) < 19 then false
                when quantity = 'respiratory_rate' then exists (
                    from measured as saturations
                    where saturations.quantity = 'spo2'
                        and saturations.stay_id = measured.stay_id
                        and saturations.taken_at = measured.taken_at
                )
                when quantity in ('flow', 'fio2') then exists (
                    from devices
                    where devices.stay_id = measured.stay_id and devices.started_at = measured.taken_at
                ) or exists (
                    from gases
                    where quantity = 'fio2' and gases.stay_id = measured.stay_id and gases.taken_at = measured.taken_at
                )
            end as is_used
        from measured
    )
    select
        count(*) filter (where quantity is null),
        count(*) filter (where quantity = 'respiratory_rate' and is_used is not true),
        count(*) filter (where quantity in ('flow', 'fio2') and is_used is not true),
        count(*) filter (where quantity in ('ph', 'pco2', 'po2', 'bicarbonate'))
            - (select coalesce(sum(parts), 0) from gases)
    from joined
"""
_OTHER_VISITS = "visits that are not stays in hospital"


def tell_of_unused_rows(
    connection: duckdb.DuckDBPyConnection,
    rows_read: Mapping[str, int],
    of_other_visits: Mapping[str, int],
    tell: Callable[[str], None],
) -> None:
    """Tells one sentence on each table of the common data model of which rows were not used; they add up in it.

    rows_read: by table of the common data model. of_other_visits: by staged table, as `gather` answers.
    """
    [(saturations, rates, settings, parts)] = connection.execute(_MEASURED_UNUSED).fetchall()
    unused = {
        "visit_occurrence": {_OTHER_VISITS: _count(connection, "visits where not is_stay")},
        "visit_detail": {_OTHER_VISITS: of_other_visits["details"]},
        "measurement": {
            "other kinds": rows_read["measurement"] - _count(connection, "measured") - of_other_visits["measured"],
            _OTHER_VISITS: of_other_visits["measured"],
            "saturations of blood samples": saturations,
            "respiratory rates without a saturation at that instant": rates,
            "oxygen flows or concentrations at no start of a device and with no gas": settings,
            "values of blood without a gas": parts,
        },
        "device_exposure": {
            "no oxygen devices": _count(connection, "exposures") - _count(connection, "devices"),
            _OTHER_VISITS: of_other_visits["exposures"],
        },
        "observation": {
            "other kinds": rows_read["observation"] - _count(connection, "observed") - of_other_visits["observed"],
            _OTHER_VISITS: of_other_visits["observed"],
        },
    }
    for table, reasons in unused.items():
        total = sum(reasons.values())
        if total:
            counted = "; ".join(f"{reason} ({rows:,})" for reason, rows in reasons.items() if rows)
            tell(f"{table}: {rows_read[table]:,} rows read, {rows_read[table] - total:,} used. Not used: {counted}.")


def _count(connection: duckdb.DuckDBPyConnection, rows: str) -> int:
    [(number,)] = connection.execute(f"select count(*) from {rows}").fetchall()
    return number
