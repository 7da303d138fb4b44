"""The plain summary of one stay: a few facts, each with what it rests on."""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.policy import Policy
from pipeline.vocabulary import EVIDENCE, EVIDENCE_IN_WORDS, OBSERVED_STATES, RISK_FLAGS
from reports import case_words, wording
from reports.case_axis import clock
from reports.case_record import Record, runs
from reports.store_tables import local

_WARDS_NAMED = 3


@dataclass(frozen=True)
class Fact:
    """One fact: what it is about, the answer in a few words, and what it rests on."""

    about: str
    answer: str
    notes: tuple[str, ...] = ()


def facts(record: Record, policy: Policy, absent: Collection[str]) -> list[Fact]:
    """Where and how long, retention, band time, high oxygen, gases, pathway: six facts, in this order.

    absent: tables of the extract of which no load has stored a row; what rests on them could not be told.
    """
    return [
        _stay(record),
        _retention(record, absent),
        _band(record, absent),
        _high_oxygen(record, policy, absent),
        _gases(record, absent),
        _pathway(record, absent),
    ]


def _stay(record: Record) -> Fact:
    wards = runs(record.frames["timeline"], "ward")["ward"].drop_nulls().to_list()
    named = ", then ".join(wards[:_WARDS_NAMED])
    more = f" and {len(wards) - _WARDS_NAMED} further moves" if len(wards) > _WARDS_NAMED else ""
    start = wording.day(local(record.started_at, record.zone))
    end = "still open where the data end, " if record.is_open else "to "
    return Fact(
        "Ward and length",
        (f"{named}{more}" if wards else "Ward not charted") + f"; {wording.duration(record.seconds)}",
        (f"from {start}", end + clock(record.ended_at, record.zone)),
    )


def _retention(record: Record, absent: Collection[str]) -> Fact:
    timeline = record.frames["timeline"]
    ever = timeline["retainer_ever"][0]
    if ever is None:
        untold = [f"no {table}" for table in ("gases", "flags") if table in absent]
        answer = f"none found: {' and '.join(untold)} were loaded" if untold else "none in this stay"
        return Fact(
            "Evidence of CO2 retention", answer, ("episodes of high oxygen are not looked for", *_risks(record))
        )
    since = {row["retainer"]: row["started_at"] for row in runs(timeline, "retainer").rows(named=True)}
    # The strongest first, as in the answer; what was known before it is told as such.
    notes = [
        f"since {clock(since[evidence], record.zone)}"
        if evidence == ever
        else f"before that, from {clock(since[evidence], record.zone)}: {EVIDENCE_IN_WORDS[evidence]}"
        for evidence in EVIDENCE
        if evidence in since
    ]
    return Fact("Evidence of CO2 retention", wording.sentence_case(EVIDENCE_IN_WORDS[ever]), (*notes, *_risks(record)))


def _risks(record: Record) -> list[str]:
    """The risks flagged at any time of the stay or before it, by name."""
    found = record.frames["flags"].filter(pl.col("flag").is_in(RISK_FLAGS))["flag"].unique(maintain_order=True)
    return [f"risk flagged: {', '.join(case_words.flag(flag) for flag in found)}"] if len(found) else []


def _band(record: Record, absent: Collection[str]) -> Fact:
    sums = record.frames["stay_band_time"].select(pl.col("^.*_s$").sum()).row(0, named=True)
    seconds = {name.removesuffix("_s"): int(value) for name, value in sums.items()}
    observed = sum(seconds[state] for state in OBSERVED_STATES)
    rest = [
        f"{words} {wording.duration(seconds[state])}"
        for state, words in (("unobserved", "not observed"), ("no_target", "no target"), ("excluded", "not audited"))
        if seconds[state]
    ]
    also = [", ".join(rest)] if rest else []
    targets = runs(record.frames["timeline"], "lower_percent", "upper_percent").filter(
        pl.col("upper_percent").is_not_null()
    )
    bands = [case_words.limits(row["lower_percent"], row["upper_percent"]) for row in targets.rows(named=True)]
    under = f"target {', then '.join(_without_repeats(bands))}" if bands else "no target was in force at any time"
    if not observed:
        return Fact("In the band", "could not be told: no observed time under a target", (under, *also))
    share = {state: wording.percent(seconds[state] / observed) for state in OBSERVED_STATES}
    if "devices" in absent:
        # Without device records nobody counts as on oxygen: a share of nothing is not a finding.
        above = f"{wording.percent((observed - seconds['within'] - seconds['below']) / observed)} above"
        answer = f"{share['within']} within, {share['below']} below, {above}; whether on oxygen could not be told"
        return Fact("In the band", answer, (f"of {wording.duration(observed)} observed; {under}", *also))
    otherwise = seconds["above_on_air"] + seconds["above_device_unknown"]
    notes = [f"of {wording.duration(observed)} observed; {under}"]
    if otherwise:
        notes.append(f"{wording.percent(otherwise / observed)} above on air, or oxygen unknown")
    return Fact(
        "In the band",
        f"{share['within']} within, {share['below']} below, {share['above_on_oxygen']} above on oxygen",
        (*notes, *also),
    )


