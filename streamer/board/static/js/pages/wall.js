// The wall: a screen that nobody touches, read from across the room. Only what matters, the worst
// first, and what does not fit is counted. ?group=NAME or ?duty=ID narrows it.

import { get } from "../act.js";
import { h, mount, setText, show } from "../dom.js";
import { start } from "../frame.js";
import { isBlank } from "../record.js";
import { age, count, isReplay, now } from "../time.js";
import { BY_MEMBER, explainsShort, nth, peopleHeld } from "../trouble.js";
import { isMember, mark, severity, SEVERITIES, spoken, STANDINGS } from "../words.js";

const page = document.getElementById("page");
const verdict = h("p", { class: "verdict", id: "verdict" });
const people = section("people", "Members not in reach");
const trouble = section("trouble", "Alerts");
const starved = section("starved", "Groups not carried where wanted");
mount(
  page,
  verdict,
  h(
    "div",
    { class: "wall-columns" },
    people.node,
    h("div", { class: "wall-side" }, trouble.node, starved.node),
  ),
);

function section(id, title) {
  const list = h("ol", { class: "wall-list" });
  const more = h("p", { class: "wall-more" });
  const node = h(
    "section",
    { class: "sheet", "aria-labelledby": `${id}-head`, "data-own": true },
    h("h2", { id: `${id}-head` }, title),
    list,
    more,
  );
  return { node, list, more };
}

function fill({ node, list }, items) {
  node.hidden = !items.length;
  show(list, items);
  for (const line of list.children) line.hidden = false;
}

/** Nobody scrolls here: hide what has no room, the least urgent first, and count it. */
function fit({ node, list, more }) {
  const lines = [...list.children];
  let hidden = 0;
  show(more);
  while (hidden < lines.length - 1 && node.scrollHeight > node.clientHeight + 1) {
    hidden += 1;
    lines[lines.length - hidden].hidden = true;
    show(more, `and ${hidden} more`);
  }
}

// -- what stands in the lists ---------------------------------------------------------------------

// Of the blind nothing can be said: they stand last, but by name.
const NOT_IN_REACH = ["out_of_reach", "overdue", "blind"];

/** `missed`: stations that were missed before nothing could be said of them. */
function person(row, missed) {
  const before = row.standing === "blind" && missed.has(row.station) ? ", missed before" : "";
  return h(
    "li",
    { "data-key": row.station, class: `is-${row.standing}` },
    h("span", { class: "who sign" }, row.station),
    " ",
    h("span", { class: "how" }, mark(row.standing), ` ${spoken(row.standing)}${before}`),
    " ",
    h(
      "span",
      { class: "where" },
      `${row.groups.join(", ")}; last on ${row.repeater}, `,
      age(row.last_heard_at, "about"),
    ),
  );
}

function alertLine(alert) {
  return h(
    "li",
    { "data-key": alert.id },
    severity(alert.severity),
    " ",
    h("span", {}, alert.title),
    " ",
    h(
      "span",
      { class: "where" },
      "began ",
      age(alert.since, "about"),
      courseShort(alert).map((text) => `, ${text}`),
      alert.state === "acknowledged" ? `, in hand of ${alert.acknowledged_by}` : null,
    ),
  );
}

function courseShort(alert) {
  const { unsteady, opened_times: times } = alert;
  return [
    explainsShort(alert),
    unsteady ? "comes and goes" : times > 1 && `${nth(times)} time`,
    alert.escalated && alert.state === "open" && "in nobody's hand",
    alert.maintenance && "maintenance",
  ].filter(Boolean);
}

function groupLine(row) {
  const late = row.starved.filter((repeater) => !row.not_yet.includes(repeater));
  return h(
    "li",
    { "data-key": row.group },
    h("span", { class: "who sign" }, row.group),
    " ",
    h("span", { class: "how" }, mark("starved"), ` starved at ${late.join(", ")}`),
    " ",
    row.would_not_hear
      ? h("span", { class: "where" }, `${count(row.would_not_hear, "member")} would not hear it`)
      : null,
  );
}

function worstFirst(a, b) {
  return (
    NOT_IN_REACH.indexOf(a.standing) - NOT_IN_REACH.indexOf(b.standing) ||
    Date.parse(a.last_heard_at) - Date.parse(b.last_heard_at)
  );
}

function sentence(all, alerts, late, state) {
  if (state.stale) return "Old data: nothing certain can be said now.";
  const head = feed.row("head");
  if (head && isBlank(feed.row("replay"), head)) {
    return "The record begins here: nothing is known yet.";
  }
  const number = (standing) => all.filter((row) => row.standing === standing).length;
  const parts = NOT_IN_REACH.filter(number).map((s) => `${number(s)} ${spoken(s)}`);
  if (parts.length) return `Of ${count(all.length, "member")}: ${parts.join(", ")}.`;
  const people = all.length ? `All ${count(all.length, "member")} in reach` : "Nobody is a member";
  return `${people}. ${others(alerts, late)}`;
}

