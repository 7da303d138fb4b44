"""The pages behind the figures: how far to trust them, what to discuss, and by which definitions they were made."""

from datetime import date

from pipeline.intake.contracts.judge import NOT_MET
from reports import wording
from reports.figures import GroupFigures, State
from reports.load_verdicts import Point
from reports.present_band import BAND
from reports.present_events import furthest
from reports.present_figures import OTHER, RETAINER, Presented
from reports.present_numbers import name, whole_percent, why_not_shown
from reports.present_sheets import Cell, Sheet, Table, cells

_POINTS_NAMED = 4


def trust(of: Presented) -> Sheet:
    """What was not seen, between which shares the truth lies, and whether the loads are whole."""
    failed, checked = [point for point in of.load_points if point.failed], len(of.load_points)
    loads = _loads_in_words(failed, checked)
    return Sheet(
        key="trust",
        title=_trust_title(of),
        lead=(
            "The last two columns: once all that was not observed is taken to lie outside the band, once inside. "
            "Neither is likely."
        ),
        layout="text",
        tables=(_unseen_table(of),),
        points=(
            loads,
            "The oximeter errs: a reading of 90 % may be 86 to 94 % in arterial blood, and it reads too high more "
            "often in people "
            "with darker skin. Inside the band does not rule out hypoxaemia.",
            "Charted is not continuous: readings are hours apart, and charts miss many falls that a monitor would "
            "have seen.",
            "Inspired oxygen is an estimate from device and flow, and the charted device may not be what the patient "
            "breathed.",
            "Sicker patients get more oxygen, more readings and more gases: a difference between wards or months is "
            "no proof of "
            "better or worse care.",
        ),
        notes=(
            "Not observed: no reading speaks for the time. On air, observations every twelve hours can be good "
            "practice, and half "
            "of that time is then not observed through nobody's fault; on oxygen it is the more worrying part.",
            "No target: nothing prescribed to judge against. It is outside every share of the band, and shown here "
            "instead.",
            "Oximeter error: FDA safety communication, 2021; by skin colour: Valbuena, BMJ 2022.",
            f"Each load is held to {wording.counted(checked, 'point')} as a whole; the data-quality section of the "
            "monthly report "
            "names what lies outside its limits and what to do.",
        ),
    )


def _range(figures: GroupFigures) -> tuple[float | None, float | None]:
    """The lowest and highest share within the band, had everything been observed."""
    if figures.within.value is None:
        return None, None
    inside = figures.within.value * figures.observed_s
    return figures.of_target_time(round(inside)), figures.of_target_time(round(inside + figures.unobserved_s))


def _trust_title(of: Presented) -> str:
    figures = of.this_month(RETAINER) if of.this_month(RETAINER).state is State.SHOWN else of.this_month(OTHER)
    if figures.state is not State.SHOWN:
        return f"Little can be said of {wording.month_in_words(of.month)}: {why_not_shown(figures)}"
    lowest, highest = _range(figures)
    return (
        f"{wording.percent(figures.of_target_time(figures.unobserved_s))} of {figures.name}' time under a target was "
        "not "
        f"observed, so the {wording.percent(figures.within.value)} inside the band could lie anywhere from "
        f"{wording.percent(lowest)} to {wording.percent(highest)}"
    ).replace("everybody else'", "everybody else's")


def _unseen_table(of: Presented) -> Table:
    rows = []
    for figures in (of.this_month(RETAINER), of.this_month(OTHER)):
        first = wording.sentence_case(figures.name)
        if figures.state is not State.SHOWN:
            rows.append(cells((first, f"{wording.NOTHING} {why_not_shown(figures)}", *[""] * 6)))
            continue
        untold = "devices" in of.absent
        on_oxygen, on_air = (
            None if untold else figures.of_target_time(seconds)
            for seconds in (figures.unobserved_on_oxygen_s, figures.unobserved_on_air_s)
        )
        shares = (
            figures.of_target_time(figures.unobserved_s),
            on_oxygen,
            on_air,
            figures.no_target_share,
            figures.within.value,
            *_range(figures),
        )
        rows.append(cells((first, *map(wording.percent, shares))))
    return Table(
        "Not observed: of the time under a target. No target: of all audited time",
        (
            "",
            "Not observed",
            "of it on oxygen",
            "of it on air",
            "No target",
            "Within, as observed",
            "lowest possible",
            "highest possible",
        ),
        tuple(rows),
        (1.6, 1.1, 1.1, 1.1, 1.1, 1.2, 1.1, 1.1),
    )


