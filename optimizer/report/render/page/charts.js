"use strict";
/* Charts over frequency: what is drawn is said by specs, BokehJS draws it. One cursor reads all. */

const DATA = JSON.parse(document.getElementById("data").textContent);
const HZ = DATA.frequency_hz;
// What a page shows one of at a time: networks. A survey has one subject, all of it.
const SUBJECTS = DATA.candidates ?? [DATA];
const ROOT = document.documentElement;
const LABELLED = [5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
const BETWEEN = [30, 40, 60, 70, 80, 90, 300, 400, 600, 700, 800, 900, 3000, 4000, 6000, 7000, 8000, 9000];
const DASHES = [[], [7, 4], [2, 3], [9, 3, 2, 3], [4, 2], [12, 4]];

// What each chart shows, by its key; the script of each kind of document fills it.
const SPECS = {};

const state = { shown: 0, against: null, at: nearest(1000) };
const plots = [];

function colour(name) { return getComputedStyle(ROOT).getPropertyValue(name).trim(); }

function nearest(hz) {
  let best = 0;
  for (let i = 1; i < HZ.length; i++) {
    if (Math.abs(Math.log(HZ[i] / hz)) < Math.abs(Math.log(HZ[best] / hz))) best = i;
  }
  return best;
}

function sayHz(hz) {
  return hz < 1000 ? `${Number(hz.toPrecision(3))} Hz` : `${Number((hz / 1000).toPrecision(3))} kHz`;
}

function shortHz(hz) { return hz < 1000 ? String(Number(hz.toPrecision(3))) : `${Number((hz / 1000).toPrecision(3))}k`; }

function sayValue(value, spec) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  return `${value.toFixed(spec.digits)} ${spec.unit}`.trim();
}

function gaps(values) { return values.map((v) => (v === null ? NaN : v)); }

function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "class") made.className = value; else if (value !== null) made.setAttribute(key, value);
  }
  made.append(...children);
  return made;
}

function swatch(item) {
  const dash = item.dash && item.dash.length ? ` stroke-dasharray="${item.dash.join(" ")}"` : "";
  const box = element("span");
  box.innerHTML = item.shade
    ? `<svg width="26" height="12" aria-hidden="true"><rect width="26" height="12" style="fill:var(${item.colour})"/></svg>`
    : `<svg width="26" height="12" aria-hidden="true"><path d="M0 6H26" style="fill:none;stroke:var(${item.colour})" stroke-width="${item.width || 2}"${dash}/></svg>`;
  return box.firstChild;
}

/* A chart of lines. A spec has unit, digits, series(subject) and range(lists of values). */
class LinePlot {
  constructor(figure, spec) {
    this.spec = spec;
    this.figure = figure;
    this.host = figure.querySelector(".plot");
    this.ledger = figure.querySelector(".ledger");
    this.visible = {};
    this.built = false;
    this.listen();
  }

  items(index) {
    return this.spec.series(this.spec.whole ? DATA : SUBJECTS[index]).map((item) => ({ ...item, ink: colour(item.colour) }));
  }

  on(item) { return item.key in this.visible ? this.visible[item.key] : !item.off; }

