// Time on the air that fan-outs save, in words. Draws nothing.

import { utc } from "./time.js";

const MINUTE_S = 60;

/** Repeater-minutes: whole ones, with one decimal where they are few. */
function minutes(seconds) {
  const all = seconds / MINUTE_S;
  return all < 10 ? all.toFixed(1) : Math.round(all).toLocaleString("en");
}

/** Whole percent, but never all or nothing where it is not quite that. */
function share(air) {
  const whole = Math.round(air.saved_pct);
  if (whole === 100 && air.carried_s > 0) return "over 99 %";
  if (whole === 0 && air.carried_s < air.flooded_s) return "under 1 %";
  return `${whole} %`;
}

export const AIR_LABEL = "Air-time saved against sending on every repeater";

const DAY_MS = 86_400_000;

/** Of which time: between 23 and 24 hours are the whole day that is kept, by hours of the clock. */
export function airSpan(air, now) {
  const hour = 3_600_000;
  const whole = Math.floor(now / hour) * hour - DAY_MS + hour;
  if (!air.overs || Date.parse(air.from_at) <= whole) return "last 24 h";
  return `since ${utc(air.from_at)}`;
}

/** `78 % (1,240 instead of 5,600 repeater-minutes)` for the `air` of the head. */
export function airFigure(air) {
  if (!air.overs) return "no overs to groups";
  if (air.saved_pct === null) return "nothing to send on";
  const [carried, flooded] = [minutes(air.carried_s), minutes(air.flooded_s)];
  return `${share(air)} (${carried} instead of ${flooded} repeater-minutes)`;
}

/** What the figure is and what it is not. */
export const AIR_MEANS =
  "Repeater time that fan-outs wanted for overs to groups, against sending every one of them on " +
  "every other repeater of the region. An estimate: it takes fan-outs as they were wanted when an " +
  "over was counted, not what repeaters said they carried.";