def _loads_in_words(failed: list[Point], checked: int) -> str:
    if not checked:
        return "Data quality: no load in this store was judged as a whole."
    if not failed:
        return (
            f"Data quality: none of {wording.counted(checked, 'point')} that the last load is held to lies outside "
            "its limits."
        )
    named = [
        f"{point.title[:1].lower()}{point.title[1:]}"
        + ("" if point.verdict.startswith(NOT_MET) else " (could not be checked)")
        for point in failed[:_POINTS_NAMED]
    ]
    more = f" and {len(failed) - _POINTS_NAMED} more" if len(failed) > _POINTS_NAMED else ""
    verb = "lies" if len(failed) == 1 else "lie"
    return (
        f"Data quality: {len(failed)} of {wording.counted(checked, 'point')} {verb} outside the limits or could not "
        f"be checked: {'; '.join(named)}{more}."
    )


def discuss(of: Presented) -> Sheet:
    """Questions for the board that the figures raise, with room for what was agreed."""
    asked = _questions(of)
    blank = (Cell(""), Cell(""), Cell(""))
    return Sheet(
        key="discuss",
        title=(
            f"{_NUMBERS[len(asked)]} questions follow from these figures for the board to settle, each with a name "
            "and a date"
        ),
        lead=(
            "Prompts for the discussion, no advice: what to do is for the board and for those who look after the "
            "patients."
        ),
        layout="text",
        tables=(
            Table(
                "To be filled in at the meeting",
                ("Question", "What was agreed", "Who", "By when"),
                tuple((Cell(question), *blank) for question in asked),
                (5.0, 3.2, 1.4, 1.1),
                4,
            ),
        ),
        notes=(
            "The questions are made from the figures of this month by fixed rules; strike out what does not fit.",
            "Cases are read by the clinical team in the record; none is shown here. Suspected harm belongs into the "
            "incident "
            "system the same day, not into a monthly report.",
            TOGETHER_AGAIN,
        ),
    )


TOGETHER_AGAIN = "Whatever is agreed about time above the band: look at time below it too, the month after."
_NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight")


def _questions(of: Presented) -> list[str]:
    retainers, now = of.this_month(RETAINER), of.episodes[-1]
    asked = []
    if retainers.state is State.SHOWN and retainers.above_on_oxygen.value is not None:
        asked.append(
            f"CO2 retainers spent {wording.percent(retainers.above_on_oxygen.value)} of the observed time above the "
            "band on oxygen and "
            f"{wording.percent(retainers.below.value)} below it. Which does the board want looked into first, and who "
            "watches the other?"
        )
    if now.all:
        asked.append(
            f"There were {wording.counted(now.all, 'episode')} of high oxygen in CO2 retainers. Who reads the cases, "
            "and when does the "
            "board hear what was found?"
        )
    gap = furthest(of)
    if gap is not None:
        asked.append(
            f"{gap[0].measure.title}: {whole_percent(gap[0].value)}. What stands in the way, and who can change it?"
        )
    if any(ward.state is State.SHOWN for ward in of.wards):
        asked.append("Who shows each ward its own figures, and who takes what one of them does well to the others?")
    if retainers.state is State.SHOWN:
        asked.append(
            f"{wording.percent(retainers.of_target_time(retainers.unobserved_s))} of CO2 retainers' time under a "
            "target was not observed, and "
            f"{wording.percent(retainers.no_target_share)} of all their time had no target. Is that known, and whose "
            "is it to follow up?"
        )
    failed = sum(point.failed for point in of.load_points)
    if failed:
        lies = "point of data quality is" if failed == 1 else "points of data quality are"
        asked.append(f"{failed} {lies} outside the limits. Who looks after the extract, and by when is it put right?")
    asked.append("What was agreed after the last report: was it done, and did both sides of the band follow?")
    return asked


