// The live feed: tables of rows, always the newest state, never a list of events.
//
// The browser's EventSource does the reading. It is opened anew when it fails (with growing pauses)
// or falls silent; the server then sends whole tables, so nothing can be missed.

import { takeSlot } from "./slots.js";
import { learn, now, pin } from "./time.js";

const ADDRESS = "/api/v1/feed";
const SILENT_MS = 12_000; // beats come every 5 s: two are missing
const OLD_MS = 8_000; // without a word of the board, or of a picture that it says it still shows
const FIRST_PAUSE_MS = 500;
const LONGEST_PAUSE_MS = 15_000;

export class Feed {
  #tables = new Map();
  #whole = new Set();
  #listeners = [];
  #changed = new Set();
  #source = null;
  #failures = 0;
  #retry = null;
  #freeSlot = null;
  #unmadeSince = null; // the board speaks, but its picture has not been made since: ms

  /** @param {string[]} names tables, such as "head" or "fanout/RESCUE" */
  constructor(names) {
    this.names = [...new Set(names)];
    for (const name of this.names) this.#tables.set(name, new Map());
    this.lastAt = now(); // of the newest message; at first: of the page
    this.heardAt = Date.now(); // the same by this machine: the time of a record may stand still
    this.connected = false;
    this.#open();
    setInterval(() => this.#watch(), 1000);
    // A page in the back-forward cache must not hold a connection, and must not look live.
    addEventListener("pagehide", () => this.#close());
    addEventListener("pageshow", (event) => event.persisted && this.#open());
    addEventListener("online", () => this.#open());
    document.addEventListener("visibilitychange", () => this.#shownOrHidden());
  }

  /** The rows of a table: Map of key to row. Rows are never changed, only replaced. */
  rows(name) {
    return this.#tables.get(name) ?? new Map();
  }

  row(name, key = name) {
    return this.rows(name).get(key) ?? null;
  }

  /** Whether the table has arrived; before that an empty one means nothing. */
  has(name) {
    return this.#whole.has(name);
  }

  /** `work(changed)` after a batch of messages: the set of names that changed. */
  listen(work) {
    this.#listeners.push(work);
  }

  /** How far the picture can be trusted: {stale, since: ms, why: [words]}. */
  state() {
    const head = this.row("head") ?? this.row("public", "region");
    const why = [];
    let since = null;
    const early = (at) => {
      since = since === null ? at : Math.min(since, at);
    };
    if (Date.now() - this.heardAt > OLD_MS) {
      why.push("this page has no connection to the board");
      early(this.lastAt);
    }
    if (this.#unmadeSince !== null) {
      why.push("the board cannot bring what it shows up to date");
      early(this.#unmadeSince);
    }
    if (head) {
      if (head.broker === "away") why.push("the board has no connection to the broker");
      if (head.redis === "away") why.push("the state (Redis) does not answer");
      if (head.worker === "silent") why.push("no worker reports");
      if (head.worker === "never") why.push("no worker has ever reported");
      if (head.stale_since) early(Date.parse(head.stale_since));
      if (head.stale_since && !why.length) why.push(...(head.notes ?? []));
    }
    const stale = why.length > 0 || since !== null;
    return { stale, since: since ?? this.lastAt, why };
  }

  #open() {
    this.#close();
    const source = new EventSource(`${ADDRESS}?tables=${encodeURIComponent(this.names.join(","))}`);
    this.#source = source;
    this.openedAt = Date.now();
    source.addEventListener("open", () => {
      this.connected = true;
    });
    source.addEventListener("rows", (event) => this.#take(JSON.parse(event.data)));
    source.addEventListener("beat", (event) => {
      const { at, made_at } = JSON.parse(event.data);
      learn(at);
      const made = made_at ? Date.parse(made_at) : null;
      this.#unmadeSince = made !== null && Date.parse(at) - made > OLD_MS ? made : null;
      this.#heard();
      for (const name of this.names) this.#whole.add(name);
      this.#tell("beat");
    });
    source.addEventListener("error", () => this.#failed(source));
  }

  #close() {
    clearTimeout(this.#retry);
    this.#source?.close();
    this.#source = null;
    this.connected = false;
  }

  async #shownOrHidden() {
    if (document.hidden) {
      const free = await takeSlot();
      if (document.hidden) {
        this.#freeSlot = free;
        if (!free) this.#close();
      } else {
        free?.();
      }
      return;
    }
    this.#freeSlot?.();
    this.#freeSlot = null;
    if (!this.#source) this.#open();
  }

  #heard() {
    this.lastAt = now();
    this.heardAt = Date.now();
    this.#failures = 0;
  }

  #take({ table, full, rows, gone }) {
    const known = full ? new Map() : this.rows(table);
    for (const [key, row] of Object.entries(rows ?? {})) known.set(key, row);
    for (const key of gone ?? []) known.delete(key);
    this.#tables.set(table, known);
    this.#whole.add(table);
    if (table === "replay" && known.has(table)) pin(known.get(table).now);
    this.#heard();
    this.#tell(table);
  }

  /** Messages come in bursts (all tables at the start): draw once for each burst. */
  #tell(name) {
    if (!this.#changed.size) {
      setTimeout(() => {
        const changed = this.#changed;
        this.#changed = new Set();
        for (const work of this.#listeners) work(changed);
      });
    }
    this.#changed.add(name);
  }

  #failed(source) {
    if (source !== this.#source) return;
    this.#close();
    this.#failures += 1;
    const pause = Math.min(LONGEST_PAUSE_MS, FIRST_PAUSE_MS * 2 ** (this.#failures - 1));
    // Half of it by chance, so that many pages do not come back at the same moment.
    this.#retry = setTimeout(() => this.#open(), pause * (0.5 + Math.random() / 2));
    // EventSource does not tell a refusal from a broken line: ask, when it fails for the second
    // time running (a stream's planned end fails once).
    if (this.#failures >= 2) this.#askWhetherSignedIn();
    this.#tell("state");
  }

  async #askWhetherSignedIn() {
    try {
      const answer = await fetch("/api/v1/session", { headers: { accept: "application/json" } });
      const role = answer.ok ? (await answer.json()).role : null;
      // 401, or 200 as one of the public where there is a public view.
      if (answer.status === 401 || role === "public") signIn();
    } catch {
      // No line: the banner says so already.
    }
  }

  #watch() {
    if (this.#source && Date.now() - Math.max(this.heardAt, this.openedAt) > SILENT_MS) {
      this.#failed(this.#source);
    }
    this.#tell("second");
  }
}

/** To the sign-in page and back. The public page has nothing to sign in for. */
export function signIn() {
  if (document.documentElement.dataset.public !== undefined) return;
  const here = location.pathname + location.search;
  location.assign(`/sign-in?next=${encodeURIComponent(here)}`);
}
