// The roll calls of a duty: who has not answered first.

import { h } from "./dom.js";
import { actButton } from "./duty-words.js";
import { age, utc } from "./time.js";
import { groupLink, mark, stationLink } from "./words.js";

/** What to show of them. `document` is the API's about the duty; `operate`: with buttons. */
export function rollCall(duty, document, operate) {
  const calls = document.roll_calls;
  const names = new Map(document.people.map(({ call, name }) => [call, name]));
  const sum = (list) => calls.reduce((total, call) => total + call[list].length, 0);
  const ours = document.numbers?.of_expected ?? {};
  const absent = (ours.not_yet_heard ?? 0) + (ours.heard ?? 0);
  return [
    h("h3", { "data-key": "head" }, calls.length ? "Roll call" : "No roll call is held"),
    calls.length
      ? h(
          "p",
          { "data-key": "sum" },
          h("strong", { class: "big" }, `${sum("silent")} not yet answered`),
          `, ${sum("answered")} answered.`,
          absent ? ` ${absent} of the roster in none of the groups, and so not asked here.` : null,
        )
      : null,
    calls.map((call) => ofGroup(call, duty.groups.length > 1, names, operate)),
    operate ? buttons(duty, calls) : null,
  ];
}

function ofGroup(call, several, names, operate) {
  const { group, silent, answered } = call;
  const began = call.roll_call;
  return h(
    "div",
    { class: "call-group", "data-key": group },
    h(
      "p",
      {},
      several ? [groupLink(group, "/members"), ": held for "] : "Held for ",
      age(began.started_at, "for"),
      `, started by ${began.started_by}. `,
      silent.length ? "Not yet answered:" : answered.length ? "All have answered." : null,
    ),
    silent.length
      ? h(
          "ul",
          { class: "silent" },
          silent.map((station) => waitedFor(call, station, names, operate)),
        )
      : null,
    answered.length
      ? h(
          "details",
          {},
          h("summary", {}, `${answered.length} answered`),
          h(
            "ul",
            { class: "plain-list" },
            answered.map((answer) => given(answer, names)),
          ),
        )
      : null,
  );
}

function waitedFor({ group, roll_call }, station, names, operate) {
  return h(
    "li",
    { "data-key": station },
    mark("not_yet"),
    " ",
    named(station, names),
    operate
      ? [
          " ",
          h(
            "button",
            {
              type: "button",
              class: "small",
              "data-act": "answered",
              "data-group": group,
              "data-call": roll_call.id,
              "data-station": station,
              "aria-label": `Answered: ${station} in ${group}`,
            },
            "Answered",
          ),
        ]
      : null,
  );
}

function given(answer, names) {
  const how = answer.how === "air" ? "on the air" : `marked by ${answer.by ?? "the desk"}`;
  const told = ` ${how}, ${utc(answer.at)}`;
  return h("li", { "data-key": answer.call }, named(answer.call, names), told);
}

function named(station, names) {
  const name = names.get(station);
  return [stationLink(station), name ? ` ${name}` : null];
}

function buttons(duty, calls) {
  const others = calls.length ? "Start it in the other groups" : "Start a roll call";
  return h(
    "p",
    { class: "buttons", "data-key": "buttons" },
    calls.length < duty.groups.length ? actButton(duty, "start-call", others) : null,
    calls.length ? actButton(duty, "end-call", "End the roll call") : null,
  );
}
