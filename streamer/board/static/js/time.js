// Times as people need them: how long ago, with the moment in UTC behind it.
//
// The server's clock counts, not this machine's: learn() is told the server's time with every beat.

import { h } from "./dom.js";

const KEPT = 12; // beats, one minute
const heard = [];

/** The server said that it is `at` (RFC 3339); it took some time to arrive, so the largest of the
 * newest differences is nearest to the truth. */
export function learn(at) {
  const ms = Date.parse(at);
  if (Number.isNaN(ms)) return;
  heard.push(ms - Date.now());
  if (heard.length > KEPT) heard.shift();
}

// A board that shows a record says in the page itself what time it is there.
const recorded = globalThis.document?.documentElement.dataset.replay;
export const isReplay = recorded !== undefined;
let pinned = recorded ? Date.parse(recorded) : null;

/** A board that shows a record: its time is what it was told last, whatever passes here. */
export function pin(at) {
  pinned = Date.parse(at);
}

/** The server's time in ms since the epoch, as well as it is known. */
export function now() {
  if (pinned !== null) return pinned;
  return Date.now() + (heard.length ? Math.max(...heard) : 0);
}

/** A length of time in at most two units: `48 s`, `3 min 5 s`, `2 h`, `3 d 4 h`. */
export function length(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  const units = [
    ["d", 86400],
    ["h", 3600],
    ["min", 60],
    ["s", 1],
  ];
  for (let n = 0; n < 3; n += 1) {
    const [big, size] = units[n];
    const [small, part] = units[n + 1];
    if (whole >= size) {
      const rest = Math.floor((whole % size) / part);
      return `${Math.floor(whole / size)} ${big}${rest ? ` ${rest} ${small}` : ""}`;
    }
  }
  return `${whole} s`;
}

/** Seconds from `at` until now; negative if it lies ahead; null without a time. */
export function secondsSince(at) {
  return at ? (now() - Date.parse(at)) / 1000 : null;
}

/** `13:45:02 UTC`, with the date if it is not today's. */
export function utc(at) {
  const iso = new Date(Date.parse(at)).toISOString();
  const today = new Date(now()).toISOString().slice(0, 10);
  const clock = `${iso.slice(11, 19)} UTC`;
  return iso.slice(0, 10) === today ? clock : `${iso.slice(0, 10)} ${clock}`;
}

const FORMS = {
  ago: (s) => (s < 0 ? `in ${length(-s)}` : `${length(s)} ago`),
  for: (s) => length(Math.abs(s)),
  about: (s) => `${length(s).split(" ").slice(0, 2).join(" ")} ago`,
  left: (s) => (s < 0 ? `${length(-s)} left` : "over"),
};

/** A <time> that goes on counting. form: `ago` (3 min 5 s ago), `about` (3 min
 * ago), `for` (3 min 5 s), `left` (5 min left). */
export function age(at, form = "ago") {
  if (!at) return h("span", { class: "quiet" }, "not known");
  return h(
    "time",
    { datetime: at, title: utc(at), "data-age": form },
    FORMS[form](secondsSince(at)),
  );
}

/** A <time> that shows the moment itself. */
export function moment(at) {
  return at ? h("time", { datetime: at, title: at }, utc(at)) : h("span", {}, "not known");
}

/** Bring every counting time of the page up to date. */
export function tick(root = document) {
  for (const node of root.querySelectorAll("time[data-age]")) {
    const text = FORMS[node.dataset.age](secondsSince(node.dateTime));
    if (node.textContent !== text) node.textContent = text;
  }
}

/** `1 member`, `2 members`. */
export function count(number, one, many = `${one}s`) {
  return `${number} ${number === 1 ? one : many}`;
}
