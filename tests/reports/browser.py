"""Pages in a real browser: Playwright drives the Chromium of the machine, and downloads none.

`browser` (in conftest.py) is one browser for a module of tests. Where no Chromium is installed, tests that need it are
to be skipped: mark them with `in_a_browser`.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
OPTIONS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update")
in_a_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser without a window."""
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=list(OPTIONS))
        try:
            yield found
        finally:
            found.close()


@contextmanager
def a_page(browser: Browser, width: int = 1366, height: int = 768, **options: Any) -> Iterator[Page]:
    """An empty page in a window of this size, without a network; options: of the browser's context.

    A new window is dear: tests of many files open them one after the other in the same one.
    """
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True, **options)
    try:
        yield context.new_page()
    finally:
        context.close()


@contextmanager
def opened(browser: Browser, file: Path, width: int = 1366, height: int = 768, **options: Any) -> Iterator[Page]:
    """The file as somebody sees it who opens it from a folder."""
    with a_page(browser, width, height, **options) as page:
        page.goto(file.as_uri())
        yield page


def measured(browser: Browser, text: str, width: int, height: int, expression: str, scripts: bool = True) -> Any:
    """What a JavaScript expression over `page` (its document) gives, the page in a window of this size."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "page.html"
        file.write_text(text, encoding="utf-8")
        with opened(browser, file, width, height, java_script_enabled=scripts) as page:
            return page.evaluate(f"() => {{ const page = document; return {expression}; }}")
