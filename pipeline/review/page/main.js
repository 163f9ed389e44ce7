// The review page: one row at a time, in the order of review.
import { get, post, picture, Refused } from "./api.js";
import { readPNG } from "./png.js";
import { edgesToDraw, edgeName, layers, places, placeNames, placesToSet, traced } from "./layers.js";
import { Hand } from "./hand.js";
import { Viewer } from "./viewer.js";
import { List } from "./list.js";
import { Plot } from "./plot.js";
import { keys } from "./keys.js";

const $ = (id) => document.getElementById(id);
const shown = new Set(layers.map((l) => l.key));
const view = new Viewer($("view-main"), shown), beside = new Viewer($("view-beside"), shown);
const plot = new Plot($("plot"), $("plot-read"), (i) => { view.cursor = i; view.redraw(); });
const hand = new Hand(view, shown, {
  change, pick,
  hint: (text) => { $("hint").textContent = text; $("drawing").hidden = !hand || !hand.draws(); },
  over: (i) => plot.mark(i < 0 || i >= plot.rows.length ? null : i),
});
const list = new List($("list"), (row) => open(row.id));

const state = { row: null, stored: null, corrections: [], ticks: [], related: -1, loading: null, preview: 0 };

function say(text) { $("message").textContent = text || ""; }

const sayError = (e) => { if (e.name !== "AbortError") say(e.message); };

// open shows a row.
async function open(id) {
  if (state.loading) state.loading.abort();
  const loading = (state.loading = new AbortController());
  say("");
  try {
    const row = await get(`/api/row/${id}`);
    if (loading.signal.aborted) return;
    state.corrections = row.decision.corrections.slice();
    state.stored = row;
    view.picked = "";
    setTool("");
    showBeside(-1);
    show(row);
    $("note").value = row.decision.note;
    $("reject-reason").value = row.decision.reason;
    setTicks(row.decision.ticks);
    view.clear();
    view.geometry = row.geometry;
    $("caption").textContent = "Loading the film …";
    const film = await readPNG(await picture(id, loading.signal));
    if (loading.signal.aborted) return;
    view.show(film);
    view.geometry = row.geometry;
    tone();
    $("caption").textContent = caption(row);
    document.body.dataset.ready = String(id);
  } catch (e) {
    if (!loading.signal.aborted) $("caption").textContent = "";
    sayError(e);
  }
}

const caption = (row) => [row.record.source, row.record.frame > 1 ? `frame ${row.record.frame}` : "", row.record.side, row.record.view, row.record.study_date]
  .filter(Boolean).join(", ");

// show fills everything but the picture.
function show(row) {
  state.row = row;
  $("title").textContent = caption(row);
  view.geometry = row.geometry;
  hand.show(row.geometry, state.corrections);
  view.cursor = null;
  view.redraw();
  plot.show(row.profile, row.focal);
  fill($("why"), ((row.record.texts && row.record.texts.review_reasons) || "").split("; ").filter(Boolean).map((t) => node("li", t)));
  fill($("reasons"), row.reasons.flatMap((r) => [node("dt", r.code), node("dd", r.sentence)]));
  fill($("numbers").tBodies[0], row.columns.map(number));
  showTools(row);
  fill($("mark-list"), Object.keys(places(row.geometry)).map(mark));
  fill($("related"), row.related.map((r, i) => {
    const b = node("button", `${r.why}`);
    b.type = "button";
    b.addEventListener("click", () => showBeside(state.related === i ? -1 : i));
    return b;
  }));
  $("related-pane").hidden = row.related.length === 0;
  showState();
}

// showTools lists what the hand can do on a row, and keeps what it does.
function showTools(row) {
  const names = edgesToDraw(row, state.corrections), was = $("tool").value;
  const option = (value, text) => Object.assign(node("option", text), { value });
  fill($("tool"), [option("", "moves places and the film"), ...(traced(row) ? [option("edges", "moves edges"), option("levels", "moves levels")] : []),
    ...names.map((n) => option(`draw ${n}`, `draws the ${edgeName(n)}`)), ...placesToSet(row).map((n) => option(`set ${n}`, `sets the ${placeNames[n]}`))]);
  $("tool").value = [...$("tool").options].some((o) => o.value === was) ? was : "";
  if ($("tool").value !== was) hand.setTool("");
}

function setTool(tool) {
  $("tool").value = [...$("tool").options].some((o) => o.value === tool) ? tool : "";
  hand.setTool($("tool").value);
}

