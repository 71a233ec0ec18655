// The site of a repeater: what the region file and its gateway's heartbeats tell.

import { figure } from "./chart-words.js";
import { join } from "./dom.js";
import { degrees, facts } from "./map-panel.js";
import { age, count } from "./time.js";
import { repeaterLink } from "./words.js";

/** What is known of a repeater's site, from its `document` and its gateway's row in the feed. */
export function siteFacts(document, row) {
  const known = document.lat !== null && document.lon !== null;
  return facts([
    ["Title", document.title],
    [
      "Gateway",
      document.gateway_title ? `${document.gateway}: ${document.gateway_title}` : document.gateway,
    ],
    ["Keeper", document.keeper],
    ...gatewayFacts(row, document.repeater),
    ["Frequency", document.freq_mhz === null ? null : `${document.freq_mhz.toFixed(3)} MHz`],
    ["Antenna", document.antenna_m === null ? null : `${document.antenna_m} m above the ground`],
    ["Range", document.range_km === null ? null : `${document.range_km} km, as configured`],
    ["Position", known ? degrees(document) : "not known"],
  ]);
}

const STANDS = {
  up: "reporting",
  down: "down",
  silent: "silent",
  flooding: "flooding, much of what it says is refused,",
  never: "never heard of",
};

/** What the gateway's heartbeats tell: for whoever looks after the site. */
function gatewayFacts(row, repeater) {
  if (!row) return [];
  const others = row.repeaters.filter((one) => one.repeater !== repeater);
  const offset = row.clock_offset_s;
  return [
    ["It is", [STANDS[row.standing], row.since ? [" for ", age(row.since, "for")] : null]],
    ["Its clock", offset === null ? null : clockWords(offset)],
    [
      "In its spool",
      row.spooled === null ? null : row.spooled ? `${count(row.spooled, "event")} not yet sent` : "nothing",
    ],
    ["Its agent", row.software],
    [
      "Also on it",
      join(
        ", ",
        others.map((one) => [
          repeaterLink(one.repeater),
          one.reporting ? null : ` (${one.reporting === false ? "not reporting" : "not known"})`,
        ]),
      ),
    ],
  ];
}

/** `offset_s` is what its times are corrected by: above zero its clock is slow. */
function clockWords(offset_s) {
  if (Math.abs(offset_s) < 0.5) return "right";
  const side = offset_s > 0 ? "behind" : "ahead";
  return `${figure(Math.abs(offset_s))} s ${side}; its times are corrected`;
}
