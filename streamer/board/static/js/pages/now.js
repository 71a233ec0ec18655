// Now: is the network well? One sentence first; below it only what is not.

import { act, may, part } from "../act.js";
import { ask, note, noteOf } from "../dialog.js";
import { h, join, mount, on, rows, show } from "../dom.js";
import { say, start } from "../frame.js";
import { age, count } from "../time.js";
import { linked, looksLikeRepeater, mark, repeaterLink, SEVERITIES, severity } from "../words.js";

const page = document.getElementById("page");
const verdict = h("p", { class: "verdict", id: "verdict" });
const figures = h("dl", { class: "boxes figures" });
const alertList = h("ol", { class: "alerts" });
const alerts = h(
  "section",
  { class: "sheet", "aria-labelledby": "alerts-head" },
  h("h2", { id: "alerts-head" }, "What is wrong, and the next thing to do"),
  alertList,
);
const darkBody = h("tbody", { role: "rowgroup" });
const dark = h(
  "section",
  { class: "sheet", "aria-labelledby": "dark-head" },
  h("h2", { id: "dark-head" }, "Not reporting"),
  h(
    "div",
    { class: "table" },
    h(
      "table",
      { role: "table" },
      h("caption", { class: "unseen" }, "Gateways and repeaters that do not report"),
      h(
        "thead",
        { role: "rowgroup" },
        h(
          "tr",
          { role: "row" },
          ["Gateway or repeater", "For", "Why", "Keeper"].map((text) =>
            h("th", { scope: "col", role: "columnheader" }, text),
          ),
        ),
      ),
      darkBody,
    ),
  ),
);
mount(page, verdict, figures, alerts, dark);

const MOST = 12; // names of a slip
const PEOPLE = ["member_overdue", "member_out_of_reach", "two_places"];

/** Worst first, people before machines, open before in hand, oldest first. */
function urgency(a, b) {
  return (
    SEVERITIES.indexOf(a.severity) - SEVERITIES.indexOf(b.severity) ||
    PEOPLE.includes(b.kind) - PEOPLE.includes(a.kind) ||
    (a.state === "acknowledged") - (b.state === "acknowledged") ||
    Date.parse(a.since) - Date.parse(b.since) ||
    a.id.localeCompare(b.id)
  );
}

// -- the sentence ---------------------------------------------------------------------------------

function sentence(head, open, missing, state) {
  if (state.stale) return "Nothing certain can be said: the data are old.";
  const critical = open.filter((alert) => alert.severity === "critical").length;
  const others = open.length - critical;
  const parts = [
    critical && `${count(critical, "critical alert")} ${critical === 1 ? "is" : "are"} open`,
    others &&
      (critical
        ? `${others} ${others === 1 ? "other" : "others"}`
        : `${count(others, "alert")} ${others === 1 ? "is" : "are"} open`),
    missing && `${count(missing, "site")} ${missing === 1 ? "does" : "do"} not report`,
  ].filter(Boolean);
  if (parts.length) return `Not all is well: ${parts.join(", ")}.`;
  const inHand = head.alerts.acknowledged;
  if (inHand)
    return `Nothing new: ${count(inHand, "alert")} ${inHand === 1 ? "is" : "are"} in hand.`;
  return "All is well.";
}

function boxes(head) {
  const { gateways: g, repeaters: r } = head;
  const gateways = g.up + g.down + g.silent + g.never;
  const repeaters = r.reporting + r.dark + (r.unknown ?? 0);
  const workers = { live: "report", silent: "silent", never: "never seen" };
  // Without a worker nobody takes heartbeats over: the counts would accuse the gateways.
  const counts =
    head.worker !== "live"
      ? []
      : [
          ["Gateways up", `${g.up} of ${gateways}`],
          ["Repeaters reporting", `${r.reporting} of ${repeaters}`],
          [
            "Events per second",
            head.events_per_s === null ? "not known" : head.events_per_s.toFixed(1),
          ],
          ["Waiting to be taken over", String(head.waiting)],
        ];
  return [
    ...counts,
    ["Workers", workers[head.worker] ?? head.worker],
    ["Broker", head.broker],
    ["State (Redis)", head.redis],
  ].map(([label, value]) =>
    h("div", { "data-key": label }, h("dt", {}, label), h("dd", {}, value)),
  );
}

// -- alerts ---------------------------------------------------------------------------------------

/** Names in the sentences that are ways to a page; a group is not one of them. */
function names(alert) {
  const own =
    PEOPLE.includes(alert.kind) || looksLikeRepeater(alert.subject) ? [alert.subject] : [];
  return [...own, ...alert.affects];
}

/** What it touches, unless the reasons name all of it. */
function affects(alert) {
  const said = alert.reasons.join(" ");
  if (alert.affects.every((name) => said.includes(name))) return null;
  return h(
    "p",
    { class: "quiet" },
    "Touches ",
    linked(alert.affects.slice(0, MOST).join(", "), alert.affects),
    alert.affects.length > MOST ? ` and ${alert.affects.length - MOST} more.` : ".",
  );
}

