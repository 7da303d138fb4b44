"""Judges small columns of numbers with great_expectations: which of them lie outside their limits.

great_expectations takes seconds to import and reads pandas frames only, so it is imported here, when a load is to be
judged, and sees counts and shares, never rows of the extract. It is told to send nothing, write nothing and print
nothing.
"""

import gc
import logging
import os
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import polars as pl

_SECONDS_TO_WAIT = 0.0005


@contextmanager
def kept_quiet() -> Iterator[None]:
    """Warnings, log lines and progress bars of what runs inside do not reach the user."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(before)


@contextmanager
def batches_made(meanwhile: bool) -> Iterator[Callable[[], Any]]:
    """Gives what to call for the batches of `make_batches`; it raises what went wrong with them.

    meanwhile: whether they are made beside the work inside the block, or only when they are called for. Either way
    nothing is at work any more when the block has ended.
    """
    if not meanwhile:
        yield make_batches
        return
    patience = sys.getswitchinterval()
    # The import is all Python and would keep the work beside it waiting that long after each of its steps.
    sys.setswitchinterval(_SECONDS_TO_WAIT)
    try:
        with ThreadPoolExecutor(max_workers=1) as beside:
            yield beside.submit(_make_batches_quietly).result
    finally:
        sys.setswitchinterval(patience)


def _make_batches_quietly() -> Any:
    with kept_quiet():
        return make_batches()


@contextmanager
def _nothing_collected() -> Iterator[None]:
    """An import makes many objects and drops few: looking for what can be dropped takes a quarter of its time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@contextmanager
def _spark_out_of_sight() -> Iterator[None]:
    """Where Spark is installed, it would be loaded as well: seconds, and lines on stderr, for nothing."""
    absent = "pyspark" not in sys.modules
    if absent:
        # The import system takes this for a package that is not there.
        sys.modules["pyspark"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if absent:
            del sys.modules["pyspark"]


def make_batches() -> Any:
    """What `outside_limits` hands its frames to: great_expectations in memory, without telemetry and progress bars."""
    os.environ["GX_ANALYTICS_ENABLED"] = "false"
    with _nothing_collected(), _spark_out_of_sight():
        import great_expectations
        from great_expectations.data_context.types.base import ProgressBarsConfig

    # Its import turns every warning of the program into a log line; that is turned back.
    logging.captureWarnings(False)
    context = great_expectations.get_context(mode="ephemeral")
    context.enable_analytics(False)
    context.variables.progress_bars = ProgressBarsConfig(globally=False, metric_calculations=False)
    asset = context.data_sources.add_pandas("load").add_dataframe_asset("load")
    return asset.add_batch_definition_whole_dataframe("load")


def outside_limits(batches: Any, values: Sequence[float], lowest: float | None, highest: float | None) -> list[bool]:
    """For each value whether it lies outside [lowest, highest], both ends included; null: no limit on that side.

    Raises RuntimeError when not every value could be judged, and whatever great_expectations raises.
    """
    from great_expectations.expectations import ExpectColumnValuesToBeBetween

    frame = pl.DataFrame(
        {"place": range(len(values)), "value": values}, schema={"place": pl.Int64, "value": pl.Float64}
    )
    found = batches.get_batch({"dataframe": frame.to_pandas()}).validate(
        ExpectColumnValuesToBeBetween(column="value", min_value=lowest, max_value=highest),
        result_format={"result_format": "COMPLETE", "unexpected_index_column_names": ["place"]},
    )
    if _has_raised(found.exception_info):
        raise RuntimeError("an expectation could not be judged")
    # Values it takes for missing would pass without having been looked at.
    if found.result["element_count"] != len(values) or found.result["missing_count"]:
        raise RuntimeError("an expectation did not look at every value")
    outside = {entry["place"] for entry in found.result.get("unexpected_index_list") or ()}
    if found.success == bool(outside):
        raise RuntimeError("an expectation contradicts itself")
    return [place in outside for place in range(len(values))]


def _has_raised(information: dict[str, Any]) -> bool:
    """One entry for the whole expectation, or one for each figure it was worked out from."""
    entries = [information, *(entry for entry in information.values() if isinstance(entry, dict))]
    return any(entry.get("raised_exception") for entry in entries)
