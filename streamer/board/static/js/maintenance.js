// Planned work: what is going on, its begin and its end.

import { act, get, may, part } from "./act.js";
import { ask, note, noteOf, select } from "./dialog.js";
import { h, on, show } from "./dom.js";
import { say } from "./frame.js";
import { REGION, subjectWords, workWords } from "./works.js";

const TIMES = [
  ["1800", "30 minutes"],
  ["3600", "1 hour"],
  ["7200", "2 hours"],
  ["14400", "4 hours"],
  ["28800", "8 hours"],
  ["86400", "24 hours"],
];
const MOST = 12;

/** One line for each, with a button to end it for whoever may. */
export function workItems(works) {
  return works.map((work) =>
    h(
      "li",
      { "data-key": work.id, class: "work" },
      h(
        "span",
        {},
        h("strong", { class: "sign" }, subjectWords(work.subject)),
        ": ",
        workWords(work),
      ),
      " ",
      may("operate")
        ? h(
            "button",
            {
              type: "button",
              class: "small",
              "data-act": "end-work",
              "data-id": work.id,
              "aria-label": `End it: the maintenance of ${subjectWords(work.subject)}`,
            },
            "End it",
          )
        : null,
    ),
  );
}

/** A button that plans work; null for whoever may not. */
export function planButton() {
  if (!may("operate")) return null;
  return h("button", { type: "button", "data-act": "plan-work" }, "Plan maintenance");
}

/** Have the buttons within `parent` work. `table()` gives the works by id, `subjects()` what work can
 * be planned at, as pairs of value and text, or a promise of it. */
export function listen(parent, table, subjects) {
  on(parent, "click", "[data-act=end-work]", (button) => {
    const work = table().get(button.dataset.id);
    if (work) end(work);
  });
  on(parent, "click", "[data-act=plan-work]", async () => plan(await subjects()));
}

async function plan(subjects) {
  const warned = h("div", { role: "status", class: "field" });
  const choice = select("subject", "Of what", subjects, subjects[0]?.[0]);
  const list = choice.querySelector("select");
  const told = { places: [] };
  const warn = () => show(warned, warning(list.value, told.places));
  list.addEventListener("change", warn);
  // The dialog does not wait for it: who is there is said as soon as it is known.
  get("/api/v1/places").then(
    (document) => {
      told.places = Object.values(document.rows);
      warn();
    },
    () => show(warned, h("p", {}, "Who was last heard there cannot be read just now.")),
  );
  let subject = "";
  const done = await ask({
    title: "Plan maintenance",
    text:
      "It begins now and ends by itself. Alerts about it are in your hands from the start; of them " +
      "only critical ones are sent out to others.",
    fields: [
      choice,
      warned,
      select("for_s", "For how long", TIMES, "7200"),
      note("What is done there (goes into the log and the alerts, may stay empty)"),
    ],
    button: "Begin it",
    work: (values) => {
      subject = values.subject;
      return act("POST", "/api/v1/maintenance", {
        subject,
        for_s: Number(values.for_s),
        note: noteOf(values),
      });
    },
  });
  if (done) say(`Maintenance of ${subjectWords(subject)} has begun.`);
}

async function end(work) {
  const what = subjectWords(work.subject);
  const done = await ask({
    title: `End the maintenance of ${what}`,
    text: "What is still wrong there is then an alert like any other, in nobody's hands.",
    fields: [note()],
    button: "End it",
    work: (values) =>
      act("POST", `/api/v1/maintenance/${part(work.id)}/end`, { note: noteOf(values) }),
  });
  if (done) say(`The maintenance of ${what} is over.`);
}

/** Members who were last heard there, by name: they should know of it. */
function warning(subject, places) {
  if (!subject) return null;
  const there = places
    .filter((row) => isThere(subject, row))
    .map((row) => row.station)
    .sort();
  if (!there.length) return h("p", { class: "quiet" }, "No member was last heard there.");
  const rest = there.length - MOST;
  const names = `${there.slice(0, MOST).join(", ")}${rest > 0 ? ` and ${rest} more` : ""}`;
  const verb = there.length === 1 ? "was" : "were";
  const ofGroup = places.some((row) => row.groups.includes(subject));
  return h(
    "p",
    {},
    h("strong", {}, ofGroup ? `${names}: members of it.` : `${names} ${verb} last heard there.`),
    " Tell them before it begins: what is switched off hears nobody, and then silence says nothing.",
  );
}

function isThere(subject, row) {
  return (
    subject === REGION ||
    row.repeater === subject ||
    row.repeater.startsWith(`${subject}/`) ||
    row.groups.includes(subject)
  );
}
