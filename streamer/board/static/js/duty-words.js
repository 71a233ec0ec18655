// What the page of duties says of a duty and of its people.

import { h, join } from "./dom.js";
import { age } from "./time.js";
import { groupLink, marked, repeaterLink, spoken, stationLink } from "./words.js";

export const KINDS = { exercise: "Exercise", actual: "Actual duty" };
export const PRESENCES = {
  not_yet_heard: "not yet heard",
  heard: "heard, not checked in",
  checked_in: "checked in",
  expired: "expired",
  checked_out: "checked out",
};
/** Of members, worst first. */
export const STANDINGS = ["out_of_reach", "overdue", "blind", "in_reach"];

export function kindOf(duty) {
  return h("strong", { class: `duty-kind is-${duty.kind}` }, KINDS[duty.kind] ?? duty.kind);
}

export function groupsOf(duty) {
  const links = duty.groups.map((group) => groupLink(group, "/members"));
  return links.length ? join(", ", links) : "no group";
}

export function box(label, value) {
  return h("div", {}, h("dt", {}, label), h("dd", {}, value));
}

/** A button that does something about a duty. */
export function actButton({ id, title }, act, words) {
  return h(
    "button",
    {
      type: "button",
      "data-act": act,
      "data-id": id,
      "data-key": act,
      "aria-label": `${words}: ${title}`,
    },
    words,
  );
}

/** How the table of everybody is made. `names`: what the roster says of people may be seen. */
export function peoplePlan(title, names) {
  return {
    caption: `Everybody of ${title}`,
    class: "people",
    find: "Show only people with",
    findFrom: 8,
    by: "is",
    keyOf: (row) => row.call,
    words: (row) =>
      [
        row.call,
        row.name,
        row.agency,
        row.assignment,
        spoken(row.presence),
        spoken(row.standing),
        row.repeater,
        ...row.groups,
      ].join(" "),
    empty: "Nobody.",
    columns: [
      { key: "call", label: "Who", head: true, sort: (row) => row.call, cell: who },
      { key: "is", label: "Is", sort: (row) => row.rank, cell: is },
      {
        key: "heard",
        label: "Last heard",
        first: "down",
        sort: (row) => (row.last_heard_at ? Date.parse(row.last_heard_at) : 0),
        cell: heard,
      },
      { key: "group", label: "Group", sort: (row) => row.groups.join(" "), cell: group },
      ...(names ? [said("assignment", "Assignment"), said("agency", "Agency")] : []),
    ],
  };
}

function said(key, label) {
  return {
    key,
    label,
    sort: (row) => row[key] ?? "",
    cell: (row) => h("div", { class: "cell" }, row[key]),
  };
}

function who(row) {
  return h(
    "div",
    { class: "cell" },
    stationLink(row.call),
    row.name ? h("div", { class: "plain" }, row.name) : null,
    row.expected ? null : h("div", { class: "quiet plain" }, "not on the roster"),
  );
}

function is(row) {
  const left = row.presence === "expired" || row.presence === "checked_out";
  return h(
    "div",
    { class: "cell" },
    row.standing ? marked(row.standing) : marked(row.presence, PRESENCES[row.presence]),
    row.before ? h("div", { class: "quiet plain" }, "not heard since the duty began") : null,
    left ? h("div", { class: "quiet plain" }, age(row.since)) : null,
  );
}

function heard(row) {
  if (!row.last_heard_at) return h("span", { class: "cell quiet" }, "not known");
  return h(
    "div",
    { class: "cell" },
    age(row.last_heard_at),
    h("div", { class: "plain" }, "on ", repeaterLink(row.repeater)),
  );
}

function group(row) {
  const elsewhere =
    row.expected_in && !row.groups.includes(row.expected_in)
      ? h("div", { class: "quiet plain" }, `expected in ${row.expected_in}`)
      : null;
  const links = row.groups.map((name) => groupLink(name, "/members"));
  return h("div", { class: "cell" }, links.length ? join(", ", links) : null, elsewhere);
}
