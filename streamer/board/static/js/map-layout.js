// Where symbols and labels go when several want the same place: pure arithmetic in pixels.

const NEAR_PX = 20; // symbols nearer than this stand at one place
const MOST_AROUND = 8; // more are drawn as one symbol with their number
const MOST_BELOW = 5;
const AROUND_PX = 15;
const BELOW_PX = 27;
const ROW_PX = 24;
const LETTER_PX = 6.7; // of the labels' 12 px type, on average; a generous guess, no measure
const LINE_PX = 15;

/**
 * Gather things that lie at one place. `things`: [{key, at: [px, py], fixed}] in the order of importance.
 * Gives [{key, at, things}]: `at` is where the first of them lies.
 */
export function gathered(things, near = NEAR_PX) {
  const places = [];
  const cells = new Map();
  const cell = (px, py) => `${Math.floor(px / near)} ${Math.floor(py / near)}`;
  for (const thing of things) {
    const [px, py] = thing.at;
    let home = null;
    for (const dx of [-near, 0, near]) {
      for (const dy of [-near, 0, near]) {
        for (const place of cells.get(cell(px + dx, py + dy)) ?? []) {
          const off = Math.hypot(place.at[0] - px, place.at[1] - py);
          if (off < near && (!home || off < home.off)) home = { place, off };
        }
      }
    }
    if (home) {
      home.place.things.push(thing);
      continue;
    }
    const place = { key: thing.key, at: thing.at, things: [thing] };
    places.push(place);
    const name = cell(px, py);
    cells.set(name, [...(cells.get(name) ?? []), place]);
  }
  return places;
}

/**
 * Draw gathered things side by side about their place. Things with `fixed` (repeaters) stand in a
 * row at it; the others go round it, or in a bow below the row; too many of them become one. Gives
 * [{key, at, from, things}]: `from` is the place itself where `at` is not quite it, else null.
 */
export function spread(places) {
  return places.flatMap((place) => {
    const fixed = place.things.filter((thing) => thing.fixed);
    const free = place.things.filter((thing) => !thing.fixed);
    const row = fixed.map((thing, k) =>
      one(place, thing, (k - (fixed.length - 1) / 2) * ROW_PX, 0),
    );
    return [...row, ...freeOnes(place, free, fixed.length > 0)];
  });
}

function freeOnes(place, free, below) {
  if (!free.length) return [];
  if (free.length === 1 && !below) return [one(place, free[0], 0, 0)];
  if (free.length > (below ? MOST_BELOW : MOST_AROUND)) {
    const [dx, dy] = below ? [0, BELOW_PX] : [0, 0];
    return [{ ...one(place, free[0], dx, dy), things: free }];
  }
  const radius = below ? BELOW_PX : Math.max(AROUND_PX, (AROUND_PX * free.length) / Math.PI);
  return free.map((thing, k) => {
    const angle = below
      ? (Math.PI * (k + 1)) / (free.length + 1)
      : Math.PI / 2 + (2 * Math.PI * k) / free.length;
    return one(place, thing, radius * Math.cos(angle), radius * Math.sin(angle));
  });
}

function one(place, thing, dx, dy) {
  const at = [place.at[0] + dx, place.at[1] + dy];
  return { key: thing.key, at, from: dx || dy ? place.at : null, things: [thing] };
}

/**
 * Find room for labels. `wanted`: [{key, at, text, clear, must}] in the order of importance;
 * `clear` is the symbol's radius. `taken`: boxes [{left, top, right, bottom}] nothing may cover.
 * `width` is the screen's. Gives a Map of key to {x, y, anchor}; a label without room is left out,
 * unless it `must` stand: then it goes where the least is covered.
 */
export function labelled(wanted, taken, width) {
  const boxes = [...taken];
  const places = new Map();
  for (const { key, at, text, clear, must } of wanted) {
    const tried = sides(at, clear).map((side) => {
      const place = must ? inside(side, text, width) : side;
      return { place, hidden: hiddenBy(boxOf(place, text), boxes, width) };
    });
    const best =
      tried.find(({ hidden }) => hidden === 0) ??
      (must ? tried.reduce((a, b) => (b.hidden < a.hidden ? b : a)) : null);
    if (!best) continue;
    boxes.push(boxOf(best.place, text));
    places.set(key, best.place);
  }
  return places;
}

/** How much of a box is covered or off the screen, in square pixels. */
function hiddenBy(box, boxes, width) {
  const off = Math.max(0, -box.left) + Math.max(0, box.right - width);
  return boxes.reduce((sum, other) => sum + overlap(box, other), off * LINE_PX);
}

/** The label moved sideways until it is on the screen, if it fits at all. */
function inside(place, text, width) {
  const { left, right } = boxOf(place, text);
  return { ...place, x: place.x + Math.max(0, -left) - Math.max(0, right - width) };
}

/** The box that a symbol takes. */
export function around([x, y], radius) {
  return { left: x - radius, top: y - radius, right: x + radius, bottom: y + radius };
}

function sides([x, y], clear) {
  const gap = clear + 3;
  return [
    { x: x + gap, y: y + 4, anchor: "start" },
    { x: x - gap, y: y + 4, anchor: "end" },
    { x, y: y - gap - 2, anchor: "middle" },
    { x, y: y + gap + 10, anchor: "middle" },
  ];
}

function boxOf({ x, y, anchor }, text) {
  const wide = text.length * LETTER_PX;
  const left = anchor === "start" ? x : anchor === "end" ? x - wide : x - wide / 2;
  return { left, right: left + wide, top: y - LINE_PX + 4, bottom: y + 4 };
}

function overlap(a, b) {
  const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
  const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
  return wide > 0 && high > 0 ? wide * high : 0;
}
