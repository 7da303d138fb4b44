"""A chart on a slide that can be edited: its own data behind it, intervals as error bars."""

from lxml import etree
from pptx.chart.data import CategoryChartData
from pptx.enum.chart import (
    XL_CHART_TYPE,
    XL_LABEL_POSITION,
    XL_LEGEND_POSITION,
    XL_MARKER_STYLE,
    XL_TICK_LABEL_POSITION,
    XL_TICK_MARK,
)
from pptx.oxml.ns import qn
from pptx.util import Inches, Pt

from reports import present_bytes
from reports.charts import ACCENT, PAGE, SHADES
from reports.present_charts import NARROW, PARTS, SERIES_SHADES
from reports.present_sheets import COLUMNS, ROWS, SHARES, TREND, Chart, Series
from reports.present_slide_tables import GREY, INK, LINE, coloured

_KINDS = {
    TREND: XL_CHART_TYPE.LINE_MARKERS,
    COLUMNS: XL_CHART_TYPE.COLUMN_CLUSTERED,
    ROWS: XL_CHART_TYPE.BAR_CLUSTERED,
    SHARES: XL_CHART_TYPE.BAR_STACKED,
}
_FORMAT = "General"


def add_chart(slide, chart: Chart, left: float, top: float, width: float, height: float) -> None:  # type: ignore[no-untyped-def]
    """Adds a native chart at this place (inches); a chart of rows has the hospital's figure as a row of its own."""
    names, series = chart.names, chart.series
    if chart.kind in (ROWS, SHARES):
        # A chart of bars begins at the bottom.
        names, series = present_bytes.with_hospital(chart)
    marked = _marks(chart) if chart.kind == TREND else ()
    data = CategoryChartData(number_format=_FORMAT)
    data.categories = list(names)
    for one in (*series, *marked):
        data.add_series(one.name, one.values)
    frame = slide.shapes.add_chart(_KINDS[chart.kind], Inches(left), Inches(top), Inches(width), Inches(height), data)
    frame.name = chart.title
    frame._element.nvGraphicFramePr.cNvPr.set("descr", chart.text)
    drawn = frame.chart
    drawn.part.chart_workbook.update_from_xlsx_blob(present_bytes.workbook(names, (*series, *marked)))
    _dress(drawn, chart)
    for place, one in enumerate(series):
        _dress_series(drawn.plots[0].series[place], chart, place)
        if one.lows:
            _add_intervals(drawn.plots[0].series[place], one, chart.kind, chart.ends)
    for place, _ in enumerate(marked, start=len(series)):
        _dress_marks(drawn.plots[0].series[place], chart)


def _marks(chart: Chart) -> tuple[Series, ...]:
    """What was changed as a series of its own: at the top of the axis in the months of the changes, else nothing."""
    if not chart.marks:
        return ()
    places = {mark.place for mark in chart.marks}
    top = chart.ends[1]
    return (Series("Changes", tuple(top if place in places else None for place in range(len(chart.names)))),)


def _dress_marks(series, chart: Chart) -> None:  # type: ignore[no-untyped-def]
    """A symbol without a line in each month with a change, and the numbers of its changes beside it."""
    series.smooth = False
    series.format.line.fill.background()
    series.marker.style, series.marker.size = XL_MARKER_STYLE.DIAMOND, 8
    series.marker.format.fill.solid()
    series.marker.format.fill.fore_color.rgb = coloured(INK)
    series.marker.format.line.color.rgb = coloured(INK)
    for place in sorted({mark.place for mark in chart.marks}):
        named = ", ".join(mark.name.removeprefix("change ") for mark in chart.marks if mark.place == place)
        label = series.points[place].data_label
        label.position = XL_LABEL_POSITION.RIGHT
        label.text_frame.text = named
        run = label.text_frame.paragraphs[0].runs[0]
        run.font.size, run.font.bold = Pt(10), True
        run.font.color.rgb = coloured(INK)


