// Planned work in words, and which of it touches what.

import { age, utc } from "./time.js";

export const REGION = "*"; // as subject of a maintenance: all of it

/** The subject of a maintenance in words. */
export function subjectWords(subject) {
  return subject === REGION ? "the whole region" : subject;
}

/** Work that touches one of these gateways, repeaters or groups, what ends first before the rest. */
export function worksAt(table, names) {
  const touches = ({ subject }) => subject === REGION || names.includes(subject);
  return byEnd([...table.values()].filter(touches));
}

/** Sorts what it is given. */
export function byEnd(works) {
  const end = (work) => Date.parse(work.until);
  return works.sort((a, b) => end(a) - end(b) || a.id.localeCompare(b.id));
}

/** `since 12:00:00 UTC, until 14:00:00 UTC (1 h 59 min left), by ann: new antenna`. */
export function workWords(work) {
  return [
    `since ${utc(work.at)}, until ${utc(work.until)} (`,
    age(work.until, "left"),
    `), by ${work.by}`,
    work.note ? `: ${work.note}` : null,
  ];
}
