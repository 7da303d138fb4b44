"""Reads a page the way a browser or a screen reader would, with the parser of the standard library."""

from dataclasses import dataclass, field
from functools import lru_cache
from html.parser import HTMLParser


@dataclass
class Page(HTMLParser):
    """The elements, the visible text and the tables of a page. A table is a list of rows, a row a list of texts."""

    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    tables: list[list[list[str]]] = field(default_factory=list)
    open_elements: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "path", "line", "rect"):
            self.open_elements.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        while self.open_elements and self.open_elements.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if {"script", "style"} & set(self.open_elements):
            return
        self.texts.append(data)
        if {"td", "th"} & set(self.open_elements):
            self.tables[-1][-1][-1] += f" {data.strip()}" if data.strip() else ""

    @property
    def text(self) -> str:
        """The visible text; every run of spaces, no-break ones too, is one plain space."""
        return " ".join(" ".join(self.texts).split())

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def table_with(self, head: str) -> list[list[str]]:
        """The first table with this head, its cells without surrounding space."""
        tables = [[[cell.strip() for cell in row] for row in table] for table in self.tables]
        return next(table for table in tables if any(head in cell for cell in table[0]))


@lru_cache(maxsize=8)
def read(text: str) -> Page:
    """The page; many tests of the same one get the same object, and only look at it."""
    page = Page()
    page.feed(text)
    return page
