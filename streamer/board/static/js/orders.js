// Pinning and barring a repeater for a time, and lifting that before its time.

import { act, part } from "./act.js";
import { ask, choice, note, noteOf, select } from "./dialog.js";
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

/** Ask for the order; without a repeater one of `known` is chosen. */
export async function order(group, repeater, known) {
  let told = repeater;
  const done = await ask({
    title: repeater ? `Order for ${repeater}` : "Order for a repeater",
    text: `It holds for ${group} and ends by itself. Gateways follow it; nothing is switched here.`,
    fields: [
      repeater
        ? []
        : select(
            "repeater",
            "Repeater",
            known.map((name) => [name, name]),
          ),
      choice("order", "What", KINDS, "pin"),
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
