// A board that shows a record: how far in it a page is, and words that are of the past. Draws
// nothing; on a board that shows the present all of it says so.

import { isReplay } from "./time.js";

/** Before the next step of an alert: in a record nobody is to set out because of it. */
export const NEXT = isReplay ? "Next, then: " : "Next: ";

/** What the first page is called. */
export const OVERVIEW = isReplay ? "As it was" : "Now";

/**
 * `begin`: the clock stands at the record's begin. `early`: so short after it that a gateway that
 * was not heard of may only not have had its turn. `known`: later. Null on the present.
 * @param {object | undefined} row of the table `replay`
 */
export function stageOf(row) {
  if (!row) return null;
  if (row.now === row.begin) return "begin";
  return Date.parse(row.now) < Date.parse(row.missing_from) ? "early" : "known";
}

/** Whether nothing was noted yet, so that nothing may be said to be wrong. */
export function isBlank(row, { gateways, alerts }) {
  const heardOf =
    gateways.up + gateways.down + gateways.silent + (gateways.flooding ?? 0);
  return stageOf(row) === "begin" && !heardOf && !alerts.critical && !alerts.warning;
}

/** The page's title: that it is a record comes first, then how many critical alerts are open. */
export function titleOf(title, critical) {
  const [, first, rest] = title.match(/^(REPLAY, not live: )?(?:\(\d+ critical\) )?(.*)$/s);
  return `${first ?? ""}${critical ? `(${critical} critical) ` : ""}${rest}`;
}
