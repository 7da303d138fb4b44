"""The mapping file: what it may hold, and that every fault of it is told at once, with place and nearest right name."""

import contextlib
import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import MappingError
from pipeline.intake.mapping.declaration import read_mapping
from pipeline.intake.mapping.values import UNITS
from pipeline.vocabulary import TABLES
from tests.intake.mapping.hospital import mapping_of

WHOLE = """
timezone = "Europe/Berlin"
delimiter = ";"
missing = ["NULL", "N/A"]

[readings]
files = ["obs_*.csv", "monitor.csv"]
decimal = ","
encoding = "UTF-16"
time_format = "%d/%m/%Y %H:%M"
missing = "-"

[readings.columns]
stay_id = "Encounter"
taken_at = ["Obs date", "Obs time"]
spo2_percent = "Sats"
source = "Method"

[readings.units]
spo2_percent = "fraction"

[readings.codes.source]
"By hand" = "spot"
"Not said" = ""

[readings.only]
"Kind" = ["SpO2", "Sats"]

[[flags]]
files = "copd.csv"
fixed.flag = "copd"

[[flags]]
files = "alerts.csv"

[stays.fixed]
site = "North site"

[database]
password_env = "AUDIT_PASSWORD"

[database.select]
gases = "select stay_id, taken_at, sample_type from gases;"
"""


def faults(folder: Path, text: str) -> str:
    with pytest.raises(MappingError) as refused:
        mapping_of(folder, text)
    return str(refused.value)


def test_a_whole_mapping_is_read_as_it_says(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, WHOLE)
    [readings] = mapping.of("readings")
    assert mapping.timezone == "Europe/Berlin"
    assert readings.files == ("obs_*.csv", "monitor.csv")
    assert (readings.delimiter, readings.decimal, readings.encoding) == (";", ",", "utf-16")
    assert readings.time_formats == ("%d/%m/%Y %H:%M",)
    assert readings.columns["taken_at"] == ("Obs date", "Obs time")
    assert readings.units == {"spo2_percent": "fraction"}
    # Capitals make no difference in words.
    assert readings.codes == {"source": {"by hand": "spot", "not said": ""}}
    assert readings.only == {"Kind": ("SpO2", "Sats")}
    assert mapping.select == {"gases": "select stay_id, taken_at, sample_type from gases"}
    assert mapping.password_env == "AUDIT_PASSWORD"


def test_what_stands_at_the_top_holds_for_every_section_that_does_not_say_otherwise(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, WHOLE)
    assert [part.delimiter for part in mapping.of("flags")] == [";", ";"]
    assert mapping.of("readings")[0].missing == ("-",)
    assert mapping.of("flags")[0].missing == ("null", "n/a")


def test_a_table_may_have_several_sections_and_one_that_is_not_named_is_canonical(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, WHOLE)
    assert [(part.files, part.fixed) for part in mapping.of("flags")] == [
        (("copd.csv",), {"flag": "copd"}),
        (("alerts.csv",), {}),
    ]
    [wards] = mapping.of("wards")
    assert (wards.files, wards.columns, wards.delimiter) == ((), {}, ",")


