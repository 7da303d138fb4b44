"""The same slides give the same bytes: no clock and no leftovers of a template in the file."""

import io
import re
import zipfile
from datetime import date, datetime

import xlsxwriter

from reports.palette import light
from reports.present_sheets import Chart, Series

_FIRST_OF_ZIP = (1980, 1, 1, 0, 0, 0)
_LONG_AGO = datetime(2000, 1, 1)
# Fonts that are on most machines, and the ink and shades of the other pages.
_FONTS = {"majorFont": "Georgia", "minorFont": "Arial"}
_COLOURS = {
    "dk1": "ink",
    "lt1": "page",
    "dk2": "accent",
    "lt2": "tint",
    "accent1": "accent",
    "accent2": "above",
    "accent3": "below",
    "accent4": "within",
    "accent5": "grey",
    "accent6": "line",
    "hlink": "accent",
    "folHlink": "grey",
}


def own_theme(theme: bytes) -> bytes:
    """A theme with the fonts and shades of the pages instead of its own."""
    text = theme.decode("utf-8")
    colours = "".join(
        f'<a:{name}><a:srgbClr val="{light(colour)[1:].upper()}"/></a:{name}>' for name, colour in _COLOURS.items()
    )
    text = re.sub(
        r"<a:clrScheme .*?</a:clrScheme>", f'<a:clrScheme name="Pages">{colours}</a:clrScheme>', text, flags=re.S
    )
    for kind, font in _FONTS.items():
        fonts = f'<a:{kind}><a:latin typeface="{font}"/><a:ea typeface=""/><a:cs typeface=""/></a:{kind}>'
        text = re.sub(rf"<a:{kind}>.*?</a:{kind}>", fonts, text, flags=re.S)
    text = re.sub(r'<a:fontScheme name="[^"]*"', '<a:fontScheme name="Pages"', text)
    return re.sub(r'(<a:theme [^>]*?)name="[^"]*"', r'\1name="Pages"', text, count=1).encode("utf-8")


def own_application(properties: bytes) -> bytes:
    """The properties a program leaves about itself in the file: its name and nothing else."""
    own = rb"\1<Application>bandaudit</Application>\2"
    return re.sub(rb"(<Properties [^>]*>).*(</Properties>)", own, properties, flags=re.S)


def workbook(names: tuple[str, ...], series: tuple[Series, ...]) -> bytes:
    """The workbook behind a chart: names in column A, a series in each column after it; text stays text."""
    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(file, options) as book:
        book.set_properties({"created": _LONG_AGO})
        sheet = book.add_worksheet("Sheet1")
        for row, name in enumerate(names, start=1):
            sheet.write_string(row, 0, name)
        for column, one in enumerate(series, start=1):
            sheet.write_string(0, column, one.name)
            for row, value in enumerate(one.values, start=1):
                if value is not None:
                    sheet.write_number(row, column, value)
    return without_clock(file.getvalue())


def without_clock(package: bytes) -> bytes:
    """The same zip file with the same time for every part."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package)) as given, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as written:
        for name in given.namelist():
            entry = zipfile.ZipInfo(name, _FIRST_OF_ZIP)
            entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_DEFLATED, 0, 0
            written.writestr(entry, given.read(name))
    return made.getvalue()


def midnight(day: date | None) -> datetime:
    """The instant that stands in the properties of the file: the day up to which there are data."""
    return _LONG_AGO if day is None else datetime(day.year, day.month, day.day)


def with_hospital(chart: Chart) -> tuple[tuple[str, ...], tuple[Series, ...]]:
    """Names and series of a chart of rows as a slide draws them: from the bottom up, the hospital's figure last."""
    names, series = chart.names[::-1], tuple(_reversed(one) for one in chart.series)
    if chart.reference is None:
        return names, series
    first = tuple(
        Series(one.name, (chart.reference, *one.values), (None, *one.lows), (None, *one.highs)) for one in series
    )
    return ("Hospital", *names), first


def _reversed(one: Series) -> Series:
    return Series(one.name, one.values[::-1], one.lows[::-1], one.highs[::-1])
