// Duties: exercises and incidents, those that run and those that are over.

import { act, may, part, Problem } from "../act.js";
import { markAnswered } from "../answering.js";
import { ask, choice, file, note, noteOf, several, text } from "../dialog.js";
import { h, mount, on, rows, show } from "../dom.js";
import { arrange, DutySheet } from "../duty-sheet.js";
import { groupsOf, kindOf } from "../duty-words.js";
import { say, start } from "../frame.js";
import { refresh } from "../refresh.js";
import { count, length, moment } from "../time.js";

const READ_MS = 5000;
const SOON_MS = 1000; // after something changed in a group; not more often

const page = document.getElementById("page");
const operate = may("operate");
const sheets = new Map(); // of the duties that run

const verdict = h("p", { class: "verdict", id: "verdict" });
const running = h("ul", { class: "duty-list" });
const past = h("ul", { class: "duty-list" });
const pastSheet = h(
  "section",
  { class: "sheet", "aria-labelledby": "past-head" },
  h("h2", { id: "past-head" }, "Over"),
  past,
);
mount(
  page,
  verdict,
  operate
    ? h(
        "p",
        {},
        h("button", { type: "button", class: "main", "data-act": "start" }, "Start a duty"),
      )
    : null,
  running,
  pastSheet,
);

function pastRow(duty) {
  const lasted = (Date.parse(duty.ended_at) - Date.parse(duty.started_at)) / 1000;
  return h(
    "li",
    {},
    kindOf(duty),
    " ",
    h("strong", {}, duty.title),
    ": ",
    groupsOf(duty),
    "; ",
    moment(duty.started_at),
    ` by ${duty.started_by}, for ${length(lasted)}, ended by ${duty.ended_by ?? "nobody named"}.`,
    duty.expected?.length ? ` ${duty.expected.length} were expected.` : null,
    duty.note ? ` ${duty.note}` : null,
  );
}

// -- what people do -----------------------------------------------------------------------------

const COLUMNS =
  "A table in CSV, UTF-8. Its first line names the columns: call (the call sign) and, as you " +
  "have them, name, agency, assignment, group. Other columns are not kept.";

function rosterFile(label, attributes = {}) {
  return file("roster", label, COLUMNS, { accept: ".csv,.txt,text/csv", ...attributes });
}

/** The text of the chosen file; null if none was chosen. Bytes that are no UTF-8 become a mark that
 * the board finds and names by its line. */
async function rosterOf(data) {
  const chosen = data.get("roster");
  return chosen?.size ? chosen.text() : null;
}

on(page, "click", "[data-act=start]", async () => {
  const names = [...feed.rows("groups").values()].map((row) => [
    row.group,
    row.title ? `${row.group} (${row.title})` : row.group,
  ]);
  names.sort(([a], [b]) => a.localeCompare(b));
  const done = await ask({
    title: "Start a duty",
    text: "From then on it stands on every page and in every alert and roster of its groups.",
    fields: [
      text("title", "Title", { required: true, maxlength: 80 }),
      // Nothing is chosen beforehand: to take the one for the other is what must not happen.
      choice("kind", "Kind", [
        ["exercise", "Exercise"],
        ["actual", "Actual duty"],
      ]),
      several("groups", "Groups", names),
      rosterFile("Who is expected (may stay empty)"),
      note(),
    ],
    button: "Start it",
    work: async (values, data) => {
      const chosen = data.getAll("groups");
      if (!chosen.length) throw new Problem(0, "No group", "Choose at least one group.");
      return act("POST", "/api/v1/duties", {
        title: values.title.trim(),
        kind: values.kind,
        groups: chosen,
        roster: await rosterOf(data),
        note: noteOf(values),
      });
    },
  });
  if (!done) return;
  say("The duty has begun.");
  read();
});

on(page, "click", "[data-act=roster]", async (button) => {
  const sheet = sheets.get(button.dataset.id);
  const now = sheet.duty.expected?.length ?? 0;
  let taken = null;
  const done = await ask({
    title: `Who is expected at “${sheet.duty.title}”`,
    text: now
      ? `The file takes the place of the whole roster (${count(now, "person", "people")} now).`
      : "Who is on the roster and is not heard stands first from then on.",
    fields: [rosterFile("Roster", { required: true }), note()],
    button: "Take it",
    work: async (values, data) => {
      const csv = await rosterOf(data);
      if (csv === null) throw new Problem(0, "No file", "The file is empty; choose another.");
      taken = await act("PUT", `/api/v1/duties/${part(sheet.duty.id)}/roster`, {
        csv,
        note: noteOf(values),
      });
    },
  });
  if (!done) return;
  const left = taken.unread.length ? ` Columns not kept: ${taken.unread.join(", ")}.` : "";
  const who = count(taken.duty.expected.length, "person is", "people are");
  sheet.tell(`${who} expected now.${left}`);
  sheet.take(taken.duty);
  sheet.read();
});