function slip(alert) {
  const taken = alert.state === "acknowledged";
  return h(
    "li",
    {
      class: `alert is-${alert.severity}${taken ? " in-hand" : ""}`,
      "data-alert": alert.id,
      "data-state": alert.state,
    },
    h("div", { class: "when" }, severity(alert.severity), h("span", {}, age(alert.since, "for"))),
    h(
      "div",
      { class: "what" },
      h("h3", {}, alert.title),
      h("p", { class: "next" }, h("strong", {}, "Next: "), linked(alert.next_step, names(alert))),
      h("p", { class: "quiet" }, linked(alert.reasons.join("; "), names(alert)), "."),
      affects(alert),
      taken
        ? h(
            "p",
            { class: "hand" },
            mark("carried"),
            ` In hand of ${alert.acknowledged_by}`,
            alert.acknowledged_at ? [", ", age(alert.acknowledged_at)] : null,
            alert.note ? `: ${alert.note}` : ".",
          )
        : null,
    ),
    h(
      "div",
      { class: "who" },
      alert.keeper
        ? h(
            "dl",
            { class: "boxes" },
            h("div", {}, h("dt", {}, "Keeper"), h("dd", {}, alert.keeper)),
          )
        : null,
      may("operate")
        ? h(
            "button",
            {
              type: "button",
              "data-act": "acknowledge",
              "data-id": alert.id,
              "aria-label": `${taken ? "Take over" : "Acknowledge"}: ${alert.title}`,
            },
            taken ? "Take over" : "Acknowledge",
          )
        : null,
    ),
  );
}

on(alertList, "click", "[data-act=acknowledge]", async (button) => {
  const alert = feed.rows("alerts").get(button.dataset.id);
  if (!alert) return;
  const taken = alert.state === "acknowledged";
  const done = await ask({
    title: taken ? "Take over" : "Acknowledge",
    text: `${alert.title}. It is then ${
      taken ? "in your hands instead of " + alert.acknowledged_by : "in your hands"
    }; it stays until the trouble is over.`,
    fields: [note("Note: what is being done (may stay empty)")],
    button: taken ? "Take over" : "Acknowledge",
    work: (values) =>
      act("POST", `/api/v1/alerts/${part(alert.id)}/acknowledgement`, {
        note: noteOf(values),
        take_over: taken,
      }),
  });
  if (done) say(`In your hands: ${alert.title}.`);
});

// -- not reporting --------------------------------------------------------------------------------

/** Gateways that do not report, and repeaters of those that do. */
function notReporting(gateways) {
  const found = [];
  for (const gateway of gateways) {
    if (gateway.standing !== "up") {
      found.push({
        key: gateway.gateway,
        since: gateway.since,
        reason: gateway.reason,
        keeper: gateway.keeper,
        repeaters: gateway.repeaters.map((r) => r.repeater),
      });
      continue;
    }
    for (const repeater of gateway.repeaters.filter((r) => r.reporting === false)) {
      found.push({
        key: repeater.repeater,
        since: repeater.since,
        reason: repeater.reason,
        keeper: gateway.keeper,
        repeaters: [],
      });
    }
  }
  return found;
}

function darkRow(site) {
  const name = looksLikeRepeater(site.key)
    ? repeaterLink(site.key)
    : [
        h("span", { class: "sign" }, site.key),
        site.repeaters.length ? [" (", join(", ", site.repeaters.map(repeaterLink)), ")"] : null,
      ];
  return h(
    "tr",
    { role: "row" },
    h("th", { scope: "row", role: "rowheader" }, name),
    h("td", { role: "cell", "data-label": "For" }, age(site.since, "for")),
    h("td", { role: "cell", "data-label": "Why" }, h("span", { class: "cell" }, site.reason)),
    h("td", { role: "cell", "data-label": "Keeper" }, site.keeper ?? "not told"),
  );
}

// -- drawing --------------------------------------------------------------------------------------

let announced = null;

/** New critical alerts are said once; those there at the start are read with the page. */
function announce(list) {
  const critical = list.filter((a) => a.severity === "critical" && a.state === "open");
  const fresh = announced && critical.filter((alert) => !announced.has(alert.id));
  announced = new Set(critical.map((alert) => alert.id));
  if (fresh?.length) {
    say(`New critical alert: ${fresh.map((a) => `${a.title}. Next: ${a.next_step}`).join(" ")}`);
  }
}

const feed = start(["alerts", "gateways"], () => {
  const head = feed.row("head");
  if (!head) return;
  const state = feed.state();
  const list = [...feed.rows("alerts").values()].sort(urgency);
  const missing = head.worker === "live" ? notReporting(feed.rows("gateways").values()) : [];
  show(
    verdict,
    sentence(
      head,
      list.filter((a) => a.state === "open"),
      missing.length,
      state,
    ),
  );
  show(figures, boxes(head));
  alerts.hidden = !list.length;
  rows(alertList, list, (alert) => alert.id, slip);
  dark.hidden = !missing.length;
  rows(darkBody, missing, (site) => site.key, darkRow);
  announce(list);
});
