// What part of the ground the map shows: pure arithmetic, nothing is drawn here.
//
// A view is {x, y, scale, width, height}: the ground point in the middle of the screen (metres east
// and north), pixels per metre, and the screen's size in pixels. Views are never changed, each
// function gives a new one.

const SMALLEST_SCALE = 2e-5; // 1,000 km are 20 px
const LARGEST_SCALE = 2; // a pixel is half a metre
const MARGIN_PX = 48;
const NARROW_MARGIN = 0.05; // of the width
const LONE_PLACE_M = 20_000; // how much ground a single place is shown with
const STEPS = [1, 2, 5];

/** Ground to screen: pixels right and down. */
export function toScreen(view, [x, y]) {
  return [view.width / 2 + (x - view.x) * view.scale, view.height / 2 - (y - view.y) * view.scale];
}

/** Screen to ground. */
export function toGround(view, [px, py]) {
  return [
    view.x + (px - view.width / 2) / view.scale,
    view.y - (py - view.height / 2) / view.scale,
  ];
}

/** The view after what is on the screen moved by so many pixels right and down. */
export function moved(view, dx, dy) {
  return { ...view, x: view.x - dx / view.scale, y: view.y + dy / view.scale };
}

/** The view zoomed by a factor; the ground under `at` (pixels) stays where it is. */
export function zoomed(view, factor, at = [view.width / 2, view.height / 2]) {
  const scale = Math.max(SMALLEST_SCALE, Math.min(LARGEST_SCALE, view.scale * factor));
  const [x, y] = toGround(view, at);
  return {
    ...view,
    scale,
    x: x - (at[0] - view.width / 2) / scale,
    y: y + (at[1] - view.height / 2) / scale,
  };
}

/** The same ground in another size of screen. */
export function resized(view, width, height) {
  return { ...view, width, height };
}

/** The view that shows all these ground points [[x, y], ...]. */
export function fitted(points, width, height) {
  const box = boxOf(points) ?? { left: 0, right: 0, bottom: 0, top: 0 };
  const wide = Math.max(box.right - box.left, LONE_PLACE_M);
  const high = Math.max(box.top - box.bottom, LONE_PLACE_M);
  const margin = Math.min(MARGIN_PX, NARROW_MARGIN * width);
  const scale = Math.min(
    Math.max(1, width - 2 * margin) / wide,
    Math.max(1, height - 2 * MARGIN_PX) / high,
  );
  return zoomed(
    { x: (box.left + box.right) / 2, y: (box.bottom + box.top) / 2, scale, width, height },
    1,
  );
}

/** The box around ground points; null without any. */
export function boxOf(points) {
  if (!points.length) return null;
  const box = { left: Infinity, right: -Infinity, bottom: Infinity, top: -Infinity };
  for (const [x, y] of points) {
    box.left = Math.min(box.left, x);
    box.right = Math.max(box.right, x);
    box.bottom = Math.min(box.bottom, y);
    box.top = Math.max(box.top, y);
  }
  return box;
}

/** The view with a screen point brought at least `edge` pixels inside, by moving alone. */
export function withInside(view, [px, py], edge = MARGIN_PX) {
  const shift = (at, size) => Math.min(0, size - edge - at) + Math.max(0, edge - at);
  const dx = shift(px, view.width);
  const dy = shift(py, view.height);
  return dx || dy ? moved(view, dx, dy) : view;
}

/** A length that fits into `longest` pixels: {metres, pixels, text}, a 1, 2 or 5 with noughts. */
export function scaleBar(view, longest = 140) {
  const most = longest / view.scale;
  const power = 10 ** Math.floor(Math.log10(most));
  const metres = power * STEPS.filter((step) => step * power <= most * (1 + 1e-9)).at(-1);
  const text = metres >= 1000 ? `${metres / 1000} km` : `${metres} m`;
  return { metres, pixels: metres * view.scale, text };
}