def _dress(drawn, chart: Chart) -> None:  # type: ignore[no-untyped-def]
    drawn.has_title = False
    drawn.font.size, drawn.font.name = Pt(10), "Arial"
    drawn.font.color.rgb = coloured(INK)
    drawn.has_legend = len(chart.series) > 1
    if drawn.has_legend:
        drawn.legend.position, drawn.legend.include_in_layout = XL_LEGEND_POSITION.TOP, False
    values, names = drawn.value_axis, drawn.category_axis
    values.minimum_scale, values.maximum_scale = chart.ends
    values.has_title = True
    values.axis_title.text_frame.text = chart.unit
    values.axis_title.text_frame.paragraphs[0].runs[0].font.size = Pt(9)
    values.axis_title.text_frame.paragraphs[0].runs[0].font.bold = False
    values.major_gridlines.format.line.color.rgb = coloured(LINE)
    values.format.line.fill.background()
    values.major_tick_mark = names.major_tick_mark = XL_TICK_MARK.NONE
    names.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    names.format.line.color.rgb = coloured(GREY)
    names.has_major_gridlines = False
    if chart.kind == TREND:
        # Names of months stand upright, in two lines where there is no room for one.
        names.tick_labels.font.size = Pt(9)
        names._element.find(qn("c:txPr")).find(qn("a:bodyPr")).set("rot", "0")
    if chart.kind != TREND:
        drawn.plots[0].gap_width = 60
    if chart.kind == SHARES:
        drawn.plots[0].overlap = 100


def _dress_series(series, chart: Chart, place: int) -> None:  # type: ignore[no-untyped-def]
    if chart.kind == TREND:
        series.smooth = False
        series.format.line.color.rgb, series.format.line.width = coloured(ACCENT), Pt(1.75)
        series.marker.style, series.marker.size = 8, 6
        series.marker.format.fill.solid()
        series.marker.format.fill.fore_color.rgb = coloured(ACCENT)
        series.marker.format.line.color.rgb = coloured(ACCENT)
        return
    shade = {SHARES: [SHADES[part] for part in PARTS], COLUMNS: SERIES_SHADES}.get(chart.kind, [SHADES["above"]])[place]
    series.invert_if_negative = False
    series.format.fill.solid()
    series.format.fill.fore_color.rgb = coloured(shade)
    series.format.line.color.rgb, series.format.line.width = coloured(INK), Pt(0.5)
    if chart.kind == SHARES:
        labels = series.data_labels
        labels.show_value, labels.number_format, labels.number_format_is_linked = True, 'General" %"', False
        labels.position = XL_LABEL_POSITION.CENTER
        labels.font.size = Pt(10)
        labels.font.color.rgb = coloured(PAGE if PARTS[place] == "below" else INK)
        for number, value in enumerate(series.values):
            if (value or 0.0) < NARROW:
                _without_label(labels, number)


def _without_label(labels, number: int) -> None:  # type: ignore[no-untyped-def]
    """No figure in a part that is too narrow for it; the table has it."""
    label = etree.Element(qn("c:dLbl"))
    etree.SubElement(label, qn("c:idx"), val=str(number))
    etree.SubElement(label, qn("c:delete"), val="1")
    labels._element.insert(_labels_of_points(labels._element), label)


def _labels_of_points(labels) -> int:  # type: ignore[no-untyped-def]
    """How many labels of single points there are: they come first (ECMA-376 part 1, 21.2.2.49)."""
    return len(labels.findall(qn("c:dLbl")))


def _add_intervals(series, one: Series, kind: str, ends: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    """The 95 % interval of each value as error bars (ECMA-376 part 1, 21.2.2.55), no longer than the axis."""
    bars = etree.Element(qn("c:errBars"))
    # Bars lying on their side have no direction of their own.
    direction = [("errDir", "y")] if kind == TREND else []
    for name, value in (*direction, ("errBarType", "both"), ("errValType", "cust"), ("noEndCap", "1")):
        etree.SubElement(bars, qn(f"c:{name}"), val=value)
    bottom, top = ends
    above = [_between(value, high, top) for high, value in zip(one.highs, one.values, strict=True)]
    below = [_between(value, low, bottom) for low, value in zip(one.lows, one.values, strict=True)]
    for name, lengths in (("plus", above), ("minus", below)):
        numbers = etree.SubElement(etree.SubElement(bars, qn(f"c:{name}")), qn("c:numLit"))
        etree.SubElement(numbers, qn("c:formatCode")).text = _FORMAT
        etree.SubElement(numbers, qn("c:ptCount"), val=str(len(lengths)))
        for place, length in enumerate(lengths):
            if length is not None:
                point = etree.SubElement(numbers, qn("c:pt"), idx=str(place))
                etree.SubElement(point, qn("c:v")).text = f"{length:.1f}"
    line = etree.SubElement(etree.SubElement(bars, qn("c:spPr")), qn("a:ln"), w="15875")
    etree.SubElement(etree.SubElement(line, qn("a:solidFill")), qn("a:srgbClr"), val=ACCENT.lstrip("#").upper())
    element = series._element
    element.insert(element.index(element.find(qn("c:cat"))), bars)


def _between(value: float | None, end: float | None, axis_end: float) -> float | None:
    """How far it is from a value to the end of its interval, or to the end of the axis if that is nearer."""
    return None if value is None or end is None else min(abs(end - value), abs(axis_end - value))