// unfinished tells whether a femur is being drawn of which one outer edge is
// still missing: without both there is nothing to measure.
const unfinished = () => !state.row.traced && state.corrections.filter((c) => c.kind === "draw_edge" && c.name.startsWith("outer_")).length < 2;

function showState() {
  const d = state.row.decision, words = { open: "Not reviewed yet.", accepted: "Accepted.", corrected: "Corrected.", rejected: "Rejected." };
  const changed = JSON.stringify(state.corrections) !== JSON.stringify(state.stored.decision.corrections);
  $("state").textContent = (words[d.state] || d.state) + (changed ? " The drawing was changed and is not saved." : "");
  document.querySelector('[data-do="correct"]').disabled = state.corrections.length === 0 || unfinished();
  for (const b of document.querySelectorAll('[data-do="discard"], [data-do="back"]')) b.disabled = state.corrections.length === 0;
  document.querySelector('[data-do="accept"]').disabled = state.corrections.length > 0;
  document.querySelector('[data-do="undo"]').disabled = d.version === 0;
}

function node(name, text) {
  const e = document.createElement(name);
  if (text !== undefined) e.textContent = text;
  return e;
}

const fill = (parent, nodes) => parent.replaceChildren(...nodes);

const written = (x, digits) => (typeof x === "number" ? x.toFixed(digits) : x ?? "");

// A column's name, which may break behind each underscore.
function columnName(name) {
  const th = node("th");
  for (const part of name.split(/(?<=_)/)) th.append(part, node("wbr"));
  return th;
}

function number(c) {
  const tr = node("tr"), th = columnName(c.name);
  th.scope = "row";
  const changed = written(c.value, c.digits) !== written(c.measured, c.digits);
  if (changed) tr.className = "changed";
  tr.append(th, node("td", `${written(c.value, c.digits)}${c.unit && c.unit !== "1" ? ` ${c.unit}` : ""}`),
    node("td", c.u95 === null || c.u95 === undefined ? "" : written(c.u95, c.digits)), node("td", changed ? written(c.measured, c.digits) : ""));
  tr.dataset.column = c.name;
  return tr;
}

function mark(name) {
  const b = node("button", placeNames[name] || name);
  b.type = "button";
  b.dataset.place = name;
  b.setAttribute("aria-pressed", String(view.picked === name));
  b.addEventListener("click", () => pick(view.picked === name ? "" : name));
  return b;
}

function pick(name) {
  view.picked = name;
  for (const b of $("mark-list").children) b.setAttribute("aria-pressed", String(b.dataset.place === name));
  view.redraw();
}

// change adds a correction; a later one of the same place takes the place of the
// earlier. The server measures again.
async function change(c) {
  if (!state.row) return;
  const same = (o) => o.kind === c.kind && (c.kind === "landmark" ? o.name === c.name : c.kind === "head_radius");
  state.corrections = [...state.corrections.filter((o) => !same(o)), c];
  await again();
}

async function again() {
  const id = state.row.id, turn = ++state.preview;
  showState();
  try {
    const row = await post(`/api/preview/${id}`, { corrections: unfinished() ? [] : state.corrections });
    if (turn !== state.preview || state.row.id !== id) return;
    row.decision = state.row.decision;
    const picked = view.picked;
    show(row);
    pick(picked);
    document.body.dataset.previewed = String(turn);
    say(unfinished() && state.corrections.length ? "Now draw the outer edge of the other side." : "");
  } catch (e) {
    if (e instanceof Refused && e.status === 429) return;
    if (turn === state.preview) {
      state.corrections = state.corrections.slice(0, -1);
      showState();
      sayError(e);
    }
  }
}

async function decide(what, version) {
  const row = state.row;
  if (!row) return;
  const reason = $("reject-reason").value.trim();
  if (what === "rejected" && !reason) {
    say("Say why it is rejected.");
    $("reject-reason").focus();
    return;
  }
  const body = { version: version ?? state.stored.decision.version, state: what, corrections: what === "corrected" ? state.corrections : [],
    reason: what === "rejected" ? reason : "", note: $("note").value, ticks: ticksNow() };
  try {
    saved(await post(`/api/decide/${row.id}`, body));
    if (what !== "open") list.step(1);
  } catch (e) {
    clash(e, what);
  }
}

function saved(answer) {
  const row = answer.row || answer;
  state.stored = row;
  state.corrections = row.decision.corrections.slice();
  show(row);
  list.mark(row.id, row.decision.state);
  progress();
  say("");
}

