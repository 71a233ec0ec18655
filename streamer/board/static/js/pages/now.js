// Now: is the network well? One sentence first; below it only what is not.

import { act, may, me, part } from "../act.js";
import { AIR_LABEL, AIR_MEANS, airFigure, airSpan } from "../air.js";
import { ask, note, noteOf } from "../dialog.js";
import { h, mount, on, rows, show } from "../dom.js";
import { say, start } from "../frame.js";
import { listen, planButton, workItems } from "../maintenance.js";
import { isBlank, NEXT, stageOf } from "../record.js";
import { darkRow, notReporting, subjects } from "../sites.js";
import { age, count, isReplay, moment, now } from "../time.js";
import { BY_MEMBER, course, explains, PEOPLE, peopleHeld } from "../trouble.js";
import {
  dutyStamps,
  linked,
  looksLikeRepeater,
  mark,
  SEVERITIES,
  severity,
  workStamp,
} from "../words.js";
import { byEnd } from "../works.js";

const page = document.getElementById("page");
const verdict = h("p", { class: "verdict", id: "verdict" });
const figures = h("dl", { class: "boxes figures" });
const air = h("details", { class: "quiet air", hidden: true });
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
const workList = h("ul", { class: "plain works" });
const workSheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "works-head" },
  h("h2", { id: "works-head" }, "Maintenance"),
  workList,
);
const plan = planButton();
mount(page, verdict, figures, alerts, workSheet, dark, plan ? h("p", {}, plan) : null, air);

const MOST = 12; // names of a slip
// Of one group: their duties are that group's. A site's trouble is of no duty.
const OF_GROUPS = [...BY_MEMBER, "repeater_starved", "loop"];

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

/** People first. What is in hand is not over: it is named, but calls for nobody new. */
function sentence(head, list, missing, state) {
  if (state.stale) return "Nothing certain can be said: the data are old.";
  if (isBlank(feed.row("replay"), head)) {
    return "The record begins here: nothing is known yet. Press Play.";
  }
  const open = list.filter((alert) => alert.state === "open");
  const lost = membersOf(open);
  const rest = open.filter((alert) => !BY_MEMBER.includes(alert.kind));
  const critical = rest.filter((alert) => alert.severity === "critical").length;
  const others = rest.length - critical;
  const held = peopleHeld(list).size;
  // A site with an alert of its own is counted there.
  const told = new Set(list.map((alert) => alert.subject));
  const silent = missing.filter((site) => !told.has(site.key)).length;
  const is = (number) => (number === 1 ? "is" : "are");
  const parts = [
    lost,
    held && `${count(held, "member")} missed before cannot be judged now`,
    critical && `${count(critical, "critical alert")} ${is(critical)} open`,
    others &&
      (critical
        ? `${others} ${others === 1 ? "other" : "others"}`
        : `${count(others, lost ? "other alert" : "alert")} ${is(others)} open`),
    silent && `${count(silent, "site")} ${silent === 1 ? "does" : "do"} not report`,
  ].filter(Boolean);
  const taken = list.filter((alert) => alert.state === "acknowledged");
  // Whoever reads but one line is to know what comes first.
  const [first] = [...open].sort(urgency);
  const named = first ? ` First: ${first.title}.` : "";
  if (parts.length) return `Not all is well: ${parts.join(", ")}.${named}`;
  if (taken.length) {
    const people = membersOf(taken);
    const inHand = `${count(taken.length, "alert")} ${is(taken.length)} in hand`;
    return `Nothing new: ${inHand}${people ? `; ${people}` : ""}.`;
  }
  if (isEarly() && head.gateways.never) {
    const { never } = head.gateways;
    return `Nothing is known to be wrong; ${count(never, "gateway")} ${is(never)} not heard of yet.`;
  }
  if (head.alerts_silent_since) return "No alert is open, but alerts may not get through.";
  if (head.notes?.length) return "No alert is open, but not everything is known.";
  return "All is well with the network.";
}

/** So near to a record's begin that a gateway may only not have had its turn yet. */
function isEarly() {
  return ["begin", "early"].includes(stageOf(feed.row("replay")));
}

/** How many members the alerts are about, in words; null if about none. */
function membersOf(list) {
  const of = (kind) => new Set(list.filter((a) => a.kind === kind).map((a) => a.subject)).size;
  const [lost, late] = [of("member_out_of_reach"), of("member_overdue")];
  return (
    [
      lost && `${count(lost, "member")} ${lost === 1 ? "is" : "are"} out of reach`,
      late && `${lost ? late : count(late, "member")} ${late === 1 ? "is" : "are"} overdue`,
    ]
      .filter(Boolean)
      .join(", ") || null
  );
}

