// Cells on the ground: what a repeater was learned to hear, and where a station may be. They come as
// GeoJSON in degrees and become paths in metres; how strong one is drawn is a class of its own.

import { s } from "./dom.js";

/** Chances to be heard, in steps; each is drawn stronger than the one before. */
export const CHANCE_STEPS = [
  "under 20 %",
  "20 to 40 %",
  "40 to 60 %",
  "60 to 80 %",
  "80 % and more",
];
/** Cells a station may be in, by how likely they are beside the likeliest. */
export const LOOK_STEPS = ["hardly", "a little", "about half as likely", "likely", "likeliest"];
const STEPS = 5;

/** The step of a share from 0 to 1; null where nothing is known. */
export function stepOf(share) {
  if (!Number.isFinite(share)) return null;
  return Math.max(0, Math.min(STEPS - 1, Math.floor(share * STEPS + 1e-9)));
}

/** `80 %`, in steps of five: nothing finer is known, and nothing is certain. */
export function percent(share) {
  if (!Number.isFinite(share)) return "not known";
  if (share > 0.95) return "more than 95 %";
  if (share < 0.05) return "less than 5 %";
  return `${Math.round(share * 20) * 5} %`;
}

/**
 * What a cell of learned coverage says, without the place.
 * @param {{chance, low, high, level_dbm, overs, reason}} cell
 */
export function chanceWords(cell) {
  if (cell.chance === null) return `Not known: ${cell.reason}.`;
  const level = cell.level_dbm === null ? "" : `, ${Math.round(cell.level_dbm)} dBm expected`;
  return `Heard from here: ${percent(cell.chance)} (${percent(cell.low)} to ${percent(cell.high)})${level}. ${upper(cell.reason)}.`;
}

/** The cells of a coverage document, strongest step last, so that it is drawn above. */
export function coverageCells(document_) {
  return document_.features
    .map(({ geometry, properties }) => ({
      key: properties.cell,
      rings: ringsOf(geometry),
      step: stepOf(properties.chance),
      words: chanceWords(properties),
      ...properties,
    }))
    .filter(({ step }) => step !== null);
}

/** The cells that a station may be in, of a whereabouts document. */
export function lookCells(document_) {
  const found = document_.features.filter(({ properties }) => properties.kind === "may be in");
  const most = Math.max(0, ...found.map(({ properties }) => properties.weight));
  return found.map(({ geometry, properties }) => {
    const step = stepOf(properties.weight / most);
    const heard = properties.repeater
      ? ` If it keys here, ${properties.repeater} hears it: ${percent(properties.chance)}.`
      : " No repeater that reports now is likely to hear it here.";
    return {
      key: properties.cell,
      rings: ringsOf(geometry),
      step,
      words: `May be here: ${LOOK_STEPS[step]}.${heard}`,
      ...properties,
    };
  });
}

/** How many cells there are of each step: [{step, words, cells, overs}], the strongest first. */
export function bySteps(cells, words) {
  return words
    .map((text, step) => {
      const those = cells.filter((cell) => cell.step === step);
      const overs = those.reduce((sum, cell) => sum + (cell.overs ?? 0), 0);
      return { step, words: text, cells: those.length, overs: Math.round(overs) };
    })
    .reverse();
}

/** The middle of a cell in degrees: {lat, lon}. */
export function middleOfCell({ rings }) {
  const corners = rings[0].slice(0, -1);
  const mean = (at) => corners.reduce((sum, corner) => sum + corner[at], 0) / corners.length;
  return { lat: mean(1), lon: mean(0) };
}

/** SVG paths in metres, y up; `kind` is the class of them all. Pointing at one tells its words. */
export function cellPaths(cells, projection, kind) {
  return cells.map((cell) =>
    s(
      "path",
      { "data-key": cell.key, class: `cell ${kind} step-${cell.step}`, d: path(cell, projection) },
      s("title", {}, cell.words),
    ),
  );
}

/** All corners in metres: what the map must hold to show them. */
export function cellPoints(cells, projection) {
  return cells.flatMap(({ rings }) =>
    rings.flatMap((ring) => ring.map(([lon, lat]) => projection.forward(lat, lon))),
  );
}

function path({ rings }, projection) {
  return rings
    .map((ring) => {
      const corners = ring.map(([lon, lat]) => {
        const [x, y] = projection.forward(lat, lon);
        return `${Math.round(x)} ${Math.round(y)}`;
      });
      return `M${corners.join("L")}Z`;
    })
    .join("");
}

/** Outer rings of a Polygon or MultiPolygon; cells have no holes. */
function ringsOf({ type, coordinates }) {
  return type === "Polygon" ? [coordinates[0]] : coordinates.map((polygon) => polygon[0]);
}

function upper(text) {
  return text ? `${text[0].toUpperCase()}${text.slice(1)}` : "";
}
