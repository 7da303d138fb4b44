"""The tables about gases: changes of oxygen with the gases around them, every gas, what was doubtful, the valves."""

from collections.abc import Collection, Sequence

import polars as pl

from pipeline.policy import Policy
from reports import case_words, wording
from reports.case_axis import clock
from reports.case_cells import Cell, Row, Table, difference_cell, gas_cell, made
from reports.case_record import Record

_AGREEMENT = {
    "reads_higher": "reads higher than the gas leads one to expect",
    "reads_lower": "reads lower than the gas leads one to expect",
}


def changes(record: Record, policy: Policy, absent: Collection[str]) -> Table:
    timeline = record.frames["timeline"]
    after = {row["started_at"]: row for row in timeline.rows(named=True)}
    before = {row["ended_at"]: row for row in timeline.rows(named=True)}

    def cells(row: Row) -> Sequence[Cell]:
        at = row["changed_at"]
        return (
            Cell(clock(at, record.zone), "more oxygen" if row["direction"] == "more" else "less oxygen"),
            _given(before.get(at) or {}, row["device_before"], row["fio2_before"]),
            _given(after.get(at) or {}, row["device_after"], row["fio2_after"]),
            Cell("not observed" if row["spo2_percent"] is None else f"{row['spo2_percent']:g} %"),
            gas_cell(row, "before", at),
            gas_cell(row, "after", at),
            difference_cell(row),
        )

    return Table(
        "changes",
        "Changes of oxygen and the gases around them",
        "A gas before and the first gas that followed before oxygen changed again, each at most "
        f"{policy.gas_pair_hours:g} h away; arterial or capillary. The gas before may have been taken under still "
        "earlier oxygen, and where ventilation was started, stopped or set anew it moves the pCO2 too. “Followed by” "
        "is an order in time, never a cause. The inspired oxygen is an estimate with its low and high.",
        ("When", "From", "To", "Saturation then", "Gas before", "Followed by", "Difference"),
        made(record, "oxygen_changes", cells),
        case_words.nothing(("devices",), absent, "No change of the inspired oxygen is known in this stay."),
    )


def _given(row: Row, device: str, best: float) -> Cell:
    words = _setting(wording.sentence_case(case_words.device(device)), row.get("flow_l_min"))
    return Cell(words, case_words.fraction(best, row.get("fio2_low"), row.get("fio2_high")))


def _setting(device: str, flow_l_min: float | None) -> str:
    return device if flow_l_min is None else f"{device}, {flow_l_min:g} L/min"


def gases(record: Record, policy: Policy, absent: Collection[str]) -> Table:
    def cells(row: Row) -> Sequence[Cell]:
        return (
            Cell(clock(row["taken_at"], record.zone), "" if row["excluded"] is None else "in time not audited"),
            Cell(wording.sentence_case(row["sample_type"])),
            Cell(_number(row["ph"], 2), _with_unit("H+ {} nmol/L", row["hydrogen_ion_nmol_l"], 0)),
            Cell(_number(row["pco2_kpa"], 1)),
            Cell(
                _rounded(row["bicarbonate_mmol_l"], 1),
                {True: "derived", False: "charted", None: ""}[row["bicarbonate_derived"]],
            ),
            Cell(_signed(row["base_excess_mmol_l"])),
            Cell(_number(row["po2_kpa"], 1), _with_unit("pO2/FiO2 {} kPa", row["po2_fio2_ratio_kpa"], 0)),
            _alveolar(row["alveolar_arterial_kpa"]),
            Cell(
                case_words.fraction(row["fio2"], row["fio2_low"], row["fio2_high"]),
                case_words.device(row["device"])
                + ("" if row["flow_l_min"] is None else f", {row['flow_l_min']:g} L/min"),
            ),
            Cell(
                "none near" if row["spo2_percent"] is None else f"{row['spo2_percent']:g} %",
                _with_unit("gas leads to expect {} %", row["expected_saturation_percent"], 0),
            ),
            Cell(wording.sentence_case(case_words.pattern(row["pattern"], row["venous_screen"]))),
        )

    return Table(
        "gases",
        "Blood gases",
        f"Retention: pCO2 over {policy.retainer_pco2_above_kpa:g} kPa in an arterial or capillary sample; acidosis: pH "
        f"under {policy.acidosis_ph_below:g}. A venous gas proves nothing about retention. Patterns are read from one "
        "gas by published rules and are no diagnosis. Ratio and difference rest on the inspired oxygen: where that is "
        "an estimate, so are they.",
        (
            "Taken",
            "Sample",
            "pH",
            "pCO2, kPa",
            "Bicarbonate, mmol/L",
            "Base excess, mmol/L",
            "pO2, kPa",
            "Alveolar to arterial difference, kPa",
            "Inspired oxygen",
            f"Oximeter within {policy.reading_near_gas_minutes:g} min",
            "Pattern",
        ),
        made(record, "gas_findings", cells),
        case_words.nothing(("gases",), absent, "No blood gas is charted in this stay."),
    )


