"""The whole stay in one chart: lanes under each other on one local time axis.

From the top: ward, saturation with its band, what the audit made of the time, breathing, inspired oxygen with its
range, device, blood gases, and the steps of the pathway. Every row is named at its left; nothing is told by colour
alone.
"""

from collections.abc import Mapping, Sequence

import polars as pl
from markupsafe import Markup

from pipeline.policy import Policy
from reports import case_axis, case_rows, wording
from reports.case_drawing import Bar, Dot, Drawing, Rule, Words, fitted
from reports.case_lanes import (
    HALF_PIXEL,
    LEFT,
    RIGHT,
    WIDTH,
    Lane,
    Place,
    draw_lane,
    step_line,
    threshold_line,
    value_lane,
)
from reports.case_record import Record, readings_with_state, runs
from reports.case_rows import Row
from reports.charts import ACCENT, GREY, INK, PAGE, SHADES
from reports.palette import light

_ROW, _LEAST_ROW, _GAP, _AXIS = 11.5, 9.2, 5.0, 15.0
_BAR_HALF = 3.6
_MOST_HEIGHT = 548.0
_TICK_EVERY = 62.0
_MANY_READINGS = 2_000
# Heights of the lanes with an axis of their own, and the least they may shrink to.
_LANES = {
    "saturation": (128.0, 84.0),
    "breathing": (30.0, 22.0),
    "oxygen": (66.0, 42.0),
    "pco2": (52.0, 36.0),
    "ph": (44.0, 33.0),
}
_SYMBOLS = {
    "below": ("square", INK),
    "within": ("circle", PAGE),
    "above_on_oxygen": ("triangle-up", SHADES["above"]),
}
_OTHER_SYMBOL = ("diamond", PAGE)
_SAMPLES = {"arterial": ("circle", INK), "capillary": ("circle", PAGE), "venous": ("cross", PAGE)}
_AUDITED_OUT = light("unaudited")


def stay_chart(record: Record, policy: Policy) -> Markup:
    """The chart of one stay as SVG; its figures stand in the tables of the page."""
    drawing, place = Drawing(WIDTH), Place(record)
    groups = case_rows.groups(record)
    row, heights = _heights(sum(len(rows) for rows in groups.values()) + bool(groups["pathway"]), record)
    y = _AXIS + 2
    y = _rows(drawing, place, groups["ward"], y, row)
    y = _saturation(drawing, place, y, heights["saturation"])
    y = _rows(drawing, place, groups["band"], y, row)
    if "breathing" in heights:
        y = _breathing(drawing, place, y, heights["breathing"])
    y = _oxygen(drawing, place, policy, y, heights["oxygen"])
    y = _rows(drawing, place, groups["device"], y, row)
    if not record.frames["gas_findings"].is_empty():
        y = _gases(drawing, place, policy, y, heights)
        y = _rows(drawing, place, groups["pattern"], y, row)
    if groups["pathway"]:
        y = _rows(drawing, place, groups["pathway"], _pathway_heading(drawing, groups["pathway"], y), row)
    _time_axis(drawing, place, y)
    return drawing.painted(y + _AXIS, _alternative(record))


def _heights(rows: int, record: Record) -> tuple[float, Mapping[str, float]]:
    """Of a row and of each lane: as high as a small screen leaves room for, within their limits."""
    missing = ({"pco2", "ph"} if record.frames["gas_findings"].is_empty() else set()) | (
        {"breathing"} if record.frames["readings"]["respiratory_rate"].is_null().all() else set()
    )
    lanes = {name: limits for name, limits in _LANES.items() if name not in missing}
    room = _MOST_HEIGHT - 2 * _AXIS - 10 * _GAP
    least = sum(low for _, low in lanes.values())
    row = min(max((room - least) / rows, _LEAST_ROW), _ROW)
    part = min(max((room - rows * row) / sum(height for height, _ in lanes.values()), 0.0), 1.35)
    return row, {name: max(height * part, low) for name, (height, low) in lanes.items()}


