// One duty that runs: its numbers, its roll call, everybody of it. What it shows is asked for, not
// fed, since only the records tell who was heard without checking in.

import { get, may, part, Problem } from "./act.js";
import { h, mount, on, setText, show } from "./dom.js";
import { rollCall } from "./duty-call.js";
import {
  actButton,
  box,
  groupsOf,
  kindOf,
  peoplePlan,
  PRESENCES,
  STANDINGS,
} from "./duty-words.js";
import { Table } from "./table.js";
import { age, count } from "./time.js";
import { mark, spoken } from "./words.js";

const WHOLE = ["everybody", "others"]; // neither a presence nor a standing

/** What may be shown alone: key -> which of the people. */
function wanted(key) {
  if (key === "everybody") return () => true;
  if (key === "others") return (person) => !person.expected;
  if (STANDINGS.includes(key)) return (person) => person.standing === key;
  return (person) => person.expected && person.presence === key;
}

export class DutySheet {
  #operate = may("operate");
  #known = new Map(); // call sign -> {text, person}: rows are made anew only if they have changed
  #only = "everybody";
  #asked = 0;
  document = null;

  constructor(duty) {
    this.duty = duty;
    this.head = h("div", {});
    this.problem = h("p", { class: "problem", role: "status" });
    this.told = h("p", { class: "told", role: "status", hidden: true });
    this.figures = h("div", { class: "duty-figures" });
    this.call = h("section", { class: "duty-call", "aria-label": `Roll call: ${duty.title}` });
    this.shown = h("h3", {});
    this.table = new Table(peoplePlan(duty.title, this.#operate));
    this.caution = h("p", { class: "quiet" });
    this.node = h(
      "li",
      { class: "sheet", "data-key": duty.id, "data-own": true },
      this.head,
      this.problem,
      this.told,
      this.figures,
      this.call,
      this.shown,
      this.table.node,
      this.caution,
    );
    on(this.figures, "click", "button[data-only]", (button) => {
      this.#only = button.dataset.only;
      this.#draw();
    });
    this.take(duty);
  }

  /** The duty itself has changed: its roster, say. */
  take(duty) {
    this.duty = duty;
    show(this.head, this.#headOf(duty));
  }

  /** Say what has been done, so that it can be read. */
  tell(text) {
    this.told.hidden = !text;
    setText(this.told, text);
  }

  /** Ask for it and draw; what goes wrong is said in the sheet, the last good numbers stay. */
  async read() {
    const asked = (this.#asked += 1);
    try {
      const found = await get(`/api/v1/duties/${part(this.duty.id)}`);
      if (asked !== this.#asked) return; // an answer that was overtaken
      this.document = found;
      show(this.problem);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      if (asked === this.#asked) show(this.problem, `Not up to date: ${error.message}`);
      return;
    }
    this.#draw();
  }

  // -- head -------------------------------------------------------------------------------------

  #headOf(duty) {
    const has = duty.expected?.length > 0;
    return [
      h("h2", {}, kindOf(duty), " ", duty.title),
      h(
        "dl",
        { class: "boxes" },
        box("Groups", groupsOf(duty)),
        box("Started", [age(duty.started_at), ` by ${duty.started_by}`]),
        duty.note ? box("Note", duty.note) : null,
      ),
      h(
        "p",
        { class: "buttons" },
        h(
          "a",
          { class: "button", href: `/wall?duty=${part(duty.id)}`, "data-key": "wall" },
          "Wall view of it",
        ),
        this.#operate
          ? [
              actButton(duty, "roster", has ? "Replace the roster" : "Give a roster"),
              actButton(duty, "end", "End this duty"),
            ]
          : null,
      ),
    ];
  }

  // -- numbers ----------------------------------------------------------------------------------

  #draw() {
    const { numbers, people, roll_calls: calls, caution, notes } = this.document;
    if (!numbers) return; // it is over: the list says so in a moment
    this.#drawFigures(numbers);
    this.call.hidden = !calls.length && !this.#operate;
    show(this.call, rollCall(this.duty, this.document, this.#operate));
    const all = people.map((person, rank) => this.#person(person, rank));
    const found = all.filter(wanted(this.#only));
    const some = this.#only === "everybody" ? "" : `: ${this.#words(this.#only)}`;
    setText(this.shown, `${count(found.length, "person", "people")}${some}`);
    this.table.draw(found, this.#only);
    const doubts = notes.map((note) => `${note[0].toUpperCase()}${note.slice(1)}. `).join("");
    setText(this.caution, `${doubts}${caution}`);
  }

  #words(key) {
    if (key === "others") return "not on the roster";
    return PRESENCES[key] ?? spoken(key);
  }

  #person(person, rank) {
    const text = JSON.stringify(person) + rank;
    const old = this.#known.get(person.call);
    if (old?.text === text) return old.person;
    const fresh = { ...person, rank };
    this.#known.set(person.call, { text, person: fresh });
    return fresh;
  }

  #drawFigures(numbers) {
    const figure = (key, number, words = this.#words(key)) =>
      h(
        "button",
        {
          type: "button",
          class: `figure is-${key}${number ? "" : " none"}`,
          "data-only": key,
          "data-key": key,
          "aria-pressed": String(this.#only === key),
        },
        h("span", { class: "number" }, number),
        " ",
        h("span", { class: "words" }, WHOLE.includes(key) ? null : [mark(key), " "], words),
      );
    const ours = numbers.of_expected;
    const before = numbers.before ? `, ${numbers.before} of them not heard since it began` : "";
    show(
      this.figures,
      numbers.expected
        ? this.#group(`Of ${numbers.expected} expected`, "roster", [
            ["not_yet_heard", "heard", "checked_in", "expired", "checked_out"].map((key) =>
              figure(key, ours[key]),
            ),
          ])
        : h("p", { class: "quiet", "data-key": "roster" }, "No roster: nobody is expected."),
      this.#group(`Of ${numbers.checked_in} checked in${before}`, "standings", [
        STANDINGS.map((key) => figure(key, numbers.standings[key] ?? 0)),
      ]),
      this.#group("Show", "rest", [
        numbers.expected ? figure("others", numbers.others) : null,
        figure("everybody", numbers.expected + numbers.others),
      ]),
    );
  }

  #group(label, key, figures) {
    return h(
      "div",
      { class: "figure-group", role: "group", "aria-label": label, "data-key": key },
      h("p", { class: "label", "aria-hidden": "true" }, label),
      h("div", { class: "figure-row" }, figures),
    );
  }
}

/** Put these sheets into the list, in this order. */
export function arrange(list, sheets) {
  const nodes = sheets.map((sheet) => sheet.node);
  const same =
    list.children.length === nodes.length && nodes.every((node, n) => list.children[n] === node);
  if (!same) mount(list, nodes);
}
