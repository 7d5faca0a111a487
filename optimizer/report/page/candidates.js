/* What each chart of this page shows, and how the page moves between networks. */

function levels(lists, below, step = 5) {
  const tops = lists.map((list) => Math.max(...list.filter((v) => v !== null)));
  const high = step * Math.ceil((Math.max(...tops) + 2) / step);
  return [high - below, high];
}

function around(lists, least, step) {
  const all = lists.flat().filter((v) => v !== null);
  return [Math.min(-least, step * Math.floor(Math.min(...all) / step)), Math.max(least, step * Math.ceil(Math.max(...all) / step))];
}

function pairs(curves) { return Object.values(curves.pairs || {}); }

const AVERAGES = [["listening_window", "listening window"], ["early_reflections", "early reflections"],
  ["sound_power", "sound power"], ["in_room", "in the room"]];

const SPECS = {
  axis: { unit: "dB", digits: 1, outside: true, range: (lists) => levels(lists.slice(0, 1), 45),
    series: (curves, entry) => [
      ...(entry.spread.on_axis ? [{ key: "tolerance", name: "9 in 10 built", shade: true, colour: "--band", ...entry.spread.on_axis }] : []),
      { key: "on_axis", name: "sum", values: curves.on_axis_db, colour: "--sum", width: 3, main: true },
      ...(curves.target_db ? [{ key: "target", name: "target", values: curves.target_db, colour: "--target", width: 2, dash: [6, 5] }] : []),
      ...DATA.ways.map((way, k) => ({ key: `way ${way}`, name: way, values: curves.ways_db[way], colour: `--way${k % 6}`, width: 1.8, dash: DASHES[(k % 5) + 1] })),
    ] },
  room: { unit: "dB", digits: 1, range: (lists) => levels(lists, 30),
    series: (curves) => AVERAGES.filter(([key]) => curves[`${key}_db`]).map(([key, name], k) => ({
      key, name, values: curves[`${key}_db`], colour: `--avg${k}`, width: key === "in_room" ? 2.8 : 1.8,
      dash: key === "in_room" ? [] : DASHES[k + 1], main: key === "in_room" })) },
  index: { unit: "dB", digits: 1, range: (lists) => { const [, high] = levels(lists, 0); return [-2, Math.max(10, high)]; },
    series: (curves) => [
      { key: "directivity_index", name: "of sound power", values: curves.directivity_index_db, colour: "--avg0", width: 2.6, main: true },
      { key: "early_reflections_index", name: "of early reflections", values: curves.early_reflections_index_db, colour: "--avg1", dash: [7, 4] },
    ] },
  ohms: { unit: "Ω", digits: 2, log: true, ticks: [1, 2, 4, 8, 16, 32, 64, 128, 256],
    range: (lists) => {
      const all = lists.flat();
      return [0.8 * Math.min(...all), 1.25 * Math.max(16, ...all)];
    },
    series: (curves, entry) => [
      ...(entry.spread.impedance ? [{ key: "tolerance", name: "9 in 10 built", shade: true, colour: "--band", ...entry.spread.impedance }] : []),
      { key: "impedance", name: "impedance", values: curves.impedance_ohm, colour: "--sum", width: 3, main: true },
      ...(DATA.floor_ohm ? [{ key: "floor", name: "floor asked for", values: HZ.map(() => DATA.floor_ohm), colour: "--target", dash: [6, 5] }] : []),
    ] },
  phase: { unit: "°", digits: 0, ticks: [-180, -135, -90, -60, -45, -30, 0, 30, 45, 60, 90, 135, 180].filter((v) => v % 30 === 0),
    range: (lists) => around(lists, 60, 30),
    series: (curves) => [{ key: "impedance_phase", name: "phase", values: curves.impedance_phase_deg, colour: "--sum", width: 2.4, main: true }] },
  drive: { unit: "dB", digits: 1, range: () => [-40, 5],
    series: (curves) => DATA.ways.map((way, k) => ({ key: `drive ${way}`, name: way, values: curves.drive_db[way], colour: `--way${k % 6}`, width: 2.2, dash: DASHES[k % 6] })) },
  tracking: { unit: "°", digits: 0, ticks: [-180, -90, 0, 90, 180], range: () => [-180, 180],
    series: (curves) => pairs(curves).map((pair, k) => ({ key: `phase ${k}`, name: `${pair.upper} to ${pair.lower}`, values: pair.phase_deg, colour: `--avg${k % 4}`, width: 2.4, dash: DASHES[k % 6] })) },
  null: { unit: "dB", digits: 1, range: (lists) => levels(lists.slice(0, 1), 50),
    series: (curves) => [
      { key: "ordinary", name: "as built", values: curves.on_axis_db, colour: "--sum", width: 1.6 },
      ...pairs(curves).map((pair, k) => ({ key: `inverted ${k}`, name: `${pair.upper}${k + 1 < pairs(curves).length ? " and above" : ""} turned round`, values: pair.inverted_db, colour: `--avg${k % 4}`, width: 2.2, dash: DASHES[(k % 5) + 1] })),
    ] },
};

