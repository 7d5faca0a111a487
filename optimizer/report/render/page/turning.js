/* The bench: what a hand does is sent to the engine, and what it answers is shown. Nothing is computed here. */

const NOW = 0, BEFORE = 1;
const PIXELS = 14; // of a drag for one step
const WHEEL = 40; // of a wheel or a touchpad for one step
state.against = BEFORE;

SPECS.difference = { unit: "dB", digits: 2, ticks: [-3, -2, -1, 0, 1, 2, 3], range: () => [-3, 3],
  series: ({ difference }) => Object.entries(difference).map(([name, values], k) => ({ key: `difference ${k}`, name, values,
    colour: k ? "--avg0" : "--sum", width: k ? 1.8 : 2.6, dash: k ? DASHES[1] : [] })) };

const part = (id) => document.getElementById(id);
let last = null; // the answer that is shown
let busy = false;
const waiting = [];
const GONE = "The bench does not answer: it ended with its command. Start laddersmith bench again.";

/* One order at a time; turns of one value that wait are one turn, and so are weights. */
function order(what) {
  if (waiting[waiting.length - 1]?.settles) waiting.pop();
  const end = waiting[waiting.length - 1];
  if (what.do === "step" && end && end.do === "step" && end.label === what.label) end.by += what.by;
  else if (what.do === "weigh" && end && end.do === "weigh") Object.assign(end.weights, what.weights);
  else waiting.push(what);
  if (!busy) work();
}

async function ask(what) {
  const reply = await fetch("do", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...what, known: last.known }) });
  return read(reply);
}

async function read(reply) {
  if (!reply.ok) throw new Error(await reply.text());
  return reply.json();
}

// A server that is gone is a TypeError of fetch; what it refuses it says itself.
function sayFailure(error) { return error instanceof TypeError ? GONE : error.message; }

async function work() {
  busy = true;
  while (waiting.length) {
    const what = waiting.shift();
    if (what.do === "step" && !what.by) continue;
    const begun = what.begun ?? performance.now();
    const took = (name) => nextFrames().then(() => { ROOT.dataset[name] = (performance.now() - begun).toFixed(1); });
    try {
      const seen = plots.filter(isSeen); // asked before anything changes: later it would cost a layout
      const glance = TURNS.has(what.do) && seen.every((plot) => WATCHED.has(plot.figure.dataset.chart));
      const answer = await ask({ ...what, glance });
      if (answer.glance) {
        glimpse(answer, seen);
        await took("stepMs");
        if (!waiting.length) waiting.push({ do: "look", settles: true, begun });
      } else {
        receive(answer, seen);
        if (!what.settles) took("stepMs");
        took("allMs");
      }
    } catch (error) {
      waiting.length = 0;
      tell(sayFailure(error), true);
    }
  }
  busy = false;
}

// Resolves when the next frame has been shown; in a tab that is not looked at there are none.
const nextFrames = () => Promise.race([
  new Promise((done) => { requestAnimationFrame(() => requestAnimationFrame(done)); }), new Promise((done) => { setTimeout(done, 100); })]);

/* What is watched while a value is turned is drawn first; tables, schematic and other charts follow at once. */
const WATCHED = new Set(["axis", "difference", "ohms"]);
const TURNS = new Set(["step", "put", "toggle", "turn", "take", "choose", "undo", "redo"]);
function glimpse({ curves, difference, before, known, start, knobs, ways, switches, done, most }, seen) {
  const { result } = SUBJECTS[NOW];
  SUBJECTS[NOW] = { ...SUBJECTS[NOW], difference, result: { ...result, curves: { ...result.curves, ...curves } } };
  if (before) SUBJECTS[BEFORE] = before;
  last = { ...last, known, start, knobs, ways, switches };
  rest++; // charts out of sight wait for the whole
  for (const plot of seen) plot.update();
  fillKnobs();
  fillOffered();
  sayDone(done, most);
}

function sayDone(done, most) {
  document.querySelector("#difference figcaption p").textContent = most || "no difference";
  part("done").textContent = done.length ? done.join("; ") : "as it was before";
  part("done").title = done.join("\n");
}