  listen() {
    const host = this.host;
    const follow = (event) => {
      if (!this.view) return;
      const frame = this.view.frame;
      const left = event.clientX - host.getBoundingClientRect().left;
      if (left < frame.bbox.x0 - 4 || left > frame.bbox.x1 + 4) return;
      this.point(event, frame, left);
    };
    host.addEventListener("pointermove", follow);
    host.addEventListener("pointerdown", follow);
    host.addEventListener("keydown", (event) => {
      const octave = Math.max(1, Math.round(Math.log(2) / Math.log(HZ[1] / HZ[0])));
      const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: octave, PageDown: -octave };
      let to = null;
      if (event.key in steps) to = state.at + steps[event.key];
      else if (event.key === "Home") to = 0;
      else if (event.key === "End") to = HZ.length - 1;
      if (to === null) return;
      event.preventDefault();
      setCursor(Math.min(HZ.length - 1, Math.max(0, to)));
    });
  }

  point(event, frame, left) { setCursor(nearest(frame.x_scale.invert(left))); }

  async build() {
    const spec = this.spec;
    const B = window.Bokeh;
    if (this.view) this.view.remove();
    this.host.querySelectorAll(":scope > :not(img)").forEach((child) => child.remove());
    const [low, high] = this.range();
    const fig = B.Plotting.figure({
      sizing_mode: "stretch_both", toolbar_location: null, tools: [], min_border: 4,
      x_axis_type: "log", y_axis_type: spec.log ? "log" : "linear",
      x_range: new B.Range1d({ start: HZ[0], end: HZ[HZ.length - 1] }),
      y_range: new B.Range1d({ start: low, end: high }),
      background_fill_color: null, border_fill_color: null, outline_line_color: null,
    });
    this.fig = fig;
    this.dress(fig);
    this.sources = {};
    this.renderers = {};
    this.draw(fig, B);
    this.span = new B.Span({ location: HZ[state.at], dimension: "height", line_color: colour(this.spec.plane ? "--mark" : "--accent"), line_width: 1.5 });
    fig.add_layout(this.span);
    this.view = await B.Plotting.show(fig, this.host);
    this.list();
    this.built = true;
    this.read();
  }

  dress(fig) {
    const soft = colour(this.spec.plane ? "--between" : "--soft"), grid = colour("--grid"), B = window.Bokeh;
    const font = "system-ui, -apple-system, Segoe UI, Roboto, Noto Sans, sans-serif";
    for (const axis of [...fig.below, ...fig.left]) {
      axis.axis_line_color = null;
      axis.major_tick_line_color = soft;
      axis.minor_tick_line_color = null;
      axis.major_label_text_color = soft;
      axis.major_label_text_font = font;
      axis.major_label_text_font_size = this.host.clientWidth > 900 ? "14px" : "12px";
      axis.axis_label = null;
    }
    const narrow = this.host.clientWidth < 480;
    const labels = narrow ? [20, 100, 500, 2000, 10000] : LABELLED;
    const x = fig.below[0];
    x.ticker = new B.FixedTicker({ ticks: labels, minor_ticks: BETWEEN });
    x.major_label_overrides = new Map(labels.map((hz) => [hz, shortHz(hz)]));
    if (this.spec.ticks) {
      const y = fig.left[0];
      y.ticker = new B.FixedTicker({ ticks: this.spec.ticks, minor_ticks: [] });
      y.major_label_overrides = new Map(this.spec.ticks.map((v) => [v, String(v).replace("-", "\u2212")]));
    }
    for (const rule of fig.center) {
      if (!("grid_line_color" in rule)) continue;
      rule.grid_line_color = grid;
      rule.minor_grid_line_color = null;
      // Lines stand where the axis has its labels.
      rule.ticker = (rule.dimension === 0 ? fig.below[0] : fig.left[0]).ticker;
    }
  }

  range() {
    const lists = [this.items(state.shown)];
    if (state.against !== null) lists.push(this.items(state.against));
    return this.spec.range(lists.flat().filter((item) => !item.shade).map((item) => item.values));
  }

  draw(fig, B) {
    if (this.spec.outside && DATA.target_band_hz) {
      const shade = { fill_color: colour("--outside"), fill_alpha: 1, line_color: null };
      fig.add_layout(new B.BoxAnnotation({ right: DATA.target_band_hz[0], ...shade }));
      fig.add_layout(new B.BoxAnnotation({ left: DATA.target_band_hz[1], ...shade }));
    }
    for (const item of this.items(state.shown)) {
      if (item.shade) {
        const source = new B.ColumnDataSource({ data: { x: HZ, low: item.low, high: item.high } });
        this.sources[item.key] = source;
        this.renderers[item.key] = fig.varea({ x: { field: "x" }, y1: { field: "low" }, y2: { field: "high" },
          source, fill_color: item.ink, fill_alpha: item.faint ? 0.45 : 1, visible: this.on(item) });
        continue;
      }
      this.line(fig, B, item.key, item.values, { line_color: item.ink, line_width: item.width || 2, line_dash: item.dash || [] }, this.on(item));
    }
    for (const item of this.items(state.shown).filter((one) => one.main)) {
      const other = state.against === null ? HZ.map(() => NaN) : this.match(item.key);
      this.line(fig, B, `${item.key} other`, other, { line_color: colour("--other"), line_width: 2, line_dash: [3, 3] }, state.against !== null);
    }
  }

  line(fig, B, key, values, look, visible) {
    const source = new B.ColumnDataSource({ data: { x: HZ, y: gaps(values) } });
    this.sources[key] = source;
    this.renderers[key] = fig.line({ x: { field: "x" }, y: { field: "y" }, source, ...look, visible });
  }

  match(key) {
    const item = this.items(state.against).find((one) => one.key === key);
    return item ? item.values : HZ.map(() => NaN);
  }

  update() {
    if (!this.built) return;
    for (const item of this.items(state.shown)) {
      const source = this.sources[item.key];
      if (source) source.data = item.shade ? { x: HZ, low: item.low, high: item.high } : { x: HZ, y: gaps(item.values) };
      const other = this.sources[`${item.key} other`];
      if (other) {
        other.data = { x: HZ, y: gaps(state.against === null ? HZ.map(() => NaN) : this.match(item.key)) };
        this.renderers[`${item.key} other`].visible = state.against !== null;
      }
    }
    const [low, high] = this.range();
    this.fig.y_range.start = low;
    this.fig.y_range.end = high;
    this.list();
    this.read();
  }

  list() {
    this.ledger.replaceChildren(element("p", { class: "at" }));
    this.outputs = [];
    for (const item of this.items(state.shown)) {
      const box = element("input", { type: "checkbox", "data-series": item.key });
      box.checked = this.on(item);
      box.addEventListener("change", () => {
        this.visible[item.key] = box.checked;
        this.renderers[item.key].visible = box.checked;
      });
      const output = element("output", { "data-value": item.key });
      this.ledger.append(element("label", {}, box, swatch(item), element("span", { class: "what" }, item.name), output));
      this.outputs.push([item, output]);
    }
    if (state.against === null) return;
    for (const item of this.items(state.against).filter((one) => one.main)) {
      const label = SUBJECTS[state.against].label;
      const look = { colour: "--other", dash: [3, 3], width: 2 };
      const output = element("output", { "data-value": `${item.key} other` });
      this.ledger.append(element("div", { class: "row" }, swatch(look), element("span", { class: "what" }, `${item.name}, ${label}`), output));
      this.outputs.push([item, output]);
    }
  }

  /* Between what a shaded curve lies, where there is one. */
  sayShade({ low, high }) {
    const { digits, unit } = this.spec, i = state.at;
    return Number.isNaN(low[i]) ? "–" : `${low[i].toFixed(digits)} to ${high[i].toFixed(digits)} ${unit}`;
  }

  read() {
    if (!this.built) return;
    const hz = sayHz(HZ[state.at]);
    this.span.location = HZ[state.at];
    this.ledger.querySelector(".at").textContent = `at ${hz}`;
    const said = [];
    for (const [item, output] of this.outputs) {
      output.textContent = item.shade ? this.sayShade(item) : sayValue(item.values[state.at], this.spec);
      if (this.on(item)) said.push(`${item.name} ${output.textContent}`);
    }
    this.host.setAttribute("aria-valuemax", HZ.length - 1);
    this.host.setAttribute("aria-valuenow", state.at);
    this.host.setAttribute("aria-valuetext", `${hz}: ${said.join(", ")}`);
  }

  /* Numbers of the curves at third octaves, for those who cannot or will not hover. */
  tabulate() {
    const items = this.items(state.shown).filter((item) => !item.shade);
    this.fill(items.map((item) => item.name), (i) => items.map((item) => sayValue(item.values[i], this.spec)));
  }

  fill(names, read) {
    const rows = [];
    for (let k = 13; k <= 43; k++) {
      const hz = 10 ** (k / 10);
      if (hz < HZ[0] * 0.99 || hz > HZ[HZ.length - 1] * 1.01) continue;
      const i = nearest(hz);
      rows.push(element("tr", {}, element("th", { scope: "row" }, sayHz(HZ[i])),
        ...read(i).map((text) => element("td", { class: "r" }, text))));
    }
    const head = element("tr", {}, element("th", { scope: "col" }, "Hz"),
      ...names.map((name) => element("th", { scope: "col", class: "r" }, name)));
    this.figure.querySelector(".numbers .scroll").replaceChildren(
      element("table", {}, element("thead", {}, head), element("tbody", {}, ...rows)));
  }

  /* A still picture for paper: a canvas keeps the size of the screen. */
  freeze(dark) {
    if (!this.built) return;
    let picture = this.host.querySelector("img");
    if (!picture) { picture = element("img", { alt: "" }); this.host.append(picture); }
    picture.className = dark ? "dark" : "";
    // Where the pointer stood last is nothing to print.
    if (this.span) this.span.visible = false;
    picture.src = this.view.export("png", true).canvas.toDataURL();
    if (this.span) this.span.visible = true;
  }
}

