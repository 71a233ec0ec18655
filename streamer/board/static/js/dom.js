// Making and changing elements. Text only ever becomes text nodes: nothing here parses markup.
//
// Pages describe what they want with h() and put it in place with show() or rows(): nodes that are
// already there are kept and changed, so that focus, selection and scrolling survive an update.
// Listeners are not carried over from the fresh description; put one listener on a container and
// tell the buttons apart by a data attribute (see on()).

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element. Attributes that are null, undefined or false are left out, true is "". */
export function h(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same for SVG; geometry goes into attributes, since style attributes are forbidden here. */
export function s(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") {
      node.addEventListener(name.replace(/^on/, ""), value);
    } else {
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...nodes(children));
  return node;
}

/** Strings, numbers, nodes, arrays of them, null and false: as a flat list of nodes and texts. */
export function nodes(children) {
  return [children]
    .flat(Infinity)
    .filter((child) => child !== null && child !== undefined && child !== false && child !== "")
    .map((child) => (child instanceof Node ? child : document.createTextNode(String(child))));
}

/** Parts with a text between each two: join(", ", names.map(stationLink)). */
export function join(between, parts) {
  return parts.flatMap((part, n) => (n ? [between, part] : [part]));
}

/** Put these very nodes into `parent`, in place of what is there: for what a page keeps hold of. */
export function mount(parent, ...children) {
  parent.replaceChildren(...nodes(children));
}

/**
 * Let `parent` hold what these children describe, keeping nodes that are there already. What is
 * given is a description: do not keep hold of it, the node in the page may be an older one.
 */
export function show(parent, ...children) {
  keepFocus(() => arrange(parent, nodes(children)));
}

/**
 * A list whose items have keys. `make(item)` is called only for items that are new or another
 * object than last time (the feed makes a new object for every changed row), or if `stamp` (any
 * text that the rows depend on besides) has changed.
 */
export function rows(parent, items, keyOf, make, stamp = "") {
  const before = lists.get(parent) ?? { stamp, known: new Map() };
  const known = new Map();
  const wanted = items.map((item) => {
    const key = String(keyOf(item));
    const old = before.known.get(key);
    let node = old?.node;
    if (!old || old.item !== item || before.stamp !== stamp) {
      const fresh = make(item);
      fresh.dataset.key = key;
      node = old && alike(old.node, fresh) ? keepFocus(() => patch(old.node, fresh)) : fresh;
    }
    known.set(key, { item, node });
    return node;
  });
  lists.set(parent, { stamp, known });
  keepFocus(() => place(parent, wanted));
}

const lists = new WeakMap();

// -- keeping nodes -----------------------------------------------------------------------------

function arrange(parent, fresh) {
  const keyed = new Map();
  const plain = [];
  for (const child of parent.childNodes) {
    const key = child.dataset?.key;
    if (key === undefined) plain.push(child);
    else keyed.set(key, child);
  }
  const wanted = fresh.map((node) => {
    const key = node.dataset?.key;
    const old = key === undefined ? plain.shift() : keyed.get(key);
    return old && alike(old, node) ? patch(old, node) : node;
  });
  place(parent, wanted);
}

function alike(old, fresh) {
  return old.nodeType === fresh.nodeType && old.nodeName === fresh.nodeName;
}

function patch(old, fresh) {
  if (old === fresh) return old;
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return old;
  }
  // What a person or another module fills in itself stays as it is.
  if (old.hasAttribute("data-own")) return old;
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name) && !ofThePerson(old, name)) old.removeAttribute(name);
  }
  for (const { name, value } of [...fresh.attributes]) {
    if (old.getAttribute(name) !== value && !ofThePerson(old, name)) old.setAttribute(name, value);
  }
  arrange(old, [...fresh.childNodes]);
  return old;
}

/** What the person has opened stays open. */
function ofThePerson(node, name) {
  return name === "open" && (node.nodeName === "DETAILS" || node.nodeName === "DIALOG");
}

function place(parent, wanted) {
  const kept = new Set(wanted);
  for (const child of [...parent.childNodes]) if (!kept.has(child)) child.remove();
  let next = parent.firstChild;
  for (const node of wanted) {
    if (node === next) next = next.nextSibling;
    else parent.insertBefore(node, next);
  }
}

const FOCUSABLE = "button, a[href], input, select, summary";

/**
 * Moving a node takes the focus from it: give it back. If the node is gone, what is nearest to its
 * place gets the focus, so that whoever works by keyboard does not begin at the top again.
 */
function keepFocus(work) {
  const focused = document.activeElement;
  const near = [];
  for (let node = focused; node && node !== document.body; node = node.parentElement) {
    near.push(node.nextElementSibling, node.previousElementSibling, node.parentElement);
  }
  const result = work();
  if (!focused || focused === document.body || focused === document.activeElement) return result;
  if (focused.isConnected) focused.focus({ preventScroll: true });
  else if (document.activeElement === document.body) inherit(near);
  return result;
}

function inherit(near) {
  for (const node of near) {
    if (!node?.isConnected) continue;
    const heir = node.matches(FOCUSABLE)
      ? node
      : (node.querySelector("button") ?? node.querySelector(FOCUSABLE));
    if (!heir && node.nodeName !== "MAIN") continue;
    (heir ?? node).focus({ preventScroll: true });
    return;
  }
}

// -- listening ---------------------------------------------------------------------------------

/** One listener for all elements within `parent` that match, now and later. */
export function on(parent, event, selector, work) {
  parent.addEventListener(event, (happened) => {
    const found = happened.target.closest?.(selector);
    if (found && parent.contains(found)) work(found, happened);
  });
}

/** Change a text only if it differs, so that nothing is announced or painted without need. */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
