"""The catalogue of measures: what a good file gives, and that every fault of every file is named at once."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import duckdb
import pytest

from pipeline.catalogue import check_columns, check_on_store, fingerprint, read_measures, refuse
from pipeline.errors import MeasureFileError

# Line 1 opens the comment; line 17 closes it; the SELECT, with its comment, begins on line 18.
GOOD = '''/*
title = "Time with a reading"
question = "How long was there a reading?"
kind = "share"
unit = "%"
better = "higher"
numerator = "Seconds with a reading."
denominator = "All seconds."
excludes = "Nothing."
standard = ""
source = """
    Choice of this audit,
    no source."""
caution = "None known."
version = 2
changes = [{version = 2, date = 2026-03-01, what = "Counts air too."}]
*/
-- One row per stay, ward and month.
select
    stay_id,
    ward,
    month,
    sum(case when spo2_percent is not null then seconds else 0 end) as numerator,
    sum(seconds) as denominator -- the * and the ; in this comment; and select * are not code
from timeline
where band_state <> 'asof :: select * ?'
group by
    stay_id,
    ward,
    month;
'''


def write(folder: Path, name: str, text: str = GOOD, **changes: str) -> None:
    """A measure file; each change replaces one line of the good one: the line that starts with the given word."""
    for word, line in changes.items():
        assert text.count(f"\n{word} = ") == 1
        start = text.index(f"\n{word} = ") + 1
        text = text[:start] + line + text[text.index("\n", start) :]
    (folder / f"{name}.sql").write_text(text, encoding="utf-8")


def faults_in(folder: Path) -> list[str]:
    with pytest.raises(MeasureFileError) as raised:
        read_measures(folder)
    return [line.strip() for line in str(raised.value).splitlines() if line.startswith("  ")]


def test_a_share_counts_time_unless_it_says_otherwise(tmp_path: Path) -> None:
    write(tmp_path, "time_read")
    write(tmp_path, "events_read", unit='unit = "%"\nof = "events"')
    assert {measure.id: measure.of for measure in read_measures(tmp_path)} == {
        "time_read": "time",
        "events_read": "events",
    }
    write(tmp_path, "patients_read", unit='unit = "%"\nof = "event"')
    assert faults_in(tmp_path) == [
        "patients_read.sql, line 6: `of` is not one of time, readings, events; did you mean `events`?"
    ]


def test_a_good_file_gives_every_word_of_its_header_and_the_bare_select(tmp_path: Path) -> None:
    write(tmp_path, "time_read")
    (measure,) = read_measures(tmp_path)
    assert (measure.id, measure.title, measure.kind) == ("time_read", "Time with a reading", "share")
    assert (measure.standard, measure.source) == ("", "Choice of this audit, no source.")
    assert measure.version == 2
    assert measure.changes == ((2, date(2026, 3, 1), "Counts air too."),)
    assert measure.changes[0].date == date(2026, 3, 1)
    assert measure.file == tmp_path / "time_read.sql"
    assert measure.sql.startswith("-- One row per stay")
    assert measure.sql.endswith("    month")
    assert measure.file.read_text().splitlines()[measure.first_line - 1] == measure.sql.splitlines()[0]


def test_measures_come_sorted_by_order_and_then_by_name(tmp_path: Path) -> None:
    write(tmp_path, "b_last")
    write(tmp_path, "a_last")
    write(tmp_path, "z_first", version="version = 2\norder = 1")
    assert [measure.id for measure in read_measures(tmp_path)] == ["z_first", "a_last", "b_last"]


def test_the_measures_that_come_with_the_tool_are_found_without_a_folder() -> None:
    measures = read_measures()
    folder = Path(__file__).parent.parent / "sql" / "measures"
    assert sorted(measure.id for measure in measures) == sorted(file.stem for file in folder.glob("*.sql"))
    orders = [measure.order for measure in measures]
    assert orders == sorted(set(orders)), "each has a place of its own"


def test_all_faults_of_all_files_come_in_one_message_with_their_lines(tmp_path: Path) -> None:
    write(tmp_path, "first", title='titel = "Time"', kind='kind = "shares"')
    write(tmp_path, "second", GOOD.replace("    ward,\n    month,\n    sum", "    ward,\n    month\n    sum(", 1))
    write(tmp_path, "third", caution="caution = None")
    write(tmp_path, "fine")
    with pytest.raises(MeasureFileError) as raised:
        read_measures(tmp_path)
    message = str(raised.value)
    assert message.startswith(f"4 faults in 3 measure files of {tmp_path}:\n")
    assert "  first.sql, line 2: unknown key `titel`; did you mean `title`?\n" in message
    assert "  first.sql, line 4: `kind` is not one of share, rate, median; did you mean `share`?\n" in message
    assert "  second.sql, line 23: Parser Error: syntax error at or near" in message
    assert "  third.sql, line 14: the header is not valid TOML: Invalid value\n" in message
    assert message.endswith("then run: bandaudit measures")
    assert "fine.sql" not in message


@pytest.mark.parametrize(
    ("word", "line", "fault"),
    [
        ("unit", "", "bad.sql, line 1: missing key `unit`"),
        (
            "better",
            'better = "hihger"',
            "line 6: `better` is not one of higher, lower, neither; did you mean `higher`?",
        ),
        ("better", 'betterr = "higher"', "bad.sql, line 6: unknown key `betterr`; did you mean `better`?"),
        ("title", "title = 3", "bad.sql, line 2: `title` must be text in quotes"),
        ("caution", 'caution = " "', "bad.sql, line 14: `caution` is empty: say it in words"),
        ("unit", 'unit = "fraction"', 'bad.sql, line 5: `unit` of a share is "%"'),
        ("kind", 'kind = "rate"', 'bad.sql, line 5: `unit` of a rate ends in "per 100 patient-days"'),
        ("version", "version = 2.5", "bad.sql, line 15: `version` must be a whole number from 1"),
        ("version", "version = 3", "line 16: `changes` must describe every version after the first, once"),
        ("changes", "changes = []", "line 16: `changes` must describe every version after the first, once"),
        ("changes", "changes = [{version = 2}]", "line 16: `changes` must be a list of {version = 2, date ="),
        ("version", 'version = 2\norder = "1"', "bad.sql, line 16: `order` must be a whole number from 1"),
        ("title", "title = 'a'\ntitle = 'b'", "bad.sql, line 3: the header is not valid TOML: Cannot overwrite"),
    ],
)
def test_a_fault_of_the_header_is_named_with_its_line(tmp_path: Path, word: str, line: str, fault: str) -> None:
    write(tmp_path, "bad", **{word: line})
    (found,) = faults_in(tmp_path)
    assert fault in found


@pytest.mark.parametrize(
    ("sql", "faults"),
    [
        ("", ["line 17: 0 statements after the header: expected one SELECT"]),
        ("select 1 as a; select 2 as b", ["line 18: 2 statements after the header: expected one SELECT"]),
        ("delete from timeline", ["line 18: not a SELECT: expected one query"]),
        ("from timeline", ["line 18: not a SELECT: expected one query"]),
        ("select ward\nfrom timeline\nwhere month = $month", ["line 20: a parameter"]),
        ("select ward\nfrom timeline\nwhere month = ?", ["line 20: a parameter"]),
        ("select *\nfrom timeline", ["line 18: select * at the end"]),
        ("with a as (\n  select * from stays\n)\nselect a.*\nfrom a", ["line 21: select * at the end"]),
        ("select t.ward\nfrom timeline t\nasof join wards w using (ward)", ["line 20: not portable: asof join"]),
        ("select\n  quantile_cont(seconds, 0.5) as value\nfrom timeline", ["line 19: not portable: a quantile"]),
        (
            "select seconds::double as value,\n  median(seconds) as m\nfrom timeline\ngroup by all",
            [
                "line 18: not portable: `::`; write cast(... as ...)",
                "line 19: not portable: a quantile function",
                "line 21: not portable: by all; name the columns",
            ],
        ),
    ],
)
def test_a_fault_of_the_select_is_named_with_its_line(tmp_path: Path, sql: str, faults: list[str]) -> None:
    write(tmp_path, "bad", GOOD[: GOOD.index("-- One row")] + sql + "\n")
    found = sorted(faults_in(tmp_path))
    assert len(found) == len(faults)
    assert all(place.startswith(f"bad.sql, {fault}") for place, fault in zip(found, faults, strict=True))


def test_a_star_inside_a_with_step_is_allowed(tmp_path: Path) -> None:
    write(tmp_path, "good", GOOD.replace("from timeline\n", "from (select * from timeline) as spans\n"))
    assert len(read_measures(tmp_path)) == 1


def test_a_file_without_header_or_not_in_utf8_is_named(tmp_path: Path) -> None:
    (tmp_path / "bare.sql").write_text("select 1 as value", encoding="utf-8")
    (tmp_path / "latin.sql").write_bytes(b"/* title = '\xe9' */")
    assert faults_in(tmp_path) == [
        "bare.sql, line 1: no header: expected the file to open with /* TOML */",
        "latin.sql, line 1: cannot be read as UTF-8 text",
    ]


def test_a_file_may_not_be_named_like_a_table_or_with_capitals(tmp_path: Path) -> None:
    write(tmp_path, "high_fio2_episodes")
    write(tmp_path, "Time-Read")
    found = faults_in(tmp_path)
    assert found[0].startswith("Time-Read.sql, line 1: the file's name is the measure's name: expected small letters")
    assert found[1].startswith("high_fio2_episodes.sql, line 1: a table has this name")


def test_a_folder_without_measures_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(MeasureFileError, match=r"No measure in .*<measure>\.sql"):
        read_measures(tmp_path)


def test_the_columns_returned_are_checked_with_the_nearest_name(tmp_path: Path) -> None:
    write(tmp_path, "share")
    write(tmp_path, "median", kind='kind = "median"', unit='unit = "hours"')
    median, share = read_measures(tmp_path)
    good = ["stay_id", "ward", "month", "numerator", "denominator"]
    assert check_columns(share, good) == check_columns(share, [*good, "retainer"]) == []
    assert check_columns(median, ["stay_id", "ward", "month", "value", "censored", "retainer"]) == []
    assert check_columns(share, ["stay_id", "ward", "numerater", "denominator"]) == [
        (tmp_path / "share.sql", 18, "unknown column `numerater`; did you mean `numerator`?"),
        (tmp_path / "share.sql", 18, "missing column `month`"),
    ]
    assert [fault.what for fault in check_columns(median, good)] == [
        "unknown column `numerator`; expected: stay_id, ward, month, value, censored, retainer",
        "unknown column `denominator`; expected: stay_id, ward, month, value, censored, retainer",
        "missing column `value`",
    ]
    refuse([])
    with pytest.raises(MeasureFileError, match=r"share\.sql, line 18: missing column `ward`\n"):
        refuse(check_columns(share, ["stay_id", "month", "numerator", "denominator"]))


def test_a_select_that_does_not_fit_the_store_is_named_with_its_line(tmp_path: Path) -> None:
    write(tmp_path, "column", GOOD.replace("spo2_percent is", "spo2_percnt is"))
    write(tmp_path, "fits")
    write(tmp_path, "table", GOOD.replace("from timeline", "from timelines"))
    connection = duckdb.connect()
    connection.execute(
        "create table timeline (stay_id text, ward text, month text, seconds int, spo2_percent double, band_state text)"
    )
    with pytest.raises(MeasureFileError) as raised:
        check_on_store(read_measures(tmp_path), connection)
    column, table = [line for line in str(raised.value).splitlines() if line.startswith("  ")]
    assert column.startswith('  column.sql, line 23: Binder Error: Referenced column "spo2_percnt" not found')
    assert '"spo2_percent"' in column
    assert table.startswith("  table.sql, line 25: Catalog Error: Table with name timelines does not exist!")
    assert '"timeline"' in table


def test_wrong_types_are_named(tmp_path: Path) -> None:
    write(tmp_path, "type", GOOD[: GOOD.index("-- One row")] + "select 'a' as stay_id, 'b' as ward, 3 as month, "
          "'x' as numerator, 1.5 as denominator")  # fmt: skip
    with pytest.raises(MeasureFileError) as raised:
        check_on_store(read_measures(tmp_path), duckdb.connect())
    assert "line 18: column `month` must be text, YYYY-MM\n" in str(raised.value)
    assert "line 18: column `numerator` must be a number\n" in str(raised.value)
    assert "denominator" not in str(raised.value)


def test_the_fingerprint_changes_with_the_select_and_with_the_header_and_not_with_the_place(tmp_path: Path) -> None:
    write(tmp_path, "one")
    (tmp_path / "copy").mkdir()
    write(tmp_path / "copy", "one")
    (measure,), (copy,) = read_measures(tmp_path), read_measures(tmp_path / "copy")
    first = fingerprint([measure])
    assert re.fullmatch("[0-9a-f]{12}", first)
    assert fingerprint([copy]) == first
    assert fingerprint([replace(measure, sql=measure.sql + " ")]) != first
    assert fingerprint([replace(measure, caution="Another.")]) != first
    assert fingerprint([replace(measure, version=3)]) != first
    other = replace(measure, id="other")
    assert fingerprint([measure, other]) == fingerprint([other, measure]) != first
