"""The first screen: which month, what was found, and the figures it rests on."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.vocabulary import EVIDENCE
from reports import charts, sentences, wording
from reports.figures import GroupFigures, Share, State


@dataclass(frozen=True)
class Cell:
    """One share as it is shown: the figure, its interval, and its change in words (empty: none to show)."""

    figure: str
    interval: str
    change: str


@dataclass(frozen=True)
class Row:
    """One group of patients; `missing` says in words why there are no shares (empty: there are)."""

    name: str
    patients: str
    missing: str
    cells: tuple[Cell, ...]
    strip: Markup
    above_otherwise: str
    unobserved: str
    unobserved_on_oxygen: str
    unobserved_on_air: str
    unobserved_no_device: str
    no_target: str


@dataclass(frozen=True)
class Count:
    """One number of episodes with the same number of the month before (empty: none to show)."""

    figure: str
    words: str
    before: str


def row_of(figures: GroupFigures, drawn: bool = False) -> Row:
    """The figures of one group as they are shown; `drawn`: with a bar of its shares."""
    shares = (figures.below, figures.within, figures.above_on_oxygen)
    shown = figures.state is State.SHOWN
    # Without device records nobody is known to be on oxygen or on air.
    untold = shown and figures.above_on_oxygen.value is None
    return Row(
        name=wording.sentence_case(figures.name),
        patients="" if figures.patients is None else wording.counted(figures.patients, "patient"),
        missing=sentences.why_nothing(figures),
        cells=tuple(_cell(share) for share in shares) if shown else (),
        strip=_strip(figures) if drawn and shown else Markup(),
        above_otherwise=wording.percent(
            figures.of_observed_time(figures.above_on_air_s + figures.above_device_unknown_s)
        ),
        unobserved=wording.percent(figures.of_target_time(figures.unobserved_s)),
        unobserved_on_oxygen=wording.percent(
            None if untold else figures.of_target_time(figures.unobserved_on_oxygen_s)
        ),
        unobserved_on_air=wording.percent(None if untold else figures.of_target_time(figures.unobserved_on_air_s)),
        unobserved_no_device=wording.percent(
            figures.of_target_time(figures.unobserved_s - figures.unobserved_on_oxygen_s - figures.unobserved_on_air_s)
        ),
        no_target=wording.percent(figures.no_target_share),
    )


def episode_counts(
    figures: GroupFigures, previous: GroupFigures, repeat_gas_minutes: float, absent: Collection[str] = ()
) -> list[Count]:
    """Episodes of high inspired oxygen in retainers: all, the avoidable ones, those without a gas in time.

    absent: tables that were never loaded; without devices there are no counts, without gases only the first two.
    """
    if figures.state is State.TOO_FEW or "devices" in absent:
        return []
    minutes = wording.short_number(repeat_gas_minutes)
    pairs = [
        (figures.episodes, previous.episodes, "episode|episodes"),
        (figures.episodes_above, previous.episodes_above, "avoidable: saturation read above the band during it"),
    ]
    if "gases" not in absent:
        without_gas = figures.episodes_without_gas_in_time, previous.episodes_without_gas_in_time
        pairs.append((*without_gas, f"without a repeat gas within {minutes} minutes"))
    known_before = previous.state not in (State.TOO_FEW, State.NOBODY)
    month = wording.month_in_words(previous.month)
    return [
        Count(f"{now:,}", _noun(words, now), f"{month}: {before:,}" if known_before else "")
        for now, before, words in pairs
    ]


def evidence_in_words(counts: Mapping[str, int], small: float) -> str:
    """On which evidence the retainers of the month count as such; empty without retainers.

    counts: patients by their strongest evidence. Nothing is told when a part is small: the whole is known.
    """
    if not sum(counts.values()):
        return ""
    if any(0 < counts.get(kind, 0) < small for kind in EVIDENCE):
        return "On which evidence they count as CO2 retainers is not shown: small numbers."
    words = {
        "gas": "a blood gas in this stay ({:,})",
        "history": "previous CO2 retention recorded ({:,}; often reversible)",
        "target": f"88{wording.EN_DASH}92 % being prescribed and nothing more ({{:,}}; weak evidence)",
    }
    told = [words[kind].format(counts[kind]) for kind in EVIDENCE if counts.get(kind)]
    return f"They count as CO2 retainers by {wording.listed_in_words(told)}."


def _noun(words: str, count: int) -> str:
    one, _, many = words.partition("|")
    return one if count == 1 or not many else many


def _cell(share: Share) -> Cell:
    return Cell(
        wording.percent(share.value),
        wording.percent_interval(share.low, share.high, share.value),
        sentences.change_in_words(share.change, share.change_low, share.change_high),
    )


def _strip(figures: GroupFigures) -> Markup:
    parts = {
        "below": figures.below.value or 0.0,
        "within": figures.within.value or 0.0,
        "above": figures.above_on_oxygen.value or 0.0,
    }
    said = ", ".join(f"{wording.percent(share)} {part}" for part, share in parts.items())
    return charts.strip(parts, f"{figures.name}: {said} the band on oxygen, of the observed time")
