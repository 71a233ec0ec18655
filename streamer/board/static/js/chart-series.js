// From the API's history documents to descriptions of charts. Pure: nothing is drawn here.

import { amountSummary, levelSummary, loadSummary } from "./chart-words.js";

const SIGNAL_MATTERS_DB = 3; // common practice, no source: half an S unit is 3 dB
const ERRORS_MATTER_PCT = 1;
const HOUR_MS = 3_600_000;
const SHORTEST_SPAN_MS = 600_000;

/**
 * What the charts of a repeater show, by name.
 * @param {object} document of GET /api/v1/repeaters/...
 * @param {number} hours how much of it, up to the present: 24 is all
 */
export function repeaterCharts(document, hours = 24) {
  const to = Date.parse(document.until_at);
  const frame = {
    from: Math.max(Date.parse(document.from_at), to - hours * HOUR_MS),
    to,
    step_ms: document.bucket_s * 1000,
  };
  frame.dark = darkTimes(document, frame.from);
  const series = (pick) =>
    document.buckets
      .map((bucket) => ({ at: Date.parse(bucket.start_at), ...pick(bucket) }))
      .filter(({ at }) => at >= frame.from);
  const overs = {
    ...frame,
    kind: "amount",
    least: 1,
    points: series(({ overs: value }) => ({ value })),
  };
  const air = { ...frame, kind: "amount", points: series(({ air_s: value }) => ({ value })) };
  const signal = {
    ...frame,
    kind: "level",
    least: 5,
    points: series(({ rssi_dbm }) => spread(rssi_dbm)),
  };
  const errors = {
    ...frame,
    kind: "level",
    fromZero: true,
    least: 1,
    points: series(({ ber_pct }) => spread(ber_pct)),
  };
  const dark = darkWords(frame.dark);
  return {
    overs: {
      ...overs,
      summary: amountSummary({ ...overs, title: "Overs", unit: "", nothing: "none" }) + dark,
    },
    air: {
      ...air,
      summary: amountSummary({ ...air, title: "Air time", unit: "s", nothing: "none" }) + dark,
    },
    load: loadChart(document, frame),
    ...levels(signal, errors),
  };
}

/** Whole hours of the clock: those that the span touches. */
function loadChart({ hours }, { from, to, dark }) {
  const points = hours
    .map(({ start_at, recorded_s, erlangs }) => ({
      at: Date.parse(start_at),
      value: recorded_s > 0 ? erlangs : null,
      recorded_s,
    }))
    .filter(({ at }) => at + HOUR_MS > from);
  const chart = {
    from: Math.min(from, points[0]?.at ?? from),
    to: Math.max(to, (points.at(-1)?.at ?? to - HOUR_MS) + HOUR_MS),
    step_ms: HOUR_MS,
    dark: [...dark, ...unrecorded(points)],
    kind: "amount",
    least: 0.05, // so that a quiet hour looks quiet
    points,
  };
  return { ...chart, summary: loadSummary(chart) };
}

/** The time up to the first hour of which something was recorded: not drawn as an empty one. */
function unrecorded(points) {
  const first = points.findIndex(({ value }) => value !== null);
  const to = first < 0 ? points.at(-1)?.at + HOUR_MS : points[first].at;
  return points.length && first !== 0 ? [{ from: points[0].at, to }] : [];
}

/** Signal and error rate, each with a sentence that says what its chart shows. */
function levels(signal, errors) {
  const words = { nothing: "no reading" };
  const ofSignal = { title: "Signal", unit: "dBm", matters: SIGNAL_MATTERS_DB };
  const ofErrors = { title: "Error rate", unit: "%", matters: ERRORS_MATTER_PCT };
  return {
    signal: { ...signal, summary: levelSummary({ ...signal, ...ofSignal, ...words }) },
    errors: { ...errors, summary: levelSummary({ ...errors, ...ofErrors, ...words }) },
  };
}

function spread(values) {
  return values
    ? { value: values.mean, low: values.min, high: values.max }
    : { value: null, low: null, high: null };
}

function darkTimes({ dark, at }, from) {
  return dark
    .map(({ from_at, until_at }) => ({
      from: Math.max(from, Date.parse(from_at)),
      to: Date.parse(until_at ?? at),
    }))
    .filter((span) => span.to > span.from);
}

function darkWords(dark) {
  if (!dark.length) return "";
  const minutes = Math.round(dark.reduce((sum, { from, to }) => sum + to - from, 0) / 60_000);
  return ` It could not hear for ${minutes < 1 ? "less than 1" : minutes} min of them (hatched).`;
}

/** The steps in which something was heard, newest first: the numbers behind the charts. */
export function busyBuckets({ buckets }) {
  return buckets.filter(({ overs, rssi_dbm, ber_pct }) => overs || rssi_dbm || ber_pct).reverse();
}

/** Where a station stayed, as a strip: a row for each repeater, the newest first. */
export function pathStrip({ stays, at }) {
  const to = Date.parse(at);
  const rows = [...new Set(stays.map(({ repeater }) => repeater))];
  const from = Math.min(...stays.map(({ from_at }) => Date.parse(from_at)), to - SHORTEST_SPAN_MS);
  return {
    rows,
    from,
    to,
    stays: stays.map((stay) => ({
      row: rows.indexOf(stay.repeater),
      from: Date.parse(stay.from_at),
      known: Date.parse(stay.last_over_at),
      to: Date.parse(stay.until_at ?? at),
    })),
    summary: pathWords(stays, rows),
  };
}

function pathWords(stays, rows) {
  const [newest] = stays;
  if (!newest) return "No stay is kept.";
  const now = newest.until_at
    ? `last at ${newest.repeater}`
    : `now taken to be at ${newest.repeater}`;
  if (stays.length === 1) return `One stay: ${now}.`;
  const way = stays
    .slice(0, 5)
    .map(({ repeater }) => repeater)
    .reverse();
  const more = stays.length > 5 ? `the last 5 of ${stays.length} stays: ` : "";
  return `${stays.length} stays at ${rows.length} ${rows.length === 1 ? "repeater" : "repeaters"}, ${now}; ${more}${way.join(", then ")}.`;
}

/** Signal and error rate of a station's kept overs, as single readings. */
export function overCharts({ path, at }) {
  const to = Date.parse(at);
  const from = Math.min(
    ...path.map(({ started_at }) => Date.parse(started_at)),
    to - SHORTEST_SPAN_MS,
  );
  const readings = (name) =>
    path.map((over) => ({ at: Date.parse(over.started_at), value: over[name] ?? null })).reverse();
  const frame = { from, to, step_ms: 0, kind: "readings" };
  const signal = { ...frame, least: 5, points: readings("rssi_dbm") };
  const errors = { ...frame, fromZero: true, least: 1, points: readings("ber_pct") };
  return levels(signal, errors);
}
