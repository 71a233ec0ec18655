// Axes: round numbers and round times. Pure arithmetic.

const MINUTE_MS = 60_000;
const TIME_STEPS_MS = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440].map(
  (minutes) => minutes * MINUTE_MS,
);
const STEPS = [1, 2, 5, 10];

/** A function from [from, to] to [low, high], straight. */
export function linear([from, to], [low, high]) {
  const slope = to === from ? 0 : (high - low) / (to - from);
  return (value) => low + (value - from) * slope;
}

/**
 * Round values that hold `low` and `high` between them, at about `count` steps: [0, 5, 10, 15].
 * `least` is the smallest step allowed: 1 where only whole numbers make sense.
 */
export function roundTicks(low, high, count = 4, least = 0) {
  const span = high > low ? high - low : Math.abs(high) || 1;
  const rough = Math.max(span / count, least);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * STEPS.find((one) => one * power >= rough * (1 - 1e-9));
  const first = Math.floor(low / step + 1e-9);
  const last = Math.max(first + 1, Math.ceil(high / step - 1e-9));
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  return Array.from({ length: last - first + 1 }, (_, k) =>
    Number(((first + k) * step).toFixed(digits)),
  );
}

/** Round moments (UTC) in a span of ms since the epoch, at most `most` of them. */
export function timeTicks(from, to, most = 6) {
  const step = TIME_STEPS_MS.find((one) => (to - from) / one <= most) ?? TIME_STEPS_MS.at(-1);
  const ticks = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) ticks.push(at);
  return ticks;
}

/** `14:05`, UTC. */
export function clock(ms) {
  return new Date(ms).toISOString().slice(11, 16);
}

/**
 * Stretches of points [{at, ...}] without a gap: a new one begins where a value is missing or more
 * than `step_ms` (with some slack) lies between two.
 */
export function stretches(points, step_ms, has = (point) => point.value !== null) {
  const found = [];
  let last = null;
  for (const point of points) {
    if (!has(point)) {
      last = null;
    } else {
      if (!last || point.at - last.at > step_ms * 1.5) found.push([]);
      found.at(-1).push(point);
      last = point;
    }
  }
  return found;
}
