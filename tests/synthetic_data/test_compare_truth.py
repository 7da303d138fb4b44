"""Holding the audit against the planted truth: the matching and the shares worked out by hand, and the command."""

from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from scipy.stats import binomtest

from pipeline.policy import read_policy
from synthetic_data.cohort import Cohort, simulate
from synthetic_data.compare_truth import Audited, audit, bias_in_words, charting_bias, main
from synthetic_data.episode_agreement import onset_minutes, overlaps, precision, sensitivity, share, with_visibility
from synthetic_data.sparser_charting import at_fixed_times, one_in, seconds_side_by_side, shares
from synthetic_data.truth import TRUE_STATES

NINE = datetime(2026, 3, 2, 9)


def episodes(*spans: tuple[str, int, int]) -> pl.DataFrame:
    """Stay, first minute and end (in minutes after nine) of each episode."""
    rows = [(stay, NINE + timedelta(minutes=start), NINE + timedelta(minutes=end)) for stay, start, end in spans]
    time = pl.Datetime("us")
    return pl.DataFrame(rows, schema={"stay_id": pl.String, "started_at": time, "ended_at": time}, orient="row")


# --- episodes ---------------------------------------------------------------------------------------------------

PLANTED = episodes(("A", 0, 60), ("A", 200, 260), ("B", 0, 60), ("C", 0, 300))
#                  found late   touched only     other stay    found twice
LISTED = episodes(("A", 20, 90), ("A", 260, 300), ("D", 0, 60), ("C", -10, 40), ("C", 100, 200))


def test_pairs_overlap_within_a_stay_and_touching_is_no_overlap() -> None:
    pairs = overlaps(PLANTED, LISTED)
    assert pairs.rows() == [
        (0, 0, 40 * 60, 20.0),
        (3, 3, 40 * 60, -10.0),
        (3, 4, 100 * 60, 100.0),
    ]


def test_one_second_in_common_is_an_overlap() -> None:
    one = episodes(("A", 0, 60))
    other = one.with_columns(pl.col("started_at") + timedelta(minutes=59, seconds=59), pl.col("ended_at"))
    assert overlaps(one, other)["overlap_s"].to_list() == [1]
    assert overlaps(one, other.with_columns(pl.col("started_at") + timedelta(seconds=1))).is_empty()


def test_sensitivity_counts_planted_and_precision_counts_listed_episodes() -> None:
    # Of A 0, A 200, B, C the first and the last are found; of five listed, one in A and both in C are confirmed.
    assert sensitivity(PLANTED, LISTED)[:3] == (2, 4, 0.5)
    assert precision(PLANTED, LISTED)[:3] == (3, 5, 0.6)


def test_the_interval_is_wilsons() -> None:
    # Against scipy, which knows nothing of this project.
    found = share(81, 263)
    published = binomtest(81, 263).proportion_ci(method="wilson")
    assert (found.low, found.high) == pytest.approx((published.low, published.high), abs=1e-9)
    assert round(found.low, 4) == 0.2553  # Newcombe, Stat Med 1998;17:857-72, table I, method 3


def test_nothing_planted_or_nothing_listed_is_no_share() -> None:
    none = PLANTED.clear()
    assert sensitivity(none, LISTED)[:2] == (0, 0)
    assert sensitivity(none, LISTED).fraction != sensitivity(none, LISTED).fraction  # nan
    assert sensitivity(PLANTED, none)[:3] == (0, 4, 0.0)
    assert precision(PLANTED, none)[:2] == (0, 0)


def test_the_onset_is_that_of_the_listed_episode_with_most_time_in_common() -> None:
    # A: 9:20 for 9:00. C: the second shares 100 min, the first 40, so 10:40 for 9:00.
    assert onset_minutes(PLANTED, LISTED).to_list() == [20.0, 100.0]


def test_of_two_with_as_much_in_common_the_first_gives_the_onset() -> None:
    listed = episodes(("A", 30, 60), ("A", 0, 30))
    assert onset_minutes(episodes(("A", 0, 60)), listed).to_list() == [30.0]


def test_what_hides_an_episode_from_the_chart_is_named_once() -> None:
    planted = episodes(("A", 0, 60), ("B", 0, 60), ("C", 0, 60), ("D", 0, 60), ("E", 0, 60)).with_columns(
        device_high_s=pl.Series([3600, 3600, 3600, 1799, 0])
    )
    # B is excluded for its last 31 minutes, which leaves 29; C for its last 30, which leaves 30.
    states = pl.DataFrame(
        {
            "stay_id": ["B", "B", "C"],
            "started_at": [NINE + timedelta(minutes=at) for at in (29, 50, 30)],
            "seconds": [21 * 60, 600 * 60, 600 * 60],
            "state": pl.Series(["excluded"] * 3, dtype=pl.Enum(TRUE_STATES)),
        }
    )
    evidence = pl.DataFrame({"stay_id": ["A", "B", "C", "D"]})
    hidden = with_visibility(planted, states, evidence)
    assert hidden["hidden_by"].to_list() == [None, "excluded", None, "device", "no_evidence"]
    assert hidden.drop("hidden_by").equals(planted)


