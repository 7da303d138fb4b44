"""Small OMOP tables row by row: one ordinary stay, one reading, one device, and changes to them."""

from pathlib import Path
from typing import Any

from tests.intake.omop.tables import collected, write_rows

INPATIENT, OUTPATIENT, EMERGENCY = 9201, 9202, 9203
PERCENT, MMHG, KPA, L_MIN, RATIO = 8554, 8876, 44777602, 8698, 8523
SPO2, SAO2, RATE, FIO2, FLOW = 40762499, 3016502, 3024171, 3020716, 3005629
PH, PCO2, PO2 = 3019977, 3027946, 3027801
PH_VENOUS, PH_OF_BLOOD, PCO2_OF_BLOOD, BICARBONATE_OF_BLOOD = 3012544, 3010421, 3013290, 3006576
STAY = {
    "visit_occurrence_id": 1,
    "person_id": 10,
    "visit_concept_id": INPATIENT,
    "visit_start_datetime": "2026-01-05 08:00:00",
    "visit_end_datetime": "2026-01-09 12:00:00",
}
VALUE = {
    "visit_occurrence_id": 1,
    "measurement_concept_id": SPO2,
    "measurement_date": "2026-01-05",
    "measurement_datetime": "2026-01-05 10:00:00",
    "measurement_time": None,
    "value_as_number": 91,
    "operator_concept_id": None,
    "unit_concept_id": PERCENT,
    "unit_source_value": None,
    "measurement_source_value": None,
}
DEVICE = {
    "visit_occurrence_id": 1,
    "device_concept_id": 4224038,
    "device_exposure_start_date": "2026-01-05",
    "device_exposure_start_datetime": "2026-01-05 10:00:00",
    "device_exposure_end_date": None,
    "device_exposure_end_datetime": None,
    "device_source_value": None,
}


def value(concept: int, number: Any, unit: int | None = None, **changes: Any) -> dict[str, Any]:
    """A row of measurements at ten o'clock."""
    return {
        **VALUE,
        "measurement_concept_id": concept,
        "value_as_number": number,
        "unit_concept_id": unit,
        **changes,
    }


def rows_of(folder: Path, table: str, tell: list[str] | None = None, **tables: Any) -> list[dict[str, Any]]:
    """The rows of a table of the extract out of these tables; one ordinary stay and one reading unless given."""
    written = {"visit_occurrence": [STAY], "measurement": [VALUE], **tables}
    return collected(write_rows(folder, **written), tell)[table].to_dicts()


def without_nulls(row: dict[str, Any]) -> dict[str, Any]:
    return {name: cell for name, cell in row.items() if cell is not None}
