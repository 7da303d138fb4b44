"""What is looked for on a page in a browser: each function returns the faults it finds, none on a good page.

Contrast as WCAG 2.2 reckons it (relative luminance, success criterion 1.4.3). The checker of whole pages is axe-core
(MPL-2.0), which its Playwright package ships: it is run beside the page and is part of no page.
"""

from pathlib import Path
from typing import Any

import axe_playwright_python
from playwright.sync_api import Page

_AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
_RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

# Everything folded away is looked at too. The marks of a chart are one picture for axe; their text is looked at below.
# Of the rows of a table, which are alike, the first six are enough.
_PREPARED = """
    document.querySelectorAll("details").forEach((each) => { each.open = true; });
    const aside = [...document.querySelectorAll("svg, tbody")].map((each) => [each, [...each.childNodes]]);
    aside.forEach(([each]) => each.replaceChildren(...(each.rows ? [...each.rows].slice(0, 6) : [])));
"""
# Text is coloured by what it is and stands in: of all that is alike in this the first is enough.
_OF_EACH_KIND = """
    const kinds = new Map();
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) {
      const element = texts.currentNode.parentElement;
      if (!texts.currentNode.data.trim() || ["SCRIPT", "STYLE"].includes(element.tagName)) continue;
      const kind = [];
      for (let each = element; each; each = each.parentElement) kind.push(`${each.tagName}.${each.className}`);
      if (!kinds.has(kind.join())) kinds.set(kind.join(), element);
    }
"""


def axe(page: Page, contrast_only: bool = False) -> list[str]:
    """What axe-core calls a violation of WCAG 2.2 A or AA or of best practice.

    Contrast is looked at in each kind of text; the other rules everywhere, unless `contrast_only`.
    """
    page.evaluate(_AXE)
    others = {"runOnly": _RULES, "rules": {"color-contrast": {"enabled": False}}, "resultTypes": ["violations"]}
    contrast = {"runOnly": {"type": "rule", "values": ["color-contrast"]}}
    found: dict[str, Any] = page.evaluate(
        f"""async ([others, contrast, contrastOnly]) => {{
            {_PREPARED} {_OF_EACH_KIND}
            const runs = [await axe.run({{ include: [...kinds.values()] }}, contrast)];
            if (!contrastOnly) runs.push(await axe.run(document, others));
            aside.forEach(([each, all]) => each.replaceChildren(...all));
            const text = (rule) => rule.nodes.slice(0, 3).map((each) =>
              `${{rule.id}}: ${{each.html.slice(0, 160)}}: ${{each.failureSummary}}`);
            const looked = [runs[0].passes, runs[0].violations].flat().flatMap((rule) => rule.nodes).length;
            return {{ looked, kinds: kinds.size, faults: runs.flatMap((run) => run.violations).flatMap(text) }};
        }}""",
        [others, contrast, contrast_only],
    )
    if found["looked"] < 0.8 * found["kinds"]:
        return [f"axe could judge only {found['looked']} of {found['kinds']} kinds of text", *found["faults"]]
    return list(found["faults"])


_COLOURS = """
    const parts = (colour) => (colour.match(/[\\d.]+/g) || []).map(Number).concat([1]).slice(0, 4);
    const over = (top, under) => under.map((each, at) => top[3] * top[at] + (1 - top[3]) * each);
    const light = (colour) => {
      const [red, green, blue] = colour.map((each) => each / 255)
        .map((each) => (each <= 0.04045 ? each / 12.92 : ((each + 0.055) / 1.055) ** 2.4));
      return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
    };
    const contrast = (one, other) => {
      const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
      return (high + 0.05) / (low + 0.05);
    };
    const behind = (element) => {
      for (let each = element; each; each = each.parentElement) {
        const colour = parts(getComputedStyle(each).backgroundColor);
        if (colour[3] === 1) return colour.slice(0, 3);
      }
      return [255, 255, 255];
    };
"""


def chart_texts_hard_to_read(page: Page) -> dict[str, Any]:
    """Texts of charts with less contrast than 4.5 to what is painted behind them (`faults`), and how many there are."""
    return dict(
        page.evaluate(
            f"""() => {{
            {_COLOURS}
            document.querySelectorAll("details").forEach((each) => {{ each.open = true; }});
            const faults = []; let texts = 0;
            for (const svg of document.querySelectorAll("svg")) {{
              const ground = behind(svg);
              const marks = [...svg.querySelectorAll("path, rect, text")].map((each) => [each, getComputedStyle(each)])
                .filter(([, style]) => style.fill !== "none" && style.visibility === "visible");
              marks.forEach(([text, style], place) => {{
                if (text.tagName !== "text" || !text.textContent.trim()) return;
                texts += 1;
                const box = text.getBoundingClientRect();
                for (const part of [0.1, 0.5, 0.9]) {{
                  const spot = new DOMPoint(box.left + part * box.width, box.top + box.height / 2);
                  let colour = ground;
                  for (const [mark, painted] of marks.slice(0, place)) {{
                    if (mark.tagName === "text") continue;
                    if (!mark.isPointInFill(spot.matrixTransform(mark.getScreenCTM().inverse()))) continue;
                    const top = parts(painted.fill);
                    top[3] *= Number(painted.opacity) * Number(painted.fillOpacity);
                    colour = over(top, colour);
                  }}
                  const own = over(parts(style.fill), colour), found = contrast(own, colour);
                  if (found < 4.5) {{ faults.push(`${{text.textContent}}: ${{found.toFixed(2)}}`); break; }}
                }}
              }});
            }}
            return {{ texts, faults }};
        }}"""
        )
    )


