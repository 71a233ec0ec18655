// Where a station has been in the last hours, as a list, newest first.

import { get, part, Problem } from "./act.js";
import { h, show } from "./dom.js";
import { age, count, moment } from "./time.js";
import { repeaterLink, stationLink } from "./words.js";

/** Ask for a station's stays and write them into `place`. */
export async function writePath(place, station) {
  show(place, h("p", { class: "quiet", role: "status" }, "Asking where it has been."));
  try {
    const found = await get(`/api/v1/stations/${part(station)}`);
    show(
      place,
      h("h3", {}, `Where ${station} has been`),
      list(found.stays ?? []),
      h("p", {}, stationLink(station, `All about ${station}`)),
    );
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    show(place, h("p", { class: "problem", role: "alert" }, error.message));
  }
}

function list(stays) {
  if (!stays.length) return h("p", { class: "empty" }, "No stay is kept of it.");
  return h(
    "ol",
    { class: "path" },
    stays.map((stay) =>
      h(
        "li",
        {},
        repeaterLink(stay.repeater),
        stay.title ? ` ${stay.title}` : null,
        ": from ",
        moment(stay.from_at),
        stay.until_at ? [" until ", moment(stay.until_at)] : " until now",
        ", ",
        count(stay.overs, "over"),
        ", the last ",
        age(stay.last_over_at),
      ),
    ),
  );
}
