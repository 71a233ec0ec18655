// Pinning and barring a repeater for a time, and lifting that before its time.

import { act, part } from "./act.js";
import { ask, choice, note, noteOf, select } from "./dialog.js";
import { h } from "./dom.js";
import { say } from "./frame.js";

const TIMES = [
  ["900", "15 minutes"],
  ["3600", "1 hour"],
  ["14400", "4 hours"],
  ["43200", "12 hours"],
  ["86400", "24 hours"],
];
const KINDS = [
  ["pin", "Pin: carry the group here, whether or not somebody is there"],
  ["bar", "Bar: do not carry the group here, even if somebody is there"],
];

function address(group, repeater) {
  return `/api/v1/groups/${part(group)}/orders/${repeater.split("/").map(part).join("/")}`;
}

/** Who is `there` would be cut off by a bar. */
function warning(there) {
  if (!there.length) return null;
  const named = there.length > 6 ? `${there.length} members` : there.join(", ");
  const is = there.length === 1 ? "was" : "were";
  return h(
    "p",
    {},
    h("strong", {}, `${named} ${is} last heard there`),
    ": with a bar they would not hear the group there.",
  );
}

/** Ask for the order; without a repeater one of `known` is chosen. `there`: members on it. */
export async function order(group, repeater, known, there = []) {
  let told = repeater;
  const done = await ask({
    title: repeater ? `Order for ${repeater}` : "Order for a repeater",
    text:
      `It holds for ${group} and ends by itself. ` +
      "Nothing is switched here: gateways that follow the fan-out do it.",
    fields: [
      repeater
        ? []
        : select(
            "repeater",
            "Repeater",
            [["", "choose one"], ...known.map((name) => [name, name])],
          ),
      choice("order", "What", KINDS, "pin"),
      warning(there),
      select("for_s", "For", TIMES, "3600"),
      note(),
    ],
    button: "Give the order",
    work: (values) => {
      told = repeater || values.repeater;
      return act("PUT", address(group, told), {
        order: values.order,
        for_s: Number(values.for_s),
        note: noteOf(values),
      });
    },
  });
  if (done) say(`Order given for ${told}.`);
}

export async function lift(group, repeater) {
  const done = await ask({
    title: `Lift the order on ${repeater}`,
    text: `${group} is then carried on ${repeater} as its members and the region file have it.`,
    fields: [note()],
    button: "Lift the order",
    work: (values) => act("DELETE", address(group, repeater), { note: noteOf(values) }),
  });
  if (done) say(`Order on ${repeater} lifted.`);
}
