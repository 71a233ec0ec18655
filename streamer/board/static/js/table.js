// A table that can be sorted by its heads (by keyboard too: they are buttons) and filtered.
//
// Rows do not jump away under a hand: while the table holds the focus, or the pointer has just
// moved in it, rows keep their places and only their contents change.

import { h, rows, setText, show } from "./dom.js";

const HOLD_MS = 4000;
const DETAILS = Symbol("details of");

export class Table {
  /**
   * @param {object} plan
   *   caption: what the table is, for those who hear it
   *   columns: [{key, label, cell(row) -> children, sort?(row) -> number|string, first?: "down",
   *              head?: true for the row's own head, narrow?: true}]
   *   keyOf(row), words?(row) -> text that the filter looks at, empty: what an empty table means
   *   find: label of the filter, findFrom: it is there from so many rows on
   *   by: key of the column that is sorted by at first
   *   fill?(cell, row): write what a row's opened details hold; see toggle()
   */
  constructor(plan) {
    this.plan = plan;
    this.by = plan.by ?? null;
    this.down = plan.columns.find((c) => c.key === this.by)?.first === "down";
    this.find = "";
    this.items = [];
    this.order = [];
    this.stamp = "";
    this.opened = new Map();
    this.body = h("tbody", { role: "rowgroup" });
    this.heads = plan.columns.map((column) => this.#head(column));
    this.empty = h("p", { class: "empty" });
    this.count = h("span", { class: "quiet", role: "status" });
    // Roles are given by hand: on a phone the rows are laid out as sheets, and browsers forget
    // that it is a table when its display changes.
    this.table = h(
      "table",
      { role: "table", class: plan.class ?? null },
      h("caption", { class: "unseen" }, plan.caption),
      h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, this.heads)),
      this.body,
    );
    this.filter = plan.words ? this.#filter() : null;
    this.node = h("div", { class: "table", "data-own": true }, this.filter, this.table, this.empty);
    this.movedAt = 0;
    this.table.addEventListener("pointermove", () => {
      this.movedAt = performance.now();
    });
  }

  /** Show these rows. `stamp`: any text that cells depend on besides their row. */
  draw(items, stamp = "") {
    this.items = items;
    this.stamp = stamp;
    this.#draw();
  }

  /** Open or close the details below a row. */
  toggle(key) {
    if (this.opened.has(key)) this.opened.delete(key);
    else this.opened.set(key, { [DETAILS]: key });
    this.#draw();
  }

  isOpen(key) {
    return this.opened.has(key);
  }

  #draw() {
    const { plan } = this;
    const needle = this.find.trim().toLowerCase();
    const shown = needle
      ? this.items.filter((row) => plan.words(row).toLowerCase().includes(needle))
      : this.items;
    const stamp = [this.stamp, ...this.opened.keys()].join("\n");
    rows(
      this.body,
      this.#withDetails(this.#sorted(shown)),
      (row) => (row[DETAILS] === undefined ? plan.keyOf(row) : `${row[DETAILS]}\n`),
      (row) => (row[DETAILS] === undefined ? this.#row(row) : this.#details(row[DETAILS])),
      stamp,
    );
    this.table.hidden = !shown.length;
    const nothing = this.items.length ? `Nothing matches “${this.find.trim()}”.` : plan.empty;
    show(this.empty, shown.length ? null : nothing);
    this.empty.hidden = Boolean(shown.length);
    // A handful can be looked over without it.
    if (this.filter) this.filter.hidden = !needle && this.items.length < (plan.findFrom ?? 0);
    setText(this.count, needle ? `${shown.length} of ${this.items.length} shown` : "");
  }

  #withDetails(items) {
    if (!this.opened.size) return items;
    return items.flatMap((row) => {
      const details = this.opened.get(this.plan.keyOf(row));
      return details ? [row, details] : [row];
    });
  }

  #row(row) {
    return h(
      "tr",
      { role: "row", class: this.plan.rowClass?.(row) },
      this.plan.columns.map((column) =>
        h(
          column.head ? "th" : "td",
          {
            role: column.head ? "rowheader" : "cell",
            scope: column.head ? "row" : null,
            class: `col-${column.key}${column.narrow ? " narrow" : ""}`,
            "data-label": column.head || !column.label ? null : column.label,
          },
          column.cell(row),
        ),
      ),
    );
  }

  /** Made once: what is in it belongs to the page from then on. */
  #details(key) {
    const cell = h("td", { role: "cell", colspan: this.plan.columns.length, "data-own": true });
    const row = this.items.find((item) => this.plan.keyOf(item) === key);
    const line = h("tr", { role: "row", class: "details" }, cell);
    const there = this.body.querySelector(`tr[data-key="${CSS.escape(`${key}\n`)}"]`);
    if (!there) this.plan.fill(cell, row);
    return line;
  }

  // -- order -------------------------------------------------------------------------------------

  #sorted(items) {
    const { keyOf, columns } = this.plan;
    const column = columns.find((c) => c.key === this.by);
    if (!column) return items;
    const places = new Map(this.order.map((key, n) => [key, n]));
    const held = this.#held();
    const sign = this.down ? -1 : 1;
    const sorted = [...items].sort((a, b) => {
      const [p, q] = [places.get(keyOf(a)), places.get(keyOf(b))];
      if (held && p !== undefined && q !== undefined) return p - q;
      return sign * compare(column.sort(a), column.sort(b)) || compare(keyOf(a), keyOf(b));
    });
    // Two rules for one list need not agree on rows that are new while the order is held.
    if (held) sorted.sort((a, b) => (places.get(keyOf(a)) ?? 1e9) - (places.get(keyOf(b)) ?? 1e9));
    this.order = sorted.map(keyOf);
    return sorted;
  }

  #held() {
    const focused = this.body.contains(document.activeElement);
    return focused || performance.now() - this.movedAt < HOLD_MS;
  }

  #head(column) {
    const head = h("th", {
      scope: "col",
      role: "columnheader",
      class: `col-${column.key}${column.narrow ? " narrow" : ""}`,
    });
    if (!column.sort) {
      head.append(column.label);
      return head;
    }
    const arrow = h("span", { class: "arrow", "aria-hidden": "true" });
    head.append(
      h(
        "button",
        {
          type: "button",
          class: "sort",
          onclick: () => this.#sortBy(column),
        },
        column.label,
        arrow,
      ),
    );
    head.dataset.column = column.key;
    this.#tellOrder(head, column);
    return head;
  }

  #sortBy(column) {
    this.down = this.by === column.key ? !this.down : column.first === "down";
    this.by = column.key;
    this.order = [];
    this.movedAt = -HOLD_MS;
    this.heads.forEach((head, n) => this.#tellOrder(head, this.plan.columns[n]));
    this.#draw();
  }

  #tellOrder(head, column) {
    if (!column.sort) return;
    const chosen = this.by === column.key;
    const way = this.down ? "descending" : "ascending";
    if (chosen) head.setAttribute("aria-sort", way);
    else head.removeAttribute("aria-sort");
    const arrow = head.querySelector(".arrow");
    setText(arrow, chosen ? (this.down ? " ▼" : " ▲") : "");
  }

  #filter() {
    const field = h("input", {
      type: "search",
      autocomplete: "off",
      spellcheck: "false",
      oninput: (event) => {
        this.find = event.target.value;
        this.#draw();
      },
    });
    return h(
      "div",
      { class: "filter" },
      h("label", {}, h("span", {}, this.plan.find ?? "Show only"), " ", field),
      " ",
      this.count,
    );
  }
}

function compare(a, b) {
  if (typeof a === "number" && typeof b === "number") return a - b;
  return String(a).localeCompare(String(b), "en", { numeric: true });
}
