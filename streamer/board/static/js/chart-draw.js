// Small charts as SVG. A chart is a description that is drawn for the width it is given: text keeps
// its size on a phone. Gaps are drawn as gaps; times in which nothing could be heard are hatched.
//
// A description: {key, title, unit, kind: "amount" | "level" | "readings", from, to, step_ms,
// points: [{at, value, low?, high?}], dark: [{from, to}], summary, least?: smallest step of the
// axis}. Times are ms since the epoch; value null: nothing known; `at` is where a step begins.

import { h, s, show } from "./dom.js";
import { clock, linear, roundTicks, stretches, timeTicks } from "./chart-scale.js";

const HEIGHT = 150;
const LEFT = 46;
const RIGHT = 10;
const TOP = 10;
const BOTTOM = 24;
const PX_PER_TIME = 90;
let figures = 0;

/** A figure that draws `describe()` anew on refresh() and whenever its width changes. */
export class Chart {
  constructor(title, unit) {
    this.id = `chart-${(figures += 1)}`;
    this.svg = s("svg", {
      class: "chart",
      role: "img",
      "aria-labelledby": `${this.id}-head ${this.id}`,
      height: HEIGHT,
    });
    this.summary = h("p", { class: "summary", id: this.id });
    this.node = h(
      "figure",
      { class: "chart-figure", "data-own": true },
      h(
        "figcaption",
        {},
        h(
          "h3",
          { id: `${this.id}-head` },
          title,
          unit ? h("span", { class: "quiet" }, `, ${unit}`) : null,
        ),
        this.summary,
      ),
      this.svg,
    );
    this.width = 0;
    new ResizeObserver(([entry]) => {
      const width = Math.round(entry.contentRect.width);
      if (width !== this.width) {
        this.width = width;
        this.#draw();
      }
    }).observe(this.node);
  }

  refresh(chart) {
    this.chart = chart;
    show(this.summary, chart.summary);
    this.#draw();
  }