def test_an_empty_mapping_changes_nothing(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, "")
    assert (mapping.tables, mapping.timezone, mapping.select) == ((), None, {})


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[reading]\n", "at the top of the file: 'reading' is not known (perhaps readings)"),
        ('timezone = "Europe/Londn"', "(perhaps Europe/London)"),
        ('[readings]\ntimezone = "Europe/London"', "[readings]: timezone belongs at the top of the file"),
        ('[readings]\ndelimeter = ";"', "[readings]: 'delimeter' is not known (perhaps delimiter)"),
        ('[readings]\ndelimiter = "; "', "[readings] delimiter: must be the one sign"),
        ('[readings]\ndecimal = "·"', "[readings] decimal: must be"),
        ('[readings]\nencoding = "utf-17"', "[readings] encoding: must be the name of an encoding"),
        ("[readings]\nfiles = []", "[readings] files: must be a text or a list of texts"),
        ('[readings]\nfiles = ["sub/obs.csv"]', "without folders"),
        ('[readings]\ntime_format = "%d/%m/%Y"', "must have day, month, year, hour and minute"),
        ('[readings]\ntime_format = "%d/%m/%Y %I:%M"', "%I needs %p"),
        ('[readings]\ntime_format = "%d/%m/%Y %H:%Q"', "made of %Y %y"),
        ('[readings]\ntime_format = "dd/mm/yyyy hh:mm"', "must be excel_serial or a format"),
        ('[readings]\ntime_format = "%Y-%d-%m %H:%M"', "cannot be told from year, month, day"),
        ('[readings]\ntime_format = ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"]', "in different orders"),
        ('[readings]\ntime_format = ["%d/%m/%y %H:%M", "%y/%m/%d %H:%M"]', "in different orders"),
        ('[readings.columns]\nspo2 = "Sats"', "[readings.columns]: 'spo2' is not known"),
        ('[readings.columns]\nstay_id = "E"\ntaken_at = "T"', "[readings.columns]: lacks the required spo2_percent"),
        ('[readings.columns]\nstay_id = ["A", "B"]', "only a time may be joined from two"),
        ("[readings.columns]\nstay_id = 3", "must be the name of a column of the hospital, in quotation marks"),
        ('[gases.units]\npco2 = "mmHg"', "[gases.units]: 'pco2' is not known (perhaps pco2_kpa)"),
        ('[gases.units]\npco2_kpa = "mbar"', "[gases.units] pco2_kpa: must be kPa or mmHg"),
        ('[devices.units]\nflow_l_min = "L/min"', "has one unit only"),
        (
            '[devices.codes.device]\n"Specs" = "nasal canula"',
            "'nasal canula' is no code of device (perhaps nasal_cannula)",
        ),
        ('[devices.codes.device]\n"A" = "cpap"\n"a" = "other"', "stands there twice, with different codes"),
        ('[devices.codes.devise]\n"A" = "cpap"', "[devices.codes]: 'devise' is not known (perhaps device)"),
        ('[devices.codes]\ndevice = "cpap"', "must be a section of lines"),
        ('[devices.codes.fio2_fraction]\n"Venturi 28%" = "0.28"', "must be a number, without quotation marks"),
        ('[stays.codes.stay_id]\n"A" = "B"', "keys and times have no codes"),
        ('[flags.fixed]\nflag = "COPDD"', "is no code of flag (perhaps copd)"),
        ("[devices.fixed]\nfio2_fraction = 28", "must be a number from 0.21 to 1"),
        ('[stays.fixed]\nstay_id = "A"', "must come from a column"),
        ('[stays.fixed]\nsite = ""', "must be a text or a number"),
        (
            '[wards.fixed]\nward = "A"\n[wards.columns]\nstay_id = "E"\nentered_at = "T"\nward = "W"',
            "[wards.fixed] ward: has a column under [wards.columns] as well",
        ),
        (
            '[wards.columns]\nstay_id = "E"\nentered_at = "T"\nward = "W"\n[gases.columns]\nstay_id = "E"\n'
            'taken_at = "T"\nsample_type = "S"\n[gases.units]\nph = "nmol/L"',
            "[gases.columns]: lacks ph, for which units or codes are given",
        ),
        ('[readings.only]\n"Kind" = []', "[readings.only] Kind: must be a text or a list of texts"),
        ('readings = "obs.csv"', "readings: must be a section that begins with [readings]"),
        ('[readings]\ncolumns = "obs.csv"', "must be a section that begins with [readings.columns]"),
        ('[database.select]\nreadings = "delete from readings"', 'one query that begins with "select" or "with"'),
        ('[database.select]\nreading = "select 1"', "'reading' is not known (perhaps readings)"),
        ('[readings]\nfiles = "a.csv"\n[database.select]\nreadings = "select 1"', "comes from [database.select]"),
        ('[database]\npassword_env = "two words"', "must be the name of an environment variable, never the password"),
    ],
)
def test_a_fault_is_told_with_its_place_and_the_nearest_right_name(tmp_path: Path, text: str, says: str) -> None:
    assert says in faults(tmp_path, text)


