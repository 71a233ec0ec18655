// A gateway that was written from the AsyncAPI document alone.
//
// node gateway.mjs BROKER ASYNCAPI.json REGION GATEWAY REPEATER STATION GROUP
//
// Topics, MQTT settings, schemas and the answers to wait for are read from the document. It
// reports, hears a station check in, carries the group, waits for what is answered, prints one
// JSON object, and then is gone without a word.
import { randomBytes } from "node:crypto";
import { readFileSync } from "node:fs";
import Ajv from "ajv";
import addFormats from "ajv-formats";
import mqtt from "mqtt";

const DEADLINE_MS = 30_000;
const [broker, path, region, gateway, repeater, station, group] = process.argv.slice(2);
const document = JSON.parse(readFileSync(path, "utf8"));

const follow = (reference) =>
  reference.slice(2).split("/").reduce((found, step) => found[step], document);

function address(channel) {
  const values = { region, gateway, group };
  return follow(channel.$ref).address.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

// The schemas of AsyncAPI's own format are a superset of JSON Schema draft 07.
const ajv = new Ajv({ strict: false });
addFormats(ajv);
ajv.addSchema({ $id: "document", components: document.components });

function judge(messageReference) {
  const message = follow(follow(messageReference).$ref);
  const schema = JSON.stringify(message.payload).replaceAll('"#/', '"document#/');
  return ajv.compile(JSON.parse(schema));
}

// What the workers receive a gateway sends, and the other way round.
function outgoing(name) {
  const operation = document.operations[name];
  if (operation.action !== "receive") throw new Error(`${name} is nothing to send`);
  const check = judge(operation.messages[0].$ref);
  const { qos, retain } = operation.bindings.mqtt;
  return { topic: address(operation.channel), options: { qos, retain }, check };
}

function incoming(name) {
  const operation = document.operations[name];
  if (operation.action !== "send") throw new Error(`${name} is nothing to read`);
  const checks = operation.messages.map((one) => judge(one.$ref));
  return { topic: address(operation.channel), check: (body) => checks.some((c) => c(body)) };
}

const heard = outgoing("receiveHeard");
const route = outgoing("receiveRoute");
const state = outgoing("receiveState");
const replies = incoming("sendReply");
const fanouts = incoming("sendFanout");

function checked(kind, payload) {
  if (!kind.check(payload)) {
    throw new Error(`${kind.topic}: ${JSON.stringify(kind.check.errors)}`);
  }
  return JSON.stringify(payload);
}

function bootId() {
  // RFC 9562, 5.7: 48 bits of milliseconds, version 7, the rest random.
  const hex =
    Date.now().toString(16).padStart(12, "0") + "7" + randomBytes(10).toString("hex").slice(1);
  const parts = [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16)];
  return [...parts, "8" + hex.slice(17, 20), hex.slice(20, 32)].join("-");
}

const now = () => new Date().toISOString();
const boot = bootId();
const common = { v: 1, boot };
let seq = 0;
const numbered = () => ({ ...common, seq: ++seq, sent_at: now() });

const lastWill = document.servers.plain.bindings.mqtt.lastWill;
const client = mqtt.connect(broker, {
  protocolVersion: 5,
  clientId: `gateway-${gateway}`,
  reconnectPeriod: 0,
  will: {
    topic: lastWill.topic.replace("{region}", region).replace("{gateway}", gateway),
    payload: checked(state, { ...common, session: 1, sent_at: now(), up: false }),
    qos: lastWill.qos,
    retain: lastWill.retain,
  },
});

const waiting = [];
function next(topic, wanted, what) {
  return new Promise((resolve, reject) => {
    const timer = setTimeout(() => reject(new Error(`waited in vain for ${what}`)), DEADLINE_MS);
    waiting.push({ topic, wanted, done: (found) => (clearTimeout(timer), resolve(found)) });
  });
}

client.on("message", (topic, bytes) => {
  const receivedAt = Date.now();
  const body = JSON.parse(bytes.toString());
  const kind = [replies, fanouts].find((one) => one.topic === topic);
  if (!kind || !kind.check(body)) throw new Error(`${topic}: not as the document says: ${bytes}`);
  for (const one of waiting.filter((w) => w.topic === topic && w.wanted(body))) {
    waiting.splice(waiting.indexOf(one), 1);
    one.done({ body, receivedAt });
  }
});

const send = (kind, payload) =>
  client.publishAsync(kind.topic, checked(kind, payload), kind.options);

await new Promise((resolve, reject) => client.once("connect", resolve).once("error", reject));
await client.subscribeAsync([replies.topic, fanouts.topic], { qos: 1 });

const time = next(replies.topic, (r) => r.kind === "time" && r.boot === boot, "the time");
const acknowledged = next(replies.topic, (r) => r.kind === "ack", "the acknowledgement");
const carried = next(
  fanouts.topic,
  (f) => f.repeaters.some((r) => r.carriage === "carried"),
  "the fan-out",
);

const repeaters = [{ id: repeater, up: true }];
await send(state, { ...common, session: 1, seq: 1, sent_at: now(), up: true, repeaters });
const over = `${gateway}-1`;
const keyed = now();
await send(heard, { ...numbered(), repeater, station, to: group, over, phase: "start" });
await send(route, { ...numbered(), repeater, group, action: "carrying", at: now() });
// Two at once, as after an outage.
await send(heard, [
  {
    ...numbered(),
    repeater,
    station,
    to: group,
    over,
    phase: "end",
    started_at: keyed,
    rssi_dbm: -101.5,
  },
  { ...numbered(), repeater, station: "QX3GHI", to: null, over: `${gateway}-2`, phase: "start" },
]);

const { body: answer, receivedAt } = await time;
const { body: ack } = await acknowledged;
const { body: fanout } = await carried;

// RFC 5905, section 8: offset and delay from four times.
const [t1, t2, t3] = [answer.agent_sent_at, answer.received_at, answer.replied_at].map(Date.parse);
const report = {
  acknowledged: { station: ack.station, text: ack.text, over: ack.over },
  fanout: Object.fromEntries(
    fanout.repeaters.map((r) => [r.repeater, { members: r.members, carriage: r.carriage }]),
  ),
  clock_offset_s: (t2 - t1 + (t3 - receivedAt)) / 2000,
  round_trip_s: (receivedAt - t1 - (t3 - t2)) / 1000,
};
process.stdout.write(JSON.stringify(report) + "\n", () => {
  client.stream.destroy(); // no DISCONNECT: the broker sends the will
  process.exit(0);
});