function boxes(head) {
  const { gateways: g, repeaters: r } = head;
  const gateways = g.up + g.down + g.silent + (g.flooding ?? 0) + g.never;
  const repeaters = r.reporting + r.dark + (r.unknown ?? 0);
  const workers = { live: "report", silent: "silent", never: "never seen" };
  // Without a worker nobody takes heartbeats over: the counts would accuse the gateways.
  const counts =
    head.worker !== "live" || isBlank(feed.row("replay"), head)
      ? []
      : [
          ["Gateways up", `${g.up} of ${gateways}`],
          ["Repeaters reporting", `${r.reporting} of ${repeaters}`],
          [
            "Events per second",
            head.events_per_s === null ? "not known" : head.events_per_s.toFixed(1),
          ],
          ["Events waiting", String(head.waiting)],
        ];
  // What plays a record is no worker and has no broker: to say how they are would be of nothing.
  if (isReplay) counts.splice(2);
  const serving = [
    ["Workers", workers[head.worker] ?? head.worker],
    ["Broker", head.broker],
    ["State (Redis)", head.redis],
  ];
  return [
    ...counts,
    ...(isReplay ? [] : serving),
    ...(isReplay ? [[AIR_LABEL, "not counted in a replay", AIR_MEANS]] : []),
    ...(head.air ? [[AIR_LABEL, airText(head.air), AIR_MEANS]] : []),
  ].map(([label, value, title]) =>
    h("div", { "data-key": label, title }, h("dt", {}, label), h("dd", {}, value)),
  );
}

function airText(found) {
  return `${airFigure(found)}, ${airSpan(found, now())}`;
}

/** At the end of the page, for whoever cannot hover: the keyboard gets there last at any width. */
function airWords(found) {
  return [
    h("summary", {}, "How air-time saved is counted"),
    h("p", {}, AIR_MEANS, " Two repeaters that send for a minute are two repeater-minutes. Counted ",
      count(found.overs, "over"), " since ", moment(found.from_at), "."),
  ];
}

// -- alerts ---------------------------------------------------------------------------------------

/** Names in the sentences that are ways to a page; a group is not one of them. */
function names(alert) {
  const own =
    PEOPLE.includes(alert.kind) || looksLikeRepeater(alert.subject) ? [alert.subject] : [];
  return [...own, ...alert.affects];
}

/** What it touches, unless the reasons or what it explains name all of it. */
function affects(alert) {
  const said = alert.reasons.join(" ");
  const held = alert.held.map(({ subject }) => subject);
  if (alert.affects.every((name) => said.includes(name) || held.includes(name))) return null;
  return h(
    "p",
    { class: "quiet" },
    "Affects ",
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
    h(
      "div",
      { class: "when" },
      severity(alert.severity),
      h("span", {}, "for ", age(alert.since, "for")),
      workStamp(alert),
      OF_GROUPS.includes(alert.kind) ? dutyStamps(alert.duties) : null,
    ),
    h(
      "div",
      { class: "what" },
      h("h3", {}, alert.title),
      course(alert).map((text) => h("p", { class: "course" }, `${text}.`)),
      h("p", { class: "next" }, h("strong", {}, NEXT), linked(alert.next_step, names(alert))),
      h("p", { class: "quiet" }, linked(alert.reasons.join("; "), names(alert)), "."),
      explains(alert),
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
              "aria-label": `${offer(alert)}: ${alert.title}`,
            },
            offer(alert),
          )
        : null,
    ),
  );
}

/** What can be done about it: whoever has it in hand may say more. */
function offer(alert) {
  if (alert.state !== "acknowledged") return "Acknowledge";
  return alert.acknowledged_by === me() ? "Change the note" : "Take over";
}

on(alertList, "click", "[data-act=acknowledge]", async (button) => {
  const alert = feed.rows("alerts").get(button.dataset.id);
  if (!alert) return;
  const taken = alert.state === "acknowledged";
  const another = taken && alert.acknowledged_by !== me();
  const from = another ? ` instead of ${alert.acknowledged_by}'s` : "";
  const done = await ask({
    title: offer(alert),
    text: `${alert.title}. It is then in your hands${from}; it stays until the trouble is over.`,
    fields: [note("Note: what is being done (may stay empty)")],
    button: offer(alert),
    work: (values) =>
      act("POST", `/api/v1/alerts/${part(alert.id)}/acknowledgement`, {
        note: noteOf(values),
        take_over: taken,
      }),
  });
  if (done) say(`In your hands: ${alert.title}.`);
});

// -- drawing --------------------------------------------------------------------------------------

let announced = null;

/** New critical alerts are said once; those there at the start are read with the page. */
function announce(list) {
  const critical = list.filter((a) => a.severity === "critical" && a.state === "open");
  // Of what comes and goes it was said; to say each time would drown the rest.
  const isFresh = (alert) => !announced.has(alert.id) && !alert.unsteady;
  const fresh = announced && critical.filter(isFresh);
  announced = new Set(critical.map((alert) => alert.id));
  if (fresh?.length) {
    say(`New critical alert: ${fresh.map((a) => `${a.title}. ${NEXT}${a.next_step}`).join(" ")}`);
  }
}

const feed = start(["alerts", "gateways", "maintenance"], () => {
  const head = feed.row("head");
  if (!head) return;
  const state = feed.state();
  const list = [...feed.rows("alerts").values()].sort(urgency);
  const works = feed.rows("maintenance");
  const missing =
    head.worker === "live" ? notReporting(feed.rows("gateways").values(), isEarly()) : [];
  show(verdict, sentence(head, list, missing, state));
  show(figures, boxes(head));
  air.hidden = !head.air;
  if (head.air) show(air, airWords(head.air));
  alerts.hidden = !list.length;
  rows(alertList, list, (alert) => alert.id, slip);
  workSheet.hidden = !works.size;
  show(workList, workItems(byEnd([...works.values()])));
  dark.hidden = !missing.length;
  rows(
    darkBody,
    missing,
    (site) => site.key,
    (site) => darkRow(site, works),
  );
  announce(list);
});

listen(
  page,
  () => feed.rows("maintenance"),
  () => subjects(feed.rows("gateways")),
);
