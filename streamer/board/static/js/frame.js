// What every page has around it: how old the data is, the duty banner, the switch for the theme,
// signing out. A page module calls start() and draws itself whenever its tables change.

import { act } from "./act.js";
import { h, join, on, setText, show } from "./dom.js";
import { Feed } from "./feed.js";
import { OVERVIEW, stageOf, titleOf } from "./record.js";
import { age, isReplay, length, now, tick, utc } from "./time.js";
import { groupLink } from "./words.js";

const root = document.documentElement;
const isPublic = root.dataset.public !== undefined;
const replaying = isReplay ? import("./replay.js") : null;

/**
 * Open the feed and keep the frame up to date.
 * @param {string[]} tables what the page needs besides `head`
 * @param {(feed: Feed, changed: Set<string>) => void} draw called when one of them has changed and
 *   all of them have arrived, and once whenever the data become stale or fresh again
 */
export function start(tables, draw) {
  // The public may see its own table alone.
  const more = isPublic ? [] : replaying ? ["head", "replay"] : ["head"];
  const feed = new Feed([...more, ...tables]);
  let told = null;
  let stage = null;
  feed.listen((changed) => {
    const state = feed.state();
    drawHead(feed, state);
    if (changed.has("replay")) {
      replaying.then(({ follow }) => follow(feed.row("replay")));
      tick();
    }
    const turned = told !== state.stale || stage !== stageOf(feed.row("replay"));
    const touched = turned || feed.names.some((name) => name !== "replay" && changed.has(name));
    const whole = feed.names.every((name) => feed.has(name));
    if (touched && whole) {
      draw(feed, changed);
      document.getElementById("content").setAttribute("aria-busy", "false");
      told = state.stale;
      stage = stageOf(feed.row("replay"));
    }
  });
  setInterval(() => tick(), 1000);
  return feed;
}

// -- data age, duties -----------------------------------------------------------------------------

const at = (id) => document.getElementById(id);

function drawHead(feed, state) {
  const head = feed.row("head");
  const region = feed.row("public", "region");
  drawAge(state, head ?? region);
  drawDoubt(state, head?.notes ?? []);
  if (region) drawDutyCounts(region);
  if (head) {
    drawDuties(head.duties ?? []);
    drawSilence(head.alerts_silent_since ?? null);
    const { critical } = head.alerts;
    sayCritical(critical);
    const title = titleOf(document.title, critical);
    if (document.title !== title) document.title = title;
  }
}

let knownCritical = null;

/** On whatever page: a new critical alert is said. The page Now says which. */
function sayCritical(number) {
  if (knownCritical !== null && number > knownCritical && location.pathname !== "/") {
    const are = number === 1 ? "is" : "are";
    say(`New critical alert: ${number} ${are} open. The page ${OVERVIEW} has it.`);
  }
  knownCritical = number;
}

function drawAge(state, head) {
  const seconds = Math.max(0, (now() - state.since) / 1000);
  root.toggleAttribute("data-stale", state.stale);
  const line = at("data-age");
  if (line) setText(line, dataAge(state, head, seconds));
  const banner = at("stale");
  if (!banner) return;
  banner.hidden = !state.stale;
  const why = state.why.join("; ") || "what is shown is not up to date";
  const words = `${why[0].toUpperCase()}${why.slice(1)}.`;
  // Said when it turns, not with every second of its age.
  if (state.stale !== saidStale)
    say(state.stale ? `Old data. ${words}` : "The data are fresh again.");
  saidStale = state.stale;
  if (!state.stale) return show(banner);
  show(
    banner,
    h("strong", { class: "word" }, "Old data"),
    h("span", {}, `${words} This page goes on by itself when it is back.`),
    replaying ? null : h("span", { class: "age" }, `What you see is ${length(seconds)} old.`),
  );
}

/** What a record shows is as old as the record, whatever its clock says. */
function dataAge(state, head, seconds) {
  if (!state.stale && !head) return "none yet";
  return replaying ? utc(new Date(now()).toISOString()) : `${length(seconds)} old`;
}

let saidStale = false;

