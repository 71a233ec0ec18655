// One station: how it stands in its groups, where it was last heard, where it has been.

import { act, may, part } from "../act.js";
import {
  alertItems,
  alertsAbout,
  cell,
  documentNotes,
  levelColumns,
  problemText,
  sheet,
} from "../chart-parts.js";
import { Chart } from "../chart-draw.js";
import { poll } from "../chart-poll.js";
import { overCharts, pathStrip } from "../chart-series.js";
import { ask, note, noteOf } from "../dialog.js";
import { figure } from "../chart-words.js";
import { h, join, mount, on, show } from "../dom.js";
import { say, start } from "../frame.js";
import { habits, visitTable, whereToLook } from "../lookout.js";
import { degrees, facts } from "../map-panel.js";
import { Table } from "../table.js";
import { age, length, moment } from "../time.js";
import { groupLink, marked, repeaterLink, spoken, stationLink } from "../words.js";

const page = document.getElementById("page");
const { station } = page.dataset;
const MEMBER = ["in_reach", "overdue", "out_of_reach", "blind"];
const TROUBLE = ["out_of_reach", "overdue", "blind", "in_reach", "expired", "checked_out"];

// -- the page's frame, made once -------------------------------------------------------------------

const verdict = h("p", { class: "verdict", id: "verdict" });
const trouble = h("div", {});
const alerts = h("ul", { class: "plain" });
const alertSheet = sheet("alerts-head", "Alerts about it", alerts);
const standing = h("div", {});
const last = h("div", {});
const path = new Chart("Repeaters over time");
const charts = {
  signal: new Chart("Signal of its overs", "dBm"),
  errors: new Chart("Error rate of its overs", "%"),
};
const visits = visitTable();
const habit = h("div", {});
const look = h("div", {});
const overs = new Table({
  caption: "Its kept overs, the newest first",
  keyOf: (row) => `${row.repeater} ${row.over} ${row.started_at}`,
  empty: "No over is kept.",
  columns: [
    { key: "at", label: "Began", cell: (row) => cell(moment(row.started_at)) },
    { key: "repeater", label: "Repeater", head: true, cell: (row) => repeaterLink(row.repeater) },
    {
      key: "long",
      label: "Length",
      cell: (row) =>
        cell(row.duration_s === null ? "end not known" : `${figure(row.duration_s)} s`),
    },
    { key: "signal", label: "Signal", cell: (row) => cell(reading(row.rssi_dbm, "dBm")) },
    { key: "errors", label: "Error rate", cell: (row) => cell(reading(row.ber_pct, "%")) },
  ],
});
const repeaters = new Table({
  caption: "What repeaters heard of it, of its kept overs",
  keyOf: (row) => row.repeater,
  by: "last",
  empty: "No over is kept.",
  columns: [
    {
      key: "repeater",
      label: "Repeater",
      head: true,
      sort: (row) => row.repeater,
      cell: (row) => repeaterLink(row.repeater),
    },
    {
      key: "overs",
      label: "Overs",
      first: "down",
      sort: (row) => row.overs,
      cell: (row) => cell(row.overs),
    },
    {
      key: "air",
      label: "Air time",
      first: "down",
      sort: (row) => row.air_s,
      cell: (row) => cell(`${figure(row.air_s)} s`),
    },
    {
      key: "last",
      label: "Last over",
      sort: (row) => -Date.parse(row.last_over_at),
      cell: (row) => cell(age(row.last_over_at)),
    },
    ...levelColumns,
  ],
});
const known = [
  h(
    "div",
    { class: "columns" },
    h(
      "div",
      {},
      sheet("standing-head", "Standing in its groups", standing),
      sheet("habits-head", "How it keys and where it goes", habit),
    ),
    h(
      "div",
      {},
      sheet("last-head", "Last place", last),
      sheet("look-head", "Where to look", look),
    ),
  ),
  sheet("repeaters-head", "Who heard it how well", repeaters.node),
  sheet(
    "path-head",
    "Path",
    h(
      "p",
      { class: "quiet" },
      "Times are UTC. A bar lasts from the first to the last over there; dashed: it may have left in between.",
    ),
    path.node,
    h("details", {}, h("summary", {}, "Where it was, as a table"), visits.node),
  ),
  sheet(
    "overs-head",
    "Signal and errors",
    h(
      "p",
      { class: "quiet" },
      "Times are UTC. Single readings of the overs that are kept, 16 at most.",
    ),
    h("div", { class: "charts" }, charts.signal.node, charts.errors.node),
    h("details", {}, h("summary", {}, "The overs as a table"), overs.node),
  ),
];
for (const node of known) node.hidden = true;
mount(page, verdict, trouble, alertSheet, known);

function reading(value, unit) {
  return value === null ? h("span", { class: "quiet" }, "no reading") : `${figure(value)} ${unit}`;
}

// -- drawing -----------------------------------------------------------------------------------------

function drawDocument(document, problem) {
  show(
    trouble,
    problemText(problem, document),
    document ? documentNotes(document) : null,
    document ? elsewhere(document) : null,
  );
  drawVerdict(document, problem);
  for (const node of known) node.hidden = !document?.known;
  if (!document?.known) return;
  show(standing, standings(document.groups));
  show(last, lastPlace(document));
  path.refresh(pathStrip(document));
  show(habit, document.lookout ? habits(document.lookout) : null);
  show(look, document.lookout ? whereToLook(station, document.lookout.look) : null);
  visits.draw(document.lookout?.visits ?? []);
  overs.draw(document.path);
  repeaters.draw(document.repeaters);
  const descriptions = overCharts(document);
  for (const [name, chart] of Object.entries(charts)) chart.refresh(descriptions[name]);
}