def definitions(of: Presented) -> Sheet:
    """What the words mean, where the figures come from, and what to be careful about."""
    made_from, policy = of.made_from, of.policy
    number = wording.short_number
    until = "an unknown day" if of.until is None else _day(of.until)
    hidden = f"Counts of 1 to {of.most_hidden} patients" if of.most_hidden else "No counts"
    declared = f"; changes {of.declared.fingerprint}" if of.declared.fingerprint else ""
    terms = (
        ("Band", wording.sentence_case(BAND.removeprefix("Band: "))),
        (
            "Observed time",
            f"Time under a target for which a reading speaks, each for {number(policy.reading_carry_hours)} hours at "
            "the most.",
        ),
        (
            "Below; above, on oxygen",
            "Under the lower limit; over the upper one with oxygen running. Over it on room air counts against nobody.",
        ),
        (
            "CO2 retainer",
            f"Arterial or capillary pCO2 above {number(policy.retainer_pco2_above_kpa)} kPa in the stay; or previous "
            "retention recorded (often "
            "reversible); or a target of at most 92 % prescribed (weak evidence).",
        ),
        (
            "High oxygen",
            f"In a CO2 retainer, over {wording.percent(policy.high_fio2_above)} inspired oxygen for "
            f"{number(policy.episode_min_minutes)} minutes or "
            "more. Avoidable: a saturation above the band was read during it.",
        ),
        (
            "Small numbers",
            f"{hidden} are hidden, with percentages and complements, and whatever they could be worked back from. 0 "
            "may be shown.",
        ),
        (
            "Not in the audit",
            "Time under a flag: end-of-life care, carbon monoxide poisoning, pneumothorax treated with high oxygen, "
            "resuscitation, critical "
            "care, theatre.",
        ),
        (
            "Sources",
            "BTS guideline for oxygen use in adults (Thorax 2017;72 Suppl 1); run charts: Anhoej and Olesen (PLoS "
            "One 2014); of every threshold: in the monthly report.",
        ),
        (
            "Cautions",
            "Retrospective and de-identified, not anonymous. Followed by is not caused by. Local policy and licensed "
            "practice decide.",
        ),
        (
            "Made by",
            f"bandaudit {made_from.tool_version}; policy {made_from.policy_fingerprint}; measures "
            f"{made_from.measures_fingerprint}; {wording.counted(len(made_from.inputs), 'input file')} "
            f"({made_from.inputs_fingerprint}); data up to {until}; months of the zone {name(made_from.zone)}"
            f"{declared}.",
        ),
    )
    return Sheet(
        key="definitions",
        title=(
            f"Every figure is of charted data up to {until}, made by definitions and thresholds that are fixed and "
            "printed"
        ),
        lead=(
            "The same store, month and policy give the same pages again. The monthly report holds every threshold "
            "with its source."
        ),
        layout="text",
        tables=(Table("", ("Term", "What it means here"), tuple(cells(row) for row in terms), (1.7, 10.0), 2),),
        notes=(
            "The fingerprint of the policy changes whenever a threshold does; months made under different ones are "
            "not to be compared.",
            "The fingerprint of all input files is the first twelve digits of the SHA-256 over the name of the table "
            "and the SHA-256 of each, sorted.",
            "Hidden are also counts of events that rest on few patients on one side or the other. Source of the "
            "rule: NHS Digital, disclosure control of hospital episode statistics.",
        ),
    )


def _day(day: date) -> str:
    return f"{day.day} {wording.month_in_words(f'{day:%Y-%m}')}"
