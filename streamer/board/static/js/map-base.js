// The base layer of the map: shapes in degrees become paths in metres, once.

import { s } from "./dom.js";

const FARTHEST_M = 2_000_000; // beyond, nothing of the region can be near
const DRAWN_AT = { area: "polygon", line: "line", points: "point" };

/**
 * @param {Array} shapes of GET /api/v1/base-layer
 * @returns {{paths, names, points, left}} paths: SVG nodes in metres, y up; names: [{text, kind,
 *   at: [x, y]}]; points: [[x, y], ...] of all that is drawn; left: shapes too far away
 */
export function baseLayer(shapes, projection) {
  const layer = { paths: [], names: [], points: [], left: 0 };
  for (const shape of shapes) {
    const parts = shape.parts.map((part) => part.map(([lon, lat]) => projection.forward(lat, lon)));
    const points = parts.flat();
    // A shape that is near anywhere is drawn whole.
    if (!points.some(([x, y]) => Math.hypot(x, y) < FARTHEST_M)) {
      layer.left += 1;
      continue;
    }
    for (const [x, y] of points) if (Math.hypot(x, y) < FARTHEST_M) layer.points.push([x, y]);
    if (shape.name)
      layer.names.push({ text: shape.name, kind: shape.kind, at: nameAt(shape, parts) });
    layer.paths.push(
      s("path", {
        class: `base ${DRAWN_AT[shape.form]} base-${shape.kind}`,
        d: parts.map((part) => path(part, shape.form)).join(""),
        "fill-rule": "evenodd",
      }),
    );
  }
  return layer;
}

/** A path in whole metres; a point is a line of no length, drawn by its round end. */
function path(part, form) {
  const texts = part.map(([x, y]) => `${Math.round(x)} ${Math.round(y)}`);
  if (form === "points") return texts.map((text) => `M${text}h0`).join("");
  return `M${texts.join("L")}${form === "area" ? "Z" : ""}`;
}

function nameAt(shape, parts) {
  const part = parts[0];
  if (shape.form === "points") return part[0];
  if (shape.form === "line") return part[Math.floor(part.length / 2)];
  const xs = part.map(([x]) => x);
  const ys = part.map(([, y]) => y);
  return [middle(xs), middle(ys)];
}

function middle(values) {
  let [low, high] = [Infinity, -Infinity];
  for (const value of values) [low, high] = [Math.min(low, value), Math.max(high, value)];
  return (low + high) / 2;
}
