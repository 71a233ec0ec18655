// The log: what people did here, who and when.

import { h, mount } from "../dom.js";
import { start } from "../frame.js";
import { refresh } from "../refresh.js";
import { Table } from "../table.js";
import { moment, utc } from "../time.js";
import { spoken } from "../words.js";

const page = document.getElementById("page");
const table = new Table({
  caption: "What was done, newest first",
  find: "Show only",
  findFrom: 8,
  by: "at",
  keyOf: (row) => row.key,
  words: (row) => [row.by, spoken(row.act), row.subject, row.note ?? "", detail(row)].join(" "),
  empty: "Nobody has done anything here yet.",
  columns: [
    {
      key: "at",
      label: "When",
      head: true,
      first: "down",
      sort: (row) => Date.parse(row.at),
      narrow: true,
      cell: (row) => h("span", { class: "cell" }, moment(row.at)),
    },
    {
      key: "by",
      label: "Who",
      sort: (row) => row.by,
      cell: (row) => h("span", { class: "cell" }, row.by),
    },
    {
      key: "act",
      label: "Did",
      sort: (row) => row.act,
      cell: (row) => h("strong", { class: "cell" }, spoken(row.act)),
    },
    {
      key: "subject",
      label: "To",
      sort: (row) => row.subject,
      cell: (row) => h("span", { class: "sign cell" }, row.subject),
    },
    {
      key: "note",
      label: "Note and details",
      cell: (row) =>
        h("div", { class: "cell" }, row.note, h("div", { class: "quiet plain" }, detail(row))),
    },
  ],
});

function detail(row) {
  return Object.entries(row.details ?? {})
    .filter(([, value]) => value !== null && value !== "")
    .map(([name, value]) => `${spoken(name)}: ${name === "roster" ? people(value) : said(value)}`)
    .join("; ");
}

/** Not their names: a roster is long, and the page of duties has it. */
function people(roster) {
  return `${roster.length} expected`;
}

function said(value) {
  if (Array.isArray(value)) return value.length ? value.join(", ") : "nobody";
  if (typeof value === "object") {
    const answers = Object.entries(value).map(([call, answer]) => `${call} (${answerOf(answer)})`);
    return answers.length ? answers.join(", ") : "nobody";
  }
  return /^\d{4}-\d\d-\d\dT/.test(value) ? utc(value) : String(value);
}

/** Who answered a roll call, when and how. */
function answerOf({ at, how, by }) {
  return `${how === "desk" ? `marked by ${by}` : "on the air"}, ${utc(at)}`;
}

mount(page, h("section", { class: "sheet", "aria-label": "Log" }, table.node));
start([], () => {});
refresh("/api/v1/log", 10, page, (document) => {
  // Entries have no name of their own; the same act at the same moment is told apart by its place.
  const seen = new Map();
  table.draw(
    (document.entries ?? []).map((entry) => {
      const base = [entry.at, entry.by, entry.act, entry.subject].join("\n");
      const number = (seen.get(base) ?? 0) + 1;
      seen.set(base, number);
      return { ...entry, key: `${base}\n${number}` };
    }),
  );
});
