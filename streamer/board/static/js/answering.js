// Marking by hand that somebody answered a roll call.

import { act, part } from "./act.js";
import { ask, note, noteOf } from "./dialog.js";
import { say } from "./frame.js";

/** Ask and mark. Returns whether it was done. `call` is the id of the roll call that is shown: while
 * the dialog is open another may have begun, in which it has not answered. */
export async function markAnswered(group, station, call) {
  const done = await ask({
    title: `${station} answered`,
    text: "Mark that it answered the roll call by a way the gateways did not hear.",
    fields: [note("Note: how it answered (may stay empty)")],
    button: "It answered",
    work: (values) =>
      act("POST", `/api/v1/groups/${part(group)}/roll-call/answers/${part(station)}`, {
        roll_call: call,
        note: noteOf(values),
      }),
  });
  if (done) say(`${station} is marked as answered.`);
  return done;
}
