// A document that is read now and then: history is kept in the state, not in the feed.

import { get } from "./act.js";

const FIRST_PAUSE_MS = 10_000;
const LONGEST_PAUSE_MS = 60_000;
const HURRIED_PAUSE_MS = 1_000;

/**
 * Read `path` now, every 10 s while the page is looked at, and whenever hurry() is called; less
 * often when it cannot be read.
 * @param {(document: object|null, problem: Error|null) => void} work the newest document, which may
 *   be old: then the problem says why
 * @returns {{hurry: () => void}}
 */
export function poll(path, work) {
  let document_ = null;
  let timer = null;
  let pause = FIRST_PAUSE_MS;
  let reading = false;
  let again = false;
  let readAt = -Infinity;

  async function read() {
    if (reading) {
      again = true;
      return;
    }
    clearTimeout(timer);
    reading = true;
    try {
      document_ = await get(path);
      pause = FIRST_PAUSE_MS;
      work(document_, null);
    } catch (problem) {
      pause = Math.min(LONGEST_PAUSE_MS, pause * 1.5);
      work(document_, problem);
    }
    reading = false;
    readAt = performance.now();
    timer = setTimeout(look, again ? HURRIED_PAUSE_MS : pause);
    again = false;
  }

  /** At once, but not more often than once a second. */
  function hurry() {
    const rest = readAt + HURRIED_PAUSE_MS - performance.now();
    if (reading || rest <= 0) {
      read();
      return;
    }
    clearTimeout(timer);
    timer = setTimeout(look, rest);
  }

  function look() {
    if (document.visibilityState === "visible") read();
  }

  document.addEventListener("visibilitychange", look);
  document.addEventListener("moved", hurry); // a replay is at another time now
  read();
  return { hurry };
}
