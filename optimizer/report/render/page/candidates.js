/* What each chart of this page shows, and how the page moves between networks. */

function pairs(curves) { return Object.values(curves.pairs || {}); }

const AVERAGES = [["listening_window", "listening window"], ["early_reflections", "early reflections"],
  ["sound_power", "sound power"], ["in_room", "in the room"]];

/* Where 8 in 10 loudspeakers of which as little was measured would lie, around a curve that was completed. */
function completedBand({ completed, curves }, key, name, faint) {
  const band = completed && completed.band_db[key], values = curves[`${key}_db`];
  if (!band) return [];
  const half = HZ.map((hz) => band[completed.edges_hz.filter((edge) => edge <= hz).length]);
  return [{ key: `${key} band`, name: `${name}, 8 in 10`, shade: true, colour: "--band", faint,
    low: values.map((v, i) => v - half[i]), high: values.map((v, i) => v + half[i]) }];
}

/* Dashes where more was completed than measured. */
function completedLook(result, key, name, dash) {
  const mostly = result.completed && result.completed.mostly.includes(key);
  return { name: mostly ? `${name}, mostly completed` : name, dash: mostly ? (dash.length ? dash : [8, 3]) : dash };
}

Object.assign(SPECS, {
  axis: { unit: "dB", digits: 1, outside: true, range: (lists) => levels(lists, 45),
    series: ({ result: { curves }, spread }) => [
      ...(spread.on_axis ? [{ key: "tolerance", name: "9 in 10 built", shade: true, colour: "--band", ...spread.on_axis }] : []),
      { key: "on_axis", name: "sum", values: curves.on_axis_db, colour: "--sum", width: 3, main: true },
      ...(curves.target_db ? [{ key: "target", name: "target", values: curves.target_db, colour: "--target", width: 2, dash: [6, 5] }] : []),
      ...DATA.ways.map((way, k) => ({ key: `way ${way}`, name: way, values: curves.ways_db[way], colour: `--way${k % 6}`, width: 1.8, dash: DASHES[(k % 5) + 1] })),
    ] },
  room: { unit: "dB", digits: 1, range: (lists) => levels(lists, 30),
    series: ({ result }) => [
      ...completedBand(result, "sound_power", "sound power", true),
      ...completedBand(result, "in_room", "in the room", false),
      ...AVERAGES.filter(([key]) => result.curves[`${key}_db`]).map(([key, name], k) => ({
        key, values: result.curves[`${key}_db`], colour: `--avg${k}`, width: key === "in_room" ? 2.8 : 1.8,
        main: key === "in_room", ...completedLook(result, key, name, key === "in_room" ? [] : DASHES[k + 1]) })),
    ] },
  index: { unit: "dB", digits: 1, range: (lists) => { const [, high] = levels(lists, 0); return [-2, Math.max(10, high)]; },
    series: ({ result }) => [
      ...completedBand(result, "directivity_index", "of sound power", false),
      { key: "directivity_index", values: result.curves.directivity_index_db, colour: "--avg0", width: 2.6, main: true,
        ...completedLook(result, "directivity_index", "of sound power", []) },
      { key: "early_reflections_index", values: result.curves.early_reflections_index_db, colour: "--avg1",
        ...completedLook(result, "early_reflections_index", "of early reflections", [7, 4]) },
    ] },
  ohms: { unit: "Ω", digits: 2, log: true, ticks: OHM_TICKS,
    range: (lists) => {
      const all = lists.flat();
      return [0.8 * Math.min(...all), 1.25 * Math.max(16, ...all)];
    },
    series: ({ result: { curves }, spread }) => [
      ...(spread.impedance ? [{ key: "tolerance", name: "9 in 10 built", shade: true, colour: "--band", ...spread.impedance }] : []),
      { key: "impedance", name: "impedance", values: curves.impedance_ohm, colour: "--sum", width: 3, main: true },
      ...(DATA.floor_ohm ? [{ key: "floor", name: "floor asked for", values: HZ.map(() => DATA.floor_ohm), colour: "--target", dash: [6, 5] }] : []),
    ] },
  phase: { unit: "°", digits: 0, ticks: DEGREE_TICKS,
    range: (lists) => around(lists, 60, 30),
    series: ({ result: { curves } }) => [{ key: "impedance_phase", name: "phase", values: curves.impedance_phase_deg, colour: "--sum", width: 2.4, main: true }] },
  drive: { unit: "dB", digits: 1, range: () => [-40, 5],
    series: ({ result: { curves } }) => DATA.ways.map((way, k) => ({ key: `drive ${way}`, name: way, values: curves.drive_db[way], colour: `--way${k % 6}`, width: 2.2, dash: DASHES[k % 6] })) },
  tracking: { unit: "°", digits: 0, ticks: [-180, -90, 0, 90, 180], range: () => [-180, 180],
    series: ({ result: { curves } }) => pairs(curves).map((pair, k) => ({ key: `phase ${k}`, name: `${pair.upper} to ${pair.lower}`, values: pair.phase_deg, colour: `--avg${k % 4}`, width: 2.4, dash: DASHES[k % 6] })) },
  null: { unit: "dB", digits: 1, range: (lists) => levels(lists, 50),
    series: ({ result: { curves } }) => [
      { key: "ordinary", name: "as built", values: curves.on_axis_db, colour: "--sum", width: 1.6 },
      ...pairs(curves).map((pair, k) => ({ key: `inverted ${k}`, name: `${pair.upper}${k + 1 < pairs(curves).length ? " and above" : ""} turned round`, values: pair.inverted_db, colour: `--avg${k % 4}`, width: 2.2, dash: DASHES[(k % 5) + 1] })),
    ] },
});

