"""The shell of every page: one self-contained HTML file, every value escaped, nothing fetched, scripts optional."""

import base64
import hashlib
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports import palette, wording

_FILTERS = (
    wording.counted,
    wording.day,
    wording.first_word,
    wording.month_in_words,
    wording.number,
    wording.percent,
    wording.sentence_case,
    wording.short_number,
    zip,
)
_FOLDER = Path(__file__).parent
# Characters that turn the direction of what follows them, the page's own words too; no name needs them.
_TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)], "\N{REPLACEMENT CHARACTER}")


def render(template: str, **values: object) -> str:
    """The page as text, from a template of `templates/` that extends `page.html.j2`; an unknown name is an error."""
    style = (_FOLDER / "style.css").read_text(encoding="utf-8")
    script = (_FOLDER / "sort.js").read_text(encoding="utf-8")
    return (
        _environment()
        .get_template(template)
        .render(
            palette=Markup(palette.style()),
            style=Markup(style),
            script=Markup(script),
            content_rule=_content_rule(script),
            **values,
        )
    )


def _content_rule(script: str) -> str:
    """What a browser may do on the page: use its own styles and its one script, and fetch nothing."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    rules = (
        "default-src 'none'",
        "style-src 'unsafe-inline'",
        f"script-src 'sha256-{digest}'",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_kept_in_line,
    )
    environment.filters |= {filter_.__name__: filter_ for filter_ in _FILTERS}
    return environment


def _kept_in_line(value: object) -> object:
    return value.translate(_TURNING) if isinstance(value, str) else value
