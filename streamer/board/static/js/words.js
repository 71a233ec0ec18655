// The project's words for people, and marks beside them. A mark never stands without its word, and
// none of it depends on colour: marks differ in shape, borders in kind.

import { h } from "./dom.js";
import { part } from "./act.js";

/** `out_of_reach` is said `out of reach`. */
export function spoken(word) {
  return String(word ?? "").replaceAll("_", " ");
}

export const STANDINGS = ["out_of_reach", "overdue", "blind", "in_reach", "expired", "checked_out"];
export const SEVERITIES = ["critical", "warning", "notice"];
/** Trouble first: the order in which people look. */
export const HEARING = ["no", "unknown", "yes"];
export const HEARS_WORDS = { yes: "would hear", no: "would not hear", unknown: "cannot be said" };

const MARKS = {
  in_reach: "●",
  overdue: "◔",
  out_of_reach: "✕",
  blind: "?",
  expired: "–",
  checked_out: "→",
  checked_in: "●",
  heard: "◐",
  not_yet_heard: "○",
  yes: "●",
  no: "✕",
  unknown: "?",
  carried: "●",
  starved: "✕",
  not_yet: "…",
  idle: "○",
  barred: "⊘",
  pin: "▲",
  bar: "⊘",
  linger: "◷",
  member: "●",
};

/** A mark for the eye alone; the word beside it is what is read out. */
export function mark(word) {
  return h("span", { class: "mark", "aria-hidden": "true" }, MARKS[word] ?? "·");
}

/** Mark and word together; `text` instead of the word itself. */
export function marked(word, text = spoken(word)) {
  return h("span", { class: `marked is-${word}` }, mark(word), " ", text);
}

/** A word in a frame whose kind says what it is about: starved is thick, idle dashed and so on. */
export function stamp(word, text = spoken(word)) {
  return h("span", { class: `stamp is-${word}` }, mark(word), " ", text);
}

/** The kinds of duty that a message stands under, each once: `exercise`, `actual duty`. */
export function dutyStamps(duties) {
  const kinds = [...new Set((duties ?? []).map(({ kind }) => kind))];
  return kinds.map((kind) =>
    h("span", { class: `stamp is-${kind}` }, kind === "actual" ? "actual duty" : kind),
  );
}

/** That planned work covers it: foreseen, which is not the same as well. */
export function workStamp(alert) {
  return alert.maintenance ? h("span", { class: "stamp is-maintenance" }, "maintenance") : null;
}

export function severity(word) {
  return h("span", { class: `severity is-${word}` }, word);
}

export function isMember(row) {
  return row.standing !== "expired" && row.standing !== "checked_out";
}

// -- ways to other pages -------------------------------------------------------------------------

export function stationLink(station, text = station) {
  return h("a", { href: `/stations/${part(station)}`, class: "sign" }, text);
}

/** A repeater is `gateway/port`, and so is its page. */
export function repeaterLink(repeater) {
  return h(
    "a",
    { href: `/repeaters/${repeater.split("/").map(part).join("/")}`, class: "sign" },
    repeater,
  );
}

export function groupLink(group, place = "") {
  return h("a", { href: `/groups/${part(group)}${place}`, class: "sign" }, group);
}

/** A sentence in which the names of stations and repeaters are ways to their pages. */
export function linked(text, names) {
  const known = names.filter((name) => name === name.toUpperCase() || looksLikeRepeater(name));
  if (!known.length) return text;
  // Longest first, so that no name is taken for the beginning of another.
  const pattern = known
    .sort((a, b) => b.length - a.length)
    .map((name) => name.replace(/[^A-Za-z0-9]/g, "\\$&"))
    .join("|");
  return text.split(new RegExp(`(?<![\\w/-])(${pattern})(?![\\w/-])`)).map((piece, n) => {
    if (n % 2 === 0) return piece;
    return looksLikeRepeater(piece) ? repeaterLink(piece) : stationLink(piece);
  });
}

/** A repeater's name has no upper case and exactly one stroke. */
export function looksLikeRepeater(text) {
  return /^[a-z0-9][a-z0-9_-]*\/[a-z0-9][a-z0-9_-]*$/.test(text);
}