function tell(text, wrong = false) {
  part("told").textContent = text;
  part("told").classList.toggle("broken", wrong);
}

function receive(answer, seen = plots.filter(isSeen)) {
  last = answer;
  if (answer.heard) answered = answer.heard;
  SUBJECTS[NOW] = answer.subject;
  if (answer.before) SUBJECTS[BEFORE] = answer.before;
  redraw(seen);
  fillKnobs();
  for (const name of ["figures", "verdicts"]) part(name).innerHTML = answer.html[name];
  part("schematic").innerHTML = answer.html.schematic;
  fillOffered();
  showSearch();
  fillWeights();
  fillTrade();
  makeTouchable();
  sayDone(answer.done, answer.most);
  for (const name of ["undo", "redo"]) {
    part(name).disabled = answer[name] === null;
    part(name).title = answer[name] ? `${name} ${answer[name]}` : "";
  }
  if (answer.refused) tell(answer.refused, true);
  else if (answer.saved) tell(`Saved: ${answer.saved}`);
  else tell("");
}

/* Charts on the screen at once, the others when there is time. */
let rest = 0;
function isSeen(plot) {
  const box = plot.host.getBoundingClientRect();
  return box.top < innerHeight && box.bottom > 0;
}

function redraw(seen) {
  for (const plot of seen) plot.update();
  const later = plots.filter((plot) => !seen.includes(plot));
  const mine = ++rest;
  const next = () => {
    if (mine !== rest || !later.length) return;
    later.shift().update();
    setTimeout(next, 30);
  };
  setTimeout(next, 250);
}

/* Any chart can stand above; the one that did goes where that one was. */
function mindUpper() {
  let above = "axis";
  part("upper").addEventListener("change", (event) => {
    const now = part(above), next = part(event.target.value), gap = new Comment();
    next.replaceWith(gap);
    now.replaceWith(next);
    gap.replaceWith(now);
    above = next.id;
    plots.find((plot) => plot.figure === next).update();
  });
}

/* Networks to begin from; where all are of one file, its name need not be said on each. */
function shortNames() {
  const names = last.offered.map((one) => one.name.split(/[\\/]/).pop());
  const files = new Set(names.filter((name) => name.includes("#")).map((name) => name.split("#")[0]));
  return names.map((name) => (files.size === 1 && name.includes("#") ? `no. ${name.split("#")[1]}` : name));
}

function fillOffered() {
  const table = document.querySelector(".offered");
  const shown = [...table.tBodies];
  if (shown.length !== last.offered.length) {
    const heads = Object.entries(last.offered[0].figures).map(([key, one]) => {
      const button = element("button", { type: "button", title: "put the least first; again, the most" }, one.head);
      button.addEventListener("click", () => { sorted = { by: key, down: sorted.by === key && !sorted.down }; arrange(); });
      return element("th", { scope: "col", class: "r", "data-by": key }, button);
    });
    table.tHead.replaceChildren(element("tr", {}, element("th", { scope: "col" }, "network"), ...heads));
    const names = shortNames();
    shown.forEach((body) => body.remove());
    offers = last.offered.map((one, k) => offer(one, k, names[k]));
    fillHear();
    table.append(...offers);
    if (shown.length) offers[shown.length]?.scrollIntoView({ block: "nearest" });
    const price = last.offered[0].figures.price;
    part("dear").hidden = !price;
    if (price) part("dear").querySelector("span").textContent = price.unit;
  }
  offers.forEach((body, k) => {
    body.classList.toggle("shown", k === last.start);
    body.querySelector("button").setAttribute("aria-pressed", String(k === last.start));
    const { figures } = last.offered[k];
    body.querySelectorAll("td[data-of]").forEach((cell) => { cell.textContent = figures[cell.dataset.of].text; });
  });
  arrange();
}