/** What else is wrong, in numbers; what is in hand is told from what is open. */
function others(alerts, late) {
  const open = alerts.filter((alert) => alert.state === "open");
  const of = (word) => open.filter((alert) => alert.severity === word).length;
  const parts = [
    of("critical") && `${of("critical")} critical`,
    of("warning") && count(of("warning"), "warning"),
    alerts.length > open.length && `${alerts.length - open.length} in hand`,
    late.length && `${count(late.length, "group")} starved`,
  ].filter(Boolean);
  if (parts.length) return `${parts.join(", ")}.`;
  // The banner says what is missing.
  return feed.row("head")?.notes?.length ? "Not everything is known." : "No alert.";
}

// -- drawing --------------------------------------------------------------------------------------

let feed = null;

/** @param {string[] | null} groups those that it is narrowed to */
function draw(groups) {
  const ours = (names) => !groups || names.some((name) => groups.includes(name));
  const all = (groups ? ofRosters(groups) : [...feed.rows("places").values()]).filter(isMember);
  const found = all.filter((row) => NOT_IN_REACH.includes(row.standing)).sort(worstFirst);
  const late = [...feed.rows("groups").values()].filter(
    (row) => ours([row.group]) && row.starved.some((repeater) => !row.not_yet.includes(repeater)),
  );
  // Members and starved groups have lists of their own; a site's trouble matters to every group.
  const alerts = [...feed.rows("alerts").values()]
    .filter(
      (alert) =>
        alert.severity !== "notice" &&
        !BY_MEMBER.includes(alert.kind) &&
        (alert.kind !== "loop" || ours([alert.subject])) &&
        alert.kind !== "repeater_starved",
    )
    .sort(
      (a, b) =>
        SEVERITIES.indexOf(a.severity) - SEVERITIES.indexOf(b.severity) ||
        (a.state === "acknowledged") - (b.state === "acknowledged") ||
        Date.parse(a.since) - Date.parse(b.since),
    );
  show(verdict, sentence(all, alerts, late, feed.state()));
  const missed = peopleHeld([...feed.rows("alerts").values()]);
  const first = (row) => row.standing === "blind" && !missed.has(row.station);
  found.sort((a, b) => first(a) - first(b));
  fill(
    people,
    found.map((row) => person(row, missed)),
  );
  fill(trouble, alerts.map(alertLine));
  fill(starved, late.map(groupLine));
  page.classList.toggle("calm", !found.length && !alerts.length && !late.length);
  // All are in place before any is measured; those of the side share their room.
  for (const part of [people, trouble, starved]) fit(part);
}

/** A station in several of the groups stands once, by its worst standing, with all of them. */
function ofRosters(groups) {
  const found = new Map();
  for (const group of groups) {
    for (const [key, row] of feed.rows(`roster/${group}`)) {
      if (key === "#roster" || !isMember(row)) continue;
      const known = found.get(key);
      const worse = !known || STANDINGS.indexOf(row.standing) < STANDINGS.indexOf(known.standing);
      found.set(key, { ...(worse ? row : known), groups: [...(known?.groups ?? []), group] });
    }
  }
  return [...found.values()];
}

/** What the address asks for: groups, and the words for it; null where all are shown. */
async function narrowing() {
  const asked = new URLSearchParams(location.search);
  if (asked.has("group")) {
    const known = (await get("/api/v1/groups")).rows;
    const groups = asked
      .getAll("group")
      .map((name) => name.toUpperCase())
      .filter((n) => known[n]);
    return groups.length
      ? { groups, title: groups.join(", ") }
      : { groups: null, title: "no such group, so all are shown" };
  }
  if (asked.has("duty")) {
    const { duties } = (await get("/api/v1/head")).rows.head;
    const duty = duties.find((running) => running.id === asked.get("duty"));
    return duty
      ? { groups: duty.groups, title: duty.title }
      : { groups: null, title: "this duty is over, so all groups are shown" };
  }
  return { groups: null, title: null };
}

async function begin() {
  const { groups, title } = await narrowing();
  if (title) setText(document.getElementById("narrowed"), `: ${title}`);
  const tables = [
    "alerts",
    "groups",
    ...(groups ? groups.map((group) => `roster/${group}`) : ["places"]),
  ];
  feed = start(tables, () => draw(groups));
  addEventListener("resize", () => feed.has("groups") && draw(groups));
}

/** Nothing can be looked up while the board is away: try until it is back. */
async function beginWhenThere() {
  try {
    await begin();
  } catch {
    setTimeout(beginWhenThere, 3000);
  }
}

beginWhenThere();
const clock = document.getElementById("clock");
const showClock = () => setText(clock, `${new Date(now()).toISOString().slice(11, 16)} UTC`);
// In a replay the banner has the time: a clock without a word beside it would pass for the real one.
if (!isReplay) {
  showClock();
  setInterval(showClock, 1000);
}
