// What is to be seen on the map, from the rows of the feed: pure, nothing is drawn here.

const FRESH_S = 300;
const OLD_S = 1800;
const GONE = ["expired", "checked_out"];

/** Words for what a repeater does about a group. */
export const CARRIAGE = {
  carried: "carried",
  starved: "starved: wanted, not carried",
  not_yet: "wanted, not yet carried",
  idle: "idle: carried for nobody",
  barred: "barred",
  unknown: "not known whether carried",
  not_carried: "not carried, and nobody is there to miss it",
};

const REPORTS = { true: "reporting", false: "not reporting" };

export const AGES = {
  fresh: "under 5 min old",
  ageing: "5 to 30 min old",
  old: "more than 30 min old",
  never: "no position known",
};

/** How old a position is, in three steps; the drawing tells them apart by the symbol's outline. */
export function ageStep(age_s) {
  if (age_s === null) return "never";
  return age_s < FRESH_S ? "fresh" : age_s < OLD_S ? "ageing" : "old";
}

/** An age for a label, in one unit: `40 s old`, `6 min old`, `1 h old`. */
export function shortAge(age_s) {
  if (age_s < 60) return `${Math.max(0, Math.floor(age_s))} s old`;
  return age_s < 3600 ? `${Math.floor(age_s / 60)} min old` : `${Math.floor(age_s / 3600)} h old`;
}

/**
 * Repeaters of the `gateways` table, in the order of their names.
 * @param {Map} gateways rows by gateway
 * @param {Map|null} fanout rows of `fanout/{GROUP}` by repeater, if one group is looked at
 * @param {Array} members the members that are drawn
 */
export function repeatersOf(gateways, fanout, members) {
  const here = new Map();
  for (const member of members) {
    if (!member.repeater) continue;
    here.set(member.repeater, [...(here.get(member.repeater) ?? []), member]);
  }
  return [...gateways.values()]
    .flatMap((gateway) => gateway.repeaters.map((row) => ({ ...row, gateway })))
    .map((row) => ({
      kind: "repeater",
      key: `repeater ${row.repeater}`,
      name: row.repeater,
      title: row.title,
      place: placeOf(row),
      range_km: row.range_km ?? null,
      reporting: row.reporting ?? null,
      word: REPORTS[row.reporting] ?? "not known whether it reports",
      since: row.since,
      reason: row.reason,
      gateway: row.gateway.gateway,
      keeper: row.gateway.keeper,
      antenna_m: row.antenna_m ?? null,
      freq_mhz: row.freq_mhz ?? null,
      carriage: fanout ? (fanout.get(row.repeater)?.state ?? "none") : null,
      members: here.get(row.repeater) ?? [],
    }))
    .sort(byName);
}

/**
 * Members of the `places` table, of one group or of all, in the order of their call signs. The same
 * row gives the same object until its age comes to the next step, so that only what has changed is
 * drawn anew.
 */
export function membersOf(places, group, now_ms) {
  return [...places.values()]
    .filter((row) => !GONE.includes(row.standing))
    .filter((row) => !group || row.groups.includes(group))
    .map((row) => {
      const place = placeOf(row);
      const age_s = place && row.position_at ? (now_ms - Date.parse(row.position_at)) / 1000 : null;
      const age = ageStep(age_s);
      const before = made.get(row);
      if (before?.age === age) return before;
      made.set(row, memberOf(row, place, age));
      return made.get(row);
    })
    .sort(byName);
}

const made = new WeakMap();

function memberOf(row, place, age) {
  return {
    kind: "member",
    key: `member ${row.station}`,
    name: row.station,
    place,
    position_at: place ? row.position_at : null,
    age,
    repeater: row.repeater ?? null,
    last_heard_at: row.last_heard_at ?? null,
    standing: row.standing,
    word: String(row.standing ?? "not known").replaceAll("_", " "),
    groups: row.groups,
  };
}

/**
 * Where each thing is drawn: [{thing, place, byRepeater}], members without a position at their
 * repeater, and apart those for which there is no place at all.
 */
export function placed(repeaters, members) {
  const sites = new Map(repeaters.map((one) => [one.name, one.place]));
  const all = [...repeaters, ...members].map((thing) => {
    const byRepeater = thing.kind === "member" && !thing.place;
    return {
      thing,
      place: byRepeater ? (sites.get(thing.repeater) ?? null) : thing.place,
      byRepeater,
    };
  });
  return {
    drawn: all.filter(({ place }) => place),
    nowhere: all.filter(({ place }) => !place).map(({ thing }) => thing),
  };
}

/** One line that says all of a thing: the name of its symbol for a screen reader. */
export function spoken(thing, age = "") {
  if (thing.kind === "repeater") {
    const here = thing.members.length;
    const parts = [`Repeater ${thing.name}`, thing.word];
    if (thing.carriage) parts.push(CARRIAGE[thing.carriage] ?? "not concerned");
    parts.push(here === 0 ? "nobody here" : here === 1 ? "1 member here" : `${here} members here`);
    return parts.join(", ");
  }
  const where = thing.place ? `position ${age || AGES[thing.age]}` : `drawn at ${thing.repeater}`;
  return `${thing.name}, ${thing.word}, ${where}`;
}

function placeOf(row) {
  return Number.isFinite(row.lat) && Number.isFinite(row.lon)
    ? { lat: row.lat, lon: row.lon }
    : null;
}

function byName(a, b) {
  return a.name < b.name ? -1 : a.name > b.name ? 1 : 0;
}