/* By one figure, the least first; as they came until one is asked for. */
let offers = [], sorted = { by: null, down: false };
function arrange() {
  const { by, down } = sorted, table = document.querySelector(".offered");
  const value = (k) => last.offered[k].figures[by]?.value ?? Infinity;
  const order = offers.map((body, k) => k);
  if (by) order.sort((a, b) => (down ? value(b) - value(a) : value(a) - value(b)) || a - b);
  if (order.some((k, place) => table.tBodies[place] !== offers[k])) table.append(...order.map((k) => offers[k]));
  for (const head of table.tHead.querySelectorAll("[data-by]")) {
    if (head.dataset.by === by) head.setAttribute("aria-sort", down ? "descending" : "ascending"); else head.removeAttribute("aria-sort");
  }
  sieve();
}

function offer(one, k, name) {
  const button = element("button", { type: "button", "data-start": k, title: one.name }, name);
  button.addEventListener("click", () => order({ do: "choose", start: k }));
  const cells = Object.entries(one.figures).map(([key, figure]) => element("td", { class: key === "doubts" && one.doubtful ? "r broken" : "r", title: figure.unit, "data-of": key }, figure.text));
  const body = element("tbody", {}, element("tr", {}, element("th", { scope: "row" }, button), ...cells));
  if (one.said.length) body.append(element("tr", { class: "said", title: one.said.slice(1).join("\n") }, element("td", { colspan: cells.length + 1 }, one.said[0])));
  return body;
}

function sieve() {
  const limit = (id) => (part(id).value === "" ? Infinity : Number(part(id).value));
  const least = Number(part("least").value);
  let left = 0;
  offers.forEach((row, k) => {
    const { figures, doubtful } = last.offered[k];
    const over = (key, most) => (figures[key]?.value ?? 0) > most;
    row.hidden = over("parts", limit("pieces")) || over("price", limit("dearest")) || figures.impedance_min.value < least || (part("sound").checked && doubtful);
    left += row.hidden ? 0 : 1;
  });
  part("sieved").textContent = left === last.offered.length ? "" : `${left} of ${last.offered.length} shown`;
}

/* Tabs below the networks: figures, weights, trade. */
function mindTabs() {
  const tabs = [...document.querySelectorAll("#tabs [role=tab]")];
  const open = (tab) => {
    for (const one of tabs) {
      one.setAttribute("aria-selected", String(one === tab));
      one.tabIndex = one === tab ? 0 : -1;
      part(one.getAttribute("aria-controls")).hidden = one !== tab;
    }
    fillTrade();
  };
  tabs.forEach((tab, k) => {
    tab.addEventListener("click", () => open(tab));
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: k + 1, ArrowLeft: k - 1, Home: 0, End: tabs.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      const next = tabs[(to + tabs.length) % tabs.length];
      open(next);
      next.focus();
    });
  });
}

/* Weights: each slider is a factor on what the goal counts in the design. */
const FACTORS = [0, 0.125, 0.25, 0.5, 0.7, 1, 1.4, 2, 4, 8];
const AS_DESIGNED = FACTORS.indexOf(1);

function fillWeights() {
  const box = part("sliders");
  if (!box.children.length) box.append(...last.weights.map(buildSlider));
  last.weights.forEach((goal, k) => {
    const slider = box.children[k].querySelector("input"), factor = goal.now / goal.own;
    const at = FACTORS.reduce((best, one, i) => (Math.abs(one - factor) < Math.abs(FACTORS[best] - factor) ? i : best), 0);
    if (slider !== document.activeElement || !busy) slider.value = at;
    sayWeight(box.children[k], goal);
  });
  part("plain").disabled = last.weights.every((goal) => goal.now === goal.own);
}

function sayWeight(line, goal) {
  const slider = line.querySelector("input"), factor = FACTORS[slider.value];
  const said = factor ? `${factor} times` : "not at all";
  line.querySelector("output").textContent = Number(slider.value) === AS_DESIGNED ? `${goal.own}` : `${Number((factor * goal.own).toPrecision(3))} (${factor}\u00d7)`;
  slider.setAttribute("aria-valuetext", `${said}: weight ${Number((factor * goal.own).toPrecision(3))}`);
}

