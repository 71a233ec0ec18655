// Members of a group: where each was last heard, what that says and why, and the roll call.

import { act, may, part } from "../act.js";
import { markAnswered } from "../answering.js";
import { ask, note, noteOf } from "../dialog.js";
import { h, join, mount, on, show } from "../dom.js";
import { say, start } from "../frame.js";
import { writePath } from "../path.js";
import { Table } from "../table.js";
import { age, count, isReplay } from "../time.js";
import {
  HEARING,
  HEARS_WORDS,
  isMember,
  mark,
  marked,
  repeaterLink,
  spoken,
  STANDINGS,
  stationLink,
} from "../words.js";

const page = document.getElementById("page");
const { group } = page.dataset;
const ROSTER = `roster/${group}`;
const ADDRESS = `/api/v1/groups/${part(group)}`;

const verdict = h("p", { class: "verdict", id: "verdict" });
const call = h("section", { class: "sheet roll-call", "aria-labelledby": "call-head" });
const left = h("section", { class: "sheet", "aria-labelledby": "left-head" });

let running = null; // the roll call that goes on

const table = new Table({
  caption: `Members of ${group}: standing, last place, answers`,
  class: "members",
  find: "Show only members with",
  findFrom: 8,
  by: "standing",
  keyOf: (row) => row.station,
  words: (row) =>
    [row.station, row.suffix ?? "", spoken(row.standing), row.repeater, ...row.reasons].join(" "),
  empty: "Nobody is a member now. A station becomes one by keying to the group.",
  fill: (cell, row) => writePath(cell, row.station),
  columns: [
    {
      key: "station",
      label: "Station",
      head: true,
      sort: (row) => row.station,
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          stationLink(row.station),
          row.suffix ? h("span", { class: "quiet plain" }, `\u00a0/\u00a0${row.suffix}`) : null,
        ),
    },
    {
      key: "standing",
      label: "Standing and why",
      sort: (row) => STANDINGS.indexOf(row.standing),
      cell: standing,
    },
    {
      key: "place",
      label: "Last place",
      first: "down",
      sort: (row) => Date.parse(row.last_heard_at),
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          repeaterLink(row.repeater),
          h("div", { class: "plain" }, "heard ", age(row.last_heard_at)),
        ),
    },
    {
      key: "hears",
      label: "Hears the group",
      sort: (row) => HEARING.indexOf(row.hears),
      cell: (row) =>
        h(
          "div",
          { class: "cell" },
          marked(row.hears, HEARS_WORDS[row.hears]),
          row.hears === "yes" ? null : h("div", { class: "quiet plain" }, row.hears_reason),
        ),
    },
    {
      key: "answered",
      label: "Roll call",
      sort: (row) => (row.answered_at ? Date.parse(row.answered_at) : 0),
      cell: answer,
    },
    { key: "acts", label: "Do", narrow: true, cell: acts },
  ],
});
mount(
  page,
  verdict,
  call,
  h(
    "section",
    { class: "sheet", "aria-labelledby": "members-head" },
    h(
      "h2",
      { id: "members-head" },
      isReplay
        ? ["Members as they were at ", h("span", { "data-shown-time": true })]
        : "Members now",
    ),
    table.node,
  ),
  left,
);

// -- cells ----------------------------------------------------------------------------------------

function standing(row) {
  return h(
    "div",
    { class: "cell" },
    marked(row.standing),
    // In reach since: that is when it was last heard, which the next column says.
    row.standing_since && row.standing !== "in_reach"
      ? [" for ", age(row.standing_since, "for")]
      : null,
    h("div", { class: "quiet plain" }, row.reasons.join("; ")),
  );
}

function answer(row) {
  if (!row.answered_at) return h("span", { class: "cell" }, marked("not_yet", "not yet"));
  const how =
    row.answered_how === "air" ? "heard on the air" : `marked by ${row.answered_by ?? "the desk"}`;
  return h(
    "div",
    { class: "cell" },
    marked("yes", "answered "),
    age(row.answered_at),
    h("div", { class: "quiet plain" }, how),
  );
}

function acts(row) {
  const open = table.isOpen(row.station);
  const button = (name, words) =>
    h(
      "button",
      {
        type: "button",
        class: "small",
        "data-act": name,
        "data-key": name,
        "data-station": row.station,
        "data-call": name === "answered" ? running.id : null,
        "aria-label": `${words}: ${row.station}`,
        "aria-expanded": name === "path" ? String(open) : null,
      },
      words,
    );
  const operate = may("operate");
  return h(
    "div",
    { class: "buttons cell" },
    button("path", open ? "Hide path" : "Path"),
    operate && running && !row.answered_at ? button("answered", "Answered") : null,
    operate ? button("check-out", "Check out") : null,
  );
}

on(page, "click", "[data-act=path]", (button) => table.toggle(button.dataset.station));

on(page, "click", "[data-act=answered]", (button) =>
  markAnswered(group, button.dataset.station, button.dataset.call),
);