def _rows(drawing: Drawing, place: Place, rows: Sequence[Row], y: float, height: float) -> float:
    """Draws rows of bars or symbols and returns where the next lane begins."""
    for number, row in enumerate(rows):
        middle = y + (number + 0.5) * height
        drawing.grid.append(Rule(LEFT, WIDTH - RIGHT, middle + height / 2, middle + height / 2))
        drawing.add(
            Words(LEFT - 6, middle, fitted(row.name, LEFT - (22 if row.state else 8)), "right"),
            Words(WIDTH - RIGHT + 6, middle, fitted(row.total, RIGHT - 6, 10), "left", 10, GREY),
        )
        if row.state and row.state != "unobserved":
            drawing.add(Dot(8, middle, *_SYMBOLS.get(row.state, _OTHER_SYMBOL)))
        drawn_to = 0.0
        for part in sorted(row.parts, key=lambda part: part.started_at):
            x, x2 = place.x(part.started_at), place.x(part.ended_at)
            x2 = max(x2, x + 2)
            if x < drawn_to and x2 - drawn_to < HALF_PIXEL:
                continue  # It would not be seen beside the last one.
            drawn_to = x2
            drawing.add(Bar(x, x2, middle - _BAR_HALF, middle + _BAR_HALF, part.fill, _edge(part.fill)))
            if part.words and x2 - x > 5 * len(part.words) + 6:
                drawing.add(Words(x + 4, middle, part.words, "left", 9, part.ink))
        for symbol in row.symbols:
            shape, fill = _SAMPLES[symbol.kind]
            drawing.add(Dot(place.x(symbol.at), middle, shape, fill, 26))
    return y + len(rows) * height + _GAP


def _edge(fill: str) -> str:
    """Dark bars that lie on one another are told apart by a light edge."""
    return PAGE if fill == INK else INK


def _pathway_heading(drawing: Drawing, rows: Sequence[Row], y: float) -> float:
    """The heading of the pathway with what each fill means; returns where its rows begin."""
    middle = y + _ROW / 2
    drawing.add(Words(4, middle, "Pathway: from due to done", "left", 10.5, INK, "bold"))
    x, used = LEFT, {part.fill for row in rows for part in row.parts}
    for words, fill in case_rows.RESULTS_IN_KEY:
        if fill in used:
            drawing.add(Bar(x, x + 12, middle - _BAR_HALF, middle + _BAR_HALF, fill, INK))
            drawing.add(Words(x + 17, middle, words, "left", 9.5, GREY))
            x += 34 + 5 * len(words)
    return y + _ROW + 1