function buildSlider(goal, k) {
  const slider = element("input", { type: "range", min: 0, max: FACTORS.length - 1, step: 1, value: AS_DESIGNED });
  const line = element("label", { class: "weight", title: goal.unit }, element("span", {}, goal.said), slider, element("output"));
  slider.addEventListener("input", () => {
    if (!sorted.by) sorted = { by: "cost", down: false };
    sayWeight(line, goal);
    order({ do: "weigh", weights: { [goal.name]: FACTORS[slider.value] * last.weights[k].own } });
  });
  return line;
}

/* Trade: what giving up some of one goal buys of the others, among the networks that are offered. */
let asked = "";
function fillTrade() {
  if (part("panel-trade").hidden) return;
  const given = part("given"), gained = part("gained");
  if (!given.options.length) {
    for (const select of [given, gained]) select.append(...last.weights.map((goal) => element("option", { value: goal.name, title: goal.unit }, goal.said)));
    gained.selectedIndex = Math.min(1, gained.options.length - 1);
  }
  drawFront(given.value, gained.value);
  const what = JSON.stringify([given.value, part("give").value, last.start, last.known, last.done, last.offered.length]);
  if (what !== asked) { asked = what; askBargains(); }
}

let asking = false;
async function askBargains() {
  asking = true;
  try {
    const { bought, refused } = await ask({ do: "buy", goal: part("given").value, give: Number(part("give").value) });
    if (refused) tell(refused, true); else showBargains(bought);
  } catch (error) { tell(sayFailure(error), true); }
  asking = false;
}

function showBargains(found) {
  const names = shortNames();
  const lines = found.map(({ start, said }) => {
    const button = element("button", { type: "button" }, names[start]);
    button.addEventListener("click", () => order({ do: "choose", start }));
    return element("li", {}, `${said}: `, button);
  });
  const none = "No network of the list is better in any other goal for that. A search from here, or the front of laddersmith trade opened by --results, may have one.";
  part("bought").replaceChildren(...(lines.length ? lines : [element("li", {}, none)]));
}

/* The networks as points: lines join those that none betters in both. */
function drawFront(x, y) {
  const svg = part("front").querySelector("svg"), wide = 270, high = 170, left = 38, low = 30;
  const points = last.offered.map(({ goals }, k) => ({ k, x: goals[x], y: goals[y] }));
  const scale = (key, from, to) => {
    const all = points.map((p) => p[key]), least = Math.min(...all), span = Math.max(...all) - least || 1;
    return { at: (v) => from + (to - from) * (0.06 + 0.88 * (v - least) / span), ends: [least, least + span] };
  };
  const across = scale("x", left, wide), up = scale("y", high - low, 6);
  const leads = points.filter((p) => !points.some((o) => o.x <= p.x && o.y <= p.y && (o.x < p.x || o.y < p.y))).sort((a, b) => a.x - b.x);
  const make = (tag, attributes, text = "") => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    made.textContent = text;
    return made;
  };
  const words = (goal) => last.weights.find((one) => one.name === goal).said, names = shortNames();
  svg.setAttribute("viewBox", `0 0 ${wide} ${high}`);
  svg.setAttribute("aria-label", `The networks as points: ${words(x)} across, ${words(y)} up`);
  svg.replaceChildren(
    make("path", { class: "frame", d: `M${left} 6V${high - low}H${wide}` }),
    make("path", { class: "leads", d: leads.map((p, k) => `${k ? "L" : "M"}${across.at(p.x)} ${up.at(p.y)}`).join("") }),
    ...across.ends.map((v, k) => make("text", { x: across.at(v), y: high - low + 13, "text-anchor": k ? "end" : "start" }, v.toFixed(2))),
    ...up.ends.map((v) => make("text", { x: left - 4, y: up.at(v) + 4, "text-anchor": "end" }, v.toFixed(2))),
    make("text", { x: (left + wide) / 2, y: high - 3, "text-anchor": "middle" }, words(x)),
    ...points.flatMap((p) => {
      const dot = make("circle", { cx: across.at(p.x), cy: up.at(p.y), r: 5, class: [leads.includes(p) && "lead", p.k === last.start && "shown"].filter(Boolean).join(" ") });
      dot.append(make("title", {}, `${names[p.k]}: ${p.x.toFixed(2)}, ${p.y.toFixed(2)}`));
      dot.addEventListener("click", () => order({ do: "choose", start: p.k }));
      return [dot, make("text", { x: across.at(p.x) + 8, y: up.at(p.y) + 4 }, names[p.k].replace(/^no\. /, ""))];
    }));
}

