"""The colours of every page and chart by what they are for, in light and in dark: said once.

Charts are painted with the light colours as plain attributes, so that an SVG taken out of its page stays whole; the
style sheet made here turns each of them into its counterpart on a dark screen. Paper is always light. Marks are told
apart by lightness, place and name, never by hue; every pair that meets on a page has the contrast that WCAG 2.2 asks of
text (4.5) or of marks (3), but for the thin lines between rows and behind figures, which carry no meaning.
"""

# By name of the style sheet's variable: on paper and light screens, and on dark ones.
COLOURS: dict[str, tuple[str, str]] = {
    "page": ("#ffffff", "#18151b"),
    "tint": ("#f6f4f2", "#221e26"),
    "ink": ("#2b2233", "#ece7f0"),
    "accent": ("#5b3a6b", "#cbb1d9"),
    "grey": ("#625e66", "#aea8b3"),
    "line": ("#d9d5d1", "#3b3640"),
    "below": ("#33243f", "#e4d9ec"),
    "within": ("#e6e1ea", "#3b3244"),
    "above": ("#9d88aa", "#705b7d"),
    "excluded": ("#c9c5c1", "#5b5660"),
    "unaudited": ("#efecea", "#231f27"),
}
# Steps from the page to the shade of "above", for figures told by depth.
_GRADES = 10
_DARK_SCREEN = "@media screen and (prefers-color-scheme: dark)"


def light(name: str) -> str:
    """The colour of this name as charts are painted with it."""
    return COLOURS[name][0]


def graded(depth: float) -> str:
    """The shade for a depth from 0 (the page) to 1 (the shade of "above"), in steps that all have a dark counterpart.

    >>> graded(0.0), graded(1.0)
    ('#ffffff', '#9d88aa')
    """
    return _grade(round(_GRADES * depth), 0)


def dark_of() -> dict[str, str]:
    """The counterpart on a dark screen of every colour that a chart may be painted with."""
    return dict(COLOURS.values()) | {_grade(step, 0): _grade(step, 1) for step in range(_GRADES + 1)}


def style() -> str:
    """The beginning of every style sheet: the colours as variables, and what a dark screen makes of them.

    Where a reader forces colours upon pages, charts and shades stay as they are painted, as pictures do.
    """
    rules = "\n".join(
        f'  svg [fill="{painted}"] {{ fill: {seen}; }} svg [stroke="{painted}"] {{ stroke: {seen}; }}'
        for painted, seen in dark_of().items()
    )
    return (
        f":root {{ {_variables(0)} }}\n"
        f"{_DARK_SCREEN} {{\n  :root {{ color-scheme: dark; {_variables(1)} }}\n{rules}\n}}\n"
        "@media (forced-colors: active) {\n"
        "  svg, .shade, .key i { forced-color-adjust: none; } svg { background: var(--page); }\n}\n"
    )


def _variables(place: int) -> str:
    return " ".join(f"--{name}: {colours[place]};" for name, colours in COLOURS.items())


def _grade(step: int, place: int) -> str:
    ends = [COLOURS[name][place] for name in ("page", "above")]
    parts = [[int(end[first : first + 2], 16) for first in (1, 3, 5)] for end in ends]
    mixed = [low + step / _GRADES * (high - low) for low, high in zip(*parts, strict=True)]
    return "#" + "".join(f"{round(part):02x}" for part in mixed)
