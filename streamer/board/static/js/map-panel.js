// What the map says in words: the details of what is picked, and all of it as two tables.

import { h, join, show } from "./dom.js";
import { CARRIAGE } from "./map-scene.js";
import { Table } from "./table.js";
import { age, count } from "./time.js";
import { groupLink, marked, repeaterLink, STANDINGS, stamp, stationLink } from "./words.js";

const REPORTS_ORDER = [false, null, true];

function reports({ reporting, word }) {
  return marked(reporting ? "yes" : reporting === false ? "no" : "unknown", word);
}

/** The details of one thing or of several at one place. */
export function showDetails(panel, things) {
  if (!things.length) {
    show(panel, h("h2", {}, "Details"), h("p", { class: "quiet" }, "Pick a repeater or a member."));
    return;
  }
  if (things.length > 1) {
    show(
      panel,
      h("h2", {}, `${things.length} members at one place`),
      h(
        "ul",
        { class: "plain" },
        things.map((one) =>
          h(
            "li",
            { "data-key": one.key },
            stationLink(one.name),
            ", ",
            marked(one.standing),
            ", ",
            positionAge(one),
          ),
        ),
      ),
    );
    return;
  }
  const [thing] = things;
  show(panel, thing.kind === "repeater" ? repeaterDetails(thing) : memberDetails(thing));
}

function repeaterDetails(one) {
  return [
    h("h2", {}, "Repeater ", repeaterLink(one.name)),
    one.title ? h("p", {}, one.title) : null,
    facts([
      ["State", [reports(one), one.since ? [" for ", age(one.since, "for")] : null]],
      ["Why", one.reporting ? null : one.reason],
      ["Group", one.carriage ? carriage(one.carriage) : null],
      [
        "Members last heard here",
        one.members.length
          ? join(
              ", ",
              one.members.map(({ name }) => stationLink(name)),
            )
          : "none",
      ],
      ["Keeper", one.keeper],
      ["Range", one.range_km ? `${one.range_km} km, as configured` : null],
      ["Antenna", one.antenna_m ? `${one.antenna_m} m` : null],
      ["Frequency", one.freq_mhz ? `${one.freq_mhz.toFixed(3)} MHz` : null],
      ["Position", one.place ? degrees(one.place) : "not known: it is not on the map"],
    ]),
  ];
}

function memberDetails(one) {
  return [
    h("h2", {}, "Member ", stationLink(one.name)),
    facts([
      ["Standing", marked(one.standing)],
      [
        "Last heard",
        [age(one.last_heard_at), one.repeater ? [" at ", repeaterLink(one.repeater)] : null],
      ],
      [
        "Position",
        one.place
          ? degrees(one.place)
          : `not known${one.repeater ? `, drawn at ${one.repeater}` : ""}`,
      ],
      ["Position's age", one.place ? age(one.position_at, "for") : null],
      [
        "Groups",
        join(
          ", ",
          one.groups.map((group) => groupLink(group)),
        ),
      ],
    ]),
  ];
}

/** A list of terms; those without a value are left out. */
export function facts(pairs) {
  return h(
    "dl",
    { class: "facts" },
    pairs
      .filter(
        ([, value]) => value !== null && value !== undefined && value !== "" && value.length !== 0,
      )
      .map(([term, value]) =>
        h("div", { "data-key": term }, h("dt", {}, term), h("dd", {}, value)),
      ),
  );
}

/** `46.19410° S, 20.35230° E`. */
export function degrees({ lat, lon }) {
  const north = lat < 0 ? "S" : "N";
  const east = lon < 0 ? "W" : "E";
  return `${Math.abs(lat).toFixed(5)}° ${north}, ${Math.abs(lon).toFixed(5)}° ${east}`;
}

function positionAge(one) {
  return one.place ? ["position ", age(one.position_at)] : "no position known";
}

function carriage(word) {
  return CARRIAGE[word] ? stamp(word, CARRIAGE[word]) : "not concerned";
}

// -- the lists -------------------------------------------------------------------------------------

