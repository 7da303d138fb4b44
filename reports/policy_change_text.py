"""The comparison of two policies as text for a terminal."""

from textwrap import indent, wrap

from reports import wording
from reports.policy_change import PolicyChange, ThresholdChange
from reports.policy_lines import Block
from reports.tried_measure import in_columns

_WIDTH = 110
_HEADER = ("", "in use", "new", "difference")


def in_words(change: PolicyChange) -> str:
    """The thresholds that differ, the headline of both groups, and every measure that would change, in short."""
    parts = [
        f"{wording.month_in_words(change.month)}: {change.answer}"
        + ("" if change.complete else " The month is not complete."),
        *map(_threshold, change.thresholds),
        *map(_block, change.headline),
    ]
    blocks = [block for part in change.measures.values() for block in part]
    parts += [_block(block) for block in blocks if block.differs]
    same = sum(not block.differs for block in blocks)
    if same:
        parts.append(f"The same under both: {wording.counted(same, 'measure')}.")
    parts.append(
        "The same stays are judged twice: a difference is no trend, and no better or worse care. For the audit team "
        "only, not for presentation. The store was not changed."
    )
    if change.untold:
        parts.append(change.untold)
    return "\n\n".join(parts).replace(wording.NO_BREAK, " ").replace(wording.EN_DASH, "-").replace(wording.MINUS, "-")


def _threshold(one: ThresholdChange) -> str:
    lines = [f"{one.name}: {one.present} -> {one.new} ({one.unit})"]
    for text in (one.meaning, f"In use: {one.present_source}", f"New: {one.new_source}"):
        lines += wrap(" ".join(text.split()), _WIDTH, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines)


def _block(block: Block) -> str:
    rows = [_HEADER, *((line.name, line.present, line.new, line.difference) for line in block.lines)]
    return f"{block.title}\n{indent(in_columns(rows), '  ')}"