/* Level by angle and frequency in steps of 3 dB. */
class AnglePlot extends LinePlot {
  plane(index = state.shown) { return (this.spec.whole ? DATA : SUBJECTS[index]).planes[this.spec.plane]; }

  items() { return []; }

  range() { const deg = this.plane().deg; return [deg[0], deg[deg.length - 1]]; }

  level(angle, i, plane) {
    const deg = plane.deg;
    let k = deg.findIndex((d) => d >= angle - 1e-9);
    const at = (row) => plane.level_db[row][i] ?? NaN;
    if (k <= 0) return at(k < 0 ? deg.length - 1 : 0);
    const share = (angle - deg[k - 1]) / (deg[k] - deg[k - 1]);
    return (1 - share) * at(k - 1) + share * at(k);
  }

  picture() {
    const plane = this.plane(), [low, high] = this.range();
    const rows = Math.min(241, Math.round(high - low) + 1);
    const values = new Float64Array(rows * HZ.length);
    for (let r = 0; r < rows; r++) {
      const angle = low + (high - low) * r / (rows - 1);
      for (let i = 0; i < HZ.length; i++) values[r * HZ.length + i] = this.level(angle, i, plane) - this.level(0, i, plane);
    }
    return { values, rows };
  }

  draw(fig, B) {
    const steps = this.spec.steps;
    this.mapper = new B.LinearColorMapper({ palette: this.spec.palette, low: steps[0], high: steps[steps.length - 1], nan_color: "rgba(0, 0, 0, 0)" });
    const [low, high] = this.range();
    this.source = new B.ColumnDataSource({ data: { image: [this.shape()] } });
    this.renderers.image = fig.image({
      image: { field: "image" }, x: HZ[0], y: low, dw: HZ[HZ.length - 1] - HZ[0], dh: high - low,
      source: this.source, color_mapper: this.mapper,
    });
    this.mark = new B.Span({ location: 0, dimension: "width", line_color: colour("--mark"), line_width: 1.5 });
    fig.add_layout(this.mark);
  }

