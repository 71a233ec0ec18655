// Duties: exercises and incidents, those that run and those that are over.

import { act, may, part, Problem } from "../act.js";
import { ask, choice, note, noteOf, several, text } from "../dialog.js";
import { h, join, mount, on, rows, show } from "../dom.js";
import { say, start } from "../frame.js";
import { refresh } from "../refresh.js";
import { age, count, length, moment } from "../time.js";
import { groupLink } from "../words.js";

const page = document.getElementById("page");
const operate = may("operate");
const KINDS = { exercise: "Exercise", actual: "Actual duty" };

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

function kind(duty) {
  return h("strong", { class: `duty-kind is-${duty.kind}` }, KINDS[duty.kind] ?? duty.kind);
}

function groups(duty) {
  return duty.groups.length
    ? join(
        ", ",
        duty.groups.map((g) => groupLink(g, "/members")),
      )
    : "no group";
}

function runningRow(duty) {
  return h(
    "li",
    { class: "sheet" },
    h("h2", {}, kind(duty), " ", duty.title),
    h(
      "dl",
      { class: "boxes" },
      box("Groups", groups(duty)),
      box("Started", [age(duty.started_at), ` by ${duty.started_by}`]),
      duty.note ? box("Note", duty.note) : null,
    ),
    h(
      "p",
      { class: "buttons" },
      h("a", { class: "button", href: `/wall?duty=${part(duty.id)}` }, "Wall view of it"),
      operate
        ? h(
            "button",
            {
              type: "button",
              "data-act": "end",
              "data-id": duty.id,
              "aria-label": `End this duty: ${duty.title}`,
            },
            "End this duty",
          )
        : null,
    ),
  );
}

function pastRow(duty) {
  const lasted = (Date.parse(duty.ended_at) - Date.parse(duty.started_at)) / 1000;
  return h(
    "li",
    {},
    kind(duty),
    " ",
    h("strong", {}, duty.title),
    ": ",
    groups(duty),
    "; ",
    moment(duty.started_at),
    ` by ${duty.started_by}, for ${length(lasted)}, ended by ${duty.ended_by ?? "nobody named"}.`,
    duty.note ? ` ${duty.note}` : null,
  );
}

function box(label, value) {
  return h("div", {}, h("dt", {}, label), h("dd", {}, value));
}

let known = [];

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
      note(),
    ],
    button: "Start it",
    work: (values, data) => {
      const chosen = data.getAll("groups");
      if (!chosen.length) throw new Problem(0, "No group", "Choose at least one group.");
      return act("POST", "/api/v1/duties", {
        title: values.title.trim(),
        kind: values.kind,
        groups: chosen,
        note: noteOf(values),
      });
    },
  });
  if (!done) return;
  say("The duty has begun.");
  read();
});

on(page, "click", "[data-act=end]", async (button) => {
  const duty = known.find(({ id }) => id === button.dataset.id);
  const done = await ask({
    title: `End “${duty.title}”`,
    text: "It stays in the list of those that are over. Members and orders stay as they are.",
    fields: [note()],
    button: "End it",
    work: (values) => act("POST", `/api/v1/duties/${part(duty.id)}/end`, { note: noteOf(values) }),
  });
  if (!done) return;
  say("The duty is over.");
  read();
});

function draw(document) {
  known = document.duties ?? [];
  const now = known.filter((duty) => !duty.ended_at);
  const over = known.filter((duty) => duty.ended_at);
  show(
    verdict,
    now.length
      ? `${count(now.length, "duty", "duties")} ${now.length === 1 ? "is" : "are"} going on.`
      : "No duty is going on.",
  );
  rows(running, now, (duty) => duty.id, runningRow);
  pastSheet.hidden = !over.length;
  rows(past, over, (duty) => duty.id, pastRow);
}

// The feed tells at once when a duty begins or ends; the document tells the rest about it.
let told = "";
const feed = start(["groups"], () => {
  const now = JSON.stringify((feed.row("head")?.duties ?? []).map((duty) => duty.id));
  if (now !== told && told) read();
  told = now;
});
const read = refresh("/api/v1/duties", 30, running, draw);