  #draw() {
    if (!this.chart || this.width <= LEFT + RIGHT) return;
    const high = this.chart.rows ? TOP + BOTTOM + this.chart.rows.length * ROW : HEIGHT;
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${high}`);
    this.svg.setAttribute("height", high);
    show(
      this.svg,
      this.chart.rows ? strip(this.chart, this.width, high) : plot(this.chart, this.width),
    );
  }
}

// -- values over time ------------------------------------------------------------------------------

function plot(chart, width) {
  const values = chart.points
    .flatMap(({ value, low, high }) => [value, low, high])
    .filter(Number.isFinite);
  const fromZero = chart.kind === "amount" || chart.fromZero;
  const lowest = values.length ? Math.min(...values) : 0;
  const highest = values.length ? Math.max(...values) : 1;
  const ticks = roundTicks(fromZero ? 0 : lowest, highest, 3, chart.least ?? 0);
  const x = linear([chart.from, chart.to], [LEFT, width - RIGHT]);
  const y = linear([ticks[0], ticks.at(-1)], [HEIGHT - BOTTOM, TOP]);
  const draw = { amount: amounts, level: levels, readings }[chart.kind];
  return [
    darkTimes(chart, x, TOP, HEIGHT - BOTTOM),
    ticks.map((tick) => [
      s("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: px(y(tick)), y2: px(y(tick)) }),
      s(
        "text",
        { class: "tick", x: LEFT - 6, y: px(y(tick) + 4), "text-anchor": "end" },
        String(tick),
      ),
    ]),
    timeAxis(chart, x, HEIGHT - BOTTOM, width),
    draw(chart, x, y),
  ];
}

/** Bars from the axis up; a step with nothing has none. */
function amounts({ points, step_ms }, x, y) {
  const wide = Math.max(1, x(step_ms) - x(0) - 0.5);
  return points
    .filter(({ value }) => value)
    .map(({ at, value }) =>
      s("rect", {
        class: "bar",
        x: px(x(at)),
        width: px(wide),
        y: px(y(value)),
        height: px(Math.max(1, y(0) - y(value))),
      }),
    );
}

/** A line of means in a band from the least to the greatest value, broken where nothing is known. */
function levels({ points, step_ms }, x, y) {
  const middle = (point) => x(point.at + step_ms / 2);
  return stretches(points, step_ms).map((run) => {
    const over = run.map((point) => `${px(middle(point))} ${px(y(point.high ?? point.value))}`);
    const under = run
      .map((point) => `${px(middle(point))} ${px(y(point.low ?? point.value))}`)
      .reverse();
    const line = run.map((point) => `${px(middle(point))} ${px(y(point.value))}`);
    if (run.length === 1) {
      const [point] = run;
      return [
        s("path", { class: "whisker", d: `M${over[0]}L${under[0]}` }),
        s("circle", { class: "dot", cx: px(middle(point)), cy: px(y(point.value)), r: 2 }),
      ];
    }
    return [
      s("path", { class: "band", d: `M${[...over, ...under].join("L")}Z` }),
      s("path", { class: "line", d: `M${line.join("L")}` }),
    ];
  });
}

/** Single readings: no line, since nothing is known between them. */
function readings({ points }, x, y) {
  return points
    .filter(({ value }) => value !== null)
    .map(({ at, value }) => s("circle", { class: "dot", cx: px(x(at)), cy: px(y(value)), r: 4 }));
}

// -- places over time ------------------------------------------------------------------------------

const ROW = 30;
const NAME_LETTER_PX = 7.2;

/**
 * A row for each place, a bar for each stay. Its description has instead of points: rows: [name],
 * stays: [{row, from, known, to}]; from `known` (the last over there) to `to` the bar is dashed:
 * there is no telling where in between it left.
 */
function strip(chart, width, high) {
  const longest = Math.max(...chart.rows.map((name) => name.length), 0) * NAME_LETTER_PX;
  const left = Math.min(longest + 12, width * 0.4);
  const x = linear([chart.from, chart.to], [left, width - RIGHT]);
  const top = (row) => TOP + row * ROW;
  return [
    chart.rows.map((name, row) => [
      s("line", {
        class: "grid",
        x1: left,
        x2: width - RIGHT,
        y1: top(row) + ROW / 2,
        y2: top(row) + ROW / 2,
      }),
      s(
        "text",
        { class: "tick", x: left - 6, y: top(row) + ROW / 2 + 4, "text-anchor": "end" },
        name,
      ),
    ]),
    timeAxis(chart, x, high - BOTTOM, width),
    chart.stays.map(({ row, from, known, to }) => [
      s("line", {
        class: "between",
        x1: px(x(known)),
        x2: px(x(to)),
        y1: top(row) + ROW / 2,
        y2: top(row) + ROW / 2,
      }),
      s("rect", {
        class: "stay",
        x: px(x(from)),
        y: top(row) + 8,
        height: ROW - 16,
        width: px(Math.max(3, x(known) - x(from))),
      }),
    ]),
  ];
}

// -- shared ----------------------------------------------------------------------------------------

function timeAxis(chart, x, y, width) {
  const most = Math.max(2, Math.floor((width - LEFT - RIGHT) / PX_PER_TIME));
  const [left, right] = [x(chart.from), x(chart.to)];
  return [
    s("line", { class: "axis", x1: px(left), x2: px(right), y1: y, y2: y }),
    timeTicks(chart.from, chart.to, most).map((at) => [
      s("line", { class: "axis", x1: px(x(at)), x2: px(x(at)), y1: y, y2: y + 4 }),
      s(
        "text",
        { class: "tick", x: px(inside(x(at), left, right)), y: y + 17, "text-anchor": "middle" },
        clock(at),
      ),
    ]),
  ];
}

/** Keep a label of five characters between the ends. */
function inside(at, left, right) {
  return Math.max(left + 10, Math.min(right - 12, at));
}

/** Hatched by hand, line by line: a pattern would need an address, and addresses need care. */
function darkTimes(chart, x, top, bottom) {
  return (chart.dark ?? []).map(({ from, to }) => {
    const left = Math.max(x(from), x(chart.from));
    const right = Math.min(x(to), x(chart.to));
    const high = bottom - top;
    const strokes = [];
    for (let at = left - high; at < right; at += 7) {
      const [a, b] = [Math.max(at, left), Math.min(at + high, right)];
      if (b > a)
        strokes.push(`M${px(a)} ${px(bottom - (a - at))}L${px(b)} ${px(bottom - (b - at))}`);
    }
    return s("path", {
      class: "dark-time",
      d: `M${px(left)} ${top}V${bottom}M${px(right)} ${top}V${bottom}${strokes.join("")}`,
    });
  });
}

function px(value) {
  return Math.round(value * 10) / 10;
}