  shape() {
    const { values, rows } = this.picture();
    const { ndarray } = window.Bokeh.require("core/util/ndarray");
    return ndarray(values, { shape: [rows, HZ.length], dtype: "float64" });
  }

  update() {
    if (!this.built) return;
    this.source.data = { image: [this.shape()] };
    this.list();
    this.read();
  }

  point(event, frame, left) {
    const top = event.clientY - this.host.getBoundingClientRect().top;
    const angle = frame.y_scale.invert(top);
    const deg = this.plane().deg;
    this.angle = deg.reduce((best, d) => (Math.abs(d - angle) < Math.abs(best - angle) ? d : best), deg[0]);
    super.point(event, frame, left);
  }

  list() {
    const scale = element("div", { class: "scale" });
    this.spec.palette.forEach((ink, k) => {
      const box = element("i");
      box.style.background = ink;
      const from = this.spec.steps[k], last = k === this.spec.palette.length - 1;
      scale.append(element("span", {}, box, last ? `over ${from}` : k === 0 ? `under ${this.spec.steps[1]}` : `to ${this.spec.steps[k + 1]}`));
    });
    scale.append(element("span", {}, "dB"));
    this.output = element("output", { "data-value": this.spec.plane });
    this.name = element("span", { class: "what" });
    this.ledger.replaceChildren(element("p", { class: "at" }),
      element("div", { class: "row" }, this.name, this.output), scale);
  }