on(page, "click", "[data-act=end]", async (button) => {
  const { duty, document } = sheets.get(button.dataset.id);
  const held = document?.roll_calls.length ?? 0;
  const missing = document?.numbers?.of_expected.not_yet_heard ?? 0;
  const done = await ask({
    title: `End “${duty.title}”`,
    text: [
      missing
        ? h("strong", {}, `${count(missing, "person", "people")} on the roster not yet heard. `)
        : null,
      "It stays in the list of those that are over. Members and orders stay as they are",
      held ? ", and the roll call goes on until it is ended." : ".",
    ],
    fields: [note()],
    button: "End it",
    work: (values) => act("POST", `/api/v1/duties/${part(duty.id)}/end`, { note: noteOf(values) }),
  });
  if (!done) return;
  say("The duty is over.");
  read();
});

on(page, "click", "[data-act=start-call]", async (button) => {
  const sheet = sheets.get(button.dataset.id);
  const done = await ask({
    title: `Start a roll call of “${sheet.duty.title}”`,
    text:
      `In ${sheet.duty.groups.join(", ")}: whoever keys to its group from now on has answered; ` +
      "others can be marked by hand.",
    button: "Start the roll call",
    work: () => act("POST", `/api/v1/duties/${part(sheet.duty.id)}/roll-call`),
  });
  if (!done) return;
  say("The roll call has begun.");
  sheet.read();
});

on(page, "click", "[data-act=end-call]", async (button) => {
  const sheet = sheets.get(button.dataset.id);
  const shown = sheet.document.roll_calls.map((call) => call.roll_call.id);
  const done = await ask({
    title: `End the roll call of “${sheet.duty.title}”`,
    text: "Who answered, and who did not, is kept in the log.",
    button: "End the roll call",
    work: () =>
      act("DELETE", `/api/v1/duties/${part(sheet.duty.id)}/roll-call`, { roll_calls: shown }),
  });
  if (!done) return;
  say("The roll call is over.");
  sheet.read();
});

on(page, "click", "[data-act=answered]", async (button) => {
  const { group, station, call } = button.dataset;
  if (await markAnswered(group, station, call)) readSheets();
});

// -- drawing ------------------------------------------------------------------------------------

function draw(document) {
  const known = document.duties ?? [];
  const now = known.filter((duty) => !duty.ended_at);
  const over = known.filter((duty) => duty.ended_at);
  show(
    verdict,
    now.length
      ? `${count(now.length, "duty", "duties")} ${now.length === 1 ? "is" : "are"} going on.`
      : "No duty is going on.",
  );
  for (const id of [...sheets.keys()]) {
    if (!now.some((duty) => duty.id === id)) sheets.delete(id);
  }
  for (const duty of now) {
    const sheet = sheets.get(duty.id);
    if (!sheet) sheets.set(duty.id, new DutySheet(duty));
    else if (sheet.duty.version <= duty.version) sheet.take(duty);
  }
  arrange(
    running,
    now.map((duty) => sheets.get(duty.id)),
  );
  pastSheet.hidden = !over.length;
  rows(past, over, (duty) => duty.id, pastRow);
  readSheets();
}

let soon = null;

function readSheets() {
  clearTimeout(soon);
  soon = null;
  for (const sheet of sheets.values()) sheet.read();
}

function readSoon() {
  if (soon === null) soon = setTimeout(readSheets, SOON_MS);
}

// The feed tells at once when a duty begins or ends, and when something changes in a group; the
// documents tell the rest.
let told = "";
const feed = start(["groups"], (_, changed) => {
  const now = JSON.stringify((feed.row("head")?.duties ?? []).map((duty) => duty.id));
  if (now !== told && told) read();
  told = now;
  if (changed.has("groups")) readSoon();
});
const read = refresh("/api/v1/duties", 30, running, draw);
setInterval(() => document.hidden || readSheets(), READ_MS);