function mindTrade() {
  part("giving").addEventListener("submit", (event) => { event.preventDefault(); askBargains(); });
  for (const name of ["given", "gained"]) part(name).addEventListener("change", fillTrade);
  part("plain").addEventListener("click", () => order({ do: "weigh", weights: Object.fromEntries(last.weights.map(({ name, own }) => [name, own])) }));
}

/* Listening without knowing: A, B and X run side by side, and one of them is let through. */
const player = { context: null, sources: {}, gains: {}, buffers: {}, plays: null, volume: null, trial: 1, trials: 0 };

function fillHear() {
  const names = shortNames();
  for (const [id, first] of [["hear-a", "before"], ["hear-b", "now"]]) {
    const select = part(id), value = select.value || first;
    select.replaceChildren(element("option", { value: "before" }, "the network before"), element("option", { value: "now" }, "what is shown now"),
      ...names.map((name, k) => element("option", { value: k }, name)));
    select.value = value;
  }
}

async function prepareMusic() {
  const file = part("music").files[0];
  part("hearing").textContent = "filtering, and making both equally loud";
  silence();
  const query = new URLSearchParams({ name: file.name, before: part("hear-a").value, after: part("hear-b").value, place: part("hear-place").value,
    from: part("hear-from").value, seconds: part("hear-for").value, trials: part("hear-trials").value });
  const answer = await read(await fetch(`music?${query}`, { method: "POST", body: file }));
  part("player").hidden = Boolean(answer.refused);
  part("hearing").textContent = answer.refused;
  if (answer.refused) return;
  part("prepared").innerHTML = answer.html;
  part("to-hear").open = false;
  player.context ??= new AudioContext();
  for (const name of ["A", "B", "X"]) player.buffers[name] = await load(name);
  Object.assign(player, { trial: 1, trials: answer.trials });
  sayTrial();
}

async function load(name) {
  const reply = await fetch(`sound/${name}`);
  if (!reply.ok) throw new Error(await reply.text());
  return player.context.decodeAudioData(await reply.arrayBuffer());
}

function silence() {
  for (const source of Object.values(player.sources)) source.stop();
  player.sources = {};
  player.plays = null;
  markPlaying();
}

/* All start at once and loop, so that changing over keeps the place in the music. */
function play(name) {
  const { context } = player;
  context.resume();
  if (!player.plays) {
    player.volume ??= new GainNode(context);
    player.volume.connect(context.destination);
    setVolume();
    for (const [key, buffer] of Object.entries(player.buffers)) {
      const gain = new GainNode(context, { gain: key === name ? 1 : 0 });
      const source = new AudioBufferSourceNode(context, { buffer, loop: true });
      source.connect(gain).connect(player.volume);
      source.start(context.currentTime + 0.05);
      player.sources[key] = source;
      player.gains[key] = gain;
    }
  }
  for (const [key, gain] of Object.entries(player.gains)) gain.gain.setTargetAtTime(key === name ? 1 : 0, context.currentTime, 0.005);
  player.plays = name;
  markPlaying();
}

function markPlaying() {
  document.querySelectorAll("[data-play]").forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.play === player.plays)));
}

function setVolume() {
  const decibel = Number(part("volume").value);
  part("volume").nextElementSibling.textContent = `${decibel} dB`;
  part("volume").setAttribute("aria-valuetext", `${decibel} dB`);
  if (player.volume) player.volume.gain.value = 10 ** (decibel / 20);
}

