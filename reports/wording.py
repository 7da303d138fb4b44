"""Numbers, dates and names as people read them: one rule for each, used by every page.

Shares are whole per cent from 10 % up and have one decimal under that; an interval has the decimals of its figure.
A figure that does not exist is an en dash, and the words beside it say why.
"""

from datetime import datetime

EN_DASH = "\N{EN DASH}"
NOTHING = EN_DASH
NO_BREAK = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

DEVICE_IN_WORDS = {
    "room_air": "room air",
    "nasal_cannula": "nasal cannula",
    "simple_mask": "simple mask",
    "air_entrainment_mask": "air-entrainment mask",
    "reservoir_mask": "reservoir mask",
    "high_flow_nasal": "high-flow nasal oxygen",
    "cpap": "CPAP",
    "bilevel_niv": "bilevel NIV",
    "invasive_ventilation": "invasive ventilation",
    "tracheostomy_mask": "tracheostomy mask",
    "oxygen_driven_nebuliser": "oxygen-driven nebuliser",
    "other": "other device",
}

GROUP_IN_WORDS = {"retainer": "CO2 retainers", "other": "everybody else", None: "all patients"}


def percent(share: float | None) -> str:
    """A fraction as per cent: 0.0912 is 9.1 %, 0.1712 is 17 %.

    >>> percent(0.0912), percent(0.1712), percent(0), percent(1), percent(0.997)
    ('9.1\\xa0%', '17\\xa0%', '0\\xa0%', '100\\xa0%', '>99\\xa0%')
    """
    if share is None:
        return NOTHING
    value = 100 * share
    if 0 < value < 0.05:
        return f"<0.1{NO_BREAK}%"
    if 99.5 <= value < 100:
        return f">99{NO_BREAK}%"
    return f"{value:.{_decimals(value)}f}{NO_BREAK}%"


def percent_interval(low: float | None, high: float | None, share: float | None) -> str:
    """Both ends of an interval around a share, in per cent, with the decimals of the share.

    >>> percent_interval(0.151, 0.188, 0.17)
    '15 to 19\\xa0%'
    """
    if low is None or high is None or share is None:
        return NOTHING
    decimals = _decimals(100 * share)
    return f"{100 * low:.{decimals}f} to {100 * high:.{decimals}f}{NO_BREAK}%"


def points(change: float | None) -> str:
    """A change of a share in percentage points, with its sign; null is an en dash.

    >>> points(-0.0594) == MINUS + "5.9", points(-0.0004), points(0.012)
    (True, '0.0', '+1.2')
    """
    return NOTHING if change is None else _signed(f"{100 * change:.1f}")


def points_end(change: float) -> str:
    """One end of the interval of a change, in percentage points; never rounded to 0 when it is not 0.

    >>> points_end(0.012), points_end(-0.0002), points_end(0.0)
    ('+1.2', 'just under 0', '0.0')
    """
    text = points(change)
    if change == 0 or float(text.replace(MINUS, "-")) != 0:
        return text
    return "just under 0" if change < 0 else "just over 0"


def number(value: float | None, decimals: int = 0) -> str:
    """A number with thousands separators.

    >>> number(12345), number(7.345, 2)
    ('12,345', '7.34')
    """
    return NOTHING if value is None else f"{value:,.{decimals}f}".replace("-", MINUS)


def short_number(value: float | None) -> str:
    """A number with at most two decimals, and none that say nothing: 6.0 is 6, 7.35 stays.

    >>> short_number(6.0), short_number(7.35), short_number(0.28)
    ('6', '7.35', '0.28')
    """
    return NOTHING if value is None else f"{value:,.4f}".rstrip("0").rstrip(".").replace("-", MINUS)


def exact(value: float, decimals: int) -> str:
    """A measured value with one more decimal than usual where it has one, so that it is not rounded over a threshold.

    >>> exact(6.0, 1), exact(6.04, 1), exact(7.349, 2), exact(7.3, 2)
    ('6.0', '6.04', '7.349', '7.30')
    """
    finer = f"{value:.{decimals + 1}f}"
    return finer[:-1] if finer.endswith("0") else finer


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> counted(1, "episode"), counted(1200, "episode"), counted(0, "stay")
    ('1 episode', '1,200 episodes', '0 stays')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def duration(seconds: float | None) -> str:
    """A length of time in hours and minutes, from two days up in days and hours.

    >>> duration(5400), duration(2700), duration(7200), duration(20), duration(851_220)
    ('1 h 30 min', '45 min', '2 h', 'under 1 min', '9 days 20 h')
    """
    if seconds is None:
        return NOTHING
    if 0 < seconds < 60:
        return "under 1 min"
    hours, minutes = divmod(int(seconds) // 60, 60)
    if hours >= 48:
        return f"{hours // 24:,} days {hours % 24} h"
    parts = [f"{hours} h"] * (hours > 0) + [f"{minutes} min"] * (minutes > 0 or hours == 0)
    return " ".join(parts)


def month_in_words(month: str) -> str:
    """`2026-05` as May 2026."""
    return f"{_MONTHS[int(month[5:7]) - 1]} {month[:4]}"


def short_month(month: str) -> str:
    """`2026-05` as May 26."""
    return f"{_MONTHS[int(month[5:7]) - 1][:3]} {month[2:4]}"


def month_before(month: str, by: int = 1) -> str:
    """The calendar month this many before.

    >>> month_before("2026-01"), month_before("2026-05", 11)
    ('2025-12', '2025-06')
    """
    year, index = divmod(int(month[:4]) * 12 + int(month[5:7]) - 1 - by, 12)
    return f"{year:04d}-{index + 1:02d}"


def months_up_to(month: str, count: int = 12) -> list[str]:
    """The calendar months that end with this one, oldest first."""
    return [month_before(month, back) for back in range(count - 1, -1, -1)]


def day(moment: datetime | None) -> str:
    """A local instant as 3 May 2026, 14:05."""
    if moment is None:
        return NOTHING
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}, {moment:%H:%M}"


def short_day(moment: datetime | None) -> str:
    """A local instant as 3 May, 14:05."""
    return NOTHING if moment is None else f"{moment.day} {_MONTHS[moment.month - 1][:3]}, {moment:%H:%M}"


def listed_in_words(items: list[str]) -> str:
    """Items with commas and a last "and".

    >>> listed_in_words(["a"]), listed_in_words(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def sentence_case(text: str) -> str:
    """The same text with a capital first letter."""
    return text[:1].upper() + text[1:]


def first_word(text: str) -> str:
    """The text up to its first space: the number of "12 patients"."""
    return text.split(" ")[0]


def _decimals(value: float) -> int:
    return 1 if 0 < value < 9.95 else 0


def _signed(text: str) -> str:
    if float(text) == 0:
        return text.lstrip("-")
    return text.replace("-", MINUS) if text.startswith("-") else f"+{text}"
