// What pages say of an alert beside its title: what it explains, how it went so far, whether it was
// foreseen.

import { h } from "./dom.js";
import { age, count, utc } from "./time.js";
import { linked, looksLikeRepeater } from "./words.js";

export const BY_MEMBER = ["member_overdue", "member_out_of_reach"];
export const PEOPLE = [...BY_MEMBER, "two_places"];
const MOST = 12; // names that stand there without unfolding anything

/** `3rd`: how often, in order. */
export function nth(number) {
  const teens = number % 100 >= 11 && number % 100 <= 13;
  return `${number}${teens ? "th" : ({ 1: "st", 2: "nd", 3: "rd" }[number % 10] ?? "th")}`;
}

/** How it went so far, where that is not just once: a list of plain sentences without their end. */
export function course(alert) {
  const began = utc(alert.first_opened_at);
  const found = [];
  if (alert.unsteady) {
    found.push(`Comes and goes (${count(alert.opened_times, "time")} since ${began})`);
  } else if (alert.opened_times > 1) {
    found.push(`${nth(alert.opened_times)} time since ${began}`);
  }
  if (alert.escalated && alert.state === "open") {
    found.push(`Nobody has it in hand since ${utc(alert.unheld_since ?? alert.opened_at)}`);
  }
  return found;
}

/** Those of what it explains that are about people, by name. */
export function heldPeople(alert) {
  return alert.held.filter(({ kind }) => PEOPLE.includes(kind));
}

/** Members whose own alerts others explain: they were missed before, and are named still. */
export function peopleHeld(alerts) {
  return new Set(
    alerts.flatMap((alert) =>
      alert.held.filter(({ kind }) => BY_MEMBER.includes(kind)).map(({ subject }) => subject),
    ),
  );
}

/** What an alert explains. People stand there by name, whatever is folded. */
export function explains(alert) {
  const { held } = alert;
  if (!held.length) return null;
  const people = heldPeople(alert);
  const machines = held.filter((one) => !people.includes(one));
  const rest = people.length - MOST;
  return [
    people.length
      ? h("ul", { class: "plain held", "aria-label": "Missed before" }, [
          people.slice(0, MOST).map(heldItem),
          rest > 0 ? h("li", {}, `and ${count(rest, "other")} missed before, below`) : null,
        ])
      : null,
    h(
      "details",
      { class: "held" },
      h("summary", {}, `Explains ${count(held.length, "other")}`),
      h("ul", { class: "plain" }, [...people, ...machines].map(heldItem)),
    ),
  ];
}

function heldItem(one) {
  const own = PEOPLE.includes(one.kind) || looksLikeRepeater(one.subject) ? [one.subject] : [];
  return h(
    "li",
    { "data-key": one.id },
    linked(one.title, own),
    h("span", { class: "quiet" }, ", for ", age(one.since, "for")),
  );
}

/** `explains 14 others`, for where nothing can be unfolded. */
export function explainsShort(alert) {
  return alert.held.length ? `explains ${count(alert.held.length, "other")}` : null;
}
