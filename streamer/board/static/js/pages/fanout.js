// One group's fan-out: on which repeaters an over would go out now, on which not, and for whom.

import { may } from "../act.js";
import { workSheet } from "../chart-parts.js";
import { h, join, mount, on, show } from "../dom.js";
import { start } from "../frame.js";
import { listen } from "../maintenance.js";
import { lift, order } from "../orders.js";
import { Table } from "../table.js";
import { age, count } from "../time.js";
import { MEANING, muster } from "../muster.js";
import {
  HEARING,
  HEARS_WORDS,
  isMember,
  mark,
  marked,
  repeaterLink,
  spoken,
  stamp,
  stationLink,
} from "../words.js";
import { worksAt } from "../works.js";
import { lead } from "../lead.js";

const page = document.getElementById("page");
const { group } = page.dataset;
const FANOUT = `fanout/${group}`;
const ROSTER = `roster/${group}`;

const verdict = h("p", { class: "verdict", id: "verdict" });
const strip = h("div", { class: "muster-line" });
const meaning = h("p", { class: "quiet" }, MEANING);
const silent = h(
  "section",
  { class: "sheet", "aria-labelledby": "silent-head" },
  h("h2", { id: "silent-head" }, "Members who would not hear it, or of whom it cannot be said"),
);
const silentList = h("ul", { class: "plain-list" });
silent.append(silentList);

const table = new Table({
  caption: `Repeaters of ${group}: whether an over would go out there, and why`,
  class: "fanout",
  by: "hears",
  keyOf: (row) => row.repeater,
  empty: "No repeater: the group has no member and no pin, so an over to it goes nowhere.",
  columns: [
    { key: "lead", label: "Way", cell: (row) => lead(row.state), narrow: true },
    {
      key: "repeater",
      label: "Repeater",
      head: true,
      sort: (row) => row.repeater,
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          repeaterLink(row.repeater),
          row.title ? h("div", { class: "quiet plain" }, row.title) : null,
        ),
    },
    {
      key: "hears",
      label: "Goes out there?",
      sort: (row) => TROUBLE.indexOf(row.state),
      cell: carried,
    },
    {
      key: "why",
      label: "Wanted for",
      first: "down",
      sort: (row) => row.members.length,
      cell: why,
    },
    {
      key: "since",
      label: "Since",
      sort: (row) => -Date.parse(row.since ?? 0),
      narrow: true,
      cell: since,
    },
    ...(may("operate") ? [{ key: "act", label: "Order", cell: orders, narrow: true }] : []),
  ],
});
const TROUBLE = ["starved", "unknown", "barred", "not_yet", "idle", "not_carried", "carried"];
const another = may("operate")
  ? h(
      "p",
      {},
      h(
        "button",
        { type: "button", "data-act": "order", "data-repeater": "" },
        "Pin or bar another repeater",
      ),
    )
  : null;
const sheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "fanout-head" },
  h("h2", { id: "fanout-head" }, "Fan-out: repeater by repeater"),
  table.node,
  another,
);
const works = workSheet("works-head");
mount(page, verdict, strip, works.node, silent, sheet, meaning);

// -- cells ----------------------------------------------------------------------------------------

function carried(row) {
  const said =
    {
      carried: () => [
        marked("yes", "yes"),
        row.carried_after_s === null
          ? null
          : h(
              "span",
              { class: "quiet" },
              `, ${row.carried_after_s.toFixed(1)} s after it was called for`,
            ),
      ],
      starved: () => [stamp("starved", "no: starved")],
      not_yet: () => [stamp("not_yet", "not yet")],
      not_carried: () => [
        marked("unknown", "no"),
        h("span", { class: "quiet" }, ", and nobody is there to miss it"),
      ],
      idle: () => [stamp("idle", "yes, for nobody: idle")],
      barred: () => [
        stamp("barred", row.hears === "yes" ? "yes, though it is barred" : "no: barred"),
      ],
      unknown: () => [marked("unknown", "cannot be said")],
    }[row.state] ?? (() => [spoken(row.state)]);
  // "Yes" is the repeater's own word: it needs no line of its own.
  const reason = row.state === "carried" ? null : row.hears_reason;
  return h(
    "div",
    { class: "cell" },
    said(),
    reason ? h("div", { class: "quiet plain" }, reason) : null,
  );
}

function since(row) {
  const what = row.wanted ? "wanted for " : row.state === "idle" ? "idle for " : "";
  return h("span", { class: "cell" }, row.since ? [what, age(row.since, "for")] : "–");
}

function why(row) {
  const parts = [];
  if (row.members.length) {
    parts.push(h("span", {}, mark("member"), " ", join(", ", row.members.map(member))));
  }
  if (row.why.includes("pin") && row.order?.order !== "pin") {
    parts.push(h("span", {}, mark("pin"), " pin of the region file"));
  }
  if (row.why.includes("linger")) {
    parts.push(
      h("span", {}, mark("linger"), " linger", row.until ? [", ", age(row.until, "left")] : null),
    );
  }
  if (!parts.length && !row.order) parts.push(h("span", { class: "quiet" }, "nobody"));
  return h(
    "div",
    { class: "cell" },
    parts.map((part) => h("div", {}, part)),
    row.order ? inForce(row.order) : null,
  );
}

