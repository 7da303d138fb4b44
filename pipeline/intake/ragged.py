"""What a reader says of the rows it could not cut into cells."""

from dataclasses import dataclass


@dataclass(frozen=True)
class RaggedRow:
    """A row of a CSV file with too many or too few cells. Its text stays in the store, never in a message."""

    row_number: int
    cells: int
    text: str
