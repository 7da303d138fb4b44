"""The pages about events: episodes of high oxygen in CO2 retainers, and the steps of the pathway."""

from collections.abc import Sequence

from pipeline.catalogue import Measure
from reports import charts, wording
from reports.present_changes import marks_in, marks_in_words, marks_of
from reports.present_figures import Episodes, Presented, Step
from reports.present_numbers import like, whole_interval, whole_percent
from reports.present_sheets import COLUMNS, ROWS, Cell, Chart, Series, Sheet, Table

_NOT_SHOWN = "small numbers"
_WHOLE = ("100 %", "0 %")


def high_oxygen(of: Presented) -> Sheet:
    """Episodes of high oxygen in CO2 retainers, month by month: all, the avoidable ones, those not checked again."""
    policy = of.policy
    high, least = wording.percent(policy.high_fio2_above), wording.short_number(policy.episode_min_minutes)
    gas = wording.short_number(policy.repeat_gas_minutes)
    return Sheet(
        key="high-oxygen",
        title=episodes_in_words(of),
        lead=(
            f"Re-checked: a blood gas within {gas} minutes of its start. Avoidable: a saturation above the band was "
            "read during it."
        ),
        layout="split",
        charts=(_episodes_chart(of),),
        tables=(_episodes_table(of),),
        notes=(
            f"Episode: in a CO2 retainer, more than {high} inspired oxygen for at least {least} minutes; stretches up "
            "to "
            f"{wording.short_number(policy.episode_join_minutes)} minutes apart are one. Inspired oxygen is an "
            "estimate "
            "from device and flow.",
            "Avoidable says that oxygen might have been lowered, not that anybody erred: a clinician has to read the "
            "case. The rest is "
            "no all-clear: high oxygen that was needed to reach the band may call for escalation, and is never to be "
            "withheld "
            "because of these figures.",
            "A gas that does not reach the extract counts as not taken. What followed an episode was not necessarily "
            "caused by it.",
            f"A count is shown only when it rests on no patient or on {of.most_hidden + 1} or more, and the rest of "
            "the episodes too; so "
            "a month may show how many episodes there were, but not how many were avoidable.",
        ),
    )


def episodes_in_words(of: Presented) -> str:
    """How many episodes CO2 retainers had, how many were avoidable or not re-checked: one sentence, no full stop."""
    now, before = of.episodes[-1], of.episodes[-2]
    month, last = wording.month_in_words(now.month), wording.month_in_words(before.month)
    if now.all is None:
        return f"Episodes of high oxygen in CO2 retainers cannot be shown for {month}: {now.why}"
    if now.all == 0:
        return f"CO2 retainers had no episode of high oxygen in {month}"
    earlier = "" if before.all is None else f", after {before.all:,} in {last}"
    told = f"CO2 retainers had {wording.counted(now.all, 'episode')} of high oxygen in {month}{earlier}"
    if now.avoidable is None and now.without_gas is None:
        return f"{told}; how many were avoidable or not re-checked rests on too few patients to be shown"
    avoidable = "an unshown number" if now.avoidable is None else f"{now.avoidable:,}"
    without = "an unshown number" if now.without_gas is None else f"{now.without_gas:,}"
    return f"{told}: {avoidable} avoidable, {without} not re-checked in time"


def _episodes_chart(of: Presented) -> Chart:
    series = (
        Series("All episodes", tuple(_drawn(each.all) for each in of.episodes)),
        Series("Avoidable", tuple(_drawn(each.avoidable) for each in of.episodes)),
        Series("Not re-checked in time", tuple(_drawn(each.without_gas) for each in of.episodes)),
    )
    top = charts.round_up(max((value for one in series for value in one.values if value is not None), default=0) or 1.0)
    names = tuple(wording.short_month(each.month) for each in of.episodes)
    text = (
        "Episodes of high oxygen in CO2 retainers by month: all, avoidable, not re-checked in time; see the table."
        f"{marks_in_words(of)}"
    )
    title = "Episodes by the month they began in"
    return Chart(COLUMNS, title, "episodes", names, series, (0.0, top), text, marks=marks_of(of))


def _drawn(count: int | None) -> float | None:
    return None if count is None else float(count)