function drawVerdict(document, problem) {
  const stale = document && feed.state().stale;
  show(verdict, stale ? "The data are old. Then: " : null, sentence(document, problem));
}

function sentence(document, problem) {
  if (!document)
    return problem ? "Nothing can be said of this station." : "Waiting for the first data.";
  if (!document.known) return document.problem ?? "Nothing was ever heard of this station.";
  const rows = document.groups.filter((row) => MEMBER.includes(row.standing));
  const worst = TROUBLE.find((one) => rows.some((row) => row.standing === one));
  const in_ = rows.filter((row) => row.standing === worst).map((row) => groupLink(row.group));
  const { last_heard: heard } = document;
  return [
    worst ? [capital(spoken(worst)), " in ", join(", ", in_), ". "] : "A member of no group. ",
    heard ? ["Last heard ", age(heard.at), " at ", repeaterLink(heard.repeater), "."] : null,
  ];
}

function capital(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}`;
}

/** Where it was refused, and which call signs are near to an unknown one. */
function elsewhere({ quarantined, near }) {
  return [
    quarantined.map((row) =>
      h(
        "p",
        {},
        `${row.identity} was heard ${row.count} times by ${row.gateway} and refused, last `,
        age(row.last_heard_at),
        `: ${row.reason}. See `,
        h("a", { href: "/quarantine" }, "Quarantine"),
        ".",
      ),
    ),
    near.length
      ? h(
          "p",
          {},
          "Known stations with a similar call sign: ",
          join(
            ", ",
            near.map((name) => stationLink(name)),
          ),
          ".",
        )
      : null,
  ];
}

function standings(groups) {
  if (!groups.length) return h("p", { class: "empty" }, "It has never been in a group.");
  return h(
    "ul",
    { class: "plain standings" },
    groups.map((row) =>
      h(
        "li",
        { "data-key": row.group },
        h(
          "h3",
          {},
          groupLink(row.group),
          ": ",
          row.standing ? marked(row.standing) : "the group has not been told of it yet",
        ),
        row.reasons.length ? h("p", {}, `${row.reasons.join("; ")}.`) : null,
        h(
          "p",
          { class: "quiet" },
          row.since ? ["Stands so for ", age(row.since, "for"), ". "] : null,
          row.checked_in_at ? ["Checked in ", moment(row.checked_in_at), ". "] : null,
          row.checked_out_at ? ["Checked out ", moment(row.checked_out_at), "."] : null,
        ),
        may("operate") && MEMBER.includes(row.standing)
          ? h(
              "p",
              {},
              h(
                "button",
                { type: "button", "data-act": "check-out", "data-group": row.group },
                `Check out of ${row.group}`,
              ),
            )
          : null,
      ),
    ),
  );
}

function lastPlace({ last_heard: heard, position }) {
  return facts([
    ["Repeater", heard ? [repeaterLink(heard.repeater), ", ", age(heard.at)] : "not known"],
    [
      "Repeater reports",
      heard ? (heard.repeater_reporting ? "yes" : `no: ${heard.repeater_reason}`) : null,
    ],
    ["The over", heard ? overWords(heard) : null],
    ["Signal", heard && heard.rssi_dbm !== null ? `${figure(heard.rssi_dbm)} dBm` : null],
    ["Error rate", heard && heard.ber_pct !== null ? `${figure(heard.ber_pct)} %` : null],
    ["Text", heard?.text],
    ["Position", position ? degrees(position) : "not known"],
    ["Position's age", position ? age(position.at, "for") : null],
    ["Movement", position ? movement(position) : null],
  ]);
}

function overWords({ to, duration_s, suffix }) {
  const long = duration_s === null ? "its end is not known" : `${figure(duration_s)} s`;
  return `${to ? `to ${to}` : "to nobody in particular"}, ${long}${suffix ? `, as ${station}/${suffix}` : ""}`;
}

function movement({ speed_mps, course_deg }) {
  if (speed_mps === null) return null;
  const course = course_deg === null ? "" : `, course ${Math.round(course_deg)}°`;
  return `${Math.round(speed_mps * 3.6)} km/h${course}, when it told`;
}

// -- reading and acting ------------------------------------------------------------------------------

let newest = null;
let failure = null;
const asked = new URLSearchParams(location.search).has("look") ? "?look=true" : "";
const documents = poll(`/api/v1/stations/${part(station)}${asked}`, (document, problem) => {
  newest = document;
  failure = problem;
  drawDocument(document, problem);
});
let placeBefore = null;
const feed = start(["alerts", "places"], () => {
  const list = alertsAbout(feed.rows("alerts"), [station]);
  alertSheet.hidden = !list.length;
  show(alerts, alertItems(list));
  // Its place has changed: the document is older than that.
  drawVerdict(newest, failure);
  const place = feed.rows("places").get(station) ?? null;
  if (placeBefore !== null && place !== placeBefore) documents.hurry();
  placeBefore = place;
});

on(page, "click", "[data-act=check-out]", async (button) => {
  const { group } = button.dataset;
  const heard = newest?.last_heard;
  const done = await ask({
    title: `Check ${station} out of ${group}`,
    text:
      "It ceases to be a member, and no alert will come if it falls silent. " +
      (heard
        ? `It was last heard ${length((Date.parse(newest.at) - Date.parse(heard.at)) / 1000)} before this page was brought up to date.`
        : ""),
    fields: [note()],
    button: "Check out",
    work: (values) =>
      act("POST", `/api/v1/groups/${part(group)}/members/${part(station)}/check-out`, {
        note: noteOf(values),
      }),
  });
  if (!done) return;
  say(`${station} is checked out of ${group}.`);
  documents.hurry();
});
