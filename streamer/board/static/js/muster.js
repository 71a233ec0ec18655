// The muster strip: one mark for each member, those who would not hear first. Shapes differ, and
// the same is said in words beside it.

import { h, s } from "./dom.js";

/** What the counts say, and what nobody can know. */
export const MEANING =
  "Would hear: the member is in reach, and the repeater where it was last heard says that it " +
  "carries the group, and is not busy with another group just then: streamer load tells how " +
  "often. Whether anybody listens there, nobody can know.";

const MOST = 40; // marks; beyond that they stand for shares
const SIZE = 12;
const GAP = 3;

/** @param {{would_hear, would_not_hear, cannot_say}} row counts of members */
export function muster(row) {
  const counts = [
    ["no", row.would_not_hear],
    ["unknown", row.cannot_say],
    ["yes", row.would_hear],
  ];
  const total = counts.reduce((sum, [, number]) => sum + number, 0);
  if (!total) return h("span", { class: "quiet" }, "nobody to hear it");
  const words = [
    row.would_not_hear ? h("strong", {}, `${row.would_not_hear} would not`) : null,
    row.cannot_say ? `${row.cannot_say} cannot be said` : null,
    row.would_hear ? `${row.would_hear} would hear` : null,
  ]
    .filter(Boolean)
    .flatMap((part, n) => (n ? [", ", part] : [part]));
  return h("div", { class: "muster" }, strip(counts, total), h("div", {}, words));
}

function strip(counts, total) {
  const scale = total > MOST ? MOST / total : 1;
  const marks = counts.flatMap(([kind, number]) =>
    Array.from({ length: number ? Math.max(1, Math.round(number * scale)) : 0 }, () => kind),
  );
  // In fives, as one tallies.
  const place = (n) => n * (SIZE + GAP) + Math.floor(n / 5) * GAP * 2;
  const width = place(marks.length - 1) + SIZE + 2;
  return s(
    "svg",
    {
      class: "strip",
      width,
      height: SIZE + 2,
      viewBox: `-1 -1 ${width} ${SIZE + 2}`,
      "aria-hidden": "true",
    },
    marks.map((kind, n) => markOf(kind, place(n))),
  );
}

function markOf(kind, x) {
  if (kind === "yes") return s("rect", { class: "m-yes", x, y: 0, width: SIZE, height: SIZE });
  const frame = s("rect", {
    class: `m-${kind}`,
    x: x + 0.5,
    y: 0.5,
    width: SIZE - 1,
    height: SIZE - 1,
  });
  if (kind === "unknown") return frame;
  const cross = `M${x} 0l${SIZE} ${SIZE}m0 -${SIZE}l-${SIZE} ${SIZE}`;
  return s("g", {}, s("path", { class: "m-cross", d: cross }));
}
