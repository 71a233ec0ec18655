// Parts that the pages of a repeater and of a station share.

import { Problem } from "./act.js";
import { figure } from "./chart-words.js";
import { h } from "./dom.js";
import { age } from "./time.js";
import { mark, severity } from "./words.js";

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
      alert.state === "acknowledged"
        ? h("span", {}, mark("carried"), ` In hand of ${alert.acknowledged_by}. `)
        : null,
      "Next: ",
      alert.next_step,
    ),
  );
}

/** Alerts that are about one of these names, or that touch it; the gravest first. */
export function alertsAbout(alerts, names) {
  const grave = ["critical", "warning", "notice"];
  return [...alerts.values()]
    .filter(
      (alert) =>
        names.includes(alert.subject) || alert.affects.some((name) => names.includes(name)),
    )
    .sort(
      (a, b) =>
        grave.indexOf(a.severity) - grave.indexOf(b.severity) ||
        Date.parse(a.since) - Date.parse(b.since),
    );
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
