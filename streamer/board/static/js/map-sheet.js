// The map itself: an SVG whose ground layers are scaled as a whole, while symbols and labels are
// laid out anew in pixels whenever the view or the things change.
//
// Ground layers, from below: base, what a repeater was learned to hear, where a station may be,
// ranges. All are paths in metres.

import { s, show } from "./dom.js";
import { baseLayer } from "./map-base.js";
import { cellPaths, cellPoints } from "./map-cells.js";
import { listenTo } from "./map-input.js";
import { around, gathered, labelled, spread } from "./map-layout.js";
import { spoken } from "./map-scene.js";
import {
  CLEAR_PX,
  CROWD_PX,
  PICKED_PX,
  crowdSign,
  memberSign,
  repeaterSign,
  reportingClass,
} from "./map-symbols.js";
import * as views from "./map-view.js";
import { middleOf, projectionAbout } from "./projection.js";

export class MapSheet {
  #projection = null;
  #view = null;
  #touched = false; // whether somebody has moved the map: then it is never moved by itself
  #drawn = [];
  #places = [];
  #base = { paths: [], names: [], points: [], left: 0 };
  #shapes = [];
  #waiting = false;
  #baseOf = [];
  #cells = { coverage: [], look: [] };
  #onLook = false; // whether the map shows where to look before all else
  #ground;
  #labels;
  #things;
  #bar;

