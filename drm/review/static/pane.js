// The traces of one reading on linked axes, with its instants as flags that can be taken hold of.

import * as api from "./api.js";
import { PANELS, panel, points } from "./chart.js";
import { el, bdi, figure } from "./draw.js";

const PARTS = ["main", "arcing"];
const NEAR_PX = 6;
// Height of all panels, and of what stands above and below them on the page.
const TALL_PX = Object.values(PANELS).reduce((sum, p) => sum + p.height, 0);
const AROUND_PX = 340;

export class Pane {
  constructor(root, { editable, onMove, onRange }) {
    Object.assign(this, { root, editable, onMove, onRange, plots: {}, names: [], band: null, few: false });
    this.at = { main: null, arcing: null };
    this.moved = { main: false, arcing: false };
    this.title = el("h3");
    this.flags = el("div", { class: "flags" });
    this.traces = el("div", { class: "traces", tabindex: "0", role: "group" });
    this.readout = el("p", { class: "readout", "aria-hidden": "true" });
    root.append(this.title, this.flags, this.traces, this.readout);
    this.flag = Object.fromEntries(PARTS.map((part) => [part, this.#flagOf(part)]));
    this.traces.addEventListener("keydown", (e) => this.#key(e));
    // Taken before the panel's own dragging, which changes the range.
    this.traces.addEventListener("mousedown", (e) => this.#grab(e), true);
    new ResizeObserver(() => this.#fit()).observe(this.traces);
  }

  // `kept` holds instants that are moved and not yet decided, by part.
  async show(of, reading, axis, kept = {}) {
    this.of = of;
    this.axis = reading.travel ? axis : "time";
    this.reading = reading;
    this.token = Symbol("reading");
    const mine = this.token;
    this.title.replaceChildren(bdi(reading.name), ` · operation ${reading.operation}, ${reading.kind}`, of === "beside" ? " · second result" : "");
    this.axisTitle = this.axis === "travel" ? `travel from closed, mm (the contact moves to the ${reading.closing ? "left" : "right"})` : `time from ${reading.reference}, ms`;
    this.ceiling = 3.3e6 / (reading.injected_a || 100);
    this.names = api.TRACES.filter((n) => reading.travel || (n !== "travel" && n !== "speed"));
    for (const part of PARTS) {
      this.moved[part] = part in kept;
      this.at[part] = this.moved[part] ? kept[part] : reading.instants[part].ms;
    }
    for (const plot of Object.values(this.plots)) plot.destroy();
    this.plots = {};
    this.band = null;
    this.columns = null;
    if (!reading.readable) {
      this.traces.replaceChildren(el("p", {}, "This trace could not be used: ", reading.quality));
      this.#place();
      return;
    }
    this.traces.replaceChildren();
    this.range = [...reading[this.axis].first];
    // On a low screen the traces are lower too, so that all of them are seen at once with the wipe above them.
    this.share = Math.min(1, Math.max(0.62, (innerHeight - AROUND_PX) / TALL_PX));
    const width = this.#width();
    for (const name of this.names) this.plots[name] = panel(this.traces, name, width, this);
    await Promise.all([this.load(), this.#siblings(mine)]);
  }

  async #siblings(mine) {
    const band = await api.band(this.of, this.reading.key, this.axis);
    if (mine !== this.token) return;
    this.band = band;
    this.plots.resistance?.redraw(false);
  }

  // Columns for the range that is shown; what was asked for before and comes late is let go.
  async load() {
    const mine = this.token;
    const [low, high] = this.range;
    this.asked = (this.asked ?? 0) + 1;
    const turn = this.asked;
    const got = await api.columns(this.of, this.reading.key, this.axis, low, high, Math.max(200, Math.round(this.#width() * devicePixelRatio)));
    if (mine !== this.token || turn !== this.asked) return;
    this.columns = got;
    this.few = got.x.length < this.#width() / 6;
    this.busy = true;
    for (const [name, plot] of Object.entries(this.plots)) {
      plot.batch(() => {
        plot.setData(points(got.x, got.traces[name], name === "resistance" ? 0.5 : undefined), false);
        plot.setScale("x", { min: low, max: high });
      });
      plot.root.setAttribute("aria-label", this.#spoken(name, got));
    }
    this.busy = false;
    this.traces.setAttribute("aria-label", `Traces of ${this.reading.name}, from ${figure(low)} to ${figure(high)} ${this.unit}. Plus, minus, arrow keys and 0 change the range.`);
    this.traces.dataset.ready = `${this.reading.key} ${this.axis} ${low} ${high}`;
    this.#place();
  }

  get unit() {
    return this.axis === "travel" ? "mm" : "ms";
  }

  #spoken(name, got) {
    const { low, high } = got.traces[name];
    let a = Infinity;
    let b = -Infinity;
    for (let k = 0; k < low.length; k += 1) {
      if (low[k] < a) a = low[k];
      if (high[k] > b) b = high[k];
    }
    return `${PANELS[name].title}: from ${figure(a)} to ${figure(b)} in the range shown`;
  }

  #width() {
    return Math.max(260, Math.floor(this.traces.clientWidth));
  }

  #fit() {
    const width = this.#width();
    for (const [name, plot] of Object.entries(this.plots)) if (plot.width !== width) plot.setSize({ width, height: plot.height });
    this.#place();
  }

  // A panel's own dragging or another pane has changed the range.
  scaled(plot) {
    if (this.busy || !this.columns) return;
    const { min, max } = plot.scales.x;
    if (min === this.range[0] && max === this.range[1]) return;
    this.look([min, max]);
    this.onRange?.(this.range, this.axis);
  }

  look(range) {
    this.range = range;
    this.busy = true;
    for (const plot of Object.values(this.plots)) plot.setScale("x", { min: range[0], max: range[1] });
    this.busy = false;
    this.#place();
    clearTimeout(this.later);
    this.later = setTimeout(() => this.load().catch(() => {}), 40);
  }

  go(where) {
    if (!this.reading?.readable) return;
    const [low, high] = this.range;
    const size = high - low;
    const whole = this.reading[this.axis].whole;
    const to = {
      first: () => [...this.reading[this.axis].first],
      whole: () => [...whole],
      in: () => [low + size / 4, high - size / 4],
      out: () => [Math.max(low - size / 2, Math.min(whole[0], low)), Math.min(high + size / 2, Math.max(whole[1], high))],
      left: () => [low - size / 4, high - size / 4],
      right: () => [low + size / 4, high + size / 4],
    }[where]();
    if (to[1] - to[0] < (this.axis === "time" ? 4 * this.reading.step_ms : 1e-3)) return;
    this.look(to);
    this.onRange?.(to, this.axis);
  }

  #key(event) {
    const where = { "+": "in", "=": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", 0: "first" }[event.key];
    if (!where || event.target !== this.traces || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.go(where);
  }

  // -- instants

  lines() {
    if (!this.columns) return [];
    const out = [];
    for (const part of PARTS) {
      const found = this.reading.instants[part].found_ms;
      if (found !== null && found !== this.at[part]) out.push({ kind: "found", x: this.place(found) });
    }
    for (const part of PARTS) if (this.at[part] !== null) out.push({ kind: part, x: this.place(this.at[part]) });
    return out.filter((line) => line.x !== null);
  }

  // Place on the axis of an instant in ms, and back, between the columns that are shown.
  place(ms) {
    return this.axis === "time" ? ms : between(this.columns.t, this.columns.x, ms);
  }

  instant(x) {
    return this.axis === "time" ? x : between(this.columns.x, this.columns.t, x);
  }

  set(part, ms, moved) {
    this.at[part] = ms;
    this.moved[part] = moved;
    for (const plot of Object.values(this.plots)) plot.redraw(false);
    this.#place();
  }

  #flagOf(part) {
    const flag = el("div", { class: `flag ${part}`, id: this.editable ? `flag-${part}` : undefined, role: "slider", "aria-label": `${part} contact's instant`, tabindex: this.editable ? "0" : undefined, "aria-disabled": this.editable ? undefined : "true", hidden: true }, part);
    this.flags.append(flag);
    if (!this.editable) return flag;
    flag.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      flag.focus();
      this.#drag(part, event);
    });
    flag.addEventListener("keydown", (event) => this.#nudge(part, event));
    return flag;
  }

  #nudge(part, event) {
    const steps = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1, PageDown: -100, PageUp: 100 }[event.key];
    if (!steps || this.at[part] === null) return;
    event.preventDefault();
    event.stopPropagation();
    // To the right on the picture, which over travel is back in time where the breaker closes.
    const along = this.axis === "travel" && this.reading.closing ? -1 : 1;
    this.onMove(part, this.at[part] + steps * (event.shiftKey ? 10 : 1) * along * this.reading.step_ms);
  }

  #grab(event) {
    if (!this.editable || event.button !== 0 || !this.columns) return;
    const plot = Object.values(this.plots).find((p) => p.over.contains(event.target) || p.over === event.target);
    if (!plot) return;
    const px = event.clientX - plot.over.getBoundingClientRect().left;
    let best = null;
    for (const part of PARTS) {
      const x = this.at[part] === null ? null : this.place(this.at[part]);
      const away = x === null ? Infinity : Math.abs(plot.valToPos(x, "x") - px);
      if (away <= NEAR_PX && (best === null || away < best.away)) best = { part, away };
    }
    if (!best) return;
    event.preventDefault();
    event.stopPropagation();
    this.#drag(best.part, event);
  }

  #drag(part, event) {
    const over = this.plots.resistance?.over;
    if (!over) return;
    const kinds = event.type === "pointerdown" ? ["pointermove", "pointerup"] : ["mousemove", "mouseup"];
    const box = over.getBoundingClientRect();
    const from = event.clientX;
    let going = false;
    const move = (e) => {
      // A press without a movement chooses the flag and moves nothing.
      going ||= Math.abs(e.clientX - from) >= 1;
      if (!going) return;
      const ms = this.instant(this.plots.resistance.posToVal(Math.min(Math.max(e.clientX - box.left, 0), box.width), "x"));
      if (ms !== null) this.onMove(part, ms);
    };
    const end = () => {
      removeEventListener(kinds[0], move);
      removeEventListener(kinds[1], end);
    };
    addEventListener(kinds[0], move);
    addEventListener(kinds[1], end);
  }

  // A flag beyond the range stays at its edge, so that hand and keyboard do not lose it.
  #place() {
    const plot = this.plots.resistance;
    for (const part of PARTS) {
      const flag = this.flag[part];
      const ms = this.at[part];
      flag.hidden = !plot || !this.columns || ms === null;
      if (flag.hidden) continue;
      const x = this.place(ms);
      const side = this.#side(x, ms);
      const edge = side < 0 ? 0 : plot.over.clientWidth;
      flag.style.left = `${plot.over.offsetLeft + (side ? edge : plot.valToPos(x, "x"))}px`;
      flag.textContent = side < 0 ? `← ${part}` : side > 0 ? `${part} →` : part;
      flag.classList.toggle("moved", this.moved[part]);
      const [low, high] = this.reading.time.whole;
      flag.setAttribute("aria-valuemin", low.toFixed(3));
      flag.setAttribute("aria-valuemax", high.toFixed(3));
      flag.setAttribute("aria-valuenow", ms.toFixed(3));
      const where = side ? ", beyond the range shown" : this.axis === "travel" ? `, ${x.toFixed(2)} mm` : "";
      flag.setAttribute("aria-valuetext", `${ms.toFixed(3)} ms${where}${this.moved[part] ? ", moved" : ""}`);
    }
  }

  // -1 left of what is shown, 1 right of it, 0 within.
  #side(x, ms) {
    if (x !== null) return x < this.range[0] ? -1 : x > this.range[1] ? 1 : 0;
    const { t } = this.columns;
    const along = t.length && t[t.length - 1] < t[0] ? -1 : 1;
    return t.length && (ms - t[0]) * along < 0 ? -1 : 1;
  }

  pointed(plot) {
    const { left, idx } = plot.cursor;
    if (!this.columns || left === null || left < 0 || idx === null || idx === undefined) {
      this.readout.textContent = "";
      return;
    }
    const x = plot.posToVal(left, "x");
    const k = nearest(this.columns.x, x);
    const told = this.names.map((n) => {
      const { low, high } = this.columns.traces[n];
      const [word, unit] = PANELS[n].title.split(", ");
      const value = Math.abs(high[k] - low[k]) <= 1e-9 * Math.abs(high[k]) ? figure(high[k]) : `${figure(low[k], 3)} to ${figure(high[k], 3)}`;
      return `${word} ${value} ${unit}`;
    });
    this.readout.textContent = `${figure(this.columns.t[k], 6)} ms: ${told.join(" · ")}`;
  }
}

function nearest(xs, x) {
  let a = 0;
  let b = xs.length - 1;
  while (b - a > 1) {
    const middle = (a + b) >> 1;
    if (xs[middle] <= x) a = middle;
    else b = middle;
  }
  return Math.abs(xs[b] - x) < Math.abs(xs[a] - x) ? b : a;
}

// Linear between neighbours; `from` may ascend or descend, and what lies outside has no place.
function between(from, to, value) {
  const n = from.length;
  if (n < 2) return null;
  const up = from[n - 1] >= from[0];
  const before = (k) => (up ? from[k] <= value : from[k] >= value);
  if (!before(0) || (up ? value > from[n - 1] : value < from[n - 1])) return null;
  let a = 0;
  let b = n - 1;
  while (b - a > 1) {
    const middle = (a + b) >> 1;
    if (before(middle)) a = middle;
    else b = middle;
  }
  const span = from[b] - from[a];
  return span === 0 ? to[a] : to[a] + ((value - from[a]) / span) * (to[b] - to[a]);
}