def _episodes_table(of: Presented) -> Table:
    rows = [
        (
            Cell(wording.month_in_words(each.month), marks_in(of, each.month)),
            *((Cell(f"{wording.NOTHING} {each.why}"), Cell(""), Cell("")) if each.why else map(_count, _counts(each))),
        )
        for each in of.episodes
    ]
    head = ("Month", "All", "Avoidable", "Not re-checked in time")
    caption = f"Episodes; an en dash: rests on 1 to {of.most_hidden} patients on one side or the other"
    return Table(caption if of.most_hidden else "Episodes", head, tuple(rows), (2.0, 1.0, 1.1, 1.4))


def _counts(each: Episodes) -> Sequence[int | None]:
    return (each.all, each.avoidable, each.without_gas)


def _count(count: int | None) -> Cell:
    return Cell(wording.NOTHING if count is None else f"{count:,}")


def pathway(of: Presented) -> Sheet:
    """The steps of the pathway with their standards."""
    return Sheet(
        key="pathway",
        title=_pathway_title(of),
        lead=(
            "All patients, hospital-wide. A step without a figure says why. Standards are those published, for "
            "orientation."
        ),
        layout="split",
        charts=(_steps_chart(of),),
        tables=(_steps_table(of),),
        notes=(
            "A share of events is shown only when no patient, or enough patients, stand on each side of it: with the "
            "step met and "
            "with it not met.",
            *(f"{step.measure.title}: {_one_line(step.measure.numerator)}" for step in of.steps if not step.why),
            "What is not charted counts as not done. A miss is a case to read: there may have been a good reason.",
            "Sources: " + "; ".join(dict.fromkeys(_first_source(step.measure) for step in of.steps)) + ".",
        ),
    )


def furthest(of: Presented) -> tuple[Step, float] | None:
    """The step shown that lies furthest from a published standard of all or none, and how far; null: there is none."""
    gaps = [
        (step, step.value if step.measure.better == "lower" else 1 - step.value)
        for step in of.steps
        if step.value is not None and step.measure.standard.strip().startswith(_WHOLE)
    ]
    return max(gaps, key=lambda found: found[1]) if gaps else None


def _pathway_title(of: Presented) -> str:
    month, known = wording.month_in_words(of.month), [step for step in of.steps if step.value is not None]
    gap = furthest(of)
    if not known or gap is None:
        return (
            f"In {month} no step of the pathway can be shown against a standard: too few patients on one side of each"
        )
    step = gap[0]
    return (
        f"In {month}, of the steps that can be shown, the furthest from its standard was "
        f"\N{LEFT DOUBLE QUOTATION MARK}{step.measure.title}\N{RIGHT DOUBLE QUOTATION MARK}: "
        f"{whole_percent(step.value)} against {_first_words(step.measure)}"
    )


def _first_words(measure: Measure) -> str:
    """The percentage a standard begins with, or its first clause."""
    text = _one_line(measure.standard)
    return next(
        (whole.replace(" ", wording.NO_BREAK) for whole in _WHOLE if text.startswith(whole)), _first_clause(text)
    )


def _first_clause(text: str) -> str:
    return text.split(". ")[0].split(": ")[0].rstrip(".")


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _first_source(measure: Measure) -> str:
    return _one_line(measure.source).split(". ")[0].rstrip(".")


def _steps_chart(of: Presented) -> Chart:
    known = [step for step in of.steps if step.value is not None]
    values = tuple(like(step.value, 1.0) for step in known)
    lows, highs = (tuple(like(end, 1.0) for end in ends) for ends in ([s.low for s in known], [s.high for s in known]))
    names = tuple(step.measure.title for step in known)
    told = ", ".join(f"{step.measure.title} {whole_percent(step.value)}" for step in known)
    text = f"Share by step with 95 % intervals, in %: {told or 'no figure'}."
    series = (Series("Share of events, readings or time", values, lows, highs),)
    return Chart(ROWS, "Share by step, this month", "%", names, series, (0.0, 100.0), text)


def _steps_table(of: Presented) -> Table:
    rows = []
    for step in of.steps:
        figure = Cell(step.why or whole_percent(step.value), "" if step.why else whole_interval(step.low, step.high))
        rows.append((Cell(step.measure.title), figure, Cell(_standard(step.measure))))
    return Table(
        "Step, this month with its 95 % interval, and the published standard",
        ("Step", "This month", "Standard"),
        tuple(rows),
        (2.3, 1.3, 1.4),
        3,
    )


def _standard(measure: Measure) -> str:
    text = _first_clause(_one_line(measure.standard))
    return text if len(text) <= 60 else "see the notes"
