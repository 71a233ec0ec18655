// The signs of the map. Each differs by its shape, so that no colour is needed to tell it.

import { h, s } from "./dom.js";
import { AGES, CARRIAGE } from "./map-scene.js";

const MAST = "M0 -8 L8 6 L-8 6 Z";
const STRUCK = "M-9 8 L9 -9";
const FRAME = 12;
const RING = 10;
export const CLEAR_PX = 12; // a symbol's radius, for labels and fingers
export const CROWD_PX = 16;
export const PICKED_PX = 17; // its ring in map.css

const FRAMED = ["starved", "not_yet", "idle", "barred", "unknown"];

/** A filled mast; hollow and struck through if it does not report, with a ? if that is not known. */
export function repeaterSign({ reporting, carriage }) {
  const framed = FRAMED.includes(carriage);
  return s(
    "g",
    { class: `repeater ${reportingClass(reporting)} carriage-${carriage ?? "any"}` },
    framed
      ? s("rect", { class: "frame", x: -FRAME, y: -FRAME, width: 2 * FRAME, height: 2 * FRAME })
      : null,
    s("path", { class: "mast", d: MAST }),
    reporting === false ? s("path", { class: "struck", d: STRUCK }) : null,
    reporting === null
      ? s("text", { class: "letter small", y: 5, "text-anchor": "middle" }, "?")
      : null,
  );
}

/** A class for signs and ranges. */
export function reportingClass(reporting) {
  return reporting ? "reports" : reporting === false ? "dark" : "unsaid";
}

const SHAPES = {
  in_reach: () => s("circle", { class: "full", r: 6 }),
  overdue: () => [
    s("circle", { class: "hollow", r: 6 }),
    s("path", { class: "full", d: "M0 0 L0 -6 A6 6 0 0 1 6 0 Z" }),
  ],
  out_of_reach: () => [
    s("circle", { class: "hollow thin", r: 7 }),
    s("path", { class: "cross", d: "M-5 -5 L5 5 M-5 5 L5 -5" }),
  ],
  blind: () => [
    s("circle", { class: "hollow", r: 7 }),
    s("text", { class: "letter", y: 4, "text-anchor": "middle" }, "?"),
  ],
};

/** The sign of a member: inside, its standing; the ring around it, its position's age. */
export function memberSign({ standing, age }) {
  const shape = SHAPES[standing] ?? (() => s("circle", { class: "hollow thin", r: 4 }));
  return s(
    "g",
    { class: `member is-${standing} age-${age}` },
    shape(),
    age === "fresh" ? null : s("circle", { class: "ring", r: RING }),
  );
}

/** Several members drawn as one; its frame is double if one of them is not in reach. */
export function crowdSign(members) {
  const trouble = members.some(({ standing }) => standing !== "in_reach");
  return s(
    "g",
    { class: `crowd${trouble ? " trouble" : ""}` },
    s("circle", { class: "hollow", r: 11 }),
    trouble ? s("circle", { class: "hollow thin", r: 14 }) : null,
    s("text", { class: "letter", y: 4, "text-anchor": "middle" }, members.length),
  );
}

// -- the legend ------------------------------------------------------------------------------------

const STANDINGS = [
  ["in_reach", "member in reach"],
  ["overdue", "overdue"],
  ["out_of_reach", "out of reach"],
  ["blind", "blind: its repeater does not report, nothing can be said"],
];

/** The signs with their words; those of a group's carriage only where one group is looked at. */
export function legend(group) {
  const lines = [
    [repeaterSign({ reporting: true }), "repeater, reporting; the circle is its range"],
    [repeaterSign({ reporting: false }), "repeater that does not report"],
    [repeaterSign({ reporting: null }), "repeater of which nothing is known"],
    ...STANDINGS.map(([standing, words]) => [memberSign({ standing, age: "fresh" }), words]),
    [memberSign({ standing: "in_reach", age: "ageing" }), `position ${AGES.ageing}: dashed ring`],
    [memberSign({ standing: "in_reach", age: "old" }), `position ${AGES.old}: dotted ring`],
    [
      memberSign({ standing: "in_reach", age: "never" }),
      "no position known: thin ring, drawn at its repeater",
    ],
    [
      crowdSign([{ standing: "in_reach" }, { standing: "in_reach" }]),
      "so many members at one place; a double ring if one is not in reach",
    ],
  ];
  if (group) {
    for (const carriage of FRAMED) {
      lines.push([repeaterSign({ reporting: true, carriage }), CARRIAGE[carriage]]);
    }
    lines.push([repeaterSign({ reporting: true, carriage: "none" }), `not concerned by ${group}`]);
  }
  return h(
    "ul",
    { class: "legend" },
    lines.map(([sign, words]) =>
      h(
        "li",
        {},
        s(
          "svg",
          {
            class: "sign-box",
            viewBox: "-16 -16 32 32",
            width: 28,
            height: 28,
            "aria-hidden": "true",
          },
          sign,
        ),
        h("span", {}, words),
      ),
    ),
  );
}
