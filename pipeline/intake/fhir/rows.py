"""Puts what single FHIR observations say together into rows of the extract.

A part is one quantity that one line gives. In `measured`, a frame of parts has the columns `file` and `line` (where it
stands), `stay` (id of the encounter, null if there is none), `at` (time as written), `quantity` (see `fhir_codes`),
`sample` (of a gas), `cell` (the value as text in the canonical unit) and `rule` (what keeps it aside, null if nothing).
"""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.intake.fhir.codes import ANY_NEBULISER, DEVICE_QUANTITIES, GAS_QUANTITIES, NO_UNIT, UNITS
from pipeline.intake.fhir.lines import UNKNOWN_UNIT, Part
from pipeline.intake.times import local_to_utc
from pipeline.vocabulary import NEBULISER

_SCHEMA = {
    "line": pl.Int64,
    "stay": pl.String,
    "at": pl.String,
    "quantity": pl.String,
    "sample": pl.String,
    "number": pl.Float64,
    "unit": pl.String,
    "text": pl.String,
    "rule": pl.String,
}
_ANNOTATION = r"\{[^{}]*\}"
# Units that may be shown beside a number in a row kept aside: short, and no words.
_SHOWN_UNIT = r"^[!-~]{1,12}$"
_HAS_OFFSET = r"([Zz]|[+-][0-9]{2}(:?[0-9]{2})?)$"
# Several lines that say the same of these do not repeat a value.
_SAID_WITH_A_VALUE = ("device", "ended_at")
_ROW = ["file", "line", "rule", "fault_column"]


def measured(parts: Sequence[Part], file: int) -> pl.DataFrame:
    """The parts of one file as a frame, in order; numbers in canonical units.

    A value whose unit is not known keeps its number with the unit code behind it, and the rule `unknown_unit`.
    """
    columns = zip(*parts, strict=True) if parts else ((),) * len(_SCHEMA)
    frame = pl.DataFrame(
        [pl.Series(name, values, dtype=kind) for (name, kind), values in zip(_SCHEMA.items(), columns, strict=True)]
    )
    factors = _factors(frame.select("quantity", "unit").unique())
    frame = frame.join(factors, on=["quantity", "unit"], how="left", maintain_order="left")
    converted = pl.col("number") * pl.col("multiplied") / pl.col("divided")
    unit = pl.when(pl.col("unit").str.contains(_SHOWN_UNIT)).then("unit").otherwise(pl.lit(UNKNOWN_UNIT))
    as_written = pl.concat_str(pl.col("number").cast(pl.String), pl.lit(" "), unit)
    has_unknown_unit = pl.col("number").is_not_null() & pl.col("multiplied").is_null()
    return frame.select(
        file=pl.lit(file, dtype=pl.Int32),
        line="line",
        stay="stay",
        at=pl.col("at").str.strip_chars(),
        quantity="quantity",
        sample="sample",
        cell=pl.coalesce("text", converted.cast(pl.String), pl.when(has_unknown_unit).then(as_written)),
        rule=pl.coalesce("rule", pl.when(has_unknown_unit).then(pl.lit("unknown_unit"))),
    )


def _factors(units: pl.DataFrame) -> pl.DataFrame:
    """What to multiply and divide by, for each quantity and unit that is known: few rows."""
    known = []
    for quantity, unit in units.drop_nulls().iter_rows():
        bare = pl.select(pl.lit(unit).str.replace_all(_ANNOTATION, "")).item() if "{" in unit else unit
        code = "1" if bare == NO_UNIT and unit != NO_UNIT else bare
        if code in UNITS.get(quantity, {}):
            known.append((quantity, unit, *UNITS[quantity][code]))
    schema = {"quantity": pl.String, "unit": pl.String, "multiplied": pl.Float64, "divided": pl.Float64}
    return pl.DataFrame(known, schema=schema, orient="row")


def reading_rows(parts: pl.DataFrame) -> pl.DataFrame:
    """One row per saturation, in order, with the respiratory rate that was charted for the same encounter and time.

    A rate that is charted twice with different values, or that breaks a rule, is left out.
    """
    sound = (pl.col("quantity") == "respiratory_rate") & pl.col("rule").is_null() & pl.col("cell").is_not_null()
    rates = (
        parts.filter(sound)
        .group_by("stay", "at")
        .agg(respiratory_rate=pl.col("cell").first(), several=pl.col("cell").n_unique() > 1)
        .filter(~pl.col("several"))
    )
    return (
        parts.filter(pl.col("quantity") == "spo2")
        .join(rates, on=["stay", "at"], how="left", maintain_order="left")
        .pipe(_once_a_line, ["stay", "at", "respiratory_rate"])
        .with_columns(fault_column=pl.when(pl.col("rule") == "unknown_unit").then(pl.lit("spo2_percent")))
        .select(*_ROW, "respiratory_rate", stay_id="stay", taken_at="at", spo2_percent="cell")
    )


