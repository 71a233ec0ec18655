// Parts that the pages of a repeater and of a station share.

import { Problem } from "./act.js";
import { figure, load } from "./chart-words.js";
import { h, show } from "./dom.js";
import { workItems } from "./maintenance.js";
import { Table } from "./table.js";
import { NEXT } from "./record.js";
import { age, moment } from "./time.js";
import { course, explains } from "./trouble.js";
import { mark, severity, workStamp } from "./words.js";

/** A section with a head of its own. */
export function sheet(id, title, ...children) {
  return h("section", { class: "sheet", "aria-labelledby": id }, h("h2", { id }, title), children);
}

/** Alerts in short; the page Now is where they are acknowledged. */
export function alertItems(alerts) {
  return alerts.map((alert) =>
    h(
      "li",
      { "data-key": alert.id },
      severity(alert.severity),
      " ",
      h("strong", {}, alert.title),
      ", for ",
      age(alert.since, "for"),
      ". ",
      course(alert).map((text) => `${text}. `),
      workStamp(alert),
      alert.state === "acknowledged"
        ? h(
            "span",
            {},
            mark("carried"),
            ` In hand of ${alert.acknowledged_by}${alert.note ? `: ${alert.note}` : ""}. `,
          )
        : null,
      NEXT,
      alert.next_step,
      explains(alert),
    ),
  );
}

/** Alerts that are about one of these names, that touch it or explain one about it; the gravest
 * first. */
export function alertsAbout(alerts, names) {
  const grave = ["critical", "warning", "notice"];
  return [...alerts.values()]
    .filter(
      (alert) =>
        names.includes(alert.subject) ||
        alert.affects.some((name) => names.includes(name)) ||
        alert.held.some(({ subject }) => names.includes(subject)),
    )
    .sort(
      (a, b) =>
        grave.indexOf(a.severity) - grave.indexOf(b.severity) ||
        Date.parse(a.since) - Date.parse(b.since),
    );
}

/** A sheet of planned work that hides itself while there is none. */
export function workSheet(id) {
  const list = h("ul", { class: "plain works" });
  const node = sheet(id, "Maintenance", list);
  const draw = (works) => {
    node.hidden = !works.length;
    show(list, workItems(works));
  };
  return { node, draw };
}

/** Why a document is missing or old. */
export function problemText(problem, document) {
  if (!problem) return null;
  if (!(problem instanceof Problem)) throw problem;
  const what = document ? "What is shown was read " : "Nothing could be read: ";
  return h(
    "p",
    { class: "problem", role: "status" },
    what,
    document ? age(document.at) : null,
    document ? ", and cannot be read anew: " : null,
    problem.message,
  );
}

/** Notes of a document and how it was come by. */
export function documentNotes(document) {
  return (document.notes ?? []).map((text) => h("p", { class: "quiet" }, text));
}

/** `-96 dBm`, with least and greatest behind it; a dash in words without a reading. */
export function spreadText(values, unit) {
  if (!values) return h("span", { class: "quiet" }, "no reading");
  const mean = `${figure(values.mean)} ${unit}`;
  return figure(values.min) === figure(values.max)
    ? mean
    : [mean, h("span", { class: "quiet" }, ` (${figure(values.min)} to ${figure(values.max)})`)];
}

/** The cell of a table, its parts kept together. */
export function cell(...children) {
  return h("span", { class: "cell" }, children);
}

/** Columns of signal and error rate, best first. */
export const levelColumns = [
  {
    key: "signal",
    label: "Signal",
    first: "down",
    sort: (row) => row.rssi_dbm?.mean ?? -Infinity,
    cell: (row) => cell(spreadText(row.rssi_dbm, "dBm")),
  },
  {
    key: "errors",
    label: "Error rate",
    first: "down",
    sort: (row) => row.ber_pct?.mean ?? -1,
    cell: (row) => cell(spreadText(row.ber_pct, "%")),
  },
];

/** What the chart of a repeater's load means, and what is not in it. */
export const LOAD_MEANS =
  "Load is the share of the time recorded, without that in which it could not hear, that was on " +
  "the air by what was heard here: with 0.25 erlangs, one of four who key at any time find it " +
  "busy. Who hears it waits, so few collide. What is sent on to it from elsewhere comes on top; " +
  "the command streamer load tells that from a recording.";

/** The numbers behind the chart of a repeater's load. */
export function loadTable() {
  return new Table({
    caption: "The load of each hour in which something was heard, the newest first",
    keyOf: (row) => row.start_at,
    empty: "Nothing was heard.",
    columns: [
      { key: "at", label: "From", head: true, cell: (row) => moment(row.start_at) },
      { key: "erlangs", label: "Load, erlangs", cell: (row) => cell(load(row.erlangs)) },
      {
        key: "recorded",
        label: "Of the hour",
        cell: (row) => cell(`${Math.round(row.recorded_s / 60)} min`),
      },
    ],
  });
}
