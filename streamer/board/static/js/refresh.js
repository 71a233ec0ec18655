// Documents that are asked for, not fed: read again while the page is looked at.

import { get, Problem } from "./act.js";
import { h, show } from "./dom.js";

/**
 * Read `path` now and every `seconds`, and when the page is looked at again. What goes wrong is
 * shown in `place`; the last good document stays.
 * @returns {() => Promise<void>} reads at once
 */
export function refresh(path, seconds, place, draw) {
  const problem = h("p", { class: "problem", role: "status" });
  place.before(problem);
  const read = async () => {
    try {
      draw(await get(path));
      show(problem);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      show(problem, `Not up to date: ${error.message}`);
    }
    document.getElementById("content").setAttribute("aria-busy", "false");
  };
  read();
  setInterval(() => document.hidden || read(), seconds * 1000);
  document.addEventListener("visibilitychange", () => document.hidden || read());
  document.addEventListener("moved", read); // a replay is at another time now
  return read;
}