function clash(e, what) {
  if (!(e instanceof Refused) || e.status !== 409 || !e.body.row) return sayError(e);
  const d = e.body.row.decision;
  $("clash-text").textContent = `Meanwhile this row was set to "${d.state}"${d.at ? ` at ${d.at}` : ""}. Both stay on record; which one counts?`;
  $("clash").returnValue = "";
  $("clash").showModal();
  actions.clashMine = () => { $("clash").close(); decide(what, d.version); };
  actions.clashTheirs = () => { $("clash").close(); saved(e.body.row); };
}

async function undo() {
  try {
    saved(await post(`/api/undo/${state.row.id}`, { version: state.stored.decision.version }));
    $("note").value = state.row.decision.note;
    setTicks(state.row.decision.ticks);
  } catch (e) {
    clash(e, "open");
  }
}

// The questions: three answers each, none chosen beforehand.
function buildTicks(ticks) {
  state.ticks = ticks;
  fill($("ticks"), ticks.map((t) => {
    const set = node("fieldset");
    set.append(node("legend", t.sentence));
    for (const answer of ["yes", "no", "unsure"]) {
      const label = node("label"), input = node("input");
      input.type = "radio";
      input.name = `tick-${t.key}`;
      input.value = answer;
      label.append(input, ` ${answer}`);
      set.append(label);
    }
    return set;
  }));
}

function setTicks(answers) {
  for (const input of $("ticks").querySelectorAll("input")) input.checked = answers[input.name.slice("tick-".length)] === input.value;
}

function ticksNow() {
  const out = {};
  for (const input of $("ticks").querySelectorAll("input:checked")) out[input.name.slice("tick-".length)] = input.value;
  return out;
}

async function progress() {
  try {
    const p = await get("/api/progress"), done = p.accepted + p.corrected + p.rejected, all = done + p.open;
    $("progress").textContent = `${done} of ${all} reviewed: ${p.accepted} accepted, ${p.corrected} corrected, ${p.rejected} rejected`;
    $("bar").value = all ? done / all : 0;
  } catch (e) {
    sayError(e);
  }
}

// showBeside shows the i-th other film of the patient; −1: none.
async function showBeside(i) {
  state.related = i;
  $("view-beside").hidden = i < 0;
  beside.clear();
  $("caption-beside").textContent = "";
  [...$("related").children].forEach((b, k) => b.setAttribute("aria-pressed", String(k === i)));
  if (i < 0) return;
  const other = state.row.related[i];
  try {
    const row = await get(`/api/row/${other.id}`);
    const film = await readPNG(await picture(other.id));
    if (state.related !== i) return;
    beside.show(film);
    beside.geometry = row.geometry;
    beside.redraw();
    $("caption-beside").textContent = `${other.why}: ${caption(row)}`;
  } catch (e) {
    sayError(e);
  }
}

// tone sets the sliders to the view's window and level.
function tone() {
  $("window").value = view.tone.window;
  $("level").value = view.tone.level;
  $("invert").checked = view.tone.invert;
}

function setTone() {
  const t = { window: Math.max(1, Number($("window").value)), level: Number($("level").value), invert: $("invert").checked };
  view.setTone(t);
  if (beside.film) beside.setTone({ ...beside.tone, invert: t.invert });
}

const shift = (id, by) => { $(id).value = Number($(id).value) * by; setTone(); };

const actions = {
  next: () => list.step(1),
  previous: () => list.step(-1),
  accept: () => decide("accepted"),
  correct: () => { if (state.corrections.length && !unfinished()) decide("corrected"); },
  discard: () => { state.corrections = []; again(); },
  back: () => { state.corrections = state.corrections.slice(0, -1); again(); },
  reject: () => decide("rejected"),
  keep: () => decide("open"),
  undo: () => { if (state.stored.decision.version) undo(); },
  ticks: () => { $("ticks-pane").open = true; const i = $("ticks").querySelector("input"); if (i) i.focus(); },
  note: () => $("note").focus(),
  places: () => {
    const names = Object.keys(places(view.geometry));
    if (names.length) { pick(names[(names.indexOf(view.picked) + 1) % names.length]); view.canvas.focus(); }
  },
  edges: () => { pick(""); setTool(hand.tool === "edges" ? "" : "edges"); view.canvas.focus(); },
  levels: () => { pick(""); setTool(hand.tool === "levels" ? "" : "levels"); view.canvas.focus(); },
  draw: () => {
    const names = edgesToDraw(state.row, state.corrections);
    pick("");
    setTool(`draw ${names[(names.indexOf(hand.draws()) + 1) % names.length]}`);
    view.canvas.focus();
  },
  finish: () => hand.finish(),
  point: () => hand.back(),
  beside: () => { if (state.row) showBeside(state.related + 1 < state.row.related.length ? state.related + 1 : -1); },
  fit: () => { view.fit(); beside.fit(); },
  real: () => view.real(),
  zoomIn: () => view.zoom(1.25),
  zoomOut: () => view.zoom(0.8),
  narrower: () => shift("window", 0.9),
  wider: () => shift("window", 1.1),
  darker: () => shift("level", 1.05),
  brighter: () => shift("level", 0.95),
  invert: () => { $("invert").checked = !$("invert").checked; setTone(); },
  layers: () => { const on = shown.size < layers.length; for (const input of $("layers").querySelectorAll("input")) if (input.checked !== on) input.click(); },
  list: () => $("list").focus(),
  release: () => pick(""),
  help: () => $("help").showModal(),
  closeHelp: () => $("help").close(),
};