def cut_off(page: Page) -> list[str]:
    """Texts beyond the window, or beyond a box that hides what is beyond it, that no scrolling brings into view."""
    return list(
        page.evaluate(
            """() => {
            document.querySelectorAll("details").forEach((each) => { each.open = true; });
            const faults = [], wide = document.documentElement.clientWidth;
            const range = document.createRange();
            const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
            while (texts.nextNode()) {
              const node = texts.currentNode, element = node.parentElement;
              if (!node.data.trim() || ["SCRIPT", "STYLE"].includes(element.tagName)) continue;
              if (element.closest(".skip, .unseen, title") || !element.checkVisibility()) continue;
              range.selectNodeContents(node);
              const box = range.getBoundingClientRect();
              const svg = element.closest("svg");
              let left = 0, right = wide, reached = false;
              if (svg && getComputedStyle(svg).overflowX !== "visible") {
                const frame = svg.getBoundingClientRect();
                if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1
                    || box.bottom > frame.bottom + 1) faults.push(`cut by its chart: ${node.data}`);
              }
              for (let each = svg || element; each && each !== document.body; each = each.parentElement) {
                const style = getComputedStyle(each);
                // What is moved off the page on purpose is there for those who listen.
                if (style.position === "absolute" && each.getBoundingClientRect().right < 0) reached = true;
                if (["auto", "scroll"].includes(style.overflowX)) reached = true;
                if (reached) break;
                if (["hidden", "clip"].includes(style.overflowX) && each !== svg) {
                  const frame = each.getBoundingClientRect();
                  [left, right] = [Math.max(left, frame.left), Math.min(right, frame.right)];
                }
              }
              if (!reached && (box.right > right + 1 || box.left < left - 1))
                faults.push(`${element.tagName} ${box.left}-${box.right}: ${node.data.slice(0, 60)}`);
            }
            return faults;
        }"""
        )
    )


def boxes_that_scroll(page: Page) -> list[dict[str, Any]]:
    """The boxes wider than their frame: whether the keyboard stops at each, whether it has a name, and its place."""
    return list(
        page.evaluate(
            """() => {
            document.querySelectorAll("details").forEach((each) => { each.open = true; });
            const all = [...document.querySelectorAll("body *")];
            // The page's own script has had its turn after two frames.
            return new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(
              all.filter((each) =>
                ["auto", "scroll"].includes(getComputedStyle(each).overflowX) && each.scrollWidth > each.clientWidth)
              .map((each) => ({
                stop: each.getAttribute("tabindex") === "0", name: each.role ? each.ariaLabel : "",
                place: all.indexOf(each), html: each.outerHTML.slice(0, 120),
              }))))));
        }"""
        )
    )


def scrolls_by_key(page: Page, place: int) -> bool:
    """Whether the arrow key moves the box at this place (see `boxes_that_scroll`)."""
    box = f"document.querySelectorAll('body *')[{place}]"
    page.evaluate(f"{box}.focus()")
    page.keyboard.press("ArrowRight")
    for _ in range(40):
        if page.evaluate(f"{box}.scrollLeft") > 0:
            return True
        page.wait_for_timeout(25)
    return False


def moving(page: Page) -> list[str]:
    """Elements that move: animations, transitions, and scrolling that glides."""
    return list(
        page.evaluate(
            """() => [...document.querySelectorAll("*")].filter((each) => {
              const style = getComputedStyle(each);
              return style.animationName !== "none" || style.transitionDuration !== "0s"
                || style.scrollBehavior !== "auto";
            }).map((each) => each.outerHTML.slice(0, 120))"""
        )
    )


def stops(page: Page, at_most: int = 400) -> list[dict[str, Any]]:
    """Where the tabulator key stops from the top of the page on, in that order, until it comes round again.

    name: as it is announced; after: whether it follows the stop before on the page; shown: whether it lies in the
    window; ringed: whether an outline marks it, with a contrast of 3 to the page.
    """
    page.evaluate(
        f"""() => {{
        {_COLOURS}
        window.stops = []; window.passed = []; window.round = false;
        document.addEventListener("focusin", ({{ target: at }}) => {{
          if (window.round ||= window.passed.includes(at)) return;
          const before = window.passed.at(-1) || document.body;
          window.passed.push(at);
          const style = getComputedStyle(at), box = at.getBoundingClientRect();
          window.stops.push({{
            tag: at.tagName, name: at.ariaLabel || at.textContent.trim().slice(0, 60),
            after: Boolean(before.compareDocumentPosition(at) & Node.DOCUMENT_POSITION_FOLLOWING),
            shown: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth && box.width > 0,
            ringed: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2
              && contrast(parts(style.outlineColor).slice(0, 3), behind(at.parentElement)) >= 3,
          }});
        }});
    }}"""
    )
    for number in range(at_most):
        page.keyboard.press("Tab")
        if number % 10 == 9 and page.evaluate("window.round"):
            return list(page.evaluate("window.stops"))
    raise AssertionError("The tabulator key does not come round.")