# --- thinning ---------------------------------------------------------------------------------------------------


def readings(values: list[int], stay: str = "A") -> pl.DataFrame:
    times = [NINE + timedelta(hours=hour) for hour in range(len(values))]
    return pl.DataFrame({"stay_id": stay, "taken_at": times, "spo2_percent": [float(value) for value in values]})


def test_one_in_one_keeps_everything_and_one_in_three_every_third() -> None:
    charts = pl.concat([readings(list(range(70, 100))), readings(list(range(60, 90)), "B")])
    assert one_in(charts, 1).equals(charts)
    for stay, kept in one_in(charts, 3).group_by("stay_id"):
        hours = (kept["taken_at"].sort() - NINE).dt.total_hours().to_list()
        assert hours == list(range(hours[0], 30, 3)), stay
        assert hours[0] < 3


def test_which_readings_are_kept_does_not_depend_on_their_values_or_their_order() -> None:
    low, high = readings([70] * 40), readings([100] * 40)
    kept = one_in(low, 4)["taken_at"]
    assert kept.equals(one_in(high, 4)["taken_at"])
    assert kept.equals(one_in(low.reverse(), 4)["taken_at"].sort())


def pieces(stay: str, *rows: tuple[int, int, str]) -> pl.DataFrame:
    """Start in minutes after nine, saturation and true state of pieces of ten minutes."""
    return pl.DataFrame(
        {
            "stay_id": [stay] * len(rows),
            "started_at": [NINE + timedelta(minutes=at) for at, _, _ in rows],
            "seconds": pl.Series([600] * len(rows), dtype=pl.Int32),
            "spo2_percent": pl.Series([spo2 for _, spo2, _ in rows], dtype=pl.Int8),
            "state": pl.Series([state for *_, state in rows], dtype=pl.Enum(TRUE_STATES)),
        }
    )


