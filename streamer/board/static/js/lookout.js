// What is known beyond a station's last place: how it keys, its signal, its visits, what comes next,
// and where to look for it. Parts of the station's page.

import { part } from "./act.js";
import { cell } from "./chart-parts.js";
import { figure } from "./chart-words.js";
import { h, join } from "./dom.js";
import { facts } from "./map-panel.js";
import { Table } from "./table.js";
import { length, moment } from "./time.js";
import { linked, repeaterLink } from "./words.js";

/** Visits as a table: a station between two repeaters is in one place. */
export function visitTable() {
  return new Table({
    caption: "Where it was, the newest first; between two repeaters is one place",
    keyOf: (row) => `${row.repeaters.join()} ${row.from_at}`,
    empty: "No visit is kept.",
    columns: [
      {
        key: "where",
        label: "Where",
        head: true,
        cell: (row) =>
          cell(
            row.repeaters.length > 1 ? "between " : null,
            join(" and ", row.repeaters.map((name) => repeaterLink(name))),
          ),
      },
      { key: "from", label: "From", cell: (row) => cell(moment(row.from_at)) },
      { key: "last", label: "Last over there", cell: (row) => cell(moment(row.last_over_at)) },
      {
        key: "changes",
        label: "Changes",
        cell: (row) => cell(row.changes ? `${row.changes}, which are no moves` : "none"),
      },
    ],
  });
}

/** How it keys, how its signal goes, where it goes. */
export function habits({ pauses, trend, next, leaving }) {
  const names = [trend.repeater, next?.repeater, leaving.repeater, leaving.next_repeater];
  const known = names.filter(Boolean);
  return facts([
    ["Usual pauses", pauses.words],
    ["Signal trend", [`at `, repeaterLink(trend.repeater), ": ", trend.words, slope(trend)]],
    ["Leaving coverage", join("; ", leaving.reasons.map((text) => linked(text, known)))],
    [
      "Likely next",
      next
        ? linked(`${next.repeater}: ${next.reason}`, [...new Set(known)])
        : "nobody was heard to move away from there in the last day",
    ],
  ]);
}

/** The slope with its interval, where one was worked out. */
function slope({ slope_db_per_min: middle, low_db_per_min: low, high_db_per_min: high, span_s }) {
  if (middle === null || low === null || high === null) return null;
  return h(
    "span",
    { class: "quiet" },
    ` (${signed(middle)} dB a minute, ${signed(low)} to ${signed(high)}, over ${length(span_s)})`,
  );
}

function signed(value) {
  return value < 0 ? `−${figure(-value)}` : figure(value);
}

/** Where to look, with its caution beside it; how to ask for it where nobody misses the station. */
export function whereToLook(station, look) {
  if (!look)
    return h(
      "p",
      {},
      "No group misses it. ",
      h("a", { href: "?look=1" }, "Tell where to look for it all the same"),
      ".",
    );
  const names = look.hearers.map(({ repeater }) => repeater);
  return [
    h("p", { class: "caution" }, h("strong", {}, "Caution. "), look.caution),
    h("p", {}, h("strong", {}, "Why: "), `${look.why}.`),
    h("ul", {}, look.words.map((text) => h("li", {}, linked(`${text}.`, names)))),
    h(
      "p",
      {},
      h("a", { href: `/map?look=${part(station)}` }, "The cells that it may be in, on the map"),
      look.cells ? null : " (none are known)",
    ),
  ];
}