function bind() {
  document.addEventListener("click", (e) => {
    const button = e.target.closest("[data-do]");
    if (button) actions[button.dataset.do]();
  });
  $("help-button").addEventListener("click", actions.help);
  const byKey = Object.fromEntries(keys.map(([key, action]) => [key, action]));
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || document.querySelector("dialog[open]")) return;
    const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(e.target.tagName) && e.target.type !== "checkbox";
    if (typing && e.key !== "Escape") return;
    if (typing) return e.target.blur();
    if (hand.key(e)) {
      e.preventDefault();
    } else if (byKey[e.key] && (e.key.length > 1 || $("letters").checked)) {
      e.preventDefault();
      actions[byKey[e.key]]();
    }
  });
  for (const id of ["window", "level", "invert"]) $(id).addEventListener("input", setTone);
  $("tool").addEventListener("change", () => setTool($("tool").value));
  // Keys of one character can be turned off (WCAG 2.2, 2.1.4).
  $("letters").checked = localStorage.getItem("letters") !== "off";
  $("letters").addEventListener("change", () => localStorage.setItem("letters", $("letters").checked ? "on" : "off"));
  $("filter").addEventListener("change", (e) => list.refilter(e.target.value));
  $("plot-what").addEventListener("change", (e) => { plot.what = e.target.value; plot.paint(); });
  fill($("keys").tBodies[0], keys.map(([key, , what]) => {
    const tr = node("tr"), th = node("th", key);
    th.scope = "row";
    tr.append(th, node("td", what));
    return tr;
  }));
  fill($("layers"), layers.map(layerSwitch));
  besideDrag();
}

function layerSwitch(layer) {
  const label = node("label"), input = node("input"), sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  input.type = "checkbox";
  input.checked = true;
  input.addEventListener("change", () => {
    if (input.checked) shown.add(layer.key);
    else shown.delete(layer.key);
    view.redraw();
    beside.redraw();
  });
  const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
  for (const [k, v] of Object.entries({ x1: 2, x2: 40, y1: 6, y2: 6, stroke: layer.colour, "stroke-width": 2, "stroke-dasharray": layer.dash.join(" ") })) line.setAttribute(k, v);
  sample.setAttribute("aria-hidden", "true");
  sample.setAttribute("viewBox", "0 0 42 12");
  sample.append(line);
  label.append(input, sample, layer.name);
  return label;
}

function besideDrag() {
  let last = null;
  beside.canvas.addEventListener("pointerdown", (e) => { last = beside.point(e); beside.canvas.setPointerCapture(e.pointerId); });
  beside.canvas.addEventListener("pointermove", (e) => {
    if (!last) return;
    const p = beside.point(e);
    beside.pan(p.x - last.x, p.y - last.y);
    last = p;
  });
  beside.canvas.addEventListener("pointerup", () => { last = null; });
}

async function start() {
  bind();
  try {
    const [l, t] = await Promise.all([get("/api/list"), get("/api/ticks")]);
    $("who").textContent = `Reviewer: ${l.reviewer}${l.second_reader ? " (second reader: other answers are hidden)" : ""}`;
    buildTicks(t.ticks);
    list.set(l.rows);
    document.body.dataset.rows = String(l.rows.length);
    progress();
    const first = l.rows.findIndex((r) => r.state === "open");
    list.pick(Math.max(0, first));
  } catch (e) {
    sayError(e);
  }
}

start();
