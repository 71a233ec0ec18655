// One repeater: who is here, what it carries, what it heard in 24 hours, who came and went.

import { part } from "../act.js";
import {
  LOAD_MEANS,
  alertItems,
  alertsAbout,
  cell,
  documentNotes,
  levelColumns,
  loadTable,
  problemText,
  sheet,
  spreadText,
  workSheet,
} from "../chart-parts.js";
import { Chart } from "../chart-draw.js";
import { poll } from "../chart-poll.js";
import { busyBuckets, repeaterCharts } from "../chart-series.js";
import { figure } from "../chart-words.js";
import { h, join, mount, on, show } from "../dom.js";
import { start } from "../frame.js";
import { listen, planButton } from "../maintenance.js";
import { siteFacts } from "../site-facts.js";
import { Table } from "../table.js";
import { age, count, moment } from "../time.js";
import { groupLink, marked, repeaterLink, spoken, stamp, stationLink } from "../words.js";
import { worksAt } from "../works.js";

const page = document.getElementById("page");
const { repeater } = page.dataset;
const gateway = repeater.split("/")[0];

// -- the page's frame, made once -------------------------------------------------------------------

const verdict = h("p", { class: "verdict", id: "verdict" });
const trouble = h("div", {});
const alerts = h("ul", { class: "plain" });
const alertSheet = sheet("alerts-head", "Alerts about it", alerts);
const works = workSheet("works-head");
const plan = planButton();
const health = h("div", { id: "health" });
const site = h("div", {});
const here = h("div", {});
const groups = h("div", {});
const charts = {
  overs: new Chart("Overs in 5 min"),
  air: new Chart("Air time in 5 min", "s"),
  load: new Chart("Load by hour, of what was heard here", "erlangs"),
  signal: new Chart("Signal", "dBm"),
  errors: new Chart("Error rate", "%"),
};
const numbers = new Table({
  caption: "Each 5 minutes in which something was heard, the newest first",
  keyOf: (row) => row.start_at,
  empty: "Nothing was heard.",
  columns: [
    { key: "at", label: "From", head: true, cell: (row) => moment(row.start_at) },
    { key: "overs", label: "Overs", cell: (row) => cell(row.overs) },
    { key: "air", label: "Air time", cell: (row) => cell(`${figure(row.air_s)} s`) },
    { key: "signal", label: "Signal", cell: (row) => cell(spreadText(row.rssi_dbm, "dBm")) },
    { key: "errors", label: "Error rate", cell: (row) => cell(spreadText(row.ber_pct, "%")) },
  ],
});
const loads = loadTable();
const heard = new Table({
  caption: `Stations that ${repeater} heard, those whose last place it is first`,
  keyOf: (row) => row.station,
  by: "here",
  words: (row) => row.station,
  find: "Find a station",
  empty: "It has heard no station.",
  columns: [
    {
      key: "station",
      label: "Station",
      head: true,
      sort: (row) => row.station,
      cell: (row) => stationLink(row.station),
    },
    {
      key: "here",
      label: "Its last place",
      sort: (row) => (row.here ? 0 : 1),
      cell: (row) => cell(row.here ? "here" : "elsewhere since"),
    },
    ...levelColumns,
    {
      key: "overs",
      label: "Kept overs",
      first: "down",
      sort: (row) => row.overs,
      cell: (row) => cell(row.overs),
    },
    {
      key: "last",
      label: "Newest over here",
      sort: (row) => -Date.parse(row.last_heard_at),
      cell: (row) => cell(age(row.last_heard_at)),
    },
  ],
});
const moves = new Table({
  caption: "Stations that came here and went from here, the newest first",
  keyOf: (row) => `${row.at} ${row.station} ${row.way}`,
  empty: "Nobody has come or gone.",
  columns: [
    { key: "at", label: "When", cell: (row) => cell(age(row.at)) },
    { key: "station", label: "Station", head: true, cell: (row) => stationLink(row.station) },
    {
      key: "way",
      label: "Way",
      cell: (row) =>
        cell(
          h("span", {}, row.way === "in" ? "came in from " : "went out to "),
          repeaterLink(row.other),
        ),
    },
    { key: "before", label: "Last over before", cell: (row) => cell(age(row.last_over_before_at)) },
  ],
});
const SPANS = [24, 6, 1];
let hours = SPANS[0];
const spans = h("div", { class: "buttons spans", role: "group", "aria-label": "How much of it" });
const past = sheet(
  "history-head",
  "What was on the air",
  spans,
  h(
    "p",
    { class: "quiet" },
    "Times are UTC. Hatched: it could not hear, so no over there does not mean silence.",
  ),
  h("p", { class: "quiet" }, LOAD_MEANS),
  h(
    "div",
    { class: "charts" },
    Object.values(charts).map(({ node }) => node),
  ),
  h(
    "details",
    {},
    h("summary", {}, "The numbers of 24 hours as a table"),
    loads.node,
    numbers.node,
  ),
);