/** The repeaters as a table; `group` is the one that is looked at, or null. */
export function repeaterTable(group) {
  return new Table({
    caption: "Repeaters on the map",
    columns: [
      {
        key: "name",
        label: "Repeater",
        head: true,
        cell: (one) => repeaterLink(one.name),
        sort: (one) => one.name,
      },
      {
        key: "state",
        label: "State",
        cell: (one) => cell(reports(one), one.since ? [", ", age(one.since, "for")] : null),
        sort: (one) => REPORTS_ORDER.indexOf(one.reporting),
      },
      group
        ? {
            key: "group",
            label: group,
            cell: (one) => cell(carriage(one.carriage)),
            sort: (one) => one.carriage,
          }
        : null,
      {
        key: "members",
        label: "Members last heard here",
        cell: (one) => cell(one.members.length),
        sort: (one) => one.members.length,
        first: "down",
      },
      {
        key: "range",
        label: "Range",
        cell: (one) => cell(one.range_km ? `${one.range_km} km` : "not configured"),
        sort: (one) => one.range_km ?? -1,
        first: "down",
      },
      {
        key: "place",
        label: "Position",
        cell: (one) => cell(one.place ? degrees(one.place) : "not known: not on the map"),
      },
    ].filter(Boolean),
    keyOf: (one) => one.key,
    by: "name",
    empty: "No repeater is configured.",
  });
}

export function memberTable(group) {
  return new Table({
    caption: "Members on the map",
    columns: [
      {
        key: "name",
        label: "Member",
        head: true,
        cell: (one) => stationLink(one.name),
        sort: (one) => one.name,
      },
      {
        key: "standing",
        label: "Standing",
        cell: (one) => cell(marked(one.standing)),
        sort: (one) => STANDINGS.indexOf(one.standing),
      },
      {
        key: "heard",
        label: "Heard",
        cell: (one) => cell(age(one.last_heard_at)),
        sort: (one) => -Date.parse(one.last_heard_at),
      },
      {
        key: "repeater",
        label: "At",
        cell: (one) => cell(one.repeater ? repeaterLink(one.repeater) : "not known"),
        sort: (one) => one.repeater ?? "",
      },
      {
        key: "place",
        label: "Position",
        cell: (one) => cell(one.place ? degrees(one.place) : "not known"),
      },
      {
        key: "age",
        label: "Position's age",
        cell: (one) => cell(one.place ? age(one.position_at, "for") : "no position"),
        sort: (one) => (one.position_at ? -Date.parse(one.position_at) : 0),
      },
      {
        key: "groups",
        label: "Groups",
        cell: (one) =>
          cell(
            join(
              ", ",
              one.groups.map((name) => groupLink(name)),
            ),
          ),
      },
    ],
    keyOf: (one) => one.key,
    words: (one) => `${one.name} ${one.word} ${one.repeater} ${one.groups.join(" ")}`,
    find: "Find a member",
    by: "standing",
    empty: group ? `Nobody is in ${group}.` : "Nobody is a member of any group.",
  });
}

/** One child for each cell: on a phone a cell is a grid. */
function cell(...children) {
  return h("span", { class: "cell" }, children);
}

/** What the map leaves out or cannot tell, in sentences. */
export function notesOf({ nowhere, base, baseProblem, anything }) {
  const notes = [];
  if (!anything) {
    notes.push("No repeater has a position: give lat and lon in the region file to see them here.");
  }
  const sites = nowhere.filter(({ kind }) => kind === "repeater").length;
  const people = nowhere.length - sites;
  if (anything && sites)
    notes.push(`${count(sites, "repeater")} without a position: in the list below only.`);
  if (people)
    notes.push(
      `${count(people, "member")} without a position, at a repeater without one: in the list below only.`,
    );
  if (baseProblem) notes.push(`The base layer could not be read: ${baseProblem}`);
  if (base.left) {
    const of =
      base.left === base.all
        ? "The whole base layer lies"
        : `${base.left} of ${base.all} shapes of the base layer lie`;
    notes.push(
      `${of} more than 2,000 km away and is left out: are longitude and latitude swapped?`,
    );
  }
  return notes;
}