def _saturation(drawing: Drawing, place: Place, y: float, height: float) -> float:
    record = place.record
    timeline, readings = record.frames["timeline"], readings_with_state(record)
    targets = runs(timeline, "lower_percent", "upper_percent").filter(pl.col("upper_percent").is_not_null())
    lowest = min([84.0, *readings["spo2_percent"], *targets["lower_percent"]])
    by = 4 if lowest > 80 else 10
    lane = Lane(y, height, by * ((lowest - 1) // by), 101)
    ticks = range(int(lane.bottom), 101, by)
    draw_lane(
        drawing,
        lane,
        "Saturation, %",
        ticks,
        ["symbol: charted reading", "line: carried until the next,", "gap: not observed"],
    )
    for row in targets.rows(named=True):
        x, x2 = place.x(row["started_at"]), place.x(row["ended_at"])
        upper, lower = lane.place(row["upper_percent"]), lane.place(row["lower_percent"])
        drawing.shades.append(Bar(x, x2, upper, lower, SHADES["within"]))
        drawing.add(
            Rule(x, x2, upper, upper, ACCENT, 1),
            Rule(x, x2, lower, lower, ACCENT, 1),
        )
    _band_labels(drawing, place, lane, targets)
    step_line(drawing, place, lane, runs(timeline, "spo2_percent"), "spo2_percent", GREY, 1.1)
    # A monitor may read every minute: symbols that would lie on the very same spot are drawn once.
    apart, seen = (HALF_PIXEL if readings.height < _MANY_READINGS else 4 * HALF_PIXEL), set()
    for row in readings.rows(named=True):
        shape, fill = _SYMBOLS.get(row["band_state"], _OTHER_SYMBOL)
        dot = Dot(round(place.x(row["taken_at"]) / apart) * apart, lane.place(row["spo2_percent"]), shape, fill)
        if dot not in seen:
            seen.add(dot)
            drawing.add(dot)
    return y + height + _GAP


def _band_labels(drawing: Drawing, place: Place, lane: Lane, targets: pl.DataFrame) -> None:
    """The limits beside the band in force at the end, and inside the right end of others that are wide enough."""
    for row in targets.rows(named=True):
        x, x2 = place.x(row["started_at"]), place.x(row["ended_at"])
        words = f"{row['lower_percent']:g}{wording.EN_DASH}{row['upper_percent']:g} %"
        middle = (lane.place(row["upper_percent"]) + lane.place(row["lower_percent"])) / 2
        if row["ended_at"] == place.record.ended_at:
            drawing.add(Words(WIDTH - RIGHT + 6, middle, f"target {words}", "left", 10, INK))
        elif x2 - x > 56:
            drawing.add(Words(x2 - 3, middle, words, "right", 9.5, ACCENT))


def _breathing(drawing: Drawing, place: Place, y: float, height: float) -> float:
    charted = place.record.frames["readings"].filter(pl.col("respiratory_rate").is_not_null())
    rates = charted["respiratory_rate"].to_list()
    lane = Lane(y, height, min(8.0, *rates), max(34.0, *rates) + 2)
    draw_lane(drawing, lane, "Breaths a minute", [tick for tick in (10, 30, 50) if tick <= lane.top - 2])
    dots = {
        Dot(round(place.x(at)), lane.place(rate), "circle", GREY, 9, GREY)
        for at, rate in zip(charted["taken_at"], rates, strict=True)
    }
    drawing.add(*sorted(dots, key=lambda dot: (dot.x, dot.y)))
    return y + height + _GAP


def _oxygen(drawing: Drawing, place: Place, policy: Policy, y: float, height: float) -> float:
    parts = runs(place.record.frames["timeline"], "fio2", "fio2_low", "fio2_high").with_columns(
        pl.col("fio2", "fio2_low", "fio2_high") * 100
    )
    known = parts.filter(pl.col("fio2").is_not_null())
    highest = max([40.0, *known["fio2_high"].drop_nulls(), *known["fio2"]])
    lane = Lane(y, height, 19, 42 if highest <= 42 else 64 if highest <= 64 else 102)
    ticks = [tick for tick in (21, 40, 60, 80, 100) if tick < lane.top]
    draw_lane(drawing, lane, "Inspired oxygen, %", ticks, ["line: best estimate", "shaded: range; gap: unknown"])
    for row in known.filter(pl.col("fio2_low") < pl.col("fio2_high")).rows(named=True):
        x, x2 = place.x(row["started_at"]), place.x(row["ended_at"])
        drawing.add(Bar(x, x2, lane.place(row["fio2_high"]), lane.place(row["fio2_low"]), SHADES["within"]))
    threshold_line(drawing, lane, 100 * policy.high_fio2_above, f"high: over {100 * policy.high_fio2_above:g} %")
    step_line(drawing, place, lane, parts, "fio2", INK, 1.6)
    return y + height + _GAP


def _gases(drawing: Drawing, place: Place, policy: Policy, y: float, heights: Mapping[str, float]) -> float:
    gases = place.record.frames["gas_findings"]
    kinds = [kind for kind in _SAMPLES if kind in set(gases["sample_type"])]
    pco2 = [*gases["pco2_kpa"].drop_nulls(), policy.retainer_pco2_above_kpa]
    ph = [*gases["ph"].drop_nulls(), policy.acidosis_ph_below]
    for number, kind in enumerate(kinds):
        at = y + 8 + 12 * number
        drawing.add(Dot(84, at, *_SAMPLES[kind], 30), Words(92, at, kind, "left", 9.5, GREY))
    lanes = (
        ("pco2_kpa", "pCO2, kPa", value_lane(y, heights["pco2"], pco2), pco2[-1], 1),
        ("ph", "pH", value_lane(y + heights["pco2"] + 3, heights["ph"], ph, True), ph[-1], 2),
    )
    for column, title, lane, threshold, decimals in lanes:
        draw_lane(drawing, lane, title, ())
        remark = "over {:g} kPa: retention" if column == "pco2_kpa" else "under {:g}: acidosis"
        threshold_line(drawing, lane, threshold, remark.format(threshold))
        written: list[float] = []
        # Where there is no room for all, what proves most is written first, then the highest pCO2 and the lowest pH:
        # over or under its own symbol, so that no figure stands at another gas.
        under = column == "ph"
        known = gases.filter(pl.col(column).is_not_null()).sort(
            pl.col("sample_type") == "venous", column, descending=[False, not under], maintain_order=True
        )
        spots = [(place.x(row["taken_at"]), lane.place(row[column])) for row in known.rows(named=True)]
        for row in known.rows(named=True):
            x, at = place.x(row["taken_at"]), lane.place(row[column])
            drawing.add(Dot(x, at, *_SAMPLES[row["sample_type"]], 30))
            middle = x + 18 * (x < LEFT + 16)
            if all(abs(middle - other) > 28 for other in written):
                beside = [at, *(y for x, y in spots if abs(x - middle) < 18)]
                clear = max(beside) + 9 if under else min(beside) - 8
                drawing.add(Words(middle, clear, wording.exact(row[column], decimals), "center", 9.5))
                written.append(middle)
    return y + heights["pco2"] + 3 + heights["ph"] + _GAP


def _time_axis(drawing: Drawing, place: Place, bottom: float) -> None:
    record, top = place.record, _AXIS
    width = WIDTH - LEFT - RIGHT
    for row in runs(record.frames["timeline"], "excluded").filter(pl.col("excluded").is_not_null()).rows(named=True):
        # Behind the bands, which are prescribed in this time too.
        drawing.shades.insert(0, Bar(place.x(row["started_at"]), place.x(row["ended_at"]), top, bottom, _AUDITED_OUT))
    for at in case_axis.midnights(record.started_at, record.ended_at, record.zone):
        drawing.grid.append(Rule(place.x(at), place.x(at), top, bottom, GREY, 0.5))
    for tick in case_axis.ticks(record.started_at, record.ended_at, record.zone, int(width / _TICK_EVERY)):
        x = place.x(tick.at)
        if not tick.is_midnight:
            drawing.grid.append(Rule(x, x, top, bottom))
        weight = "bold" if tick.is_midnight else "normal"
        for y in (top - 8, bottom + 8):
            drawing.add(Words(x, y, tick.words, "center", 10, INK, weight))
    for at in (record.started_at, record.ended_at):
        drawing.add(Rule(place.x(at), place.x(at), top, bottom, INK, 0.9))


def _alternative(record: Record) -> str:
    """What the chart shows, for those who do not see it."""
    readings, gases = record.frames["readings"], record.frames["gas_findings"]
    saturations: list[float] = readings["spo2_percent"].to_list()
    seen = (
        f"{wording.counted(len(saturations), 'saturation reading')} from {min(saturations):g} to {max(saturations):g} %"
        if saturations
        else "no saturation reading"
    )
    start, end = (case_axis.clock(at, record.zone) for at in (record.started_at, record.ended_at))
    return (
        f"The stay from {start} to {end} on one time axis: ward, {seen} with the band in force, inspired oxygen, "
        f"device, {wording.counted(gases.height, 'blood gas', 'blood gases')} and pathway steps. The same figures "
        "stand in the tables of this page."
    )