def test_all_faults_come_in_one_message(tmp_path: Path) -> None:
    text = '[reading]\n[gases.units]\nph = "mmHg"\n[[flags]]\nfixed.flag = "copdd"\n[[flags]]\nfilez = "a"'
    message = faults(tmp_path, text)
    assert "has 4 entries that cannot be used" in message
    for place in ("at the top of the file", "[gases.units] ph", "[flags no. 1.fixed] flag", "[flags no. 2]"):
        assert f"\n  {place}: " in message


def test_a_password_in_the_mapping_is_refused_and_not_repeated(tmp_path: Path) -> None:
    message = faults(tmp_path, '[database]\npassword = "secret-word"\npassword_env = "another secret"')
    assert "'password' is not known (perhaps password_env)" in message
    assert "secret-word" not in message
    assert "another secret" not in message


VALUES: st.SearchStrategy[object] = st.recursive(
    st.booleans()
    | st.integers()
    | st.floats()
    | st.dates()
    | st.sampled_from(["", ";", "x", "*", "%d", "kPa", "cpap"]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "ph", "files"]), inner, max_size=2)
    ),
    max_leaves=4,
)


def as_toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {as_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    return json.dumps(value) if isinstance(value, str | bool) else str(value)


def places(value: object, way: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """The way to every entry of a mapping."""
    inner = value.items() if isinstance(value, dict) else ()
    return [way, *(place for key, below in inner for place in places(below, (*way, key)))]


def changed(value: object, way: tuple[str, ...], new: object) -> object:
    if not way:
        return new
    assert isinstance(value, dict)
    return value | {way[0]: changed(value[way[0]], way[1:], new)}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(way=st.sampled_from(places(tomllib.loads(WHOLE))[1:]), value=VALUES)
def test_whatever_stands_in_an_entry_it_is_taken_or_refused_in_words(
    tmp_path: Path, way: tuple[str, ...], value: object
) -> None:
    content = changed(tomllib.loads(WHOLE), way, value)
    assert isinstance(content, dict)
    text = "".join(f"{json.dumps(key)} = {as_toml(entry)}\n" for key, entry in content.items())
    with contextlib.suppress(MappingError):
        mapping_of(tmp_path, text)


def test_text_that_is_not_toml_is_refused_with_its_line(tmp_path: Path) -> None:
    message = faults(tmp_path, "[readings]\nfiles = obs.csv\n")
    assert "is not valid TOML" in message
    assert "line 2" in message


def test_a_mapping_that_is_not_there_or_not_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="cannot be read"):
        read_mapping(tmp_path / "none.toml")
    (tmp_path / "other.toml").write_bytes('timezone = "Europe/London"'.encode("utf-16"))
    with pytest.raises(MappingError, match="not text in UTF-8"):
        read_mapping(tmp_path / "other.toml")


def test_the_mark_that_editors_write_first_does_no_harm(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_bytes('timezone = "Europe/London"'.encode("utf-8-sig"))
    assert read_mapping(tmp_path / "m.toml").timezone == "Europe/London"


@pytest.mark.parametrize("written", ["mmHg", "mm Hg", "MMHG", "mm[Hg]"])
def test_units_are_known_however_they_are_written(tmp_path: Path, written: str) -> None:
    # mm[Hg] and % are the codes of UCUM.
    mapping = mapping_of(tmp_path, f'[gases.units]\npco2_kpa = "{written}"\nfio2_fraction = "%"')
    assert mapping.of("gases")[0].units == {"pco2_kpa": "mmHg", "fio2_fraction": "percent"}


def test_every_unit_belongs_to_a_column_of_the_extract() -> None:
    columns = {name for table in TABLES.values() for name in table.column_names}
    assert set(UNITS) <= columns