mount(
  page,
  verdict,
  trouble,
  alertSheet,
  works.node,
  sheet("health-head", "How well it hears", health),
  h(
    "div",
    { class: "columns" },
    sheet("here-head", "Members last heard here", here),
    sheet("groups-head", "Groups", groups),
    sheet("site-head", "The site", site, plan ? h("p", { class: "plan" }, plan) : null),
  ),
  past,
  sheet(
    "heard-head",
    "What it heard",
    h(
      "p",
      { class: "quiet" },
      "Signal and error rate are of the overs kept of a station, 16 at most over all repeaters.",
    ),
    heard.node,
  ),
  sheet("moves-head", "Who came and went", moves.node),
);

// -- drawing -----------------------------------------------------------------------------------------

/** Its row in the feed is newer than the document. */
function live() {
  const rows = feed.rows("gateways").get(gateway)?.repeaters ?? [];
  return rows.find((row) => row.repeater === repeater) ?? null;
}

function drawVerdict(document) {
  const row = live() ?? document;
  if (!row)
    return show(
      verdict,
      feed.has("gateways") ? "Nothing is known of this repeater." : "Waiting for the first data.",
    );
  const state = row.reporting
    ? "Reporting"
    : row.reporting === false
      ? "Not reporting"
      : "Not known whether it reports";
  const people = document ? new Set(document.members.map(({ station }) => station)).size : null;
  const carried = document?.groups.filter(({ carriage }) => carriage === "carried").length;
  return show(
    verdict,
    feed.state().stale ? "The data are old. " : null,
    state,
    row.since ? [" for ", age(row.since, "for")] : null,
    row.reporting ? null : [": ", row.reason],
    document
      ? `. ${people ? count(people, "member") : "No member"} ` +
          `${people > 1 ? "were" : "was"} last heard here; ` +
          `it says it carries ${carried ? count(carried, "group") : "no group"}.`
      : ".",
  );
}

function drawAlerts() {
  const list = alertsAbout(feed.rows("alerts"), [repeater, gateway]);
  alertSheet.hidden = !list.length;
  show(alerts, alertItems(list));
}

function drawDocument(document, problem) {
  show(trouble, problemText(problem, document), document ? documentNotes(document) : null);
  drawVerdict(document);
  if (!document) return;
  show(health, healthText(document.health));
  show(here, hereList(document.members));
  show(groups, groupList(document.groups));
  show(site, siteFacts(document, feed.rows("gateways").get(gateway)));
  drawCharts(document);
  loads.draw(document.hours.filter(({ erlangs }) => erlangs).reverse());
  numbers.draw(busyBuckets(document));
  heard.draw(document.stations);
  moves.draw(document.moves);
}

function drawCharts(document) {
  const descriptions = repeaterCharts(document, hours);
  for (const [name, chart] of Object.entries(charts)) chart.refresh(descriptions[name]);
}

function drawSpans() {
  show(
    spans,
    SPANS.map((one) =>
      h(
        "button",
        {
          type: "button",
          class: "small",
          "data-hours": one,
          "aria-pressed": String(one === hours),
        },
        one === 1 ? "Last hour" : `Last ${one} hours`,
      ),
    ),
  );
}

on(spans, "click", "[data-hours]", (button) => {
  hours = Number(button.dataset.hours);
  drawSpans();
  if (newest) drawCharts(newest);
});
drawSpans();

