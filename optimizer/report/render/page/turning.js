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

/* One order at a time; turns of one value that wait are one turn. */
function order(what) {
  const end = waiting[waiting.length - 1];
  if (what.do === "step" && end && end.do === "step" && end.label === what.label) end.by += what.by;
  else waiting.push(what);
  if (!busy) work();
}

async function ask(what) {
  const reply = await fetch("do", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ ...what, known: last.known }) });
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
    const begun = performance.now();
    try {
      receive(await ask(what));
      requestAnimationFrame(() => requestAnimationFrame(() => { ROOT.dataset.stepMs = (performance.now() - begun).toFixed(1); }));
    } catch (error) {
      waiting.length = 0;
      tell(sayFailure(error), true);
    }
  }
  busy = false;
}

function tell(text, wrong = false) {
  part("told").textContent = text;
  part("told").classList.toggle("broken", wrong);
}

function receive(answer) {
  last = answer;
  SUBJECTS[NOW] = answer.subject;
  if (answer.before) SUBJECTS[BEFORE] = answer.before;
  fillKnobs();
  redraw();
  for (const name of ["figures", "verdicts"]) part(name).innerHTML = answer.html[name];
  part("schematic").innerHTML = answer.html.schematic;
  fillOffered();
  showSearch();
  setTimeout(makeTouchable, 60); // asks for sizes, which would hold up what is drawn
  document.querySelector("#difference figcaption p").textContent = answer.most || "no difference";
  part("done").textContent = answer.done.length ? answer.done.join("; ") : "as it was before";
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
function redraw() {
  const seen = (plot) => { const box = plot.host.getBoundingClientRect(); return box.top < innerHeight && box.bottom > 0; };
  const later = [];
  for (const plot of plots) if (seen(plot)) plot.update(); else later.push(plot);
  const mine = ++rest;
  const next = () => {
    if (mine !== rest || !later.length) return;
    later.shift().update();
    setTimeout(next, 30);
  };
  setTimeout(next, 250);
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
    const heads = Object.values(last.offered[0].figures).map((one) => element("th", { scope: "col", class: "r" }, one.head));
    table.tHead.replaceChildren(element("tr", {}, element("th", { scope: "col" }, "network"), ...heads));
    const names = shortNames();
    shown.forEach((body) => body.remove());
    table.append(...last.offered.map((one, k) => offer(one, k, names[k])));
    const first = table.tBodies[shown.length];
    if (shown.length && first) table.closest(".scroll").scrollTop = first.offsetTop - table.tHead.offsetHeight;
  }
  [...table.tBodies].forEach((body, k) => {
    body.classList.toggle("shown", k === last.start);
    body.querySelector("button").setAttribute("aria-pressed", String(k === last.start));
  });
  sieve();
}

function offer(one, k, name) {
  const button = element("button", { type: "button", "data-start": k, title: one.name }, name);
  button.addEventListener("click", () => order({ do: "choose", start: k }));
  const cells = Object.entries(one.figures).map(([key, figure]) => element("td", { class: key === "doubts" && one.doubtful ? "r broken" : "r", title: figure.unit }, figure.text));
  const body = element("tbody", {}, element("tr", {}, element("th", { scope: "row" }, button), ...cells));
  if (one.said.length) body.append(element("tr", { class: "said", title: one.said.slice(1).join("\n") }, element("td", { colspan: cells.length + 1 }, one.said[0])));
  return body;
}

function sieve() {
  const most = part("pieces").value === "" ? Infinity : Number(part("pieces").value);
  const least = Number(part("least").value);
  let left = 0;
  document.querySelectorAll(".offered tbody").forEach((row, k) => {
    const one = last.offered[k];
    row.hidden = one.parts > most || one.ohm < least || (part("sound").checked && one.doubtful);
    left += row.hidden ? 0 : 1;
  });
  part("sieved").textContent = left === last.offered.length ? "" : `${left} of ${last.offered.length} shown`;
}

/* A search goes on beside the page; what it finds is offered like all other networks. */
let listening = null;
function showSearch() {
  const { on, said } = last.search;
  const kept = [...rows.values()].filter((row) => row.keep.checked).length;
  part("seek").textContent = kept ? `search with ${kept} kept` : "search from here";
  part("seek").disabled = on;
  part("halt").hidden = !on;
  part("sought").textContent = last.heard || said;
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
    row.put.hidden = knob.filling === "stays" || first !== knob;
    row.put.textContent = `${knob.filled ? "leave out" : "put in"}${knob.slot === knob.name ? "" : ` ${knob.slot}`}`;
    row.put.setAttribute("aria-label", `${knob.filled ? "leave out" : "put in"} ${knob.ladder} ${knob.slot}`);
    row.line.classList.toggle("empty", !knob.filled);
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
  const keep = element("input", { type: "checkbox", "aria-label": `keep ${ladder} ${name} in a search`, title: "keep in a search" });
  keep.addEventListener("change", showSearch);
  const line = element("div", { class: "knob", "data-label": label }, element("label", { class: "name" }, keep, name), down, spin, up, put);
  down.addEventListener("click", () => step(label, -1));
  up.addEventListener("click", () => step(label, 1));
  put.addEventListener("click", () => order({ do: "toggle", label }));
  spin.addEventListener("keydown", (event) => turnByKey(event, label));
  spin.addEventListener("focus", () => point(label, true));
  spin.addEventListener("blur", () => point(label, false));
  line.addEventListener("pointerenter", () => point(label, true));
  line.addEventListener("pointerleave", () => point(label, false));
  turnByWheel(spin, () => label);
  turnByDrag(spin, label);
  rows.set(label, { line, spin, down, up, put, keep });
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
  part("seek").addEventListener("click", () => order({ do: "search", kept: [...rows].filter(([, row]) => row.keep.checked).map(([label]) => label) }));
  part("wishing").addEventListener("submit", (event) => {
    event.preventDefault();
    part("sought").textContent = "looking for the fewest changes";
    order({ do: "wish", text: part("wish").value });
  });
  part("halt").addEventListener("click", () => hearNews("stop"));
  for (const name of ["undo", "redo", "hold"]) part(name).addEventListener("click", () => order({ do: name }));
  for (const name of ["pieces", "least", "sound"]) part(name).addEventListener("input", sieve);
  addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.altKey || event.target.matches("input, textarea")) return;
    const key = event.key.toLowerCase(), name = key === "z" ? (event.shiftKey ? "redo" : "undo") : key === "y" ? "redo" : null;
    if (!name) return;
    event.preventDefault();
    if (!part(name).disabled) order({ do: name });
  });
  mindSaving();
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
