"""Holds the audit against what really happened in the invented hospital, and prints how well it does.

    uv run python -m synthetic_data.compare_truth [--stays 2500] [--seed N] [--out FILE]

Makes up a cohort, writes its extract, loads and measures it in a temporary store, and prints two comparisons: the
episodes of high inspired oxygen against the planted ones, and the charted shares of time against the true ones as
charting gets sparser. The truth is invented as well: see MODEL below.
"""

import argparse
import tempfile
import textwrap
from pathlib import Path
from typing import NamedTuple

import polars as pl

from pipeline.intake.load import load_extract
from pipeline.measure import derive, empty_measured_tables, fill_timeline
from pipeline.policy import Policy, read_policy
from pipeline.store import open_store, transaction
from pipeline.vocabulary import TABLES
from synthetic_data.cohort import FEWEST_STAYS, Cohort, simulate
from synthetic_data.episode_agreement import Share, onset_minutes, precision, sensitivity, with_visibility
from synthetic_data.extract import write_extract
from synthetic_data.sparser_charting import SHOWN, at_fixed_times, bias_by_charting, one_in

KEPT_ONE_IN = (1, 2, 3, 4, 6)
FIXED_HOURS = {"10 min": 1 / 6, "1 h": 1, "2 h": 2, "4 h": 4, "6 h": 6, "8 h": 8, "12 h": 12}

MODEL = """\
What the truth is. A simulation, ten minutes at a time: nobody was measured. Lungs, CO2 and saturation follow simple
formulas with chance added, and nurses read, judge and act by rules. They look again sooner when the early-warning score
is high, after a low reading and after a change, later at night and at weekends; an oximeter errs by chance (standard
deviation 0.8 points) and by a bias of each patient; they act at once on what they read, so that a reading is often the
last moment before the device is changed. Excluded spells and targets are charted as they were, but for a few ends of
spells. A device is not always charted, a nebuliser in about six of seven cases. Real charts have other faults, and
these figures say nothing about a real hospital: they show whether the audit finds what can be found, and how much a
figure of charted time can differ from the time itself."""

HIDDEN_BY = {
    "no_evidence": "no evidence of CO2 retention charted",
    "excluded": "under 30 min of it outside excluded time",
    "device": "under 30 min through a device held to give more than 28 %",
}


class Audited(NamedTuple):
    """What the audit made of the extract, and the rows it made it from (`stays` with `as_of`)."""

    episodes: pl.DataFrame
    retainers: pl.DataFrame
    rows: dict[str, pl.DataFrame]


def main(arguments: list[str] | None = None) -> None:
    """The command: prints the comparison, and writes the same text to --out."""
    parser = argparse.ArgumentParser(prog="python -m synthetic_data.compare_truth", description=__doc__.split("\n")[0])
    parser.add_argument("--stays", type=int, default=2500, help=f"at least {FEWEST_STAYS} (default: %(default)s)")
    parser.add_argument("--seed", type=int, help="default: the seed of the demo")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the text here as well")
    options = parser.parse_args(arguments)
    if options.stays < FEWEST_STAYS:
        parser.error(f"--stays must be at least {FEWEST_STAYS}")
    seed = {} if options.seed is None else {"seed": options.seed}
    text = comparison(simulate(stays=options.stays, **seed), read_policy())
    print(text)
    if options.out:
        options.out.write_text(text + "\n", encoding="utf-8")


def comparison(cohort: Cohort, policy: Policy) -> str:
    """The whole text for a cohort."""
    audited = audit(cohort, policy)
    planted = with_visibility(cohort.truth_episodes, cohort.truth_states, audited.retainers)
    bias = charting_bias(cohort, audited, policy)
    title = f"{cohort.tables['stays'].height:,} stays of the invented hospital, {bias['readings'][0]:,} readings"
    parts = [title, MODEL, episodes_in_words(planted, audited.episodes, cohort.truth_retainers), bias_in_words(bias)]
    return "\n\n".join(parts)