def test_fixed_times_read_the_true_saturation() -> None:
    truth = pieces("A", *[(10 * place, 80 + place, "below") for place in range(18)])
    read = at_fixed_times(truth, hours=1)
    assert read["taken_at"].diff().drop_nulls().to_list() == [timedelta(hours=1)] * 2
    assert NINE <= read["taken_at"][0] < NINE + timedelta(hours=1)
    minutes = ((read["taken_at"] - NINE).dt.total_seconds() // 600).to_list()
    assert read["spo2_percent"].to_list() == [80.0 + minute for minute in minutes]


# --- shares -----------------------------------------------------------------------------------------------------


def charted(*rows: tuple[int, int, str]) -> pl.DataFrame:
    """Start and end in minutes after nine and the band state of spans of stay A."""
    return pl.DataFrame(
        {
            "stay_id": ["A"] * len(rows),
            "started_at": [NINE + timedelta(minutes=start) for start, _, _ in rows],
            "seconds": [60 * (end - start) for start, end, _ in rows],
            "group": ["retainers"] * len(rows),
            "charted": [state for *_, state in rows],
        }
    )


TRUTH = pieces(
    "A",
    (0, 85, "below"),
    (10, 90, "within"),
    (20, 90, "within"),
    (30, 95, "above_on_oxygen"),
    (40, 95, "above_on_air"),
    (50, 95, "no_target"),
)
CHART = charted((0, 5, "unobserved"), (5, 35, "within"), (35, 50, "above_on_oxygen"), (50, 60, "no_target"))


def test_seconds_of_each_pair_of_states_worked_out_by_hand() -> None:
    assert seconds_side_by_side(CHART, TRUTH).drop("group").rows() == [
        ("above_on_oxygen", "above_on_air", 600),
        ("above_on_oxygen", "above_on_oxygen", 300),
        ("no_target", "no_target", 600),
        ("unobserved", "below", 300),
        ("within", "above_on_oxygen", 300),
        ("within", "below", 300),
        ("within", "within", 1200),
    ]


def test_time_that_one_side_does_not_know_counts_for_neither() -> None:
    assert seconds_side_by_side(charted((-10, 5, "within"), (55, 90, "within")), TRUTH)["seconds"].sum() == 600
    assert seconds_side_by_side(CHART.with_columns(stay_id=pl.lit("B")), TRUTH).is_empty()


def test_shares_worked_out_by_hand() -> None:
    [row] = shares(seconds_side_by_side(CHART, TRUTH)).to_dicts()
    assert row.pop("group") == "retainers"
    # Observed 45 of 50 minutes under a target: within 30, above on oxygen 15. Truth over those 45: below 5, within 20,
    # above on oxygen 10, on air 10. Truth over all 50: below 10, within 20, above on oxygen 10, on air 10.
    assert row == pytest.approx(
        {
            "observed": 45 / 50,
            "below_charted": 0,
            "below_true_observed": 5 / 45,
            "below_true_always": 10 / 50,
            "within_charted": 30 / 45,
            "within_true_observed": 20 / 45,
            "within_true_always": 20 / 50,
            "above_on_oxygen_charted": 15 / 45,
            "above_on_oxygen_true_observed": 10 / 45,
            "above_on_oxygen_true_always": 10 / 50,
        }
    )


# --- a whole cohort ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hospital() -> Cohort:
    return simulate(seed=11, stays=250)


@pytest.fixture(scope="module")
def audited(hospital: Cohort) -> Audited:
    return audit(hospital, read_policy())


@pytest.fixture(scope="module")
def bias(hospital: Cohort, audited: Audited) -> pl.DataFrame:
    return charting_bias(hospital, audited, read_policy())


def off(bias: pl.DataFrame, charting: str, *states: str) -> float:
    """How far the charted shares of these states lie from the true ones in both groups, added up."""
    rows = bias.filter(pl.col("charting") == charting)
    apart = [(pl.col(f"{state}_charted") - pl.col(f"{state}_true_always")).abs().sum().alias(state) for state in states]
    return float(rows.select(pl.sum_horizontal(*apart)).item())


def test_true_pieces_add_up_to_the_true_time_of_every_stay(hospital: Cohort) -> None:
    seconds = pl.col("seconds").cast(pl.Int64)
    pieces_s = hospital.truth_states.group_by("stay_id", "state").agg(seconds.sum())
    months_s = hospital.truth_band_time.drop("month").group_by("stay_id").sum()
    added = pieces_s.pivot("state", index="stay_id", values="seconds").fill_null(0).sort("stay_id")
    for state in TRUE_STATES:
        assert added[state].to_list() == months_s.sort("stay_id")[f"{state}_s"].to_list()


def test_the_store_gives_back_the_charts_that_were_made(hospital: Cohort, audited: Audited) -> None:
    """So that thinning starts from what the nurses wrote, dirt left out."""
    made = hospital.tables["readings"].select("stay_id", "taken_at", pl.col("spo2_percent").cast(pl.Float64))
    kept = audited.rows["readings"].select(made.columns)
    assert kept.sort(made.columns).equals(made.sort(made.columns))


def test_dense_readings_without_error_give_the_true_shares_and_sparse_ones_do_not(bias: pl.DataFrame) -> None:
    dense, sparse = (off(bias, charting, "below", "within") for charting in ("10 min", "12 h"))
    assert dense < 0.002
    assert sparse > 5 * dense


def test_less_charting_means_less_time_observed(bias: pl.DataFrame) -> None:
    retainers = bias.filter(pl.col("group") == "retainers")
    for charts in (["1 in 1", "1 in 2", "1 in 3", "1 in 4", "1 in 6"], ["1 h", "4 h", "8 h", "12 h"]):
        observed = [retainers.filter(pl.col("charting") == name)["observed"].item() for name in charts]
        assert observed == sorted(observed, reverse=True)
    # Every 12 hours, a reading speaks for 6 of 12.
    assert retainers.filter(pl.col("charting") == "12 h")["observed"].item() == pytest.approx(0.5, abs=0.03)


def test_full_charts_are_nearer_the_truth_than_a_sixth_of_them(bias: pl.DataFrame) -> None:
    states = ("below", "within", "above_on_oxygen")
    assert off(bias, "1 in 1", *states) < off(bias, "1 in 6", *states)


def test_the_audit_finds_nearly_all_that_the_chart_could_show(hospital: Cohort, audited: Audited) -> None:
    planted = with_visibility(hospital.truth_episodes, hospital.truth_states, audited.retainers)
    found = sensitivity(planted.filter(pl.col("hidden_by").is_null()), audited.episodes)
    assert found.whole >= 10
    assert found.fraction > 0.85
    strong = audited.episodes.filter(pl.col("retainer_ever") != "target")
    assert precision(planted, strong).fraction > 0.75


def test_the_table_shows_the_figures_of_the_frame(bias: pl.DataFrame) -> None:
    text = bias_in_words(bias)
    [row] = bias.filter((pl.col("group") == "others") & (pl.col("charting") == "6 h")).to_dicts()
    line = text[text.index("Others: readings") :].split("\n6 h ")[1].splitlines()[0]
    cells = [float(cell) for cell in line.replace("|", " ").split()]
    always = round(100 * row["within_true_always"], 1)
    assert cells[1] == round(100 * row["observed"], 1)
    assert cells[6] == round(100 * row["within_charted"], 1)
    assert cells[8] == always
    assert "a figure of what was charted, not of the time itself" in " ".join(text.split())


def test_the_command_prints_and_writes_both_comparisons(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["--stays", "60", "--seed", "5", "--out", str(tmp_path / "comparison.txt")])
    printed = capsys.readouterr().out
    assert (tmp_path / "comparison.txt").read_text(encoding="utf-8") == printed
    assert printed.startswith("60 stays of the invented hospital")
    for words in ("nobody was measured", "sensitivity: all planted", "precision: all listed", "What it means"):
        assert words in printed
    assert [path.name for path in tmp_path.iterdir()] == ["comparison.txt"]


def test_too_few_stays_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["--stays", "10"])
    assert stopped.value.code == 2
    assert "at least 40" in capsys.readouterr().err