/** The data are fresh, but not all of them: a worker of several is silent, for instance. */
function drawDoubt(state, notes) {
  const banner = at("doubt");
  if (!banner) return;
  banner.hidden = state.stale || !notes.length;
  const words = notes.map((note) => `${note[0].toUpperCase()}${note.slice(1)}.`).join(" ");
  if (!banner.hidden && !saidDoubt) say(`Not everything is known. ${words}`);
  saidDoubt = !banner.hidden;
  show(
    banner,
    banner.hidden
      ? null
      : [h("strong", { class: "word" }, "Not everything is known"), h("span", {}, words)],
  );
}

let saidDoubt = false;
let saidSilence = false;

/** No sign comes that alerts get through: who waits for one would wait in vain. */
function drawSilence(since) {
  const banner = at("silence");
  if (!banner) return;
  banner.hidden = since === null;
  const words = since && `Alerts may not reach anybody since ${utc(since)}: look at the workers.`;
  if (since && !saidSilence) say(words);
  if (!since && saidSilence) say("Alerts get through again.");
  saidSilence = since !== null;
  show(banner, since && [h("strong", { class: "word" }, "Alerts in doubt"), h("span", {}, words)]);
}

const KINDS = {
  // Trouble is never played: a gateway that is lost during an exercise is lost.
  exercise: ["Exercise", "Trouble shown here is real all the same."],
  actual: ["Actual duty", "This is not an exercise."],
};
const isWall = document.body.classList.contains("wall"); // nothing to click there

let knownDuties = null;

/** Those that begin while the page is open are read out once. */
function drawDuties(duties) {
  const place = at("duties");
  if (!place) return;
  place.hidden = !duties.length;
  const fresh = knownDuties && duties.filter((duty) => !knownDuties.has(duty.id));
  knownDuties = new Set(duties.map((duty) => duty.id));
  if (fresh?.length) {
    say(fresh.map((duty) => `${KINDS[duty.kind]?.[0]} has begun: ${duty.title}.`).join(" "));
  }
  const actualFirst = [...duties].sort((a, b) => (b.kind === "actual") - (a.kind === "actual"));
  show(
    place,
    actualFirst.map((duty) => {
      const [word, said] = KINDS[duty.kind] ?? [duty.kind, ""];
      return h(
        "p",
        { class: `duty is-${duty.kind}`, "data-key": duty.id },
        h("strong", { class: "word" }, word),
        " ",
        h(
          "span",
          {},
          duty.title,
          ": ",
          join(
            ", ",
            duty.groups.map((group) => (isWall ? group : groupLink(group))),
          ),
          ", for ",
          age(duty.started_at, "for"),
          ". ",
          said,
        ),
      );
    }),
  );
}

/** The public is told that there are duties, not which. */
function drawDutyCounts(region) {
  const place = at("duties");
  const found = [
    ["exercise", region.exercises],
    ["actual", region.actual_duties],
  ].filter(([, number]) => number);
  place.hidden = !found.length;
  show(
    place,
    found.map(([kind, number]) =>
      h(
        "p",
        { class: `duty is-${kind}`, "data-key": kind },
        h("strong", { class: "word" }, KINDS[kind][0]),
        " ",
        h(
          "span",
          {},
          number === 1 ? "One is going on. " : `${number} are going on. `,
          KINDS[kind][1],
        ),
      ),
    ),
  );
}

// -- theme, signing out ---------------------------------------------------------------------------

const THEMES = { auto: "as the system", light: "light", dark: "dark" };

function themeSwitch() {
  const button = at("theme");
  if (!button) return;
  const label = () => setText(button, `Theme: ${THEMES[root.dataset.theme ?? "auto"]}`);
  label();
  button.hidden = false;
  button.addEventListener("click", () => {
    const names = Object.keys(THEMES);
    const next = names[(names.indexOf(root.dataset.theme ?? "auto") + 1) % names.length];
    if (next === "auto") delete root.dataset.theme;
    else root.dataset.theme = next;
    try {
      if (next === "auto") localStorage.removeItem("theme");
      else localStorage.setItem("theme", next);
    } catch {
      // Kept for this page only, then.
    }
    label();
  });
}

function signOut() {
  on(document.body, "click", "#sign-out", async () => {
    try {
      await act("DELETE", "/api/v1/session");
    } finally {
      location.assign("/sign-in");
    }
  });
}

/** Say something that has been done; read out politely. */
export function say(text) {
  const place = at("said");
  if (!place) return;
  setText(place, "");
  setTimeout(() => setText(place, text), 50); // the same text twice is to be said twice
}

themeSwitch();
signOut();