function sayTrial(said = "") {
  const over = player.trial > player.trials;
  part("trial").textContent = over ? said : `Trial ${player.trial} of ${player.trials}: is X A or B? Listen as often as you like.`;
  document.querySelectorAll("[data-guess], [data-play=X]").forEach((button) => { button.disabled = over; });
}

async function guess(letter) {
  silence();
  const answer = await ask({ do: "tell", letter });
  if (answer.refused) { tell(answer.refused, true); return; }
  player.trial = answer.answers + 1;
  if (!answer.said) player.buffers.X = await load("X"); else delete player.buffers.X;
  sayTrial([answer.said, answer.noted].filter(Boolean).join(" "));
}

function mindHearing() {
  const attempt = (work) => async (event) => {
    event.preventDefault();
    asking = true;
    try { await work(event); } catch (error) { part("hearing").textContent = sayFailure(error); }
    asking = false;
  };
  part("preparing").addEventListener("submit", attempt(prepareMusic));
  document.querySelectorAll("[data-play]").forEach((button) => button.addEventListener("click", () => play(button.dataset.play)));
  document.querySelectorAll("[data-guess]").forEach((button) => button.addEventListener("click", attempt(() => guess(button.dataset.guess))));
  part("hush").addEventListener("click", silence);
  part("volume").addEventListener("input", setVolume);
  setVolume();
}

/* A search goes on beside the page; what it finds is offered like all other networks. */
let listening = null, answered = "";
function showSearch() {
  const { on, said } = last.search;
  const kept = [...rows.values()].filter((row) => row.keep.checked).length;
  part("seek").textContent = kept ? `search with ${kept} kept` : "search from here";
  part("seek").disabled = on;
  part("halt").hidden = !on;
  part("sought").textContent = on ? said : answered || said;
  if (on && !listening) listening = setTimeout(() => hearNews(), 400);
}

async function hearNews(what = "news") {
  clearTimeout(listening);
  listening = null;
  try {
    const news = await ask({ do: what });
    Object.assign(last, news);
    fillOffered();
    showSearch();
  } catch (error) { tell(sayFailure(error), true); }
}

/* Values: each a spin button that steps through what the stock offers for its place. */
const rows = new Map();

function fillKnobs() {
  const labels = last.knobs.map((knob) => knob.label);
  if (labels.join() !== [...rows.keys()].join()) buildKnobs();
  for (const knob of last.knobs) {
    const row = rows.get(knob.label), free = knob.count > 1 && knob.filled;
    const text = knob.filled ? knob.text : "left out";
    row.spin.textContent = text;
    row.spin.setAttribute("aria-valuenow", knob.row);
    row.spin.setAttribute("aria-valuemax", knob.count - 1);
    const where = knob.count > 1 ? `${knob.row + 1} of ${knob.count}` : "stays on the board";
    row.spin.setAttribute("aria-valuetext", free ? `${text}, ${where}` : text);
    row.spin.title = [where, knob.detail].filter(Boolean).join("; ");
    row.down.disabled = !free || knob.row === 0;
    row.up.disabled = !free || knob.row === knob.count - 1;
    // A compound goes as a whole: its first part says so.
    const first = last.knobs.find((one) => one.ladder === knob.ladder && one.slot === knob.slot);
    row.put.hidden = (knob.filling === "stays" && !knob.kept) || first !== knob;
    if (knob.kept && knob.filled) {
      row.put.textContent = "change";
      row.put.title = "It stays on the board until you let it be changed";
      row.put.setAttribute("aria-label", `let ${knob.ladder} ${knob.slot} be changed`);
      row.knob = knob;
      continue;
    }
    row.put.title = "";
    row.put.textContent = `${knob.filled ? "leave out" : "put in"}${knob.slot === knob.name ? "" : ` ${knob.slot}`}`;
    row.put.setAttribute("aria-label", `${knob.filled ? "leave out" : "put in"} ${knob.ladder} ${knob.slot}`);
    row.line.classList.toggle("empty", !knob.filled);
    row.called.textContent = knob.called && knob.called !== knob.name ? ` ${knob.called}` : "";
    row.knob = knob;
  }
  last.switches.forEach((one, number) => { document.querySelector(`[data-switch="${number}"]`).value = one.taken; });
  for (const way of last.ways) {
    const turn = document.querySelector(`[data-turn="${CSS.escape(way.name)}"]`);
    turn.textContent = way.inverted ? "inverted" : "normal";
    turn.disabled = !way.free;
    turn.setAttribute("aria-label", `polarity of ${way.name}: ${turn.textContent}${way.free ? ", turn round" : ""}`);
  }
}