  read() {
    if (!this.built) return;
    const plane = this.plane(), hz = sayHz(HZ[state.at]);
    if (this.angle === undefined || !plane.deg.includes(this.angle)) this.angle = plane.deg.find((d) => d > 0) ?? 0;
    const value = this.level(this.angle, state.at, plane) - this.level(0, state.at, plane);
    this.span.location = HZ[state.at];
    this.mark.location = this.angle;
    this.ledger.querySelector(".at").textContent = `at ${hz}`;
    this.name.textContent = `${this.angle}° against the axis`;
    this.output.textContent = sayValue(value, this.spec);
    this.host.setAttribute("aria-valuemax", HZ.length - 1);
    this.host.setAttribute("aria-valuenow", state.at);
    this.host.setAttribute("aria-valuetext", `${hz}: ${this.name.textContent} ${this.output.textContent}`);
  }

  // Its colours mean levels, so they stay as they are on paper.
  freeze() {
    if (this.mark) this.mark.visible = false;
    super.freeze(false);
    if (this.mark) this.mark.visible = true;
  }

  tabulate() {
    const plane = this.plane(), plain = { digits: 1, unit: "" };
    this.fill(plane.deg.map((d) => `${d}°`), (i) => plane.deg.map((d) => sayValue(this.level(d, i, plane) - this.level(0, i, plane), plain)));
  }
}

function setCursor(index) {
  if (index === state.at) {
    plots.forEach((plot) => { if (plot instanceof AnglePlot) plot.read(); });
    return;
  }
  state.at = index;
  plots.forEach((plot) => plot.read());
}

/* Ranges of level: from the highest curve down, or evenly around zero. */
function levels(lists, below, step = 5) {
  const tops = lists.map((list) => Math.max(...list.filter((v) => v !== null)));
  const high = step * Math.ceil((Math.max(...tops) + 2) / step);
  return [high - below, high];
}

function around(lists, least, step) {
  const all = lists.flat().filter((v) => v !== null);
  return [Math.min(-least, step * Math.floor(Math.min(...all) / step)), Math.max(least, step * Math.ceil(Math.max(...all) / step))];
}

const OHM_TICKS = [1, 2, 4, 8, 16, 32, 64, 128, 256];
const DEGREE_TICKS = [-180, -150, -120, -90, -60, -30, 0, 30, 60, 90, 120, 150, 180];

/* Steps of 3 dB around 0; lightness alone tells the order, the warm one is louder than the axis. */
const STEPS = [-25.5, -22.5, -19.5, -16.5, -13.5, -10.5, -7.5, -4.5, -1.5, 1.5, 4.5];
const PALETTE = ["#0a1d26", "#10303c", "#194753", "#2c606a", "#497c82", "#6e999a", "#97b7b2", "#bfd3cb", "#e6ece4", "#eda86f"];

function angleSpec(plane, whole = false) { return { whole, unit: "dB", digits: 1, plane, steps: STEPS, palette: PALETTE, ticks: DEGREE_TICKS }; }