  /**
   * @param {{label: string, help: string, onPick: (things: Array) => void, text: (thing) => string}}
   *   plan: label and id of the help for screen readers; what to do when a symbol is picked; what
   *   a thing's label says
   */
  constructor(plan) {
    this.plan = plan;
    this.picked = null;
    this.ground = {
      base: s("g", { class: "base-layer" }),
      coverage: s("g", { class: "cells" }),
      look: s("g", { class: "cells" }),
      ranges: s("g", { class: "ranges" }),
    };
    this.#ground = s("g", { "aria-hidden": "true" }, Object.values(this.ground));
    this.#labels = s("g", { class: "labels", "aria-hidden": "true" });
    this.#things = s("g", { class: "things" });
    this.#bar = s("g", { class: "scale-bar" });
    this.svg = s(
      "svg",
      {
        class: "map",
        tabindex: 0,
        role: "application",
        "aria-roledescription": "map",
        "aria-label": plan.label,
        "aria-describedby": plan.help,
      },
      this.#ground,
      this.#labels,
      this.#things,
      this.#bar,
    );
    listenTo(this.svg, this);
    this.#things.addEventListener("focusin", (event) => this.#focused(event.target));
    new ResizeObserver(() => this.#resize()).observe(this.svg);
  }

  /** How many shapes of the base layer lie too far away to be drawn, and how many there are. */
  get base() {
    return { left: this.#base.left, all: this.#shapes.length };
  }

  setBase(shapes) {
    this.#shapes = shapes;
    this.#settle();
  }

  /** @param {Array<{thing, place, byRepeater}>} drawn in the order in which keys go through them */
  setThings(drawn) {
    this.#drawn = drawn;
    this.#settle();
  }

  /** @param {"coverage"|"look"} layer
   *  @param {Array} cells of map-cells.js; those of `look` are brought on the screen when they first come */
  setCells(layer, cells) {
    if (layer === "look" && cells.length && !this.#cells.look.length) {
      this.#touched = false;
      this.#onLook = true;
    }
    this.#cells[layer] = cells;
    this.#settle();
    if (this.#projection)
      show(this.ground[layer], cellPaths(cells, this.#projection, `is-${layer}`));
  }

  /** Show a thing as picked, and bring it on the screen. */
  pickKey(key) {
    this.picked = key;
    const place = this.#placeOf(key);
    if (place) this.#look(views.withInside(this.#view, place.at));
    this.#later();
  }

  // -- what the input asks for ---------------------------------------------------------------------

  move(dx, dy) {
    this.#look(this.#view && views.moved(this.#view, dx, dy));
  }

  /** Without a point: about the symbol that has the focus, else about the middle. */
  zoom(factor, at = this.#placeOf(document.activeElement?.dataset?.key)?.at) {
    this.#look(this.#view && views.zoomed(this.#view, factor, at));
  }

  /** Show everything there is: what is on the network, and without any of it the base layer. */
  fit() {
    this.#touched = false;
    this.#onLook = false;
    this.#resize();
  }

  /** Focus the next symbol, or the previous, or with Infinity the last or first. */
  step(by) {
    if (!this.#places.length) return;
    const keys = this.#places.map(({ key }) => key);
    const now = keys.indexOf(document.activeElement?.dataset?.key);
    const next = now < 0 && Math.abs(by) === 1 ? (by > 0 ? 0 : keys.length - 1) : now + by;
    this.#focus(keys[Math.max(0, Math.min(keys.length - 1, next))]);
  }

  pick(target) {
    const node = target.closest?.("[data-key]");
    if (node && this.#things.contains(node)) this.#focus(node.dataset.key);
  }

  // -- view ------------------------------------------------------------------------------------------

  #look(view) {
    if (!view || view === this.#view) return;
    this.#view = view;
    this.#touched = true;
    this.#later();
  }

  /** The map's middle is chosen once, from whatever has a place first. */
  #settle() {
    const known = this.#drawn.map(({ place }) => place);
    const base = this.#shapes.flatMap(({ parts }) => parts[0].slice(0, 1));
    if (!this.#projection) {
      const from = known.length ? known : base.map(([lon, lat]) => ({ lat, lon }));
      if (!from.length) return;
      this.#projection = projectionAbout(middleOf(from));
      for (const [layer, cells] of Object.entries(this.#cells))
        show(this.ground[layer], cellPaths(cells, this.#projection, `is-${layer}`));
    }
    if (this.#baseOf !== this.#shapes) {
      this.#baseOf = this.#shapes;
      this.#base = baseLayer(this.#shapes, this.#projection);
      show(this.ground.base, this.#base.paths);
    }
    show(this.ground.ranges, this.#ranges());
    if (this.#touched && this.#view) this.#later();
    else this.#resize();
  }

  #resize() {
    const { width, height } = this.svg.getBoundingClientRect();
    if (!this.#projection || !width || !height) return;
    this.#view =
      this.#touched && this.#view
        ? views.resized(this.#view, width, height)
        : views.fitted(this.#extent(), width, height);
    this.#later();
  }

  #extent() {
    if (this.#onLook && this.#cells.look.length)
      return cellPoints(this.#cells.look, this.#projection);
    const points = this.#drawn.map(({ place }) => this.#projection.forward(place.lat, place.lon));
    for (const { thing, place } of this.#drawn) {
      if (thing.range_km) points.push(...this.#ring(thing, place));
    }
    return points.length ? points : this.#base.points;
  }

  // -- drawing ---------------------------------------------------------------------------------------

  #later() {
    if (this.#waiting) return;
    this.#waiting = true;
    requestAnimationFrame(() => {
      this.#waiting = false;
      this.#draw();
    });
  }

  #ring(thing, place) {
    return this.#projection.ring(place.lat, place.lon, thing.range_km * 1000);
  }

  /** Ranges are drawn as points on the ground, so they are right wherever they lie on the map. */
  #ranges() {
    return this.#drawn
      .filter(({ thing }) => thing.kind === "repeater" && thing.range_km)
      .map(({ thing, place }) =>
        s("path", {
          "data-key": thing.key,
          class: `range ${reportingClass(thing.reporting)}${aside(thing) ? " aside" : ""}`,
          d: `M${this.#ring(thing, place)
            .map(([x, y]) => `${Math.round(x)} ${Math.round(y)}`)
            .join("L")}Z`,
        }),
      );
  }

  #draw() {
    const view = this.#view;
    if (!view) return;
    const [left, top] = views.toScreen(view, [0, 0]);
    this.#ground.setAttribute(
      "transform",
      `translate(${left} ${top}) scale(${view.scale} ${-view.scale})`,
    );
    const focused = this.#things.contains(document.activeElement)
      ? document.activeElement.dataset.key
      : null;
    this.#places = this.#layout();
    show(
      this.#things,
      this.#places.map((place) => this.#symbol(place)),
    );
    show(this.#labels, this.#texts());
    show(this.#bar, this.#scaleBar());
    if (focused && !this.#things.contains(document.activeElement)) this.#keepFocus(focused);
  }

  #layout() {
    const things = this.#drawn.map(({ thing, place }) => ({
      key: thing.key,
      at: views.toScreen(this.#view, this.#projection.forward(place.lat, place.lon)),
      fixed: thing.kind === "repeater",
      thing,
    }));
    const order = new Map(things.map(({ key }, k) => [key, k]));
    return spread(gathered(things)).sort((a, b) => order.get(a.key) - order.get(b.key));
  }

  #symbol({ key, at: [x, y], from, things }) {
    const { thing } = things[0];
    const crowd = things.length > 1;
    const picked = things.some(({ key: one }) => one === this.picked);
    const label = crowd
      ? `${things.length} members at one place: ${things.map((one) => one.thing.name).join(", ")}`
      : spoken(thing);
    const sign = crowd
      ? crowdSign(things.map((one) => one.thing))
      : thing.kind === "repeater"
        ? repeaterSign(thing)
        : memberSign(thing);
    return s(
      "g",
      {
        "data-key": key,
        class: `thing${picked ? " picked" : ""}`,
        transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`,
        tabindex: -1,
        role: "button",
        "aria-label": label,
        "aria-pressed": String(picked),
      },
      from
        ? s("line", { class: "lead", x2: (from[0] - x).toFixed(1), y2: (from[1] - y).toFixed(1) })
        : null,
      s("circle", { class: "finger", r: CLEAR_PX }),
      sign,
    );
  }

  /** Labels: the picked one first, then trouble, then the others as far as there is room. */
  #texts() {
    const wanted = this.#places
      .filter(({ at }) => this.#onScreen(at))
      .map((place) => ({ ...place, text: this.#textOf(place), rank: this.#rank(place) }))
      .map((place) => ({ ...place, clear: place.rank === 0 ? PICKED_PX : clearOf(place) }))
      .map((place) => ({
        ...place,
        must: place.rank === 0 || (place.rank === 1 && place.things[0].thing.reporting === false),
      }))
      .sort((a, b) => a.rank - b.rank);
    const names = this.#base.names
      .map((name, k) => ({
        ...name,
        key: `name ${k}`,
        clear: 0,
        at: views.toScreen(this.#view, name.at),
      }))
      .filter(({ at }) => this.#onScreen(at));
    const taken = this.#places.map((place) => around(place.at, clearOf(place) - 2));
    const found = labelled([...wanted, ...names], taken, this.#view.width);
    return [...wanted, ...names]
      .filter(({ key }) => found.has(key))
      .map(({ key, text, kind, things }) => {
        const { x, y, anchor } = found.get(key);
        const looks = things
          ? things[0].thing.kind === "repeater"
            ? "site"
            : "person"
          : `name name-${kind}`;
        return s(
          "text",
          {
            "data-key": key,
            class: looks,
            x: x.toFixed(1),
            y: y.toFixed(1),
            "text-anchor": anchor,
          },
          text,
        );
      });
  }

  #textOf({ things }) {
    return things.length > 1 ? `${things.length} members` : this.plan.text(things[0].thing);
  }

  #rank({ things }) {
    if (things.some(({ key }) => key === this.picked)) return 0;
    const { thing } = things[0];
    if (thing.kind === "repeater")
      return aside(thing) ? 5 : thing.reporting && thing.carriage !== "starved" ? 3 : 1;
    return things.some((one) => one.thing.standing !== "in_reach") ? 2 : 4;
  }

  #onScreen([x, y]) {
    return x > 0 && y > 0 && x < this.#view.width && y < this.#view.height;
  }

  #scaleBar() {
    const { pixels, text } = views.scaleBar(this.#view);
    const y = this.#view.height - 14;
    return [
      s("path", { d: `M12 ${y - 6}V${y}H${(12 + pixels).toFixed(1)}V${y - 6}` }),
      s("text", { x: 18, y: y - 5 }, text),
    ];
  }

  // -- focus -----------------------------------------------------------------------------------------

  #placeOf(key) {
    return this.#places.find(({ things }) => things.some((one) => one.key === key)) ?? null;
  }

  #focus(key) {
    this.#things.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
  }

  #focused(node) {
    const place = this.#placeOf(node.closest("[data-key]").dataset.key);
    if (!place) return;
    this.plan.onPick(place.things.map(({ thing }) => thing));
    this.pickKey(place.key);
  }

  /** The symbol that had the focus is gone, or is part of another now. */
  #keepFocus(key) {
    const place = this.#placeOf(key);
    if (place) this.#focus(place.key);
    else this.svg.focus({ preventScroll: true });
  }
}

function clearOf({ things }) {
  return things.length > 1 ? CROWD_PX : CLEAR_PX;
}

/** Whether a repeater has nothing to do with the group that is looked at. */
function aside(thing) {
  return thing.carriage === "none" || thing.carriage === "not_carried";
}
