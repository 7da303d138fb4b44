"""Which stays are measured together, and their rows as frames.

The store numbers stays so that all of a patient stand together and a stay that changes moves to the end. So a batch is
a range of numbers with whole patients in it: whatever looks at other stays of a patient finds them in the batch.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.events.valves import VALVE
from pipeline.memory import shares
from pipeline.policy import Policy
from pipeline.reading_runs import BESIDE
from pipeline.timeline import with_earlier_retention
from pipeline.vocabulary import TABLES

# Whether nothing else was charted with a reading.
_OF_READINGS = f"""
    stay_no,
    taken_at,
    spo2_percent,
    coalesce({", ".join(BESIDE)}) is null as alone
"""


@dataclass(frozen=True)
class StayBatch:
    """The stays numbered `first` to `last`, both included, with so many `readings`."""

    first: int
    last: int
    readings: int


def stay_batches(
    connection: duckdb.DuckDBPyConnection,
    above: int | None = None,
    up_to: int | None = None,
    readings: int | None = None,
) -> Iterator[StayBatch]:
    """The stays numbered `above < stay_no <= up_to` (null: no limit), in order, in batches of about so many readings.

    readings: null for what memory allows. Patients are never cut apart: a batch has more where one patient has more.
    """
    counted = connection.sql(
        """
        select
            stays.stay_no,
            stays.patient_key,
            coalesce(counts.readings, 0) as readings
        from stays
        left join (
            select stay_no, count(*) as readings
            from readings
            where stay_no > $above and stay_no <= $up_to
            group by stay_no
        ) as counts using (stay_no)
        where stays.stay_no > $above and stays.stay_no <= $up_to
        order by stays.stay_no
        """,
        params={"above": _LOWEST if above is None else above, "up_to": _HIGHEST if up_to is None else up_to},
    ).pl()
    batches = (
        counted.with_columns(
            part=pl.col("readings").cum_sum() // (readings or shares().readings_in_a_batch),
            run=pl.col("patient_key").rle_id(),
        )
        .with_columns(part=pl.col("part").last().over("run"))
        .group_by("part", maintain_order=True)
        .agg(first=pl.col("stay_no").first(), last=pl.col("stay_no").last(), readings=pl.col("readings").sum())
    )
    for first, last, number in batches.select("first", "last", "readings").iter_rows():
        yield StayBatch(first, last, number)


_LOWEST, _HIGHEST = -(2**31), 2**31 - 1


def frames_of(connection: duckdb.DuckDBPyConnection, batch: StayBatch, policy: Policy) -> dict[str, pl.DataFrame]:
    """The rows of a batch as `measure_batch` wants them, by table; readings in order of stay_no and taken_at."""
    within = f"where stay_no between {batch.first} and {batch.last}"
    frames = {}
    for name in TABLES:
        columns = _OF_READINGS if name == "readings" else "*"
        frames[name] = connection.sql(f"select {columns} from {name} {within}").pl()
    frames["breathing"] = connection.sql(f"""
        select
            stay_no,
            taken_at,
            respiratory_rate
        from readings
        {within}
            and respiratory_rate is not null
            and stay_no in (select stay_no from devices {within} and device = '{VALVE}')
    """).pl()
    frames["stays"] = with_earlier_retention(frames["stays"], frames["gases"], policy)
    return frames
