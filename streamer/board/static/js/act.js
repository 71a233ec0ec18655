// Acts: requests that change something. The server checks every one of them again.

import { signIn } from "./feed.js";

const RANKS = { public: 0, view: 1, operate: 2, admin: 3 };
const TIMEOUT_MS = 15_000;

/** Whether the person's role reaches `role`: decides what is offered, never what is allowed. */
export function may(role) {
  return (RANKS[document.documentElement.dataset.role] ?? 0) >= RANKS[role];
}

/** The name that stands with what the person does. */
export function me() {
  return document.documentElement.dataset.name ?? "";
}

/** What went wrong, in words. `status` 0: no answer came. `errors`: a line for each fault. */
export class Problem extends Error {
  constructor(status, title, detail, errors = []) {
    super(detail || title);
    this.status = status;
    this.title = title;
    this.errors = errors;
  }
}

/** Read a JSON document of the API. */
export function get(path) {
  return send("GET", path);
}

/**
 * Do something. Returns the answer's document, or null if there is none; throws Problem.
 * @param {"POST"|"PUT"|"DELETE"} method
 */
export function act(method, path, body = {}) {
  return send(method, path, body);
}

/** One part of a path: call signs and alert ids may hold anything. */
export function part(text) {
  return encodeURIComponent(text);
}

async function send(method, path, body) {
  const headers = { accept: "application/json, application/problem+json" };
  const request = { method, headers };
  if (method !== "GET") {
    headers["x-csrf-token"] = token();
    headers["content-type"] = "application/json";
    request.body = JSON.stringify(body);
  }
  let answer = await reach(path, request);
  if (answer.status === 403 && method !== "GET" && (await freshToken())) {
    // The board was started anew and has given this browser another session: once more.
    headers["x-csrf-token"] = token();
    answer = await reach(path, request);
  }
  const said = await read(answer);
  if (answer.ok) return said;
  if (answer.status === 401 && path !== "/api/v1/session") signIn();
  throw new Problem(
    answer.status,
    said?.title ?? `Answer ${answer.status}`,
    detailOf(said) ?? said?.title ?? `The board answered ${answer.status}.`,
    said?.errors ?? [],
  );
}

async function reach(path, request) {
  try {
    return await fetch(path, { ...request, signal: AbortSignal.timeout(TIMEOUT_MS) });
  } catch {
    throw new Problem(0, "No answer", "The board does not answer. Nothing is known to be done.");
  }
}

/** Whether the session has another token than this page knows; then the page knows it now. */
async function freshToken() {
  const answer = await reach("/api/v1/session", { headers: { accept: "application/json" } });
  const said = answer.ok ? (await read(answer))?.csrf_token : null;
  if (!said || said === token()) return false;
  document.querySelector('meta[name="csrf-token"]').content = said;
  return true;
}

async function read(answer) {
  try {
    return await answer.json();
  } catch {
    return null; // 204, or a proxy's page
  }
}

function detailOf(said) {
  const detail = said?.detail;
  return typeof detail === "string" ? detail : detail ? JSON.stringify(detail) : null;
}

function token() {
  return document.querySelector('meta[name="csrf-token"]')?.content ?? "";
}
