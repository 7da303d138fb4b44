"""Writes the cohort as a hospital would send it: a folder of files in several formats, dirty rows included.

The hospital is invented. The same cohort gives the same bytes every time.
"""

import gzip
import io
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.vocabulary import TABLES, Kind
from synthetic_data.cohort import Cohort
from synthetic_data.dirt import EXACT_REPEATS, SPRING_GAP, When, dirty_rows, planted_faults

__all__ = ["planted_faults", "write_extract", "write_truth"]

_FILE_DATE = datetime(2026, 7, 1)
_CSV_TIME = "%Y-%m-%d %H:%M:%S"
_WRITTEN = "written_at"


def write_extract(cohort: Cohort, folder: Path, zone: str = "Europe/London", dirty: bool = True) -> None:
    """Write the seven tables into `folder`, which is made if it is not there.

    CSV with local times without offset for stays, wards, devices and targets; readings the same, one gzip file a
    local month; gases as Parquet with times in UTC that say so; flags as an Excel sheet with local date cells. With
    `dirty`, the rows counted by `planted_faults` are scattered through them; without it, local times (the earlier
    one where a time comes twice) turn back into exactly the cohort's, if `zone` is the cohort's own Europe/London.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stays = cohort.tables["stays"]
    for name in ("stays", "wards", "devices", "targets"):
        rows = _as_text(cohort.tables[name], name, zone)
        rows = _with_dirt(rows, _text_dirt(name, stays, zone) if dirty else None, name)
        rows.drop(_WRITTEN).write_csv(folder / f"{name}.csv")
    readings = _as_text(cohort.tables["readings"], "readings", zone)
    _write_readings(readings, _text_dirt("readings", stays, zone) if dirty else None, folder)
    _write_gases(cohort.tables["gases"], stays, folder / "gases.parquet", dirty)
    _write_flags(cohort.tables["flags"], stays, folder / "flags.xlsx", zone, dirty)


def write_truth(cohort: Cohort, folder: Path) -> None:
    """Write the planted truth as `truth_band_time.csv` and `truth_episodes.csv`, times ISO 8601 UTC with `Z`.

    Not into the extract's own folder, where it would be reported as unknown files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("truth_band_time", "truth_episodes"):
        getattr(cohort, name).write_csv(folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")


def _local(column: str, zone: str) -> pl.Expr:
    return pl.col(column).dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.replace_time_zone(None)


def _as_text(frame: pl.DataFrame, table: str, zone: str) -> pl.DataFrame:
    """The table as text, times local without offset; `written_at` (UTC as local text) says where a row is filed."""
    described = TABLES[table]
    return frame.select(
        *(
            _local(column.name, zone).dt.strftime(_CSV_TIME).alias(column.name)
            if column.kind is Kind.TIME
            else pl.col(column.name).cast(pl.String)
            for column in described.columns
        )
    ).with_columns(pl.col(described.at).alias(_WRITTEN))


def _text_dirt(table: str, stays: pl.DataFrame, zone: str) -> pl.DataFrame:
    rows = [{name: _text(value, zone) for name, value in row.items()} for row in dirty_rows(table, stays)]
    return pl.DataFrame(rows, schema=dict.fromkeys([*TABLES[table].column_names, _WRITTEN], pl.String))


def _text(value: Any, zone: str) -> str | None:
    if isinstance(value, When):
        return SPRING_GAP.strftime(_CSV_TIME)
    if isinstance(value, datetime):
        return pl.Series("at", [value]).to_frame().select(_local("at", zone)).item().strftime(_CSV_TIME)
    return None if value is None else str(value)


def _with_dirt(rows: pl.DataFrame, dirt: pl.DataFrame | None, table: str) -> pl.DataFrame:
    """The rows with exact repeats and the planted ones scattered among them; just the rows where there is no dirt."""
    return rows if dirt is None else _scattered(rows, pl.concat([dirt, _repeats(rows, table)]))


def _repeats(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    count = EXACT_REPEATS[table]
    return rows[[rows.height * (place + 1) // (count + 1) for place in range(count)]]


def _scattered(rows: pl.DataFrame, extra: pl.DataFrame) -> pl.DataFrame:
    """The extra rows spread evenly among the others, which keep their order."""
    step = (rows.height + 1) / (extra.height + 1)
    both = pl.concat(
        [
            rows.with_row_index("place").with_columns(pl.col("place").cast(pl.Float64)),
            extra.with_row_index("place").with_columns((pl.col("place") + 1.0) * step - 0.5),
        ],
        how="vertical",
    )
    return both.sort("place", maintain_order=True).drop("place")


def _write_readings(rows: pl.DataFrame, dirt: pl.DataFrame | None, folder: Path) -> None:
    """One gzip file a local month; a dirty row goes where its time would have put it."""
    extra = rows.clear() if dirt is None else pl.concat([dirt, _repeats(rows, "readings")])
    month = pl.col(_WRITTEN).str.head(7)
    files = pl.concat([rows.select(month), extra.select(month)]).to_series().unique().sort()
    for name in files.to_list():
        of_month = _scattered(rows.filter(month == name), extra.filter(month == name))
        text = of_month.drop(_WRITTEN).write_csv().encode()
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=packed, mtime=0, compresslevel=6) as file:
            file.write(text)
        (folder / f"readings-{name}.csv.gz").write_bytes(packed.getvalue())


def _write_gases(gases: pl.DataFrame, stays: pl.DataFrame, path: Path, dirty: bool) -> None:
    rows = gases
    if dirty:
        dirt = pl.DataFrame(dirty_rows("gases", stays), schema={**gases.schema, _WRITTEN: pl.Datetime("us")})
        rows = _scattered(gases, pl.concat([dirt.drop(_WRITTEN), _repeats(gases, "gases")]))
    rows.with_columns(pl.col("taken_at").dt.replace_time_zone("UTC")).write_parquet(path)


def _write_flags(flags: pl.DataFrame, stays: pl.DataFrame, path: Path, zone: str, dirty: bool) -> None:
    local = [_local("flagged_at", zone), _local("until_at", zone)]
    rows = flags.with_columns(local)
    if dirty:
        dirt = pl.DataFrame(
            [_with_gap_as_date(row) for row in dirty_rows("flags", stays)],
            schema={**flags.schema, _WRITTEN: pl.Datetime("us"), "skipped": pl.Boolean},
        )
        skipped = pl.when("skipped").then(pl.lit(SPRING_GAP))
        dirt = dirt.with_columns(local).with_columns(skipped.otherwise("flagged_at").alias("flagged_at"))
        rows = _scattered(rows, pl.concat([dirt.select(rows.columns), _repeats(rows, "flags")]))
    _write_sheet(rows, path)


def _with_gap_as_date(row: Mapping[str, Any]) -> dict[str, Any]:
    skipped = isinstance(row["flagged_at"], When)
    return {**row, "flagged_at": None if skipped else row["flagged_at"], "skipped": skipped}


def _write_sheet(rows: pl.DataFrame, path: Path) -> None:
    """One sheet with a header row and date cells; the dates inside the file are fixed, so that bytes repeat."""
    with xlsxwriter.Workbook(path, {"in_memory": True, "default_date_format": "yyyy-mm-dd hh:mm:ss"}) as book:
        book.set_properties({"created": _FILE_DATE})
        sheet = book.add_worksheet("flags")
        for place, column in enumerate(rows.columns):
            sheet.write_column(0, place, [column, *rows.get_column(column).to_list()])
