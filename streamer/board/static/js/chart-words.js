// What a chart shows, in a sentence: for those who do not see it, and for those in a hurry.

import { clock } from "./chart-scale.js";
import { length } from "./time.js";

const LATELY_MS = 3_600_000;
const HALF_HOUR_S = 1800;
const FEWEST = 3; // points in the last hour before a direction is spoken of

/** A number with a sensible number of digits: 0.4, 3.2, 41, -87. */
export function figure(value, unit = "") {
  const size = Math.abs(value);
  const text = size >= 10 ? value.toFixed(0) : Number(value.toFixed(size >= 1 ? 1 : 2)).toString();
  return unit ? `${text} ${unit}` : text;
}

/**
 * Whether the newest hour rises, falls or holds: the mean of its newer half against its older half.
 * `matters`: how large a difference is worth a word. Null with too few points.
 * @returns {"rising"|"falling"|"steady"|null}
 */
export function direction(points, to, matters) {
  const newest = points.filter(({ at, value }) => value !== null && at > to - LATELY_MS);
  if (newest.length < FEWEST) return null;
  const middle = to - LATELY_MS / 2;
  const older = mean(newest.filter(({ at }) => at <= middle));
  const newer = mean(newest.filter(({ at }) => at > middle));
  if (older === null || newer === null) return null;
  if (Math.abs(newer - older) < matters) return "steady";
  return newer > older ? "rising" : "falling";
}

/** `Signal between -95 and -80 dBm, 12 of 288 spans heard, falling in the last hour.` */
export function levelSummary({ title, unit, points, from, to, matters, nothing }) {
  const known = points.filter(({ value }) => value !== null);
  if (!known.length) return `${title}: ${nothing} from ${clock(from)} to ${clock(to)} UTC.`;
  const low = Math.min(...known.map((point) => point.low ?? point.value));
  const high = Math.max(...known.map((point) => point.high ?? point.value));
  const [lowest, highest] = [figure(low), figure(high, unit)];
  const range = figure(low, unit) === highest ? highest : `between ${lowest} and ${highest}`;
  const way = direction(points, to, matters);
  const lately = way ? `, ${way} in the last hour` : "";
  return `${title} ${range}${lately}; last known at ${clock(known.at(-1).at)} UTC.`;
}

/** `Overs: 87 in all, at most 9 in 5 min (at 14:05 UTC), none since 15:20 UTC.` */
export function amountSummary({ title, unit, points, from, to, step_ms, nothing }) {
  const some = points.filter(({ value }) => value);
  if (!some.length) return `${title}: ${nothing} from ${clock(from)} to ${clock(to)} UTC.`;
  const total = some.reduce((sum, { value }) => sum + value, 0);
  const most = some.reduce((best, point) => (point.value > best.value ? point : best));
  const span = `${Math.round(step_ms / 60_000)} min`;
  const last = some.at(-1);
  const since = to - last.at > LATELY_MS ? `, none since ${clock(last.at + step_ms)} UTC` : "";
  return (
    `${title}: ${figure(total, unit)} in all, at most ${figure(most.value, unit)} in ${span} ` +
    `(at ${clock(most.at)} UTC)${since}.`
  );
}

/**
 * `Load: 0.21 erlangs in the mean of 23 h 50 min, most from 14:00 UTC: 0.41.` An hour of which less
 * than half was recorded is in the mean alone, one that was not recorded not even there.
 */
export function loadSummary({ points }) {
  const known = points.filter(({ value }) => value !== null);
  const recorded_s = known.reduce((sum, point) => sum + point.recorded_s, 0);
  const air_s = known.reduce((sum, { value, recorded_s }) => sum + value * recorded_s, 0);
  if (!known.length) return "Load: not recorded.";
  const since = clock(known[0].at);
  const before = known[0] === points[0] ? "" : ` Before ${since} UTC not recorded (hatched).`;
  if (!air_s) return `Load: nothing was heard in ${length(recorded_s)}.${before}`;
  const full = known.filter(({ recorded_s }) => recorded_s >= HALF_HOUR_S);
  const best = full.reduce((most, point) => (point.value > most.value ? point : most), {
    value: 0,
  });
  const most = best.value >= 0.01 ? `, most from ${clock(best.at)} UTC: ${figure(best.value)}` : "";
  const words = `${load(air_s / recorded_s)} erlangs in the mean of ${length(recorded_s)}`;
  return `Load: ${words}${most}.${before}`;
}

/** A load in words: what is there is never called 0. */
export function load(erlangs) {
  return erlangs > 0 && erlangs < 0.01 ? "less than 0.01" : figure(erlangs);
}

function mean(points) {
  return points.length ? points.reduce((sum, { value }) => sum + value, 0) / points.length : null;
}