def _alveolar(value: float | None) -> Cell:
    if value is None:
        return Cell(wording.NOTHING)
    return Cell(_signed(value).lstrip("+"), "below 0: the fraction or the sample is wrong" if value < 0 else "")


def doubtful(record: Record, policy: Policy, absent: Collection[str]) -> Table:
    findings = record.frames["gas_findings"]
    compared = findings["oximeter_agreement"].is_not_null().sum()
    apart = findings.filter(pl.col("oximeter_agreement").is_in(list(_AGREEMENT)))
    rows = tuple(
        (
            Cell(clock(row["taken_at"], record.zone)),
            Cell(f"{row['spo2_percent']:g} %"),
            Cell(f"{row['expected_saturation_percent']:.1f} %"),
            Cell(f"{abs(row['spo2_percent'] - row['expected_saturation_percent']):.1f} points"),
            Cell(wording.sentence_case(_AGREEMENT[row["oximeter_agreement"]])),
        )
        for row in apart.rows(named=True)
    )
    return Table(
        "doubtful",
        "Doubtful readings",
        f"Oximeter and arterial gas more than {policy.saturation_tolerance_points:g} points apart. Which of the two is "
        "wrong cannot be told: a venous sample called arterial, poor perfusion, cold, movement, pigment, carbon "
        "monoxide, or a change in between.",
        ("Gas taken", "Oximeter", "Expected from the gas", "Apart", "Finding"),
        rows,
        f"None of the {compared} readings near an arterial gas was out of step with it. The other readings have no gas "
        "to be compared with."
        if compared
        else case_words.nothing(
            ("gases",), absent, "No reading lay near an arterial gas with pO2 and pH: nothing could be compared."
        ),
    )


def valves(record: Record, absent: Collection[str]) -> Table:
    stretches = record.frames["valve_stretches"]
    keys = ["printed_fraction", "flow_l_min", "setup", "meets_demand"]
    found = stretches.group_by(keys, maintain_order=True).agg(
        pl.col("seconds").sum(),
        pl.col("total_flow_l_min").first(),
        slowest=pl.col("respiratory_rate").min(),
        fastest=pl.col("respiratory_rate").max(),
        least=pl.col("peak_flow_l_min").min(),
        most=pl.col("peak_flow_l_min").max(),
    )
    rows = tuple(
        (
            Cell(case_words.fraction(row["printed_fraction"])),
            Cell("not charted" if row["flow_l_min"] is None else f"{row['flow_l_min']:g} L/min"),
            Cell(wording.duration(row["seconds"])),
            Cell(wording.sentence_case(case_words.SETUP_IN_WORDS.get(row["setup"], row["setup"]))),
            Cell(wording.NOTHING if row["total_flow_l_min"] is None else f"{row['total_flow_l_min']:.0f} L/min"),
            Cell(
                f"{_span(row['least'], row['most'])} L/min",
                "no rate charted: at rest"
                if row["slowest"] is None
                else f"{_span(row['slowest'], row['fastest'])} breaths a minute",
            ),
            Cell(_DEMAND[row["meets_demand"]]),
        )
        for row in found.rows(named=True)
    )
    return Table(
        "valves",
        "Air-entrainment valves",
        "Set-up as charted against what makers print. No chart can show blocked entrainment ports, which raise the "
        "concentration, a wrong or worn valve, or a mask pushed aside.",
        ("Printed", "Oxygen flow", "For", "Set-up", "Total flow", "Likely peak demand", "Flow enough?"),
        rows,
        case_words.nothing(("devices",), absent, "No audited time on an air-entrainment valve."),
    )


_DEMAND = {
    True: "yes",
    False: "no: room air is drawn in beside, less oxygen than printed",
    None: "cannot be said",
}


def _breathing(slowest: float | None, fastest: float | None) -> str:
    if slowest is None or fastest is None:
        return "no rate charted: at rest"
    return f"{_span(slowest, fastest)} breaths a minute"


def _number(value: float | None, decimals: int) -> str:
    return wording.NOTHING if value is None else wording.exact(value, decimals)


def _rounded(value: float | None, decimals: int) -> str:
    return wording.number(value, decimals)


def _signed(value: float | None) -> str:
    if value is None:
        return wording.NOTHING
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text.replace("-", wording.MINUS)


def _with_unit(words: str, value: float | None, decimals: int) -> str:
    return "" if value is None else words.format(f"{value:.{decimals}f}")


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g}{wording.EN_DASH}{high:g}"