function inForce(order) {
  return h(
    "div",
    {},
    stamp(order.order, [
      order.order === "pin" ? "pinned" : "barred",
      " by ",
      order.by,
      ", ",
      age(order.until, "left"),
    ]),
    order.note ? ` ${order.note}` : null,
  );
}

function member(station) {
  const row = feed?.rows(ROSTER).get(station);
  const standing = row && row.standing !== "in_reach" ? ` (${spoken(row.standing)})` : null;
  return h("span", { class: "one" }, stationLink(station), standing);
}

function orders(row) {
  return h(
    "div",
    { class: "buttons cell" },
    h(
      "button",
      {
        type: "button",
        class: "small",
        "data-act": "order",
        "data-repeater": row.repeater,
        "aria-label": `Pin or bar ${row.repeater}`,
      },
      "Pin or bar",
    ),
    row.order
      ? h(
          "button",
          {
            type: "button",
            class: "small",
            "data-act": "lift",
            "data-repeater": row.repeater,
            "aria-label": `Lift the order on ${row.repeater}`,
          },
          "Lift",
        )
      : null,
  );
}

on(page, "click", "[data-act=order]", (button) => {
  const { repeater } = button.dataset;
  const there = feed.rows(FANOUT).get(repeater)?.members ?? [];
  order(group, repeater, repeaters(), there);
});
listen(
  page,
  () => feed.rows("maintenance"),
  () => [],
);
on(page, "click", "[data-act=lift]", (button) => lift(group, button.dataset.repeater));

function repeaters() {
  return [...feed.rows("gateways").values()]
    .flatMap((g) => g.repeaters.map((r) => r.repeater))
    .sort();
}

// -- who would not --------------------------------------------------------------------------------

function silentRow(row) {
  return h(
    "li",
    { "data-key": row.station },
    marked(row.hears, [stationLink(row.station), " ", HEARS_WORDS[row.hears]]),
    ": ",
    row.hears_reason,
    ". Last heard on ",
    repeaterLink(row.repeater),
    " ",
    age(row.last_heard_at),
    ", ",
    spoken(row.standing),
    ".",
  );
}

function sentence(list, members, state) {
  if (state.stale) return "The data are old: who would hear it now cannot be said.";
  const wanted = list.filter((row) => row.wanted);
  const of = (hears) => wanted.filter((row) => row.hears === hears).length;
  if (!wanted.length) {
    return members.length
      ? `An over to ${group} would go out nowhere: it is wanted on no repeater.`
      : `An over to ${group} would go out nowhere: nobody is a member and nothing is pinned.`;
  }
  const rest = also(
    of("no") && `not on ${of("no")}`,
    of("unknown") && `of ${of("unknown")} it cannot be said`,
  );
  const all = count(wanted.length, "wanted repeater");
  const sites = `It would go out on ${of("yes")} of ${all}${rest}.`;
  if (!members.length) return `Nobody is a member of ${group}. ${sites}`;
  const people = (hears) => members.filter((row) => row.hears === hears).length;
  const [would, not, unsure] = ["yes", "no", "unknown"].map(people);
  const everybody = members.length === 1 ? "The one member" : `All ${members.length} members`;
  const first =
    would === members.length
      ? `${everybody} would hear an over to ${group} now.`
      : `${would} of ${count(members.length, "member")} would hear an over to ${group} now${also(
          not && `${not} would not`,
          unsure && `of ${unsure} it cannot be said`,
        )}.`;
  return `${first} ${sites}`;
}

function also(...parts) {
  const said = parts.filter(Boolean);
  return said.length ? `; ${said.join(", ")}` : "";
}

// -- drawing --------------------------------------------------------------------------------------

const feed = start([FANOUT, ROSTER, "gateways", "maintenance"], () => {
  const list = [...feed.rows(FANOUT).values()];
  const roster = [...feed.rows(ROSTER)].filter(([key]) => key !== "#roster").map(([, row]) => row);
  const members = roster.filter(isMember);
  const number = (hears) => members.filter((row) => row.hears === hears).length;
  show(verdict, sentence(list, members, feed.state()));
  show(
    strip,
    members.length
      ? muster({
          would_hear: number("yes"),
          would_not_hear: number("no"),
          cannot_say: number("unknown"),
        })
      : null,
  );
  const not = members
    .filter((row) => row.hears !== "yes")
    .sort(
      (a, b) =>
        HEARING.indexOf(a.hears) - HEARING.indexOf(b.hears) || a.station.localeCompare(b.station),
    );
  silent.hidden = !not.length;
  show(silentList, not.map(silentRow));
  const sites = list.flatMap(({ repeater }) => [repeater, repeater.split("/")[0]]);
  works.draw(worksAt(feed.rows("maintenance"), [group, ...sites]));
  // Cells name the standings of members: they are drawn anew when those change.
  table.draw(list, members.map((row) => `${row.station} ${row.standing}`).join());
});
