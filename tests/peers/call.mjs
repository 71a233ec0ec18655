// Calls functions of the board's scripts: each line of standard input is a JSON list of
// {module, name, args, methods}. With `methods`, a list of [method, args], each is called on the
// object that came back, and their results are the result. A line of results answers each line.
import { createInterface } from "node:readline";

for await (const line of createInterface({ input: process.stdin })) {
  try {
    const results = [];
    for (const task of JSON.parse(line)) results.push(await call(task));
    console.log(JSON.stringify({ results }));
  } catch (error) {
    console.log(JSON.stringify({ error: error.stack }));
  }
}

async function call({ module, name, args, methods }) {
  const result = (await import(`./js/${module}.js`))[name](...args.map(alive));
  return methods ? methods.map(([method, more]) => result[method](...more)) : dead(result);
}

/** {"$map": [[key, value], ...]} is a Map. */
function alive(value) {
  return value && value.$map ? new Map(value.$map) : value;
}

function dead(value) {
  return value instanceof Map ? Object.fromEntries(value) : value;
}
