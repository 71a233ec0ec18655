// The public view: how the network is, without any call sign of a station and nobody's place.

import { h, mount, show } from "../dom.js";
import { start } from "../frame.js";
import { muster } from "../muster.js";
import { Table } from "../table.js";
import { marked } from "../words.js";

const page = document.getElementById("page");
const verdict = h("p", { class: "verdict", id: "verdict" });
const figures = h("dl", { class: "boxes figures" });
const GROUPS = {
  carried: ["yes", "carried wherever it is wanted"],
  starved: ["no", "not carried everywhere it is wanted"],
  unknown: ["unknown", "cannot be said"],
  quiet: ["expired", "wanted nowhere now"],
};
const REPEATERS = {
  reporting: ["yes", "reports"],
  dark: ["no", "does not report"],
  unknown: ["unknown", "cannot be said"],
};

/** The name of a row and, below it, its title. */
function nameCell(row) {
  return h(
    "div",
    { class: "cell" },
    h("span", { class: "sign" }, row.name),
    row.title ? h("div", { class: "quiet plain" }, row.title) : null,
  );
}

const groups = new Table({
  caption: "Groups: how many members would hear an over now",
  by: "group",
  keyOf: (row) => row.name,
  empty: "There is no group.",
  columns: [
    {
      key: "group",
      label: "Group",
      head: true,
      sort: (row) => row.name,
      cell: nameCell,
    },
    {
      key: "hearing",
      label: "Members who would hear it",
      sort: (row) => -row.would_not_hear,
      cell: (row) => h("div", { class: "cell" }, muster(row)),
    },
    {
      key: "state",
      label: "Carried",
      sort: (row) => row.state,
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          marked(...GROUPS[row.state]),
          h("span", { class: "quiet" }, row.wanted ? ` (${row.carried} of ${row.wanted})` : ""),
        ),
    },
  ],
});
const repeaters = new Table({
  caption: "Repeaters: which of them report",
  by: "state",
  keyOf: (row) => row.name,
  empty: "There is no repeater.",
  columns: [
    {
      key: "repeater",
      label: "Repeater",
      head: true,
      sort: (row) => row.name,
      cell: nameCell,
    },
    {
      key: "state",
      label: "State",
      sort: (row) =>
        Object.keys(REPEATERS).length - ["reporting", "unknown", "dark"].indexOf(row.state),
      cell: (row) => h("span", { class: "cell" }, marked(...REPEATERS[row.state])),
    },
  ],
});
mount(
  page,
  verdict,
  figures,
  h(
    "div",
    { class: "columns" },
    h(
      "section",
      { class: "sheet", "aria-labelledby": "groups-head" },
      h("h2", { id: "groups-head" }, "Groups"),
      groups.node,
    ),
    h(
      "section",
      { class: "sheet", "aria-labelledby": "repeaters-head" },
      h("h2", { id: "repeaters-head" }, "Repeaters"),
      repeaters.node,
    ),
  ),
);

const STATES = {
  well: "The network is well.",
  trouble: "There is trouble in the network; those who keep it can see where.",
  stale: "The data are old: nothing certain can be said now.",
};

function rowsOf(kind) {
  return [...feed.rows("public")]
    .filter(([key]) => key.startsWith(`${kind}:`))
    .map(([key, row]) => ({ ...row, name: key.slice(kind.length + 1) }));
}

const feed = start(["public"], () => {
  const region = feed.row("public", "region");
  if (!region) return;
  show(verdict, feed.state().stale ? STATES.stale : STATES[region.state]);
  const r = region.repeaters;
  const g = region.gateways;
  show(
    figures,
    [
      ["Gateways up", `${g.up} of ${g.up + g.down + g.silent + g.flooding + g.never}`],
      ["Repeaters reporting", `${r.reporting} of ${r.reporting + r.dark + r.unknown}`],
      ["Exercises", region.exercises],
      ["Actual duties", region.actual_duties],
    ].map(([label, value]) =>
      h("div", { "data-key": label }, h("dt", {}, label), h("dd", {}, value)),
    ),
  );
  groups.draw(rowsOf("group"));
  repeaters.draw(rowsOf("repeater"));
});