def _high_oxygen(record: Record, policy: Policy, absent: Collection[str]) -> Fact:
    about = f"Episodes over {wording.percent(policy.high_fio2_above)} oxygen"
    if "devices" in absent:
        return Fact(about, "could not be told: no devices were loaded")
    if record.frames["timeline"]["retainer_ever"][0] is None:
        return Fact(about, "not looked for", ("they are looked for only with evidence of CO2 retention",))
    episodes, estimates = record.frames["high_fio2_episodes"], record.frames["episode_estimates"]
    held = Counter(estimates["estimate"])
    notes = [f"{held['low']} under the low, {held['high']} under the high estimate of inspired oxygen"]
    if 0 < held["high"] < episodes.height:
        notes[0] += " (fewer, since neighbours join)"
    if not episodes.height:
        return Fact(about, "none", tuple(notes))
    during = Counter(episodes["saturation_during"])
    needed = during["within"] + during["below"]
    told = [f"{during['above']} with a reading above the band"] if during["above"] else []
    told += [f"{needed} with none above it"] if needed else []
    told += [f"{during['none']} with no reading under a target"] if during["none"] else []
    if episodes.height == 1:
        told = [told[0].removeprefix("1 ").replace("none above it", "no reading above the band")]
    notes.insert(0, f"high oxygen {wording.duration(float(episodes['high_s'].sum()))} in all")
    return Fact(about, f"{episodes.height}{',' if episodes.height == 1 else ':'} {', '.join(told)}", tuple(notes))


def _gases(record: Record, absent: Collection[str]) -> Fact:
    if "gases" in absent:
        return Fact("Blood gases", "could not be told: no gases were loaded")
    gases = record.frames["gas_findings"]
    proving = gases.filter(pl.col("sample_type") != "venous")
    if gases.is_empty():
        return Fact("Blood gases", "none in this stay")
    counted = wording.counted(gases.height, "gas", "gases")
    if proving.is_empty():
        return Fact("Blood gases", f"{counted}, venous only", ("a venous gas proves no retention",))
    highest, lowest = proving["pco2_kpa"].max(), proving["ph"].min()
    told = [] if highest is None else [f"highest pCO2 {wording.exact(float(highest), 1)} kPa"]  # type: ignore[arg-type]
    told += [] if lowest is None else [f"lowest pH {wording.exact(float(lowest), 2)}"]  # type: ignore[arg-type]
    doubtful = gases["oximeter_agreement"].is_in(["reads_higher", "reads_lower"]).sum()
    notes = [f"{counted}, {proving.height} arterial or capillary"]
    notes += [f"{doubtful} with a reading that does not fit"] if doubtful else []
    return Fact("Blood gases", ", ".join(told) or "no pCO2 and no pH charted", tuple(notes))


def _pathway(record: Record, absent: Collection[str]) -> Fact:
    steps = record.frames["pathway_steps"]
    if steps.is_empty():
        nothing = case_words.nothing(("devices", "gases"), absent, "none became due")
        return Fact("Pathway steps", nothing.rstrip(".").replace("Could", "could"))
    results = Counter(
        case_words.step_result(row["done"], row["limit_minutes"], row["in_time"]) for row in steps.rows(named=True)
    )
    missed, met, untold = (results[name] for name in (case_words.MISSED, case_words.MET, case_words.UNTOLD))
    done, not_done = results[case_words.DONE], results[case_words.NOT_DONE]
    notes = [f"without a published limit: {done} done, {not_done} not done"] if done + not_done else []
    notes += [f"{untold} could not be told"] if untold else []
    return Fact("Pathway steps with a limit", f"{missed} missed, {met} met", tuple(notes))


def _without_repeats(words: Sequence[str]) -> list[str]:
    return [word for index, word in enumerate(words) if index == 0 or word != words[index - 1]]