def audit(cohort: Cohort, policy: Policy) -> Audited:
    """Writes the extract, dirty rows included, loads it and measures it as far as the episodes.

    The steps are the tool's own; pooling by month and ward is left out. Everything on disk is gone afterwards.
    """
    with tempfile.TemporaryDirectory() as folder:
        extract = Path(folder) / "extract"
        write_extract(cohort, extract)
        with open_store(Path(folder) / "audit.duckdb", create=True) as connection:
            load_extract(connection, extract)
            with transaction(connection):
                empty_measured_tables(connection)
                fill_timeline(connection, policy)
                derive(connection, "retainers")
            rows = {"stays": connection.sql("select * exclude (stay_no) from stays").pl()}
            for table in TABLES:
                if table != "stays":
                    query = f"select stay_id, {table}.* exclude (stay_no) from {table} join stays using (stay_no)"
                    rows[table] = connection.sql(query).pl()
            episodes = connection.sql("select * from high_fio2_episodes").pl()
            return Audited(episodes, connection.sql("select * from retainers").pl(), rows)


def charting_bias(cohort: Cohort, audited: Audited, policy: Policy) -> pl.DataFrame:
    """Charted and true shares for the charts thinned out and for readings at fixed times; see `bias_by_charting`."""
    charts = {f"1 in {number}": one_in(audited.rows["readings"], number) for number in KEPT_ONE_IN}
    charts |= {name: at_fixed_times(cohort.truth_states, hours) for name, hours in FIXED_HOURS.items()}
    return bias_by_charting(audited.rows, charts, cohort.truth_states, policy)


def episodes_in_words(planted: pl.DataFrame, listed: pl.DataFrame, truth_retainers: pl.DataFrame) -> str:
    """Sensitivity, precision and onset of the audit's episodes, all and avoidable ones."""
    retaining = truth_retainers.filter("retains")["stay_id"].implode()
    in_chart = planted.filter(pl.col("hidden_by").is_null())
    # A stretch without a target in it is null: neither avoidable nor not.
    avoidable, called_avoidable = planted.filter("truly_above"), listed.filter(pl.col("saturation_during") == "above")
    avoidable_in_chart = in_chart.filter("truly_above")
    lines = [
        "1. Episodes of high inspired oxygen in CO2 retainers",
        _paragraph(
            "Planted: true inspired oxygen above 28 % for 30 min or more in a patient who truly retains CO2. Found: an "
            "episode of the audit overlaps it in time. 95 % intervals by Wilson, as if every episode were another "
            "patient's."
        ),
        "",
        f"{'':<68}{'found':>6} {'of':>5}   share",
        _line("sensitivity: all planted", sensitivity(planted, listed)),
        _line("sensitivity: planted that the chart could show", sensitivity(in_chart, listed)),
        _line("precision: all listed by the audit", precision(planted, listed)),
    ]
    for evidence in ("gas", "history", "target"):
        of_evidence = listed.filter(pl.col("retainer_ever") == evidence)
        lines.append(_line(f"precision: listed on the evidence '{evidence}'", precision(planted, of_evidence)))
    truly = listed.filter(pl.col("stay_id").is_in(retaining))
    lines += [
        _line("precision: listed in patients who truly retain", precision(planted, truly)),
        _line(
            "avoidable, sensitivity: truly above the band, called avoidable", sensitivity(avoidable, called_avoidable)
        ),
        _line("   of those that the chart could show", sensitivity(avoidable_in_chart, called_avoidable)),
        _line("   listed at all, called avoidable or not", sensitivity(avoidable, listed)),
        _line("avoidable, precision: called avoidable, truly above the band", precision(avoidable, called_avoidable)),
        "",
        _onset("Listed start after the true one, all that were found", onset_minutes(planted, listed)),
        _onset("The same, avoidable ones", onset_minutes(avoidable, called_avoidable)),
        "",
        _paragraph(
            "Planted episodes that the chart could not show, by the first reason: "
            + ", ".join(f"{words} {_hidden(planted, name)}" for name, words in HIDDEN_BY.items())
            + f". Listed in patients who do not retain CO2: {listed.height - truly.height:,} of {listed.height:,}. "
            "They had high oxygen as charted, but no CO2 retention: an 88-92 % target alone is weak evidence."
        ),
    ]
    return "\n".join(lines)


