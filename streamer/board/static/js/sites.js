// Gateways and repeaters on the page Now: those that do not report, and where work can be planned.

import { get } from "./act.js";
import { h, join } from "./dom.js";
import { age, utc } from "./time.js";
import { looksLikeRepeater, repeaterLink } from "./words.js";
import { subjectWords, worksAt } from "./works.js";

/** Gateways that do not report; of those that do, repeaters that are down or not spoken of. */
export function notReporting(gateways, early) {
  const found = [];
  for (const gateway of gateways) {
    if (gateway.standing === "never" && early) continue;
    if (gateway.standing !== "up") {
      found.push({
        key: gateway.gateway,
        since: gateway.since,
        reason: gateway.reason,
        keeper: gateway.keeper,
        repeaters: gateway.repeaters.map((r) => r.repeater),
      });
      continue;
    }
    for (const repeater of gateway.repeaters.filter((r) => !r.reporting)) {
      found.push({
        key: repeater.repeater,
        since: repeater.since,
        reason: repeater.reason,
        keeper: gateway.keeper,
        repeaters: [],
      });
    }
  }
  return found;
}

/** Its row of a table; `works`: planned work by id. */
export function darkRow(site, works) {
  const [work] = worksAt(works, [site.key, site.key.split("/")[0]]);
  const name = looksLikeRepeater(site.key)
    ? repeaterLink(site.key)
    : [
        h("span", { class: "sign" }, site.key),
        site.repeaters.length ? [" (", join(", ", site.repeaters.map(repeaterLink)), ")"] : null,
      ];
  return h(
    "tr",
    { role: "row" },
    h("th", { scope: "row", role: "rowheader" }, name),
    h("td", { role: "cell", "data-label": "For" }, age(site.since, "for")),
    h(
      "td",
      { role: "cell", "data-label": "Why" },
      h(
        "span",
        { class: "cell" },
        site.reason,
        work ? `; maintenance of ${subjectWords(work.subject)} until ${utc(work.until)}` : null,
      ),
    ),
    h("td", { role: "cell", "data-label": "Keeper" }, site.keeper ?? "not in the region file"),
  );
}

/** What work can be planned at, those that do not report first: mostly one of them is meant.
 * `gateways` is the table of the feed; groups are asked for, since the page does not follow them. */
export async function subjects(gateways) {
  const sites = [...gateways.values()].flatMap((row) => [
    { name: row.gateway, title: row.title, dark: row.standing !== "up" },
    ...row.repeaters.map((r) => ({ name: r.repeater, title: r.title, dark: !r.reporting })),
  ]);
  sites.sort((a, b) => b.dark - a.dark || a.name.localeCompare(b.name));
  const pairs = sites.map(({ name, title, dark }) => [
    name,
    `${name}${title ? ` (${title})` : ""}${dark ? ", does not report" : ""}`,
  ]);
  const groups = await get("/api/v1/groups").then(
    ({ rows }) => Object.keys(rows).sort(),
    () => [], // sites can be chosen all the same
  );
  return [
    ["", "choose one"],
    ...pairs,
    ...groups.map((name) => [name, `group ${name}`]),
    ["*", "the whole region"],
  ];
}