for (const plane of ["horizontal", "vertical"]) {
  SPECS[plane] = angleSpec(plane);
}

/* Figures of a network as a point: the columns of the comparison that have a better side. */
function figures(entry) {
  return DATA.figures.map((column) => ({ ...column, value: entry.figures[column.key] })).filter((one) => one.value !== null);
}

class TradePlot {
  constructor(figure) {
    this.host = figure.querySelector(".plot");
    this.list = document.getElementById("trade-list");
    this.x = document.getElementById("trade-x");
    this.y = document.getElementById("trade-y");
    const all = figures(DATA.candidates[0]);
    for (const select of [this.x, this.y]) {
      for (const one of all) select.append(element("option", { value: one.key }, one.unit ? `${one.name} (${one.unit})` : one.name));
      select.addEventListener("change", () => this.build());
    }
    [this.x.value, this.y.value] = DATA.axes;
    this.host.addEventListener("click", (event) => this.choose(event));
  }

  points() {
    return DATA.candidates.map((entry, k) => {
      const all = figures(entry);
      return { k, rank: entry.result.rank, label: entry.label, x: all.find((f) => f.key === this.x.value), y: all.find((f) => f.key === this.y.value) };
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
    for (const rule of fig.center) if (rule.dimension === 0 && "grid_line_color" in rule) rule.ticker = x.ticker;
    const leads = all.filter((p) => this.leads(p, all)).sort((a, b) => a.x.value - b.x.value);
    fig.line({ x: leads.map((p) => p.x.value), y: leads.map((p) => p.y.value), line_color: colour("--target"), line_width: 1.5, line_dash: [4, 4] });
    const ink = colour("--accent");
    fig.scatter({
      x: all.map((p) => p.x.value), y: all.map((p) => p.y.value), marker: "circle", size: 13, line_color: ink, line_width: 2,
      fill_color: { value: ink }, fill_alpha: 0 });
    fig.scatter({ x: leads.map((p) => p.x.value), y: leads.map((p) => p.y.value), marker: "circle", size: 13, line_color: ink, fill_color: ink });
    const text = all.map((p) => (DATA.front && DATA.front.knee === p.rank ? `${p.rank} knee` : p.label.replace(/^no\. /, "")));
    const names = new B.ColumnDataSource({ data: { x: all.map((p) => p.x.value), y: all.map((p) => p.y.value), text, right: all.map(() => 0), down: all.map(() => 0) } });
    const written = fig.text({
      x: { field: "x" }, y: { field: "y" }, text: { field: "text" }, x_offset: { field: "right" }, y_offset: { field: "down" }, source: names, visible: false,
      text_align: "center", text_baseline: "middle", text_font: "system-ui, sans-serif", text_font_size: "13px", text_color: colour("--ink") });
    const shown = all[state.shown];
    fig.scatter({ x: [shown.x.value], y: [shown.y.value], marker: "circle", size: 23, line_color: colour("--ink"), line_width: 2, fill_color: null });
    this.view = await B.Plotting.show(fig, this.host);
    names.data = { ...names.data, ...this.place(all, text) };
    written.visible = true;
    this.name(all);
  }

  /* Where the name of each point stands free of all points and of the names before it. */
  place(all, text) {
    const frame = this.view.frame, box = frame.bbox;
    const spots = all.map((p) => ({ x: frame.x_scale.compute(p.x.value), y: frame.y_scale.compute(p.y.value) }));
    const taken = spots.map((s, k) => { const r = k === state.shown ? 12 : 8; return [s.x - r, s.y - r, s.x + r, s.y + r]; });
    const right = [], down = [];
    spots.forEach((spot, k) => {
      const half = 4 * text[k].length + 1;
      let best = null;
      for (const far of [1, 1.7, 2.4]) {
        for (const turn of [0, 180, 270, 90, 315, 225, 45, 135]) {
          const dx = far * (11 + half) * Math.cos(turn * Math.PI / 180), dy = far * 19 * Math.sin(turn * Math.PI / 180);
          const name = [spot.x + dx - half, spot.y + dy - 7, spot.x + dx + half, spot.y + dy + 7];
          const over = ([left, top, to, low]) => Math.max(0, Math.min(to, name[2]) - Math.max(left, name[0])) * Math.max(0, Math.min(low, name[3]) - Math.max(top, name[1]));
          const outside = name[0] < box.x0 || name[2] > box.x1 || name[1] < box.y0 || name[3] > box.y1;
          const cost = taken.reduce((sum, one) => sum + over(one), outside ? 1e4 : 0);
          if (best === null || cost < best.cost) best = { cost, dx, dy, name };
        }
      }
      taken.push(best.name);
      right.push(best.dx);
      down.push(best.dy);
    });
    return { right, down };
  }

  name(all) {
    this.list.replaceChildren(element("p", { class: "at" }, `${all[0].x.name} across, ${all[0].y.name} up`));
    for (const p of all) {
      const button = element("button", { type: "button", "data-pick": p.k }, p.label);
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
  return `${figure.value.toFixed(figure.digits)} ${figure.unit}`.trim();
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

mark();
if (document.getElementById("trade-chart")) {
  trade = new TradePlot(document.getElementById("trade-chart"));
  extras.push(trade);
}
document.querySelectorAll("#picks input").forEach((input) => input.addEventListener("change", () => show(Number(input.value))));
document.querySelectorAll(".compare [data-pick]").forEach((button) => button.addEventListener("click", () => show(Number(button.dataset.pick))));
document.getElementById("against")?.addEventListener("change", (event) => {
  const index = event.target.value === "" ? null : Number(event.target.value);
  state.against = index === state.shown ? null : index;
  if (state.against === null) event.target.value = "";
  plots.forEach((plot) => plot.update());
});
