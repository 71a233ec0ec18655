// A board that shows a record: the banner that says so, and what moves its time. The record's time
// comes by the feed, four times a second while it plays.

import { act, get, Problem } from "./act.js";
import { h, mount, s, setText } from "./dom.js";
import { say } from "./frame.js";
import { length, utc } from "./time.js";

const PATH = "/api/replay";
const SPEEDS = [1, 10, 60, 600];
const STEPS_S = [1, 5, 10, 30, 60, 300, 600, 1800, 3600];
const MOST_STEPS = 300; // of the slider: some hundred strokes of a key from end to end
const SETTLED_MS = 250; // strokes that follow each other are one move
const REDRAWN_MS = 1000; // the slider, else what is read out would never end

const place = document.getElementById("replay-controls"); // the wall has none
const state = document.getElementById("replay-state");
const said = document.getElementById("replay-said");

const play = h("button", { type: "button", id: "replay-play" }, "Play");
const speed = h("select", { id: "replay-speed" });
const slider = h("input", { type: "range", id: "replay-time", min: 0 });
const output = h("output", { for: "replay-time", id: "replay-at" });
const ends = h("p", { class: "ends" }, h("span", {}), output, h("span", {}));
const fold = h("details", { class: "replay-fold" }, h("summary", {}, "Speed and time line"));
const hasRoom = matchMedia("(min-width: 48rem)"); // as in replay.css
const ticks = s("svg", { class: "ticks", role: "img", "aria-label": "Alerts of the record" });

let row = null;
let step = 1; // s of the record
let held = false; // somebody is at the slider
let waiting = null; // to be sent
let drawnAt = 0;

/** Called with every new row of the table `replay`. */
export function follow(fresh) {
  if (!fresh) return;
  const before = row;
  row = fresh;
  if (!before) begin();
  setText(said, row.said);
  for (const node of document.querySelectorAll("[data-shown-time]")) setText(node, utc(row.now));
  drawState();
  if (place) drawControls();
  if (before && row.moves !== before.moves) {
    document.dispatchEvent(new Event("moved"));
    if (!row.moving_to) say(`Moved to ${utc(row.now)}.`);
  }
}

function drawState() {
  const words = row.trouble
    ? `The replay stands still: ${row.trouble}. Play or move it to try again.`
    : row.moving_to
      ? `Moving to ${utc(row.moving_to)}: ${row.moved_pct ?? 0} %. What is shown is of ${utc(row.now)}.`
      : "";
  state.hidden = !words;
  setText(state, words);
}

const ms = (at) => Date.parse(at);
const spanS = () => (ms(row.end) - ms(row.begin)) / 1000;
const atEnd = () => ms(row.moving_to ?? row.now) >= ms(row.end);

// -- the controls ---------------------------------------------------------------------------------

function begin() {
  if (!place) return;
  step = STEPS_S.find((size) => spanS() / size <= MOST_STEPS) ?? STEPS_S.at(-1);
  slider.step = step;
  slider.max = Math.max(step, Math.ceil(spanS() / step) * step);
  setText(ends.firstChild, `${utcWithDay(row.begin)}; what was before is not known`);
  setText(ends.lastChild, utcWithDay(row.end));
  const skips = [-60, 60].map((s_) =>
    h("button", { type: "button", class: "small", "data-skip": s_ }, `${s_ < 0 ? "−" : "+"}1 min`),
  );
  fold.append(
    h(
      "div",
      { class: "replay-buttons" },
      skips,
      h("label", {}, "Speed ", speed),
      h("label", { for: "replay-time" }, "Time of the record"),
    ),
    h("div", { class: "replay-slider" }, slider, ticks, ends),
  );
  mount(place, play, fold);
  const unfold = () => (fold.open = hasRoom.matches);
  unfold();
  hasRoom.addEventListener("change", unfold);
  place.hidden = false;
  play.addEventListener("click", () => send({ playing: !row.playing }));
  speed.addEventListener("change", () => send({ speed: Number(speed.value) }));
  slider.addEventListener("input", hold);
  slider.addEventListener("change", () => {
    hold();
    later();
  });
  // What follows a change comes after it.
  for (const name of ["pointerup", "blur"]) {
    slider.addEventListener(name, () => setTimeout(release));
  }
  for (const button of skips) {
    button.addEventListener("click", () => {
      const now = ms(row.moving_to ?? row.now);
      send({ to: within(now + 1000 * Number(button.dataset.skip)) });
    });
  }
  drawTicks();
}

