"""What followed changes of oxygen: quartiles against those of numpy (method "linear"), counts by a plain walk."""

from datetime import datetime

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.measure import derive, insert
from tests.stores import empty_store

MONTHS = ("2025-01", "2025-02", "2025-12", "2026-01", "2026-02")
RISE_FROM_KPA = 0.5
PAIRS = {"pco2_change_kpa": "pco2_change_{}_kpa", "ph_change": "ph_change_{}"}
QUARTILES = {"q1": 0.25, "median": 0.5, "q3": 0.75}


def changes_made_up() -> pl.DataFrame:
    """One to eight changes a month and direction, ties and missing gases among them, and one of no retainer."""
    rng = np.random.default_rng(7)
    rows = []
    for place, month in enumerate(MONTHS):
        for direction, number in (("more", place + 1), ("less", 8 - place)):
            for _ in range(number):
                pair = rng.random() < 0.8
                rows.append(
                    {
                        "stay_id": f"S{rng.integers(6)}",
                        "month": month,
                        "changed_at": datetime.fromisoformat(f"{month}-15"),
                        "direction": direction,
                        "fio2_before": 0.24,
                        "fio2_after": 0.28 if direction == "more" else 0.21,
                        "device_before": "nasal_cannula",
                        "device_after": "nasal_cannula",
                        "retainer_ever": "gas",
                        "pco2_change_kpa": round(float(rng.normal(0.3, 0.5)), 1) if pair else None,
                        "ph_change": round(float(rng.normal(0, 0.04)), 2) if pair and rng.random() < 0.9 else None,
                    }
                )
    rows.append({**rows[0], "retainer_ever": None, "pco2_change_kpa": 9.0})
    return pl.DataFrame(rows, infer_schema_length=None)


def effects(changes: pl.DataFrame) -> list[dict[str, object]]:
    with empty_store() as connection:
        insert(connection, "oxygen_changes", changes)
        insert(
            connection,
            "policy_values",
            pl.DataFrame({"name": ["pco2_rise_from_kpa"], "value": [RISE_FROM_KPA], "unit": ["kPa"]}),
        )
        _insert_stays(connection)
        derive(connection, "oxygen_change_effects")
        return connection.sql("select * from oxygen_change_effects").pl().to_dicts()


def _insert_stays(connection: duckdb.DuckDBPyConnection) -> None:
    at = datetime(2025, 1, 1)
    stays = [
        {"stay_no": n, "stay_id": f"S{n}", "patient_key": f"P{n // 2}", "admitted_at": at, "as_of": at}
        for n in range(6)
    ]
    insert(connection, "stays", pl.DataFrame(stays))
    needed = connection.execute("describe stay_month_time").fetchall()
    seconds = {name: 0 for name, kind, *_ in needed if kind == "BIGINT"}
    months = [
        {"stay_id": "S0", "patient_key": "P0", "month": month, "retainer_group": "retainer", **seconds}
        for month in MONTHS
    ]
    insert(connection, "stay_month_time", pl.DataFrame(months))


def test_each_month_looks_at_the_twelve_that_end_with_it() -> None:
    changes = changes_made_up()
    found = effects(changes)
    assert {(row["month"], row["direction"]) for row in found} == {(m, d) for m in MONTHS for d in ("more", "less")}
    sizes = set()
    for row in found:
        month = str(row["month"])
        first = f"{int(month[:4]) - 1}-{month[5:]}"
        known = changes.filter(
            pl.col("month") > first,
            pl.col("month") <= month,
            pl.col("direction") == row["direction"],
            pl.col("retainer_ever").is_not_null(),
        )
        pco2 = known.filter(pl.col("pco2_change_kpa").is_not_null())
        assert row["changes"] == known.height
        assert row["pairs"] == pco2.height
        assert row["patients"] == pco2["stay_id"].replace_strict({f"S{n}": n // 2 for n in range(6)}).n_unique()
        assert row["pco2_risen_pairs"] == (pco2["pco2_change_kpa"] >= RISE_FROM_KPA).sum()
        for column, name in PAIRS.items():
            values = known[column].drop_nulls().to_numpy()
            sizes.add(len(values))
            for quartile, part in QUARTILES.items():
                expected = np.quantile(values, part, method="linear") if len(values) else None
                assert row[name.format(quartile)] == pytest.approx(expected, abs=1e-12)
    # Lengths of every remainder by four, so that quartiles lie on a value and between two; and nothing at all.
    assert {size % 4 for size in sizes} == {0, 1, 2, 3}


def test_without_any_pair_there_is_no_quartile() -> None:
    nothing = pl.lit(None, dtype=pl.Float64)
    [row, *_] = effects(changes_made_up().with_columns(pco2_change_kpa=nothing, ph_change=nothing))
    assert row["pairs"] == 0
    assert {row[name.format(quartile)] for name in PAIRS.values() for quartile in QUARTILES} == {None}