/* Alternatives of a ladder, and positions of a control. */
function buildSwitch({ title, names }, number, ladder) {
  const select = element("select", { "data-switch": number, "aria-label": `${ladder}, ${title}` }, ...names.map((name, k) => element("option", { value: k }, name)));
  select.addEventListener("change", () => order({ do: "take", switch: number, alternative: Number(select.value) }));
  return element("label", { class: "switch" }, `${title} `, select);
}

function buildKnobs() {
  rows.clear();
  const boxes = new Map();
  const box = (name) => {
    if (boxes.has(name)) return boxes.get(name);
    const way = last.ways.find((one) => one.name === name);
    const head = element("h3", {}, name);
    if (way) {
      const turn = element("button", { type: "button", class: "turn", "data-turn": name });
      turn.addEventListener("click", () => order({ do: "turn", way: name }));
      head.append(" ", turn);
    }
    boxes.set(name, element("div", { class: "ladder" }, head));
    return boxes.get(name);
  };
  for (const way of last.ways) box(way.name);
  last.switches.forEach((one, number) => box(one.ladder).append(buildSwitch(one, number, one.ladder)));
  for (const knob of last.knobs) box(knob.ladder).append(buildKnob(knob));
  part("ladders").replaceChildren(...boxes.values());
}

function buildKnob({ label, ladder, name }) {
  const spin = element("div", { role: "spinbutton", tabindex: "0", class: "spin", "aria-label": `${ladder} ${name}`, "aria-valuemin": "0" });
  const down = element("button", { type: "button", tabindex: "-1", "aria-label": `smaller ${ladder} ${name}` }, "\u2212");
  const up = element("button", { type: "button", tabindex: "-1", "aria-label": `larger ${ladder} ${name}` }, "+");
  const put = element("button", { type: "button", class: "put" });
  const called = element("small", { title: "on the drawing" });
  const keep = element("input", { type: "checkbox", "aria-label": `keep ${ladder} ${name} in a search`, title: "keep in a search" });
  keep.addEventListener("change", showSearch);
  const line = element("div", { class: "knob", "data-label": label }, element("label", { class: "name" }, keep, name, called), down, spin, up, put);
  down.addEventListener("click", () => step(label, -1));
  up.addEventListener("click", () => step(label, 1));
  put.addEventListener("click", () => order({ do: rows.get(label).knob.kept ? "free" : "toggle", label }));
  spin.addEventListener("keydown", (event) => turnByKey(event, label));
  spin.addEventListener("focus", () => point(label, true));
  spin.addEventListener("blur", () => point(label, false));
  line.addEventListener("pointerenter", () => point(label, true));
  line.addEventListener("pointerleave", () => point(label, false));
  turnByWheel(spin, () => label);
  turnByDrag(spin, label);
  rows.set(label, { line, spin, down, up, put, keep, called });
  return line;
}

function step(label, by) {
  const { knob } = rows.get(label);
  if (knob.filled && knob.count > 1) order({ do: "step", label, by });
}

function turnByKey(event, label) {
  const { knob } = rows.get(label);
  const far = Math.max(3, Math.round(knob.count / 12));
  const steps = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: far, PageDown: -far, Home: -knob.count, End: knob.count };
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key in steps) step(label, steps[event.key]);
  else if (["Delete", "Backspace"].includes(event.key) && knob.filling === "can go") order({ do: "toggle", label });
  else if (["Insert", "Enter"].includes(event.key) && knob.filling === "can come") order({ do: "toggle", label });
  else return;
  event.preventDefault();
}

