// The map: repeaters, their ranges and the members, without any tile or outside source.

import { get } from "../act.js";
import { h, mount, on, show } from "../dom.js";
import { start } from "../frame.js";
import { CoverageLayer, LookLayer } from "../map-layers.js";
import { memberTable, notesOf, repeaterTable, showDetails } from "../map-panel.js";
import { membersOf, placed, repeatersOf, shortAge } from "../map-scene.js";
import { MapSheet } from "../map-sheet.js";
import { legend } from "../map-symbols.js";
import { now, secondsSince } from "../time.js";

const AGES_EVERY_MS = 10_000;
const BUTTON_STEP_PX = 120;
const BUTTON_ZOOM = 1.5;

const page = document.getElementById("page");
const wanted = new URLSearchParams(location.search);
const asked = wanted.get("group") || null;
const group = await known(asked);
const fanoutTable = group ? `fanout/${group}` : null;
let picked = [];
let baseProblem = null;
let scene = { repeaters: [], members: [], nowhere: [] };

const map = new MapSheet({
  label: `Map of the repeaters and members${group ? ` of ${group}` : ""}`,
  help: "map-help",
  onPick(things) {
    picked = things.map(({ key }) => key);
    drawDetails();
  },
  text(thing) {
    if (thing.kind === "repeater") {
      const words = [
        thing.reporting ? null : thing.reporting === false ? "not reporting" : "not known",
        carriageWord(thing),
      ];
      return [thing.name, ...words.filter(Boolean)].join(" · ");
    }
    const words = [thing.standing === "in_reach" ? null : thing.word];
    if (thing.age === "ageing" || thing.age === "old")
      words.push(shortAge(secondsSince(thing.position_at)));
    return [thing.name, ...words.filter(Boolean)].join(" · ");
  },
});

const UNSAID = ["none", "carried", "not_carried"];

function carriageWord({ carriage }) {
  return carriage && !UNSAID.includes(carriage) ? carriage.replaceAll("_", " ") : null;
}

/** The group if there is such a one, else null; without an answer it is taken for known. */
async function known(name) {
  if (!name) return null;
  try {
    return name in (await get("/api/v1/groups")).rows ? name : null;
  } catch {
    return name;
  }
}

// -- the page's frame, made once -------------------------------------------------------------------

const details = h("aside", { class: "sheet details", "aria-label": "Details" });
const notes = h("div", { class: "notes" });
const repeaters = repeaterTable(group);
const members = memberTable(group);
const coverage = new CoverageLayer(map, wanted.get("coverage"));
const look = new LookLayer(map, wanted.get("look"));

const BUTTONS = [
  ["in", "Zoom in", "+", () => map.zoom(BUTTON_ZOOM)],
  ["out", "Zoom out", "−", () => map.zoom(1 / BUTTON_ZOOM)],
  ["fit", "Show all", "Show all", () => map.fit()],
  ["west", "Move west", "←", () => map.move(BUTTON_STEP_PX, 0)],
  ["north", "Move north", "↑", () => map.move(0, BUTTON_STEP_PX)],
  ["south", "Move south", "↓", () => map.move(0, -BUTTON_STEP_PX)],
  ["east", "Move east", "→", () => map.move(-BUTTON_STEP_PX, 0)],
];

mount(
  page,
  h(
    "div",
    { class: "map-columns" },
    h(
      "section",
      { class: "map-frame", "aria-label": "Map" },
      map.svg,
      h(
        "div",
        { class: "map-buttons", role: "group", "aria-label": "Move the map" },
        BUTTONS.map(([name, label, sign]) =>
          h(
            "button",
            {
              type: "button",
              "data-work": name,
              "aria-label": label,
              title: label,
            },
            sign,
          ),
        ),
      ),
      h(
        "p",
        { id: "map-help", class: "quiet map-help" },
        "North is up. ",
        h("span", { class: "by-touch" }, "One finger moves the map, two zoom. "),
        h(
          "span",
          { class: "by-keys" },
          "Keys, when the map has the focus: arrows move, + and − zoom, 0 shows all, N and P go " +
            "through repeaters and members.",
        ),
      ),
    ),
    h(
      "div",
      { class: "map-side" },
      details,
      h(
        "details",
        { class: "sheet", open: matchMedia("(min-width: 64rem)").matches },
        h("summary", {}, "The signs"),
        legend(group),
      ),
    ),
  ),
  notes,
  look.node,
  coverage.node,
  h("section", { class: "sheet" }, h("h2", {}, "Repeaters"), repeaters.node),
  h(
    "section",
    { class: "sheet" },
    h("h2", {}, group ? `Members of ${group}` : "Members"),
    members.node,
  ),
);

on(page, "click", "[data-work]", (button) => {
  BUTTONS.find(([name]) => name === button.dataset.work)[3]();
});

// -- drawing -----------------------------------------------------------------------------------------

function draw(feed) {
  drawChoice(feed.rows("groups"));
  const people = membersOf(feed.rows("places"), group, now());
  const sites = repeatersOf(
    feed.rows("gateways"),
    fanoutTable ? feed.rows(fanoutTable) : null,
    people,
  );
  const { drawn, nowhere } = placed(sites, people);
  scene = { repeaters: sites, members: people, nowhere };
  map.setThings(drawn);
  repeaters.draw(sites);
  for (const layer of [coverage, look]) layer.setRepeaters(sites.map(({ name }) => name));
  members.draw(people);
  drawDetails();
  drawNotes();
}

function drawDetails() {
  const all = [...scene.repeaters, ...scene.members];
  showDetails(
    details,
    all.filter(({ key }) => picked.includes(key)),
  );
}

function drawNotes() {
  const anything = scene.repeaters.length + scene.members.length > scene.nowhere.length;
  const unknown = asked && !group ? [`There is no group ${asked}: all groups are shown.`] : [];
  const told = notesOf({ nowhere: scene.nowhere, base: map.base, baseProblem, anything });
  show(
    notes,
    [...unknown, ...told].map((text) => h("p", { class: "quiet" }, text)),
  );
}

function drawChoice(groups) {
  const select = document.getElementById("group");
  show(
    select,
    h("option", { value: "" }, "all groups"),
    [...groups.keys()]
      .sort()
      .map((name) => h("option", { value: name, selected: name === group }, name)),
  );
}

async function readBase() {
  try {
    const layer = await get("/api/v1/base-layer");
    map.setBase(layer.shapes);
  } catch (problem) {
    baseProblem = problem.message;
  }
  drawNotes();
}

const feed = start(["gateways", "places", "groups", ...(fanoutTable ? [fanoutTable] : [])], draw);
setInterval(() => feed.has("places") && draw(feed), AGES_EVERY_MS); // ages grow without news
readBase();
