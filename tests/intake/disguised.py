"""A whole extract as an invented hospital writes it: own files, columns, words, units, signs, times and encoding."""

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.vocabulary import TABLES, Kind

ZONE = "Europe/London"
FILES = {
    "stays": "spells",
    "wards": "bed_moves",
    "readings": "obs",
    "devices": "o2_devices",
    "targets": "prescribed",
    "gases": "bloods",
    "flags": "alerts",
}
# Header of a column in every table that has it; the others are called "H " and their own name.
HEADERS = {"stay_id": "Spell No", "patient_key": "Pseudo", "spo2_percent": "Sats é", "device": "O2 Gerät"}
WORDS: Mapping[str, Mapping[str, str]] = {
    "device": {code: f"{code.replace('_', ' ').title()} ü" for code in TABLES["devices"].column("device").codes},
    "sample_type": {"arterial": "ABG", "capillary": "Ear lobe", "venous": "VBG"},
    "ews_scale": {"1": "Scale A", "2": "Scale B"},
    "sex": {"female": "F", "male": "M"},
}
UNITS = {
    "spo2_percent": "fraction",
    "lower_percent": "fraction",
    "upper_percent": "fraction",
    "fio2_fraction": "percent",
    "pco2_kpa": "mmHg",
    "po2_kpa": "mmHg",
}
# 1 mmHg = 133.322387415 Pa (NIST SP 811).
_FACTORS = {"fraction": 0.01, "percent": 100.0, "mmHg": 1 / 0.133322387415}


def header(column: str) -> str:
    return HEADERS.get(column, f"H {column}")


def write_disguised(tables: Mapping[str, pl.DataFrame], folder: Path) -> Path:
    """Writes the tables, whose times are UTC without zone; semicolons, decimal commas, Latin-1, day before month."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        cells = frame.select(_cell(name, column, frame) for column in frame.columns)
        text = cells.write_csv(separator=";", null_value="NULL", quote_style="necessary")
        (folder / f"{FILES[name]}.txt").write_text(text, encoding="latin-1", newline="")
    return folder


def _cell(table: str, name: str, frame: pl.DataFrame) -> pl.Expr:
    cell, kind = pl.col(name), TABLES[table].column(name).kind
    if kind is Kind.TIME:
        cell = cell.dt.replace_time_zone("UTC").dt.convert_time_zone(ZONE).dt.strftime("%d/%m/%Y %H:%M:%S")
    elif name in UNITS:
        cell = (
            (cell.cast(pl.Float64) * _FACTORS[UNITS[name]]).round(9).cast(pl.String).str.replace(".", ",", literal=True)
        )
    elif frame.schema[name].is_float():
        cell = cell.cast(pl.String).str.replace(".", ",", literal=True)
    else:
        cell = cell.cast(pl.String)
    return (cell.replace(WORDS[name]) if name in WORDS else cell).alias(header(name))


def _section(name: str) -> str:
    columns = TABLES[name].column_names
    lines = [f"[{name}]", f'files = "{FILES[name]}.txt"', f"[{name}.columns]"]
    lines += [f'{column} = "{header(column)}"' for column in columns]
    lines += [f"[{name}.units]", *(f'{column} = "{UNITS[column]}"' for column in columns if column in UNITS)]
    for column in WORDS:
        if column in columns:
            lines += [f"[{name}.codes.{column}]", *(f'"{own}" = "{code}"' for code, own in WORDS[column].items())]
    return "\n".join(lines)


_TOP = f"""timezone = "{ZONE}"
delimiter = ";"
decimal = ","
encoding = "latin-1"
missing = "NULL"
time_format = "%d/%m/%Y %H:%M:%S\""""
MAPPING = "\n\n".join([_TOP, *(_section(name) for name in TABLES)])