function turnByWheel(host, which) {
  let turned = 0;
  host.addEventListener("wheel", (event) => {
    const label = which(event);
    if (!label || !rows.has(label) || event.ctrlKey) return;
    event.preventDefault();
    turned -= event.deltaMode ? event.deltaY * WHEEL : event.deltaY;
    const by = Math.trunc(turned / WHEEL);
    turned -= by * WHEEL;
    if (by) step(label, Math.sign(by));
  }, { passive: false });
}

function turnByDrag(spin, label) {
  let from = null;
  spin.addEventListener("pointerdown", (event) => { from = event.clientY; spin.setPointerCapture(event.pointerId); });
  spin.addEventListener("pointermove", (event) => {
    if (from === null) return;
    const by = Math.trunc((from - event.clientY) / PIXELS);
    if (!by) return;
    from -= by * PIXELS;
    step(label, by);
  });
  for (const end of ["pointerup", "pointercancel"]) spin.addEventListener(end, () => { from = null; });
}

/* Symbols of the schematic: what is pointed at is shown there, and the wheel turns it. */
function makeTouchable() {
  for (const symbol of part("schematic").querySelectorAll("[data-part]:not(:has(.ground))")) {
    const box = symbol.getBBox(), pad = 6;
    const ground = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    for (const [key, value] of Object.entries({ x: box.x - pad, y: box.y - pad, width: box.width + 2 * pad, height: box.height + 2 * pad, rx: 6, class: "ground" })) ground.setAttribute(key, value);
    symbol.prepend(ground);
  }
  const held = document.activeElement.closest?.("[data-label]");
  if (held) point(held.dataset.label, true);
}

const touched = (event) => event.target.closest("[data-part]")?.dataset.part;

function point(label, on) {
  part("schematic").querySelector(`[data-part="${CSS.escape(label)}"]`)?.classList.toggle("pointed", on);
}

function mind() {
  turnByWheel(part("schematic"), touched);
  part("schematic").addEventListener("click", (event) => rows.get(touched(event))?.spin.focus());
  part("seek").addEventListener("click", () => { answered = ""; order({ do: "search", kept: [...rows].filter(([, row]) => row.keep.checked).map(([label]) => label) }); });
  part("wishing").addEventListener("submit", (event) => {
    event.preventDefault();
    part("sought").textContent = "looking for the fewest changes";
    order({ do: "wish", text: part("wish").value });
  });
  part("halt").addEventListener("click", () => hearNews("stop"));
  for (const name of ["undo", "redo", "hold"]) part(name).addEventListener("click", () => order({ do: name }));
  for (const name of ["pieces", "least", "dearest", "sound"]) part(name).addEventListener("input", sieve);
  addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.altKey || event.target.matches("input, textarea")) return;
    const key = event.key.toLowerCase(), name = key === "z" ? (event.shiftKey ? "redo" : "undo") : key === "y" ? "redo" : null;
    if (!name) return;
    event.preventDefault();
    if (!part(name).disabled) order({ do: name });
  });
  mindSaving();
  mindTabs();
  mindUpper();
  mindTrade();
  mindHearing();
}

function mindSaving() {
  const box = part("saving");
  part("keep").addEventListener("click", () => {
    part("unsaved").textContent = "";
    if (!part("note").value) part("note").value = last.done.join("; ");
    box.showModal();
    part("file").focus();
  });
  part("leave").addEventListener("click", () => box.close());
  box.querySelector("form").addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const answer = await ask({ do: "save", name: part("file").value, note: part("note").value });
      if (answer.refused) { part("unsaved").textContent = answer.refused; return; }
      box.close();
      part("note").value = "";
      receive(answer);
    } catch (error) { part("unsaved").textContent = sayFailure(error); }
  });
}

mind();
receive({ ...DATA.answer, subject: SUBJECTS[NOW], before: SUBJECTS[BEFORE] });