const TROUBLES = {
  deaf: "It seems to hear nothing",
  degraded: "It hears its stations worse than usual",
  stuck: "An over lasts far too long",
  busy: "It is on the air most of the time",
};

/** What was found when a worker last looked, and what from. */
function healthText(found) {
  if (!found)
    return h(
      "p",
      { class: "quiet" },
      "Not judged: it does not report, no worker has looked yet, or nothing is to be learned.",
    );
  const list = found.findings.map((one) =>
    h(
      "li",
      { "data-key": one.trouble },
      h("strong", {}, TROUBLES[one.trouble] ?? spoken(one.trouble)),
      ", for ",
      age(one.since, "for"),
      `: ${one.reasons.join("; ")}.`,
    ),
  );
  const well = found.overs ? "Nothing wrong was found." : "It heard too little to be judged.";
  return [
    list.length ? h("ul", { class: "plain" }, list) : h("p", {}, well),
    h(
      "p",
      { class: "quiet" },
      "Judged ",
      age(found.judged_at),
      ` from ${count(found.overs, "over")} of ${count(found.stations, "station")}: ` +
        "those of the last seven days as far as they are kept. A station that moves or weather " +
        "may look like a fault of the site.",
    ),
  ];
}

function hereList(members) {
  if (!members.length) return h("p", { class: "empty" }, "None.");
  return h(
    "ul",
    { class: "plain" },
    [...grouped(members, ({ station }) => station)].sort().map(([station, rows]) =>
      h(
        "li",
        { "data-key": station },
        stationLink(station),
        ": ",
        join(
          ", ",
          rows.map((row) => [groupLink(row.group), " ", marked(row.standing)]),
        ),
      ),
    ),
  );
}

function grouped(items, keyOf) {
  const found = new Map();
  for (const item of items) found.set(keyOf(item), [...(found.get(keyOf(item)) ?? []), item]);
  return found;
}

const CARRIAGE = {
  carried: (wanted) =>
    wanted ? marked("carried", "wanted and carried") : stamp("idle", "idle: carried, not wanted"),
  not_carried: (wanted) =>
    wanted ? stamp("starved", "wanted, not carried") : "neither wanted nor carried",
  unknown: (wanted) => stamp("unknown", `${wanted ? "wanted, " : ""}not known whether carried`),
};

function groupList(list) {
  if (!list.length) return h("p", { class: "empty" }, "No group is wanted or carried here.");
  return [
    h(
      "ul",
      { class: "plain" },
      list.map((row) =>
        h(
          "li",
          { "data-key": row.group },
          groupLink(row.group),
          ": ",
          CARRIAGE[row.carriage](row.wanted),
          row.why.length
            ? h("span", { class: "quiet" }, ` (${row.why.map(spoken).join(", ")})`)
            : null,
        ),
      ),
    ),
    h("p", { class: "quiet" }, "Pins and bars are ordered on the page of the group."),
  ];
}

// -- reading -----------------------------------------------------------------------------------------

let newest = null;
let peopleBefore = null;
const documents = poll(
  `/api/v1/repeaters/${repeater.split("/").map(part).join("/")}`,
  (document, problem) => {
    newest = document;
    drawDocument(document, problem);
  },
);
const feed = start(["gateways", "alerts", "places", "maintenance"], () => {
  drawVerdict(newest);
  drawAlerts();
  works.draw(worksAt(feed.rows("maintenance"), [repeater, gateway]));
  if (newest) show(site, siteFacts(newest, feed.rows("gateways").get(gateway)));
  // Somebody came, went or was heard here: the document is older than that.
  const people = [...feed.rows("places").values()]
    .filter((row) => row.repeater === repeater)
    .map((row) => `${row.station} ${row.last_heard_at} ${row.standing}`)
    .sort()
    .join();
  if (peopleBefore !== null && people !== peopleBefore) documents.hurry();
  peopleBefore = people;
});

listen(
  page,
  () => feed.rows("maintenance"),
  () => [
    [repeater, `${repeater}, this repeater`],
    [gateway, `${gateway}, its gateway with all that is on it`],
  ],
);
