// Quarantine: identities that are not taken for stations, and input that was refused.

import { act, may, part, Problem } from "../act.js";
import { ask, note, noteOf } from "../dialog.js";
import { h, mount, on, rows, show } from "../dom.js";
import { say, start } from "../frame.js";
import { refresh } from "../refresh.js";
import { Table } from "../table.js";
import { age, count } from "../time.js";
import { spoken } from "../words.js";

const page = document.getElementById("page");
const admin = may("admin");

const WHY = {
  wrong_characters: "holds something other than A to Z and 0 to 9",
  wrong_suffix: "what stands beside the call sign is no suffix",
  word: "letters only: a name or a word",
  wrong_formation: "letters and digits, but not formed as a call sign",
  unallotted_series: "its series is allotted to no country",
  denied: "denied by the region file",
};

const REFUSED = {
  topic: "its topic is none of ours",
  kind: "its kind is not known",
  size: "it is too large",
  json: "it is no JSON",
  shape: "it is not formed as agreed",
  version: "its version is not known here",
  wrong_gateway: "it speaks for another gateway",
  unknown_gateway: "the region file has no such gateway",
  unknown_repeater: "the region file has no such repeater",
  unknown_group: "the region file has no such group",
  future: "its time lies in the future",
  late: "it is too old",
  internal: "a fault of ours",
};

// -- identities -----------------------------------------------------------------------------------

const caged = new Table({
  caption: "Identities that are not taken for stations",
  find: "Show only",
  findFrom: 8,
  by: "last",
  keyOf: (row) => `${row.gateway} ${row.identity}`,
  words: (row) => `${row.identity} ${row.gateway} ${spoken(row.reason)}`,
  empty: "Nobody is in quarantine: every identity that was heard is a call sign.",
  columns: [
    {
      key: "identity",
      label: "Heard as",
      head: true,
      sort: (row) => row.identity,
      cell: (row) => h("span", { class: "sign cell" }, row.identity),
    },
    {
      key: "why",
      label: "Not a station because",
      sort: (row) => row.reason,
      cell: (row) => h("span", { class: "cell" }, WHY[row.reason] ?? spoken(row.reason)),
    },
    {
      key: "gateway",
      label: "Gateway",
      sort: (row) => row.gateway,
      cell: (row) => h("span", { class: "sign cell" }, row.gateway),
    },
    {
      key: "count",
      label: "Events",
      first: "down",
      sort: (row) => row.count,
      cell: (row) => h("span", { class: "cell" }, row.count),
    },
    {
      key: "last",
      label: "Newest event",
      first: "down",
      sort: (row) => Date.parse(row.last_heard_at),
      cell: (row) => h("span", { class: "cell" }, age(row.last_heard_at)),
    },
    ...(admin
      ? [
          {
            key: "act",
            label: "Do",
            narrow: true,
            cell: (row) => decide(row.identity),
          },
        ]
      : []),
  ],
});
let calls = new Set(); // those that are accepted

/** The same button before and after: who presses it twice is asked, and accepts no other one. */
function decide(call) {
  const accepted = calls.has(call);
  const words = accepted ? "Take back" : "Accept";
  return h(
    "div",
    { class: "cell" },
    h(
      "button",
      {
        type: "button",
        class: "small",
        "data-act": accepted ? "retract" : "accept",
        "data-call": call,
        "aria-label": accepted ? `Take back ${call}` : `Accept ${call} as a station`,
      },
      words,
    ),
    accepted ? " accepted" : null,
  );
}

const cagedSheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "caged-head" },
  h("h2", { id: "caged-head" }, "Not taken for stations"),
  h(
    "p",
    { class: "quiet" },
    "Events of these never make a member. Listen before you accept one: " +
      "call signs are not authenticated on the air.",
  ),
  caged.node,
);

const sending = new Set();

on(page, "click", "[data-act=accept]", async (button) => {
  const { call } = button.dataset;
  if (sending.has(call)) return;
  sending.add(call);
  try {
    await act("POST", `/api/v1/calls/${part(call)}`, { note: null });
    say(`${call} is accepted. What it keys from now on counts.`);
    show(problem);
    await Promise.all([readCalls(), readCaged()]);
  } catch (error) {
    if (!(error instanceof Problem)) throw error;
    show(problem, error.message);
  } finally {
    sending.delete(call);
  }
});

// -- accepted calls -------------------------------------------------------------------------------

const problem = h("p", { class: "problem", role: "alert" });
const accepted = h("tbody", { role: "rowgroup" });
const acceptedTable = h(
  "div",
  { class: "table", "data-own": true },
  h(
    "table",
    { role: "table" },
    h("caption", { class: "unseen" }, "Call signs accepted here"),
    h(
      "thead",
      { role: "rowgroup" },
      h(
        "tr",
        { role: "row" },
        ["Call sign", "Accepted", "By", "Note", ...(admin ? ["Do"] : [])].map((text) =>
          h("th", { scope: "col", role: "columnheader" }, text),
        ),
      ),
    ),
    accepted,
  ),
);
const nobody = h("p", { class: "empty" }, "None was accepted here.");
const line = h("code", { class: "line" });
const copied = h("button", { type: "button", class: "small", id: "copy" }, "Copy");
const hint = h(
  "div",
  { class: "hint" },
  h(
    "p",
    {},
    "They count until they are taken back. To keep them for good, put this line into the " +
      "region file, or add them to the one that is there, and let the workers read it again:",
  ),
  h("p", { class: "copy" }, line, " ", copied),
);
const acceptedSheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "accepted-head" },
  h("h2", { id: "accepted-head" }, "Accepted here"),
  problem,
  acceptedTable,
  nobody,
  hint,
);

