// Groups: for each, who would hear it if somebody keyed now, and who would not.

import { h, join, mount, show } from "../dom.js";
import { part } from "../act.js";
import { start } from "../frame.js";
import { Table } from "../table.js";
import { age, count } from "../time.js";
import { groupLink, mark, repeaterLink, spoken, stamp, STANDINGS } from "../words.js";
import { MEANING, muster } from "../muster.js";

const page = document.getElementById("page");
const verdict = h("p", { class: "verdict", id: "verdict" });

// The page's own question decides what stands first: those who would not hear.
function trouble(row) {
  return row.would_not_hear * 1e6 + late(row).length * 1e3 + row.cannot_say;
}

/** Starved for longer than the policy gives time. */
function late(row) {
  return row.starved.filter((repeater) => !row.not_yet.includes(repeater));
}

const table = new Table({
  caption: "Groups: who would hear an over to the group now, and who would not",
  class: "groups",
  find: "Show only groups with",
  findFrom: 8,
  by: "hearing",
  keyOf: (row) => row.group,
  words: (row) =>
    [
      row.group,
      row.title,
      ...row.starved,
      ...row.barred,
      ...row.orders.map((o) => o.repeater),
      ...row.idle.map((i) => i.repeater),
      ...row.duties.map((d) => d.title),
    ].join(" "),
  empty: "The region file has no group yet: add [[group]] entries to it.",
  columns: [
    { key: "group", label: "Group", head: true, sort: (row) => row.group, cell: name },
    {
      key: "hearing",
      label: "Would hear, would not",
      first: "down",
      sort: trouble,
      cell: (row) => h("div", { class: "cell" }, muster(row)),
    },
    {
      key: "members",
      label: "Members by standing",
      first: "down",
      sort: (row) => row.members,
      cell: standings,
    },
    {
      key: "carried",
      label: "Carried where wanted",
      first: "down",
      sort: (row) => row.wanted - row.carried,
      cell: carriage,
    },
    {
      key: "exceptions",
      label: "Starved, idle, barred, ordered",
      first: "down",
      sort: (row) =>
        late(row).length * 1e3 + row.starved.length * 100 + row.idle.length + row.barred.length,
      cell: exceptions,
    },
  ],
});
mount(
  page,
  verdict,
  h("section", { class: "sheet" }, table.node),
  h("p", { class: "quiet" }, MEANING),
);

function name(row) {
  return h(
    "div",
    { class: "cell" },
    groupLink(row.group),
    row.title ? h("div", { class: "quiet plain" }, row.title) : null,
    row.roll_call
      ? h("div", { class: "plain" }, "Roll call, ", age(row.roll_call.started_at, "for"))
      : null,
    row.duties.map((duty) =>
      h(
        "div",
        { class: "plain" },
        `${duty.kind === "exercise" ? "Exercise" : "Actual duty"}: ${duty.title}`,
      ),
    ),
  );
}

function standings(row) {
  if (!row.members) return h("span", { class: "quiet cell" }, "nobody");
  const told = STANDINGS.filter((s) => row.standings[s]);
  const members = h(
    "a",
    {
      href: `/groups/${part(row.group)}/members`,
      "aria-label": `${count(row.members, "member")} of ${row.group}`,
    },
    count(row.members, "member"),
  );
  return h(
    "div",
    { class: "cell" },
    members,
    ": ",
    join(
      ", ",
      told.map((s) =>
        h("span", { class: `marked is-${s}` }, mark(s), ` ${row.standings[s]} ${spoken(s)}`),
      ),
    ),
  );
}

function carriage(row) {
  if (!row.wanted) return h("span", { class: "quiet cell" }, "wanted nowhere");
  const rest = [
    row.not_carried && `${row.not_carried} not`,
    row.unknown && `${row.unknown} unknown`,
  ]
    .filter(Boolean)
    .join(", ");
  return h(
    "span",
    { class: "cell" },
    h("strong", {}, `${row.carried} of ${row.wanted}`),
    rest ? h("span", {}, ` (${rest})`) : null,
  );
}

function exceptions(row) {
  const given = new Set(row.not_yet);
  const found = [
    ...late(row).map((r) => ["starved", r]),
    ...row.starved.filter((r) => given.has(r)).map((r) => ["not_yet", r]),
    ...row.barred.map((r) => ["barred", r]),
    ...row.idle.map((idle) => ["idle", idle.repeater]),
  ].map(([word, repeater]) => stamp(word, [spoken(word), " ", repeaterLink(repeater)]));
  const orders = row.orders.map((order) =>
    stamp(order.order, [
      order.order === "pin" ? "pinned " : "barred by order ",
      repeaterLink(order.repeater),
    ]),
  );
  return h(
    "div",
    { class: "cell" },
    found.length || orders.length ? [found, orders] : h("span", { class: "quiet" }, "none"),
  );
}

function sentence(groups, state) {
  if (state.stale) return "The data are old: who would hear what cannot be said now.";
  if (!groups.some((row) => row.members)) return "No group has a member now.";
  const deaf = groups
    .filter((row) => row.would_not_hear)
    .sort((a, b) => b.would_not_hear - a.would_not_hear);
  const unsure = groups.reduce((sum, row) => sum + row.cannot_say, 0);
  const also = unsure ? ` Of ${count(unsure, "member")} it cannot be said.` : null;
  if (!deaf.length) {
    return unsure
      ? `Of ${count(unsure, "member")} it cannot be said; all others would hear it.`
      : "Every member would hear it.";
  }
  const members = deaf.reduce((sum, row) => sum + row.would_not_hear, 0);
  const named = deaf.slice(0, 5).map((row) => [`${row.would_not_hear} of `, groupLink(row.group)]);
  return [
    `${count(members, "member")} would not hear it: `,
    join(", ", named),
    deaf.length > 5 ? " and others." : ".",
    also,
  ];
}

const feed = start(["groups"], () => {
  const groups = [...feed.rows("groups").values()];
  show(verdict, sentence(groups, feed.state()));
  table.draw(groups);
});