on(page, "click", "[data-act=check-out]", async (button) => {
  const { station } = button.dataset;
  const row = feed.rows(ROSTER).get(station);
  // Whoever is not in reach is looked for: that ends with it.
  const missing = row && row.standing !== "in_reach";
  const done = await ask({
    title: `Check ${station} out of ${group}`,
    text: [
      missing
        ? h(
            "strong",
            {},
            `It is ${spoken(row.standing)}, last heard `,
            age(row.last_heard_at),
            ": check it out only if you know where it is. ",
          )
        : null,
      "It is then no member any more, until it keys to the group again, and no alert comes if it " +
        "falls silent.",
    ],
    fields: [note("Note: why (for the log, may stay empty)")],
    button: "Check out",
    work: (values) =>
      act("POST", `${ADDRESS}/members/${part(station)}/check-out`, { note: noteOf(values) }),
  });
  if (done) say(`${station} is checked out of ${group}.`);
});

// -- roll call ------------------------------------------------------------------------------------

on(page, "click", "[data-act=start-call]", async () => {
  const done = await ask({
    title: `Start a roll call of ${group}`,
    text: "Whoever keys to the group from now on has answered; others can be marked by hand.",
    button: "Start the roll call",
    work: () => act("POST", `${ADDRESS}/roll-call`),
  });
  if (done) say("The roll call has begun.");
});

on(page, "click", "[data-act=end-call]", async (button) => {
  const { call } = button.dataset; // of when it is asked: another may have begun when it is answered
  const done = await ask({
    title: `End the roll call of ${group}`,
    text: "The answers are kept in the log, not on this page.",
    button: "End the roll call",
    work: () => act("DELETE", `${ADDRESS}/roll-call`, { roll_call: call }),
  });
  if (done) say("The roll call is over.");
});

/** Who ceased to be a member during the roll call: an expired one has not answered. */
function leftDuring(gone) {
  const began = Date.parse(running.started_at);
  const found = gone.filter((row) => Date.parse(row.standing_since ?? 0) >= began);
  if (!found.length) return null;
  return h(
    "p",
    {},
    "No longer counted since it began: ",
    join(
      ", ",
      found.map((row) => [stationLink(row.station), ` (${spoken(row.standing)})`]),
    ),
    ".",
  );
}

function drawCall(members, gone) {
  const operate = may("operate");
  call.hidden = !running && !operate;
  call.classList.toggle("none", !running);
  const answered = members.filter((row) => row.answered_at).length;
  const missing = members
    .filter((row) => !row.answered_at)
    .map((row) => row.station)
    .sort();
  show(
    call,
    h("h2", { id: "call-head" }, running ? "Roll call" : "No roll call is held"),
    running
      ? [
          h(
            "p",
            {},
            h("strong", { class: "big" }, `${answered} of ${members.length} answered`),
            missing.length ? `; ${missing.length} not yet` : null,
            ". Held for ",
            age(running.started_at, "for"),
            `, started by ${running.started_by}.`,
          ),
          missing.length
            ? h(
                "p",
                {},
                mark("not_yet"),
                " Not yet: ",
                join(
                  ", ",
                  missing.map((station) => stationLink(station)),
                ),
                ".",
              )
            : null,
          leftDuring(gone),
        ]
      : null,
    operate
      ? h(
          "p",
          {},
          running
            ? h(
                "button",
                {
                  type: "button",
                  "data-act": "end-call",
                  "data-key": "end",
                  "data-call": running.id,
                },
                "End the roll call",
              )
            : h(
                "button",
                { type: "button", "data-act": "start-call", "data-key": "start" },
                "Start a roll call",
              ),
        )
      : null,
  );
}

// -- drawing --------------------------------------------------------------------------------------

function sentence(members, state) {
  if (state.stale) return "The data are old: how the members are now cannot be said.";
  if (!members.length) return `Nobody is a member of ${group} now.`;
  const told = STANDINGS.map((s) => [s, members.filter((row) => row.standing === s).length]).filter(
    ([, number]) => number,
  );
  if (told.length === 1 && told[0][0] === "in_reach") {
    return members.length === 1
      ? "The one member is in reach."
      : `All ${members.length} members are in reach.`;
  }
  const words = told.map(([standing, number]) => `${number} ${spoken(standing)}`);
  return `Of ${count(members.length, "member")}: ${words.join(", ")}.`;
}

function drawLeft(gone) {
  left.hidden = !gone.length;
  show(
    left,
    h("h2", { id: "left-head" }, "No longer members"),
    h(
      "ul",
      { class: "plain-list" },
      gone.map((row) =>
        h(
          "li",
          { "data-key": row.station },
          stationLink(row.station),
          " ",
          marked(row.standing),
          ": ",
          row.reasons.join("; "),
          ". Last heard on ",
          repeaterLink(row.repeater),
          " ",
          age(row.last_heard_at),
          ".",
        ),
      ),
    ),
  );
}

const feed = start([ROSTER], () => {
  const head = feed.row(ROSTER, "#roster");
  running = head?.roll_call ?? null;
  const roster = [...feed.rows(ROSTER)].filter(([key]) => key !== "#roster").map(([, row]) => row);
  const members = roster.filter(isMember);
  show(verdict, sentence(members, feed.state()));
  const gone = roster.filter((row) => !isMember(row));
  drawCall(members, gone);
  table.table.classList.toggle("no-call", !running);
  table.draw(members, running?.id ?? "");
  drawLeft(
    gone.sort(
      (a, b) =>
        STANDINGS.indexOf(a.standing) - STANDINGS.indexOf(b.standing) ||
        a.station.localeCompare(b.station),
    ),
  );
});
