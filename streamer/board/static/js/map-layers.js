// The map's layers of what was learned: a repeater's coverage, chosen by a check box, and the cells
// that a station may be in, asked for by the page's address. Each says in words and in a table what
// the map shows.

import { get, part } from "./act.js";
import { h, s, show } from "./dom.js";
import {
  bySteps,
  CHANCE_STEPS,
  coverageCells,
  LOOK_STEPS,
  lookCells,
  middleOfCell,
  percent,
} from "./map-cells.js";
import { degrees } from "./map-panel.js";
import { Table } from "./table.js";
import { age, count } from "./time.js";
import { linked, repeaterLink, stationLink } from "./words.js";

const LISTED = 100;
const LOOK_EVERY_MS = 60_000;

function swatch(kind, step) {
  return s(
    "svg",
    { class: `sign-box swatch is-${kind} step-${step}`, width: 28, height: 18, "aria-hidden": "true" },
    s("rect", { x: 1, y: 1, width: 26, height: 16 }),
  );
}

function legendOf(kind, cells, words) {
  return h(
    "ul",
    { class: "legend" },
    bySteps(cells, words).map((line) =>
      h("li", {}, swatch(kind, line.step), `${line.words}: ${count(line.cells, "cell")}`),
    ),
  );
}

function cell(...children) {
  return h("span", { class: "cell-text" }, children);
}

// -- learned coverage --------------------------------------------------------------------------------

/** The check box with its choice of a repeater; `first` is chosen, and shown at once, if given. */
export class CoverageLayer {
  constructor(map, first) {
    this.map = map;
    this.wanted = first;
    this.asked = 0;
    this.box = h("input", { type: "checkbox", checked: Boolean(first), "data-own": true });
    this.select = h("select", { id: "coverage-of", "data-own": true });
    this.text = h("div", { role: "status" });
    this.table = new Table({
      caption: "Cells of learned coverage, those with most overs first",
      keyOf: (row) => row.key,
      by: "overs",
      empty: "No cell is learned.",
      columns: [
        { key: "place", label: "Middle", head: true, cell: (row) => degrees(middleOfCell(row)) },
        {
          key: "chance",
          label: "Heard from there",
          first: "down",
          sort: (row) => row.chance,
          cell: (row) =>
            cell(`${percent(row.chance)} (${percent(row.low)} to ${percent(row.high)})`),
        },
        {
          key: "level",
          label: "Level",
          first: "down",
          sort: (row) => row.level_dbm ?? -Infinity,
          cell: (row) =>
            cell(row.level_dbm === null ? "not known" : `${Math.round(row.level_dbm)} dBm`),
        },
        {
          key: "overs",
          label: "Overs",
          first: "down",
          sort: (row) => row.overs,
          cell: (row) => cell(row.overs.toFixed(0)),
        },
      ],
    });
    this.numbers = h(
      "details",
      { hidden: true },
      h("summary", {}, "The cells as a table"),
      h("p", { class: "quiet" }, `Those with most overs, ${LISTED} at most.`),
      this.table.node,
    );
    this.node = h(
      "section",
      { class: "sheet layers", "aria-labelledby": "coverage-head" },
      h("h2", { id: "coverage-head" }, "What repeaters were learned to hear"),
      h(
        "div",
        { class: "choice" },
        h("label", {}, this.box, "Learned coverage"),
        h("span", { class: "of" }, h("label", { for: "coverage-of" }, "of repeater"), this.select),
      ),
      this.text,
      this.numbers,
    );
    this.box.addEventListener("change", () => this.#read());
    this.select.addEventListener("change", () => {
      this.wanted = this.select.value;
      this.#read();
    });
  }

  /** The repeaters that can be chosen. */
  setRepeaters(names) {
    const known = [...this.select.options].map(({ value }) => value);
    if (names.join() === known.join()) return;
    this.select.replaceChildren(
      ...names.map((name) => h("option", { value: name, selected: name === this.wanted }, name)),
    );
    if (this.box.checked && !known.length) this.#read();
  }

  async #read() {
    this.asked += 1;
    const number = this.asked;
    const repeater = this.select.value;
    if (!this.box.checked || !repeater) {
      this.#draw(null);
      return;
    }
    const names = repeater.split("/").map(part).join("/");
    try {
      const found = await get(`/api/v1/repeaters/${names}/coverage`);
      if (number === this.asked) this.#draw(found);
    } catch (problem) {
      if (number !== this.asked) return;
      this.#draw(null);
      show(this.text, h("p", { class: "problem" }, `It cannot be read: ${problem.message}`));
    }
  }

  #draw(found) {
    const cells = found ? coverageCells(found) : [];
    this.map.setCells("coverage", cells);
    this.numbers.hidden = !cells.length;
    this.table.draw(cells.slice(0, LISTED));
    if (!found) show(this.text);
    else if (!cells.length)
      show(
        this.text,
        h("p", {}, "Nothing is learned yet of ", repeaterLink(found.repeater), "."),
        h("p", { class: "quiet" }, "Overs that told a position are needed for it."),
      );
    else show(this.text, this.#words(found, cells));
  }

  #words(found, cells) {
    return [
      h(
        "p",
        {},
        `How likely an over from a cell is heard by `,
        repeaterLink(found.repeater),
        `, learned from what it heard in ${count(found.known_cells, "cell")}:`,
      ),
      legendOf("coverage", cells, CHANCE_STEPS),
      h("p", { class: "quiet" }, found.caution),
    ];
  }
}

// -- where to look -----------------------------------------------------------------------------------

/** Where a station may be; without a station nothing is there. */
export class LookLayer {
  constructor(map, station) {
    this.map = map;
    this.station = station;
    this.names = [];
    this.text = h("div", {});
    this.node = h(
      "section",
      { class: "sheet layers", "aria-labelledby": "look-head", hidden: !station },
      h("h2", { id: "look-head" }, "Where to look for ", station ? stationLink(station) : ""),
      this.text,
    );
    if (!station) return;
    this.#read();
    setInterval(() => document.visibilityState === "visible" && this.#read(), LOOK_EVERY_MS);
  }

  /** The repeaters whose names are ways to their pages. */
  setRepeaters(names) {
    this.names = names;
  }

  async #read() {
    try {
      this.#draw(await get(`/api/v1/whereabouts/${part(this.station)}`));
    } catch (problem) {
      this.map.setCells("look", []);
      show(this.text, h("p", { class: "problem" }, `It cannot be told: ${problem.message}`));
    }
  }

  #draw(found) {
    const cells = lookCells(found);
    this.map.setCells("look", cells);
    show(
      this.text,
      h("p", { class: "caution" }, h("strong", {}, "Caution. "), found.caution),
      h("ul", {}, found.words.map((text) => h("li", {}, linked(`${text}.`, [...this.names])))),
      cells.length
        ? [
            h("p", {}, "The cells that it may be in, each beside the likeliest one:"),
            legendOf("look", cells, LOOK_STEPS),
          ]
        : h("p", {}, "There is no cell to show."),
      h("p", { class: "quiet" }, "Worked out ", age(found.at), "."),
    );
  }
}
