// Moving the map by pointer, wheel, fingers and keys. Knows nothing of what is drawn.
//
// Keys work while the map has the focus: arrows move, + and - zoom, 0 shows all, N and P (also Page
// Down and Page Up) go to the next and the previous symbol, Home and End to the first and last.

const KEY_STEP_PX = 80;
const KEY_ZOOM = 1.4;
const WHEEL_PX = 300; // this much turning of the wheel zooms by e
const CLICK_PX = 5; // less movement than this is a click, not a drag

/**
 * @param {Element} area listens here
 * @param {{move(dx, dy), zoom(factor, at), fit(), step(by), pick(target)}} map
 */
export function listenTo(area, map) {
  listenToKeys(area, map);
  listenToWheel(area, map);
  listenToPointers(area, map);
}

const KEYS = {
  ArrowLeft: (map) => map.move(KEY_STEP_PX, 0),
  ArrowRight: (map) => map.move(-KEY_STEP_PX, 0),
  ArrowUp: (map) => map.move(0, KEY_STEP_PX),
  ArrowDown: (map) => map.move(0, -KEY_STEP_PX),
  "+": (map) => map.zoom(KEY_ZOOM),
  "=": (map) => map.zoom(KEY_ZOOM), // + without Shift on many keyboards
  "-": (map) => map.zoom(1 / KEY_ZOOM),
  0: (map) => map.fit(),
  n: (map) => map.step(1),
  p: (map) => map.step(-1),
  PageDown: (map) => map.step(1),
  PageUp: (map) => map.step(-1),
  Home: (map) => map.step(-Infinity),
  End: (map) => map.step(Infinity),
};

function listenToKeys(area, map) {
  area.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const work = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (work) work(map);
    else if (event.key === "Enter" || event.key === " ") map.pick(event.target);
    else return;
    event.preventDefault();
  });
}

function listenToWheel(area, map) {
  area.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 16 : 1;
      map.zoom(Math.exp((-event.deltaY * lines) / WHEEL_PX), at(area, event));
    },
    { passive: false },
  );
}

/** One finger or the mouse moves; two fingers move and zoom. */
function listenToPointers(area, map) {
  const down = new Map();
  let travelled = 0;
  area.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" && event.button !== 0) return;
    if (!down.size) travelled = 0;
    down.set(event.pointerId, at(area, event));
  });
  area.addEventListener("pointermove", (event) => {
    const from = down.get(event.pointerId);
    if (!from) return;
    const to = at(area, event);
    travelled += Math.hypot(to[0] - from[0], to[1] - from[1]);
    // Only now: capture at once would take the click from the symbol beneath.
    if (travelled >= CLICK_PX) area.setPointerCapture(event.pointerId);
    const others = [...down].filter(([id]) => id !== event.pointerId);
    down.set(event.pointerId, to);
    if (travelled < CLICK_PX) return;
    if (!others.length) map.move(to[0] - from[0], to[1] - from[1]);
    else pinch(map, others[0][1], from, to);
  });
  const up = (event) => {
    const known = down.delete(event.pointerId);
    if (known && event.type === "pointerup" && travelled < CLICK_PX) map.pick(event.target);
  };
  area.addEventListener("pointerup", up);
  area.addEventListener("pointercancel", up);
}

/** One finger rests at `still`, the other went from `from` to `to`. */
function pinch(map, still, from, to) {
  const before = Math.hypot(from[0] - still[0], from[1] - still[1]);
  const after = Math.hypot(to[0] - still[0], to[1] - still[1]);
  const middle = [(still[0] + from[0]) / 2, (still[1] + from[1]) / 2];
  map.move((to[0] - from[0]) / 2, (to[1] - from[1]) / 2);
  const moved = [middle[0] + (to[0] - from[0]) / 2, middle[1] + (to[1] - from[1]) / 2];
  if (before > 0 && after > 0) map.zoom(after / before, moved);
}

function at(area, event) {
  const box = area.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
}
