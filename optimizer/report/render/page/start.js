
/* How a page comes to life: text first, then the charts in view, then the others. */

// Pictures that are no curves over frequency; each has build(), freeze(dark) and, once drawn, view.
const extras = [];

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
  for (const extra of extras) if (extra.view) await extra.build();
}

function startEngine() {
  const script = document.createElement("script");
  script.textContent = document.getElementById("engine").textContent;
  document.head.append(script);
  window.Bokeh.set_log_level("error");
  // Each paint asks the style of the page for every property of every line and axis, in case that has one
  // of the library's own names, which no page of ours has: a third of what a chart takes to redraw.
  const { VisualProperties } = window.Bokeh.require("core/visuals/visual");
  VisualProperties.prototype._get_css_value = () => "";
}

const pause = () => new Promise((done) => { setTimeout(done, 0); });

async function buildAll() {
  startEngine();
  const seen = (plot) => plot.host.getBoundingClientRect().top < innerHeight;
  for (const plot of [...plots].sort((a, b) => Number(seen(b)) - Number(seen(a)))) {
    await plot.build();
    await pause();
  }
  for (const extra of extras) await extra.build();
  ROOT.dataset.ready = "yes";
}

function startPage(specs) {
  ROOT.classList.add("js");
  document.querySelectorAll("[data-chart]").forEach((figure) => {
    const spec = specs[figure.dataset.chart];
    plots.push(spec.plane ? new AnglePlot(figure, spec) : new LinePlot(figure, spec));
  });
  document.querySelectorAll("details.numbers").forEach((box) => box.addEventListener("toggle", () => { if (box.open) fillNumbers(box); }));
  document.getElementById("theme").addEventListener("click", () => { ROOT.dataset.theme = isDark() ? "light" : "dark"; rebuild(); });
  document.getElementById("print").addEventListener("click", () => print());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (!ROOT.dataset.theme) rebuild(); });
  addEventListener("beforeprint", () => {
    plots.forEach((plot) => plot.freeze(isDark()));
    extras.forEach((extra) => { if (extra.view) extra.freeze(isDark()); });
  });
  // The page paints its text first; the chart library is read after that.
  requestAnimationFrame(() => setTimeout(buildAll, 0));
}
