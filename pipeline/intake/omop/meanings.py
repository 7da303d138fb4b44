"""Looks up what the concept ids and codes of OMOP rows mean, the folder's own `concept` table first."""

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.intake.omop import concepts
from pipeline.intake.omop.files import OmopFile, listed_codes


@dataclass(frozen=True)
class Meanings:
    """What a concept id means, or a code or name that stands as source value in a row without one.

    quantities: of measurements. devices: the audit's name; empty where the device does not say how oxygen was given.
    flags: of observations. units: of concept ids only.
    """

    quantities: Mapping[str, concepts.Quantity]
    devices: Mapping[str, str]
    flags: Mapping[str, str]
    units: Mapping[str, str]


def read_meanings(files: list[OmopFile]) -> Meanings:
    """The meanings known here, with the ids of the folder's own `concept` table where it has one.

    Raises ExtractError when that file cannot be read.
    """
    own = _own_codes(files)
    loinc = {code.code: meant for code, meant in concepts.QUANTITIES.items() if code.vocabulary == "LOINC"}
    loinc |= {misprint: loinc[code] for misprint, code in concepts.MISPRINTS.items()}
    snomed = {code.code: device for code, device in concepts.DEVICE_CODES.items()}
    return Meanings(
        quantities=loinc | concepts.meanings(concepts.MEASUREMENT_IDS, concepts.QUANTITIES, own),
        devices=snomed | concepts.meanings(concepts.DEVICE_IDS, concepts.DEVICE_CODES, own),
        flags={name: name for name in concepts.OBSERVATION_FLAGS}
        | concepts.meanings(concepts.FLAG_IDS, concepts.FLAG_CODES, own),
        units=concepts.meanings(concepts.UNIT_IDS, concepts.UNIT_CODES, own),
    )


def _own_codes(files: list[OmopFile]) -> dict[str, concepts.Code]:
    ids = (concepts.MEASUREMENT_IDS, concepts.UNIT_IDS, concepts.DEVICE_IDS, concepts.FLAG_IDS)
    codes = (concepts.QUANTITIES, concepts.UNIT_CODES, concepts.DEVICE_CODES, concepts.FLAG_CODES)
    known_ids = [str(concept_id) for known in ids for concept_id in known]
    known_codes = [code for known in codes for code in known]
    own: dict[str, concepts.Code] = {}
    for file in files:
        if file.table == "concept":
            own |= listed_codes(file, known_ids, known_codes)
    return own


def make_lookups(connection: duckdb.DuckDBPyConnection, known: Meanings) -> None:
    """Makes a table of each kind of meaning: `quantities`, `devices_meant`, `device_names`, `flags_meant`, `unit_ids`,
    `unit_texts`, `factors` and `sexes`."""
    quantities = [(key, meant.name, meant.sample) for key, meant in known.quantities.items()]
    factors = [(quantity, unit, *factor) for (quantity, unit), factor in concepts.FACTORS.items()]
    _make_lookup(connection, "quantities", ["meaning_key", "quantity", "sample"], quantities)
    _make_lookup(connection, "devices_meant", ["meaning_key", "device"], list(known.devices.items()))
    _make_lookup(connection, "device_names", ["name", "device"], list(concepts.DEVICE_NAMES.items()))
    _make_lookup(connection, "flags_meant", ["meaning_key", "flag"], list(known.flags.items()))
    _make_lookup(connection, "unit_ids", ["concept_id", "unit"], list(known.units.items()))
    _make_lookup(connection, "unit_texts", ["written", "unit"], list(concepts.UNIT_TEXTS.items()))
    _make_lookup(connection, "factors", ["quantity", "unit", "multiply", "divide"], factors)
    _make_lookup(connection, "sexes", ["concept_id", "sex"], list(concepts.SEXES.items()))


def _make_lookup(connection: duckdb.DuckDBPyConnection, table: str, columns: list[str], rows: list) -> None:
    connection.register("lookup", pl.DataFrame(rows, schema=columns, orient="row"))
    connection.execute(f"create table {table} as select {', '.join(columns)} from lookup")
    connection.unregister("lookup")


def meaning_key(known: Mapping[str, object], concept: str, source_concept: str, source_value: str) -> pl.Expr:
    """The concept id; in a row without one (null or 0), the source concept or source value, where it is known."""
    has_one = pl.col(concept) != "0"
    source_id, written, names = pl.col(source_concept), pl.col(source_value), list(known)
    return (
        pl.when(has_one)
        .then(concept)
        .when(source_id.is_in(names))
        .then(source_id)
        .otherwise(pl.when(written.is_in(names)).then(written))
        .alias("meaning_key")
    )