def _line(words: str, share: Share) -> str:
    if not share.whole:
        return f"{words:<68}{share.part:>6,} {share.whole:>5,}   none to judge"
    interval = f"({100 * share.low:.1f} to {100 * share.high:.1f})"
    return f"{words:<68}{share.part:>6,} {share.whole:>5,}   {100 * share.fraction:.1f} % {interval}"


def _onset(words: str, minutes: pl.Series) -> str:
    if minutes.is_empty():
        return f"{words}: none was found."
    low, middle, high = (minutes.quantile(part, "linear") for part in (0.25, 0.5, 0.75))
    return f"{words}: median {middle:+.0f} min, quartiles {low:+.0f} and {high:+.0f} min."


def _hidden(planted: pl.DataFrame, reason: str) -> str:
    return f"{planted.filter(pl.col('hidden_by') == reason).height:,}"


def bias_in_words(bias: pl.DataFrame) -> str:
    """The table of charted and true shares, a block for each group and way to chart, and what it means."""
    lines = [
        "2. Charted shares of time against true ones, as charting gets sparser",
        _paragraph(
            "Per cent. observed: of the time under a target, that for which a reading speaks. chart: the audit's share "
            "of the observed time. seen: the truth over that same time. all: the truth over all time under a target. "
            "off: chart minus all, in points. Retainers: stays with charted evidence of CO2 retention. Time above the "
            "band through a device that was not charted is not in chart."
        ),
    ]
    ways = {
        "the nurses' charts, of which one reading in n is kept": [f"1 in {number}" for number in KEPT_ONE_IN],
        "readings without error at fixed times": list(FIXED_HOURS),
    }
    for group in ("retainers", "others"):
        of_group = bias.filter(pl.col("group") == group)
        for way, charts in ways.items():
            lines += ["", f"{group.capitalize()}: {way}", *_block(of_group.filter(pl.col("charting").is_in(charts)))]
    return "\n".join([*lines, "", _what_it_means(bias)])


def _block(rows: pl.DataFrame) -> list[str]:
    heads = "".join(f" | {name.replace('_', ' '):^25}" for name in SHOWN)
    under = " |  chart   seen    all    off" * len(SHOWN)
    lines = [f"{'':<8}{'h apart':>8}{'observed':>10}{heads}", f"{'':<26}{under}"]
    for row in rows.iter_rows(named=True):
        cells = ""
        for state in SHOWN:
            chart, seen, always = (100 * row[f"{state}_{part}"] for part in ("charted", "true_observed", "true_always"))
            cells += f" | {chart:6.1f} {seen:6.1f} {always:6.1f} {round(chart - always, 1) + 0.0:+6.1f}"
        lines.append(f"{row['charting']:<8}{row['hours_between']:>8.1f}{100 * row['observed']:>10.1f}{cells}")
    return lines


def _what_it_means(bias: pl.DataFrame) -> str:
    retainers = bias.filter(pl.col("group") == "retainers")
    columns = ["within_charted", "within_true_always", "observed"]
    full, sparse, fixed = (
        [100 * share for share in retainers.filter(pl.col("charting") == charting).select(columns).row(0)]
        for charting in ("1 in 1", f"1 in {KEPT_ONE_IN[-1]}", "6 h")
    )
    return _paragraph(
        "What it means: the audit's figure is a figure of what was charted, not of the time itself. In retainers the "
        f"full charts say {full[0]:.1f} % within the band where the truth is {full[1]:.1f} %; one reading in "
        f"{KEPT_ONE_IN[-1]} says {sparse[0]:.1f} % and speaks for {sparse[2]:.0f} % of the time. Readings without "
        f"error every six hours say {fixed[0]:.1f} %: the chart is off because of when nurses look, what they do next "
        "and what the oximeter shows, more than because of gaps alone. Compare months and wards only while they chart "
        "alike, and read the share of time observed first."
    )


def _paragraph(text: str) -> str:
    return textwrap.fill(text, 118)


if __name__ == "__main__":
    main()
