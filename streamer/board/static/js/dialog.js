// One way of asking before something is done: a native dialog with a form. Escape and Cancel leave
// everything as it is; the focus goes back to where it was.

import { Problem } from "./act.js";
import { h, show } from "./dom.js";

const LONGEST_NOTE = 200;
let numbers = 0;

/**
 * Ask, then do. `fields` are elements from the makers below. `work(values, data)` gets the form's
 * values (`data`: with those that stand more than once) and may throw a Problem: it is shown, and
 * the dialog stays open.
 * @returns {Promise<boolean>} whether it was done
 */
export function ask({ title, text, fields = [], button, work }) {
  const from = document.activeElement;
  const id = `dialog-${(numbers += 1)}`;
  const problem = h("p", { class: "problem", role: "alert" });
  const submit = h("button", { type: "submit", class: "main" }, button);
  const cancel = h("button", { type: "button" }, "Cancel");
  const form = h(
    "form",
    { method: "dialog" },
    h("h2", { id }, title),
    text ? h("p", {}, text) : null,
    fields,
    problem,
    h("div", { class: "buttons" }, submit, cancel),
  );
  const dialog = h("dialog", { "aria-labelledby": id, "data-own": true }, form);
  document.body.append(dialog);
  return new Promise((resolve) => {
    let done = false;
    let busy = false;
    // Not `disabled`: that would take the focus away.
    const setBusy = (is) => {
      busy = is;
      submit.setAttribute("aria-disabled", String(is));
    };
    cancel.addEventListener("click", () => dialog.close());
    dialog.addEventListener("close", () => {
      dialog.remove();
      if (from?.isConnected) from.focus();
      resolve(done);
    });
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (busy) return;
      setBusy(true);
      show(problem);
      try {
        const data = new FormData(form);
        await work(Object.fromEntries(data), data);
        done = true;
        dialog.close();
      } catch (error) {
        if (!(error instanceof Problem)) throw error;
        show(problem, faults(error));
      } finally {
        setBusy(false);
      }
    });
    dialog.showModal();
  });
}

/** A few faults are to be read one by one. */
function faults({ errors, message }) {
  if (errors.length < 2) return message;
  return [
    h("span", {}, "Nothing was changed:"),
    h(
      "span",
      { class: "faults" },
      errors.map((line) => h("span", {}, line)),
    ),
  ];
}

// -- fields --------------------------------------------------------------------------------------

export function note(label = "Note (for the log, may stay empty)") {
  return text("note", label, { maxlength: LONGEST_NOTE });
}

export function text(name, label, attributes = {}) {
  return h(
    "label",
    { class: "field" },
    h("span", {}, label),
    h("input", { name, type: "text", autocomplete: "off", ...attributes }),
  );
}

/** A file; `hint` says what is to be in it. */
export function file(name, label, hint, attributes = {}) {
  const id = `hint-${(numbers += 1)}`;
  return h(
    "div",
    { class: "field" },
    h(
      "label",
      {},
      h("span", { class: "label" }, label),
      h("input", { name, type: "file", "aria-describedby": id, ...attributes }),
    ),
    h("p", { class: "quiet hint", id }, hint),
  );
}

/** One must be chosen: an option with the value "" does not count.
 * @param {[string, string][]} options value and text */
export function select(name, label, options, chosen) {
  return h(
    "label",
    { class: "field" },
    h("span", {}, label),
    h(
      "select",
      { name, required: true },
      options.map(([value, words]) => h("option", { value, selected: value === chosen }, words)),
    ),
  );
}

function tick(words, input) {
  return h("label", { class: "tick" }, h("input", input), " ", words);
}

/** One of a few. @param {[string, string][]} options value and text */
export function choice(name, label, options, chosen) {
  return h(
    "fieldset",
    { class: "field" },
    h("legend", {}, label),
    options.map(([value, words]) =>
      tick(words, { type: "radio", name, value, checked: value === chosen, required: true }),
    ),
  );
}

/** Any number of them. @param {[string, string][]} options value and text */
export function several(name, label, options, chosen = []) {
  return h(
    "fieldset",
    { class: "field" },
    h("legend", {}, label),
    options.map(([value, words]) =>
      tick(words, { type: "checkbox", name, value, checked: chosen.includes(value) }),
    ),
  );
}

/** A note as the API takes it: null if nothing was written. */
export function noteOf(values) {
  return values.note?.trim() || null;
}
