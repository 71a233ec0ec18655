// Judges payloads by the contract's schemas with ajv: node validate.mjs TASK.json
// Prints an array of true and false, one for each case of the task.
import { readFileSync } from "node:fs";
import Ajv2020 from "ajv/dist/2020.js";
import addFormats from "ajv-formats";

const task = JSON.parse(readFileSync(process.argv[2], "utf8"));
// Strict: an unknown keyword or a format that nobody checks is an error.
const ajv = new Ajv2020({ strict: true, strictRequired: false });
addFormats(ajv);

const judges = {};
for (const [name, schema] of Object.entries(task.schemas)) judges[name] = ajv.compile(schema);
console.log(JSON.stringify(task.cases.map((one) => judges[one.kind](one.payload))));
