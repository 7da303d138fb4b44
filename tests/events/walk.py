"""The slow second answer for the tables of events: plain loops through every step of a stay, from the definitions only.

What holds at each instant is said by `tests/oracle.py`. The formulas for a single gas are not repeated here: they have
tests of their own.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from tests.oracle import Tables, Thresholds, alone, exclusion_at, instants, of_stay, retainer_ever, state_at, window
from tests.oracle_episodes import joined_stretches, saturation_between

Row = dict[str, Any]
AIR = 0.209


def walks(
    tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, step: int
) -> Iterator[tuple[Row, Tables, list[tuple[datetime, Row]]]]:
    """Every stay with its own tables and what holds at each of its instants."""
    for stay in tables["stays"]:
        own = alone(stay, tables)
        yield (
            stay,
            own,
            [(at, state_at(stay, own, zone, as_of, thresholds, at)) for at in instants(stay, as_of, step)],
        )


def around(stay: Row, own: Tables, as_of: datetime, thresholds: Thresholds, at: datetime, until: datetime) -> Row:
    """The last gas at or before `at` and the first one after it, where near enough, with what changed between."""
    start, end = window(stay, as_of)
    samples = [
        gas
        for gas in of_stay(own, "gases", stay)
        if start <= gas["taken_at"] < end
        and gas["sample_type"] != "venous"
        and exclusion_at(of_stay(own, "flags", stay), stay, gas["taken_at"]) is None
    ]
    hours = timedelta(hours=thresholds["gas_pair_hours"])
    earlier = max((g for g in samples if g["taken_at"] <= at), key=lambda g: g["taken_at"], default=None)
    later = min((g for g in samples if g["taken_at"] > at), key=lambda g: g["taken_at"], default=None)
    if earlier is not None and at - earlier["taken_at"] > hours:
        earlier = None
    if later is not None and later["taken_at"] > until:
        later = None
    found: Row = {}
    for name, gas in (("gas_before", earlier), ("gas_after", later)):
        found[f"{name}_at"] = gas["taken_at"] if gas else None
        found[f"{name}_pco2_kpa"] = gas["pco2_kpa"] if gas else None
        found[f"{name}_ph"] = gas["ph"] if gas else None
    for name, column in (("pco2_change_kpa", "pco2_kpa"), ("ph_change", "ph")):
        before, after = (earlier or {}).get(column), (later or {}).get(column)
        found[name] = None if before is None or after is None else after - before
    return found


def oxygen_changes(tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, step: int) -> list[Row]:
    """Each instant at which the fraction, known before and from then on, is another one."""
    hours = timedelta(hours=thresholds["gas_pair_hours"])
    rows = []
    for stay, own, states in walks(tables, zone, as_of, thresholds, step):
        fractions = [None if now["excluded"] else now["fio2"] for _, now in states]
        for place in range(1, len(states)):
            before, after = fractions[place - 1], fractions[place]
            if before is None or after is None or before == after:
                continue
            at, now = states[place]
            following = next((states[p][0] for p in range(place + 1, len(states)) if fractions[p] != after), None)
            until = at + hours if following is None else min(at + hours, following)
            gases = around(stay, own, as_of, thresholds, at, until)
            waited = (gases["gas_after_at"] - at).total_seconds() / 60 if gases["gas_after_at"] else None
            rows.append(
                {name: now[name] for name in ("stay_id", "ward", "month", "spo2_percent", "retainer", "retainer_ever")}
                | {
                    "changed_at": at,
                    "next_change_at": following,
                    "direction": "more" if after > before else "less",
                    "device_before": states[place - 1][1]["device"],
                    "device_after": now["device"],
                    "fio2_before": before,
                    "fio2_after": after,
                    "gas_after_minutes": waited,
                }
                | gases
            )
    return rows


def excess_runs(tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, step: int) -> list[Row]:
    """Instants above the band on oxygen, in groups without a break."""
    hours = timedelta(hours=thresholds["gas_pair_hours"])
    rows = []
    for stay, own, states in walks(tables, zone, as_of, thresholds, step):
        groups: list[list[tuple[datetime, Row]]] = []
        for at, now in states:
            if now["band_state"] != "above_on_oxygen":
                continue
            if groups and groups[-1][-1][0] + timedelta(seconds=step) == at:
                groups[-1].append((at, now))
            else:
                groups.append([(at, now)])
        for group in groups:
            at, first = group[0]
            end = group[-1][0] + timedelta(seconds=step)
            gases = around(stay, own, as_of, thresholds, at, end + hours)
            points = [now["spo2_percent"] - now["upper_percent"] for _, now in group]
            flows = [oxygen_flow(now) for _, now in group]
            known = [flow for flow in flows if flow is not None]
            rows.append(
                {
                    name: first[name]
                    for name in ("stay_id", "ward", "month", "device", "upper_percent", "retainer", "retainer_ever")
                }
                | {
                    "started_at": at,
                    "ended_at": end,
                    "above_s": len(group) * step,
                    "percent_hours": sum(points) * step / 3600,
                    "highest_above_points": max(points),
                    "litres": sum(known) * step / 60 if known else None,
                    "litres_unknown_s": (len(flows) - len(known)) * step,
                    "acidosis_after": acidosis(gases["gas_after_ph"], gases["gas_after_pco2_kpa"], thresholds),
                }
                | gases
            )
    return rows


def oxygen_flow(now: Row) -> float | None:
    """As charted; on high-flow nasal oxygen that of the mixture, of which only a part is oxygen."""
    if now["device"] != "high_flow_nasal" or now["flow_l_min"] is None:
        return now["flow_l_min"]  # type: ignore[no-any-return]
    return None if now["fio2"] is None else now["flow_l_min"] * (now["fio2"] - AIR) / (1 - AIR)


def acidosis(ph: float | None, pco2: float | None, thresholds: Thresholds) -> bool | None:
    if ph is None:
        return None
    if ph >= thresholds["acidosis_ph_below"]:
        return False
    return None if pco2 is None else pco2 > thresholds["retainer_pco2_above_kpa"]


def valve_seconds(
    tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, step: int
) -> dict[tuple[Any, ...], int]:
    """Seconds on a valve outside excluded time by stay, ward, month, fraction, flow, respiratory rate and evidence."""
    seconds: dict[tuple[Any, ...], int] = {}
    for stay, own, states in walks(tables, zone, as_of, thresholds, step):
        breaths = [row for row in of_stay(own, "readings", stay) if row["respiratory_rate"] is not None]
        for at, now in states:
            if now["device"] == "air_entrainment_mask" and now["excluded"] is None:
                key = (
                    *(now[name] for name in ("stay_id", "ward", "month", "fio2", "flow_l_min")),
                    rate_at(breaths, at, thresholds),
                    now["retainer"],
                )
                seconds[key] = seconds.get(key, 0) + step
    return seconds


def rate_at(breaths: list[Row], at: datetime, thresholds: Thresholds) -> float | None:
    begun = [row for row in breaths if row["taken_at"] <= at]
    if not begun:
        return None
    last = max(begun, key=lambda row: row["taken_at"])
    speaks = at < last["taken_at"] + timedelta(hours=thresholds["reading_carry_hours"])
    return last["respiratory_rate"] if speaks else None


def gases_in_place(tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds) -> list[Row]:
    """Each gas within its stay with what was in force, the fraction noted before the estimate, and the reading near."""
    rows = []
    for stay in tables["stays"]:
        own = alone(stay, tables)
        start, end = window(stay, as_of)
        for gas in of_stay(own, "gases", stay):
            at = gas["taken_at"]
            if not start <= at < end:
                continue
            now = state_at(stay, own, zone, as_of, thresholds, at)
            names = ("stay_id", "ward", "month", "excluded", "retainer", "device", "flow_l_min")
            rows.append(
                {name: now[name] for name in names}
                | {"taken_at": at, "sample_type": gas["sample_type"], "ph": gas["ph"], "pco2_kpa": gas["pco2_kpa"]}
                | fractions(gas["fio2_fraction"], now)
                | {"spo2_percent": nearest(of_stay(own, "readings", stay), at, thresholds)}
            )
    return rows


def fractions(noted: float | None, now: Row) -> Row:
    """A note is exact, but on a valve: there it is the printed concentration."""
    if noted is None:
        return {name: now[name] for name in ("fio2", "fio2_low", "fio2_high")}
    low, high = noted, noted
    if now["device"] == "air_entrainment_mask":
        low, high = 0.5 if noted >= 0.6 else max(noted - 0.015, 0.21), min(noted + 0.02, 1.0)
    return {"fio2": noted, "fio2_low": low, "fio2_high": high}


def nearest(readings: list[Row], at: datetime, thresholds: Thresholds) -> float | None:
    """The reading nearest in time, the earlier of two as near; none where it is too far."""
    if not readings:
        return None
    closest = min(readings, key=lambda row: (abs(row["taken_at"] - at), row["taken_at"]))
    near = timedelta(minutes=thresholds["reading_near_gas_minutes"])
    return closest["spo2_percent"] if abs(closest["taken_at"] - at) <= near else None


ENDS_OF_THE_RANGE: Mapping[str, str] = {"low": "fio2_low", "best": "fio2", "high": "fio2_high"}


def episode_estimates(tables: Tables, zone: str, as_of: datetime, thresholds: Thresholds, step: int) -> list[Row]:
    """The episodes of high inspired oxygen with each end of the range taken for the fraction."""
    rows = []
    for stay, own, states in walks(tables, zone, as_of, thresholds, step):
        if retainer_ever(stay, own, as_of, thresholds) is None:
            continue
        for estimate, column in ENDS_OF_THE_RANGE.items():
            high = [
                (at, now)
                for at, now in states
                if not now["excluded"] and now[column] is not None and now[column] > thresholds["high_fio2_above"]
            ]
            for group in joined_stretches(high, step, thresholds):
                if len(group) * step < thresholds["episode_min_minutes"] * 60:
                    continue
                (start, first), end = group[0], group[-1][0] + timedelta(seconds=step)
                seen = saturation_between(stay, own, start, end)
                rows.append(
                    {name: first[name] for name in ("stay_id", "ward", "month")}
                    | {"estimate": estimate, "started_at": start, "high_s": len(group) * step}
                    | {"saturation_during": seen["saturation_during"]}
                )
    return rows
