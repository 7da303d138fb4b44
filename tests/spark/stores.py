"""Two small loads with what is hard to carry: strange names of sites, none at all, a monitored bed, a readmission."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.cli import main
from synthetic_data.cohort import Cohort, simulate
from synthetic_data.extract import write_extract

# What folders and addresses treat in their own way, and letters beyond ASCII.
STRANGE_SITE = "Nørre / St. Mark's = 100 %"
# The clocks of the zone go forward on 2026-03-29, between two stays of the second extract.
_FIRST, _SECOND_FROM, _LAST = datetime(2026, 3, 1), datetime(2026, 3, 27), datetime(2026, 4, 20)
_MONITORED_S = 7200


def write_two_extracts(folder: Path) -> tuple[Path, Path]:
    """Some weeks of the invented hospital at three sites: the stays admitted before one day, and those from it on.

    One stay has a reading a second for two hours, most of them equal; a patient with CO2 retention comes again, at
    another site. A row of each extract will be kept aside.
    """
    cohort = simulate(stays=700)
    stays = (
        cohort.tables["stays"].filter(pl.col("admitted_at").is_between(_FIRST, _LAST)).sort("admitted_at", "stay_id")
    )
    place = pl.int_range(pl.len()) % 5
    stays = stays.with_columns(
        site=pl.when(place < 2).then(pl.lit("North")).when(place < 4).then(pl.lit(STRANGE_SITE)).otherwise(None)
    )
    tables = {**cohort.tables, "stays": _with_a_readmission(stays, cohort.tables["gases"])}
    tables["readings"] = pl.concat([tables["readings"], _monitored(stays, tables["readings"])], how="diagonal")
    is_first = pl.col("admitted_at") < _SECOND_FROM
    return (
        _write(replace(cohort, tables=_of_stays(tables, is_first)), folder / "first"),
        _write(replace(cohort, tables=_of_stays(tables, ~is_first)), folder / "second"),
    )


def load_into(store: Path, *extracts: Path) -> Path:
    """A store into which the extracts were loaded, one after the other."""
    for extract in extracts:
        assert main(["load", str(extract), "--store", str(store)]) == 0
    return store


def _with_a_readmission(stays: pl.DataFrame, gases: pl.DataFrame) -> pl.DataFrame:
    retaining = gases.filter((pl.col("sample_type") == "arterial") & (pl.col("pco2_kpa") > 6.5))
    patient = stays.join(retaining, on="stay_id", how="semi", maintain_order="left")["patient_key"][0]
    is_last = pl.col("stay_id") == stays["stay_id"][-1]
    return stays.with_columns(
        patient_key=pl.when(is_last).then(pl.lit(patient)).otherwise("patient_key"),
        site=pl.when(is_last).then(pl.lit("North")).when(patient_key=patient).then(None).otherwise("site"),
    )


def _monitored(stays: pl.DataFrame, charted: pl.DataFrame) -> pl.DataFrame:
    stay_id, start = stays.select("stay_id", "admitted_at").row(3)
    second = pl.int_range(_MONITORED_S)
    rows = pl.select(
        taken_at=pl.lit(start + timedelta(minutes=7)) + pl.duration(seconds=second),
        spo2_percent=90 + second // 100 % 4,
    )
    rows = rows.cast({name: charted.schema[name] for name in rows.columns})
    return rows.select(pl.lit(stay_id).alias("stay_id"), pl.all()).join(charted, on=["stay_id", "taken_at"], how="anti")


def _of_stays(tables: dict[str, pl.DataFrame], which: pl.Expr) -> dict[str, pl.DataFrame]:
    stays = tables["stays"].filter(which)
    others = {name: frame.join(stays, on="stay_id", how="semi") for name, frame in tables.items() if name != "stays"}
    return {"stays": stays, **others}


def _write(cohort: Cohort, folder: Path) -> Path:
    write_extract(cohort, folder, dirty=False)
    with (folder / "wards.csv").open("a", encoding="utf-8") as file:
        file.write("nobody,Alder,2026-03-20 08:00:00\n")
    return folder
