"use strict";
// Turns the heads of tables marked "sortable" into buttons. Without scripts the table stays as it is printed.
document.querySelectorAll("table.sortable").forEach((table) => {
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const descending = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", descending ? "descending" : "ascending");
      sortBy(body, column, descending);
    });
  });
});

function sortBy(body, column, descending) {
  const keyed = Array.from(body.rows).map((row) => [keyOf(row.cells[column]), row]);
  keyed.sort(([left], [right]) => {
    if (left === "" || right === "") return (left === "") - (right === ""); // cells without a value stay last
    const order = typeof left === "number" && typeof right === "number" ? left - right : compare(left, right);
    return descending ? -order : order;
  });
  body.append(...keyed.map(([, row]) => row));
}

function keyOf(cell) {
  const key = "sort" in cell.dataset ? cell.dataset.sort : cell.textContent.trim();
  return key === "" || Number.isNaN(Number(key)) ? key : Number(key);
}

function compare(left, right) {
  return String(left).localeCompare(String(right), "en-GB", { numeric: true });
}

// A table that fits its box needs no stop of the keyboard; one that scrolls keeps it, as each does without scripts.
const sized = new ResizeObserver((entries) => entries.forEach(({ target: box }) => {
  if (box.scrollWidth > box.clientWidth) box.tabIndex = 0;
  else box.removeAttribute("tabindex");
}));
document.querySelectorAll(".scroll").forEach((box) => sized.observe(box));

// Print what is folded away where it belongs to the record; fold it back afterwards.
let opened = [];
window.addEventListener("beforeprint", () => {
  opened = Array.from(document.querySelectorAll("details.printed:not([open])"));
  opened.forEach((details) => { details.open = true; });
});
window.addEventListener("afterprint", () => {
  opened.forEach((details) => { details.open = false; });
});

// A link to a section that is folded away opens it.
function unfold() {
  const name = decodeURIComponent(location.hash.slice(1));
  const there = name && document.getElementById(name);
  if (!there) return;
  const inside = there.querySelector(":scope > details.fold");
  for (let at = inside || there; at; at = at.parentElement) if (at.tagName === "DETAILS") at.open = true;
  there.scrollIntoView();
}
window.addEventListener("hashchange", unfold);
unfold();