/* Steps of 3 dB around 0; lightness alone tells the order, the warm one is louder than the axis. */
const STEPS = [-25.5, -22.5, -19.5, -16.5, -13.5, -10.5, -7.5, -4.5, -1.5, 1.5, 4.5];
const PALETTE = ["#0a1d26", "#10303c", "#194753", "#2c606a", "#497c82", "#6e999a", "#97b7b2", "#bfd3cb", "#e6ece4", "#eda86f"];
for (const plane of ["horizontal", "vertical"]) {
  SPECS[plane] = { unit: "dB", digits: 1, plane, steps: STEPS, palette: PALETTE, ticks: [-180, -150, -120, -90, -60, -30, 0, 30, 60, 90, 120, 150, 180] };
}

/* Figures of a network as a point: name, unit, value, and whether less is better. */
function figures(result) {
  const list = Object.entries(result.goals).map(([name, goal]) => ({ key: name, name: name.replaceAll("_", " "), unit: goal.unit, value: goal.value, less: true }));
  if (!result.goals.parts) list.push({ key: "pieces", name: "pieces", unit: "", value: result.parts, less: true });
  list.push({ key: "impedance_min", name: "lowest impedance", unit: "Ω", value: result.impedance_min.ohm, less: false });
  list.push({ key: "epdr_min", name: "hardest load (EPDR)", unit: "Ω", value: result.epdr_min.ohm, less: false });
  list.push({ key: "sensitivity", name: "sensitivity", unit: "dB", value: result.sensitivity_db, less: false });
  if (result.price !== undefined && !result.goals.price) list.push({ key: "price", name: "price", unit: result.currency || "", value: result.price, less: true });
  return list;
}

class TradePlot {
  constructor(figure) {
    this.host = figure.querySelector(".plot");
    this.list = document.getElementById("trade-list");
    this.x = document.getElementById("trade-x");
    this.y = document.getElementById("trade-y");
    const all = figures(DATA.candidates[0].result);
    for (const select of [this.x, this.y]) {
      for (const one of all) select.append(element("option", { value: one.key }, one.unit ? `${one.name} (${one.unit})` : one.name));
      select.addEventListener("change", () => this.build());
    }
    const between = DATA.front ? DATA.front.between : all.slice(0, 2).map((one) => one.key);
    this.x.value = between[0];
    this.y.value = between[1] ?? all[0].key;
    this.host.addEventListener("click", (event) => this.choose(event));
  }

  points() {
    return DATA.candidates.map((entry, k) => {
      const all = figures(entry.result);
      return { k, rank: entry.result.rank, x: all.find((f) => f.key === this.x.value), y: all.find((f) => f.key === this.y.value) };
    });
  }

  leads(point, all) {
    const good = (f) => (f.less ? f.value : -f.value);
    return !all.some((other) => good(other.x) <= good(point.x) && good(other.y) <= good(point.y)
      && (good(other.x) < good(point.x) || good(other.y) < good(point.y)));
  }

  async build() {
    const B = window.Bokeh, all = this.points();
    if (this.view) this.view.remove();
    this.host.querySelectorAll(":scope > :not(img)").forEach((child) => child.remove());
    const pad = (values) => {
      const low = Math.min(...values), high = Math.max(...values), room = 0.15 * (high - low) || Math.max(0.1 * Math.abs(high), 0.1);
      return new B.Range1d({ start: low - room, end: high + room });
    };
    const fig = B.Plotting.figure({
      sizing_mode: "stretch_both", toolbar_location: null, tools: [], min_border: 6,
      x_range: pad(all.map((p) => p.x.value)), y_range: pad(all.map((p) => p.y.value)),
      background_fill_color: null, border_fill_color: null, outline_line_color: null,
    });
    LinePlot.prototype.dress.call({ host: this.host, spec: {} }, fig);
    const x = fig.below[0];
    x.ticker = new B.BasicTicker();
    x.major_label_overrides = new Map();
    const leads = all.filter((p) => this.leads(p, all)).sort((a, b) => a.x.value - b.x.value);
    fig.line({ x: leads.map((p) => p.x.value), y: leads.map((p) => p.y.value), line_color: colour("--target"), line_width: 1.5, line_dash: [4, 4] });
    const ink = colour("--accent");
    fig.scatter({
      x: all.map((p) => p.x.value), y: all.map((p) => p.y.value), marker: "circle", size: 13, line_color: ink, line_width: 2,
      fill_color: { value: ink }, fill_alpha: 0 });
    fig.scatter({ x: leads.map((p) => p.x.value), y: leads.map((p) => p.y.value), marker: "circle", size: 13, line_color: ink, fill_color: ink });
    fig.text({
      x: all.map((p) => p.x.value), y: all.map((p) => p.y.value),
      text: all.map((p) => (DATA.front && DATA.front.knee === p.rank ? `${p.rank} knee` : String(p.rank))),
      x_offset: 15, y_offset: 5, text_font: "system-ui, sans-serif", text_font_size: "13px", text_color: colour("--ink") });
    const shown = all[state.shown];
    fig.scatter({ x: [shown.x.value], y: [shown.y.value], marker: "circle", size: 23, line_color: colour("--ink"), line_width: 2, fill_color: null });
    this.view = await B.Plotting.show(fig, this.host);
    this.name(all);
  }