def _once_a_line(parts: pl.DataFrame, others: list[str]) -> pl.DataFrame:
    """One row per line: values that one line gives for one quantity stand once if they are the same, else together
    in one cell, which is then no number."""
    if not parts.select("file", "line").is_duplicated().any():
        return parts
    cell = pl.col("cell").drop_nulls().unique(maintain_order=True).str.join(", ")
    first = [pl.col(name).first() for name in others]
    return parts.group_by("file", "line", maintain_order=True).agg(
        *first, cell=pl.when(pl.col("cell").is_not_null().any()).then(cell), rule=pl.col("rule").drop_nulls().first()
    )


def device_rows(parts: pl.DataFrame, kinds: Mapping[str, str]) -> pl.DataFrame:
    """One row per encounter and instant at which a device, a flow or a concentration was charted.

    kinds: device by the id of its resource. Without a code that names the device it is `other`. A nebuliser is
    driven by oxygen where an oxygen flow is charted with it, else `other`.
    """
    referring = pl.col("quantity") == "device_reference"
    kind = pl.col("cell").replace_strict(kinds, default=None, return_dtype=pl.String)
    resolved = parts.with_columns(cell=pl.when(referring).then(kind).otherwise("cell")).filter(
        ~(referring & pl.col("cell").is_null())
    )
    resolved = resolved.with_columns(quantity=pl.when(referring).then(pl.lit("device")).otherwise("quantity"))
    flows = pl.col("flow_l_min").cast(pl.Float64, strict=False) > 0
    device = (
        pl.when(pl.col("device") == ANY_NEBULISER)
        .then(pl.when(flows).then(pl.lit(NEBULISER)))
        .otherwise("device")
        .fill_null("other")
    )
    return _gathered(resolved, DEVICE_QUANTITIES).select(
        *_ROW,
        stay_id="stay",
        started_at="at",
        device=device,
        flow_l_min="flow_l_min",
        fio2_fraction="fio2_fraction",
        ended_at="ended_at",
    )


def gas_rows(parts: pl.DataFrame) -> pl.DataFrame:
    """One row per encounter, instant and kind of sample."""
    columns = list(GAS_QUANTITIES.values())
    return _gathered(parts, GAS_QUANTITIES).select(*_ROW, *columns, stay_id="stay", taken_at="at", sample_type="sample")


def _gathered(parts: pl.DataFrame, quantities: Mapping[str, str]) -> pl.DataFrame:
    """One row per encounter, instant (whole second) and sample, a column per quantity; numbered by its first line.

    A quantity that is given several times makes several rows, each with what was given only once: the same values
    make exact repeats, different ones a conflict, and the load settles both. A part that breaks a rule by its status,
    or has no encounter or time, is joined to no other line.
    """
    parts = parts.filter(pl.col("quantity").is_in(list(quantities))).with_columns(
        column=pl.col("quantity").replace_strict(quantities, return_dtype=pl.String)
    )
    stands_alone = (pl.col("rule") == "not_valid_status").fill_null(False) | pl.any_horizontal(
        pl.col("stay", "instant").is_null()
    )
    parts = (
        parts.with_columns(_instant(parts["at"]))
        .with_columns(alone=pl.when(stands_alone).then(pl.struct("file", "line").rank("dense")))
        .sort("file", "line")
    )
    key = ["stay", "instant", "sample", "alone"]
    cell = pl.col("cell").drop_nulls().unique(maintain_order=True).str.join(", ")
    by_line = (
        parts.group_by("file", "line", *key, "column", maintain_order=True)
        .agg(
            pl.col("at").first(),
            cell=pl.when(pl.col("cell").is_not_null().any()).then(cell),
            rule=pl.col("rule").drop_nulls().first(),
        )
        .filter(pl.col("cell").is_not_null() | ~pl.col("cell").is_not_null().any().over(key))
        .filter(~pl.col("column").is_in(_SAID_WITH_A_VALUE) | pl.struct(*key, "column", "cell").is_first_distinct())
        .with_columns(time=pl.int_range(pl.len()).over(*key, "column"))
    )
    columns = list(dict.fromkeys(quantities.values()))
    broken = pl.col("rule").is_not_null()
    rows = by_line.group_by(*key, "time", maintain_order=True).agg(
        pl.col("file", "line", "at").first(),
        *(pl.col("cell").filter(pl.col("column") == column).first().alias(column) for column in columns),
        rule=pl.col("rule").drop_nulls().first(),
        fault_column=pl.col("column").filter(broken & (pl.col("rule") == "unknown_unit")).first(),
    )
    if rows["time"].max():
        rows = rows.sort(*key, "time").with_columns(pl.col(columns).forward_fill().over(key))
    valueless = pl.all_horizontal(pl.col(column).is_null() for column in columns if column != "ended_at")
    rule = pl.coalesce("rule", pl.when(valueless).then(pl.lit("no_value")))
    return rows.with_columns(rule=rule).sort("file", "line")


def _instant(at: pl.Series) -> pl.Series:
    """A number for each time, the same for the same second; of times without offset another than of those with one."""
    seconds = local_to_utc(at, "UTC")["utc"].dt.epoch("s")
    return (seconds * 2 + at.str.contains(_HAS_OFFSET)).alias("instant")