/** Somebody moves the slider: it shows where they are, not where the record is. */
function hold() {
  held = true;
  clearTimeout(waiting);
  waiting = null;
  showTime(chosen());
}

/** They have let it go where it was: nothing is to be sent. */
function release() {
  if (waiting !== null) return;
  held = false;
  drawnAt = 0;
  drawControls();
}

function later() {
  const mine = setTimeout(async () => {
    await send({ to: chosen() });
    if (waiting !== mine) return; // they went on meanwhile
    waiting = null;
    release();
  }, SETTLED_MS);
  waiting = mine;
}

function within(at) {
  return new Date(Math.min(ms(row.end), Math.max(ms(row.begin), at))).toISOString();
}

function chosen() {
  return within(ms(row.begin) + 1000 * Number(slider.value));
}

async function send(body) {
  try {
    const answer = await act("POST", PATH, body);
    row = { ...answer, moves: row.moves }; // that it has moved is told by the feed
    drawState();
    drawnAt = 0;
    drawControls();
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    say(`Not done: ${error.message}`);
    state.hidden = false;
    setText(state, `Not done: ${error.message}`);
  }
}

function drawControls() {
  setText(play, row.playing ? "Pause" : "Play");
  play.disabled = !row.playing && atEnd();
  drawSpeeds();
  if (held || Date.now() - drawnAt < REDRAWN_MS) return;
  drawnAt = Date.now();
  const at = row.moving_to ?? row.now;
  const value = String(Math.round((ms(at) - ms(row.begin)) / 1000 / step) * step);
  if (slider.value !== value) slider.value = value;
  showTime(at);
}

function showTime(at) {
  const words = utcWithDay(at);
  setText(output, held ? words : ""); // else the banner says it
  slider.setAttribute("aria-valuetext", words);
}

function drawSpeeds() {
  const known = [...new Set([...SPEEDS, row.speed])].sort((a, b) => a - b);
  if (speed.options.length !== known.length) {
    mount(speed, known.map((times) => h("option", { value: times }, `${times}×`)));
  }
  if (document.activeElement !== speed) speed.value = String(row.speed);
}

/** With the day where the record has several. */
function utcWithDay(at) {
  const [day, clock] = new Date(ms(at)).toISOString().slice(0, 19).split("T");
  const oneDay = row.begin.slice(0, 10) === row.end.slice(0, 10);
  return oneDay ? `${clock} UTC` : `${day} ${clock} UTC`;
}

// -- alerts on the time line ----------------------------------------------------------------------

async function drawTicks() {
  let alerts = [];
  try {
    ({ alerts } = await get(PATH));
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
  }
  const raised = alerts.filter((alert) => alert.raised).length;
  ticks.setAttribute(
    "aria-label",
    `On the time line of ${length(spanS())}: ${raised} marks where alerts were raised (tall), ` +
      `${alerts.length - raised} where they were cleared (short).`,
  );
  mount(
    ticks,
    alerts.map(({ at, raised: up, severity }) => {
      const x = `${(100 * (ms(at) - ms(row.begin))) / Math.max(1, ms(row.end) - ms(row.begin))}%`;
      const kind = up ? `is-raised is-${severity}` : "is-cleared";
      return s("line", { x1: x, x2: x, y1: 0, y2: up ? 12 : 5, class: kind });
    }),
  );
}
