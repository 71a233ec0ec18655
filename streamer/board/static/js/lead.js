// The line that leads to a repeater, drawn: whole, broken, dotted, returning. For the eye only; the
// words beside it say the same.

import { s } from "./dom.js";

const LINES = {
  carried: { d: "M2 10H54", end: "dot" },
  starved: { d: "M2 10H20M36 10H46", end: "ring", over: "M23 4l10 12m0 -12l-10 12" },
  not_yet: { d: "M2 10H24", end: "ring", class: "dots" },
  not_carried: { d: "M2 10H16", end: "ring" },
  idle: { d: "M2 10H50", end: "ring", class: "dashes" },
  barred: { d: "M2 10H26", end: "ring", over: "M30 3V17M34 3V17" },
  unknown: { d: "M2 10H46", end: "ring", class: "dots" },
};

export function lead(state) {
  const line = LINES[state] ?? LINES.unknown;
  return s(
    "svg",
    {
      class: `lead is-${state}`,
      width: 64,
      height: 20,
      viewBox: "0 0 64 20",
      "aria-hidden": "true",
    },
    s("path", { class: line.class ?? "whole", d: line.d }),
    line.over ? s("path", { class: "over", d: line.over }) : null,
    s("circle", { class: line.end, cx: 56, cy: 10, r: 5 }),
  );
}
