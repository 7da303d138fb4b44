"""The exceptions a user can meet, and the exit codes of the command line.

    AuditError                 anything the person at the keyboard can put right (exit code 2)
    ├── ExtractError           the extract folder, a file of it or its header is not as agreed
    │   ├── IdentifierError    a column is, or values look like, a direct identifier
    │   └── UnitError          a column's values contradict the unit it is declared in
    ├── StoreError             the store file is missing, in use, or not one of ours
    ├── PolicyError            the policy file is not valid
    ├── MappingError           the mapping file is not valid
    ├── ChangesError           the file of declared changes is not valid
    └── MeasureFileError       one or more files in sql/measures/ are not valid

Anything else that is raised is a fault of the tool: it ends in a traceback and exit code 1.

Every message says what is wrong, where, what was expected, how many more there are, and what to do next.
No message ever holds the value of a cell.
"""

from collections.abc import Sequence

EXIT_DONE = 0
EXIT_FAULT_OF_OURS = 1
EXIT_USER_MUST_CHANGE = 2

EXAMPLES_SHOWN = 5


class AuditError(Exception):
    """Anything the user can put right; its text is shown as it is, without a traceback."""


class ExtractError(AuditError):
    """The extract folder, a file of it or its header is not as agreed."""


class IdentifierError(ExtractError):
    """A column is, or values look like, a direct identifier; nothing was stored."""


class UnitError(ExtractError):
    """A column's values contradict the unit it is declared in; nothing was stored."""


class StoreError(AuditError):
    """The store file is missing, in use, or not one of ours."""


class PolicyError(AuditError):
    """The policy file is not valid."""


class MappingError(AuditError):
    """The mapping file is not valid."""


class ChangesError(AuditError):
    """The file of declared changes is not valid."""


class MeasureFileError(AuditError):
    """One or more files in sql/measures/ are not valid."""


def listed(items: Sequence[object], shown: int = EXAMPLES_SHOWN) -> str:
    """The first few items separated by commas, then how many more there are.

    >>> listed([3, 5, 8], shown=2)
    '3, 5 and 1 more'
    """
    head = ", ".join(str(item) for item in items[:shown])
    rest = len(items) - shown
    return f"{head} and {rest:,} more" if rest > 0 else head