  name(all) {
    this.list.replaceChildren(element("p", { class: "at" }, `${all[0].x.name} across, ${all[0].y.name} up`));
    for (const p of all) {
      const button = element("button", { type: "button", "data-pick": p.k }, `no. ${p.rank}`);
      button.addEventListener("click", () => show(p.k));
      this.list.append(element("div", { class: "row" }, button,
        element("output", {}, `${sayFigure(p.x)}, ${sayFigure(p.y)}`)));
    }
  }

  choose(event) {
    const box = this.host.getBoundingClientRect(), frame = this.view.frame;
    const left = event.clientX - box.left, top = event.clientY - box.top;
    const far = (p) => Math.hypot(frame.x_scale.compute(p.x.value) - left, frame.y_scale.compute(p.y.value) - top);
    const near = this.points().reduce((best, p) => (far(p) < far(best) ? p : best));
    if (far(near) < 24) show(near.k);
  }

  freeze(dark) { LinePlot.prototype.freeze.call({ built: this.view, host: this.host, view: this.view }, dark); }
}

function sayFigure(figure) {
  const digits = figure.unit === "pieces" || figure.key === "pieces" ? 0 : 2;
  return `${figure.value.toFixed(digits)} ${figure.unit}`.trim();
}

let trade = null;

function mark() {
  document.querySelectorAll("[data-net]").forEach((block) => block.classList.toggle("shown", Number(block.dataset.net) === state.shown));
  document.querySelectorAll("[data-col]").forEach((cell) => cell.classList.toggle("shown", Number(cell.dataset.col) === state.shown));
  document.querySelectorAll("#picks input").forEach((input) => { input.checked = Number(input.value) === state.shown; });
}

function show(index) {
  state.shown = index;
  if (state.against === index) { state.against = null; const against = document.getElementById("against"); if (against) against.value = ""; }
  mark();
  plots.forEach((plot) => plot.update());
  document.querySelectorAll("details.numbers[open]").forEach((box) => fillNumbers(box));
  if (trade && trade.view) trade.build();
}

function fillNumbers(box) {
  const figure = box.closest("[data-chart]");
  plots.find((plot) => plot.figure === figure).tabulate();
}

function isDark() {
  const chosen = ROOT.dataset.theme;
  return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

async function rebuild() {
  for (const plot of plots) if (plot.built) await plot.build();
  if (trade && trade.view) await trade.build();
}

function startEngine() {
  const script = document.createElement("script");
  script.textContent = document.getElementById("engine").textContent;
  document.head.append(script);
  window.Bokeh.set_log_level("error");
}

const pause = () => new Promise((done) => { setTimeout(done, 0); });

async function start() {
  startEngine();
  // Charts in view first, the others when the browser has nothing else to do.
  const seen = (plot) => plot.host.getBoundingClientRect().top < innerHeight;
  for (const plot of [...plots].sort((a, b) => Number(seen(b)) - Number(seen(a)))) {
    await plot.build();
    await pause();
  }
  if (trade) await trade.build();
  ROOT.dataset.ready = "yes";
}

ROOT.classList.add("js");
mark();
document.querySelectorAll("[data-chart]").forEach((figure) => {
  const spec = SPECS[figure.dataset.chart];
  plots.push(spec.plane ? new AnglePlot(figure, spec) : new LinePlot(figure, spec));
});
if (document.getElementById("trade-chart")) trade = new TradePlot(document.getElementById("trade-chart"));
document.querySelectorAll("#picks input").forEach((input) => input.addEventListener("change", () => show(Number(input.value))));
document.querySelectorAll(".compare [data-pick]").forEach((button) => button.addEventListener("click", () => show(Number(button.dataset.pick))));
document.querySelectorAll("details.numbers").forEach((box) => box.addEventListener("toggle", () => { if (box.open) fillNumbers(box); }));
document.getElementById("against")?.addEventListener("change", (event) => {
  const index = event.target.value === "" ? null : Number(event.target.value);
  state.against = index === state.shown ? null : index;
  if (state.against === null) event.target.value = "";
  plots.forEach((plot) => plot.update());
});
document.getElementById("theme").addEventListener("click", () => { ROOT.dataset.theme = isDark() ? "light" : "dark"; rebuild(); });
document.getElementById("print").addEventListener("click", () => print());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (!ROOT.dataset.theme) rebuild(); });
addEventListener("beforeprint", () => {
  plots.forEach((plot) => plot.freeze(isDark()));
  if (trade && trade.view) trade.freeze(isDark());
});
// The page paints its text first; the chart library is read after that.
requestAnimationFrame(() => setTimeout(start, 0));