copied.addEventListener("click", async () => {
  try {
    await navigator.clipboard.writeText(line.textContent);
    say("Copied.");
  } catch {
    getSelection().selectAllChildren(line); // without TLS the clipboard is closed: select it
    say("Selected; copy it by the keyboard.");
  }
});

function drawCalls(document) {
  const list = document.calls ?? [];
  calls = new Set(list.map(({ call }) => call));
  caged.draw(caged.items, [...calls].join());
  acceptedTable.hidden = !list.length;
  nobody.hidden = Boolean(list.length);
  hint.hidden = !list.length;
  show(line, `accepted_calls = [${list.map(({ call }) => JSON.stringify(call)).join(", ")}]`);
  rows(
    accepted,
    list,
    (row) => row.call,
    (row) =>
      h(
        "tr",
        { role: "row" },
        h("th", { scope: "row", role: "rowheader" }, h("span", { class: "sign" }, row.call)),
        cell("Accepted", age(row.at)),
        cell("By", row.by),
        cell("Note", row.note ?? "–"),
        admin
          ? cell(
              "Do",
              h(
                "button",
                {
                  type: "button",
                  class: "small",
                  "data-act": "retract",
                  "data-call": row.call,
                  "aria-label": `Take back ${row.call}`,
                },
                "Take back",
              ),
            )
          : null,
      ),
  );
}

function cell(label, ...children) {
  return h("td", { role: "cell", "data-label": label }, h("span", { class: "cell" }, children));
}

on(page, "click", "[data-act=retract]", async (button) => {
  const { call } = button.dataset;
  const done = await ask({
    title: `Take back ${call}`,
    text: "What it keys from then on is put into quarantine again.",
    fields: [note()],
    button: "Take back",
    work: (values) => act("DELETE", `/api/v1/calls/${part(call)}`, { note: noteOf(values) }),
  });
  if (!done) return;
  say(`${call} is taken back.`);
  readCalls();
});

// -- refused input --------------------------------------------------------------------------------

const refused = new Table({
  caption: "Refused input, the same trouble of the same gateway in one row",
  find: "Show only",
  findFrom: 8,
  by: "last",
  keyOf: (row) => row.key,
  words: (row) => `${row.reason} ${row.detail} ${row.gateway} ${row.topic}`,
  empty: "Nothing was refused.",
  columns: [
    {
      key: "reason",
      label: "Refused because",
      head: true,
      sort: (row) => row.reason,
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          REFUSED[row.reason] ?? spoken(row.reason),
          h("div", { class: "plain" }, row.detail),
        ),
    },
    {
      key: "gateway",
      label: "Gateway",
      sort: (row) => row.gateway,
      cell: (row) => h("span", { class: "sign cell" }, row.gateway),
    },
    {
      key: "count",
      label: "How often",
      first: "down",
      sort: (row) => row.count,
      cell: (row) => h("span", { class: "cell" }, row.count),
    },
    {
      key: "last",
      label: "Last",
      first: "down",
      sort: (row) => Date.parse(row.at),
      cell: (row) => h("span", { class: "cell" }, age(row.at)),
    },
    { key: "begins", label: "It began", cell: begins },
  ],
});
const totals = h("p", { class: "quiet" });
const refusedSheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "refused-head" },
  h("h2", { id: "refused-head" }, "Refused input"),
  totals,
  refused.node,
);

function begins(row) {
  if (!row.excerpt) return h("span", { class: "quiet cell" }, "–");
  return h(
    "details",
    { class: "cell" },
    h("summary", {}, `${row.size_bytes} bytes`),
    h("p", {}, h("span", { class: "quiet" }, "to "), h("code", {}, row.topic)),
    h("p", {}, h("code", { class: "excerpt" }, JSON.stringify(row.excerpt))),
  );
}

/** The same reason, detail and gateway: one row that counts. Newest first comes in. */
function alike(newest) {
  const found = new Map();
  for (const refusal of newest) {
    const key = [refusal.reason, refusal.gateway ?? "", refusal.detail].join("\n");
    const known = found.get(key);
    if (known) known.count += 1;
    else found.set(key, { ...refusal, gateway: refusal.gateway ?? "not known", key, count: 1 });
  }
  return [...found.values()];
}

function drawRefused(document) {
  const counts = Object.entries(document.counts ?? {});
  const all = counts.reduce((sum, [, number]) => sum + number, 0);
  show(
    totals,
    all
      ? [
          `${count(all, "refusal")} in all: `,
          counts
            .map(([reason, number]) => `${number} because ${REFUSED[reason] ?? spoken(reason)}`)
            .join(", "),
          `. The newest ${document.newest.length} are listed.`,
        ]
      : null,
  );
  refused.draw(alike(document.newest ?? []));
}

function drawCaged(document) {
  caged.draw(
    (document.quarantined ?? []).flatMap((cage) =>
      cage.identities.map((identity) => ({ ...identity, gateway: cage.gateway })),
    ),
    [...calls].join(),
  );
}

mount(page, cagedSheet, acceptedSheet, refusedSheet);
start([], () => {});
const readCaged = refresh("/api/v1/quarantine", 10, cagedSheet, drawCaged);
const readCalls = refresh("/api/v1/calls", 30, acceptedSheet, drawCalls);
refresh("/api/v1/refused", 10, refusedSheet, drawRefused);
