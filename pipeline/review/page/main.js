// The review page: one row at a time, in the order of review.
import { get, post, picture, Refused } from "./api.js";
import { readPNG } from "./png.js";
import { layers, places, placeNames } from "./layers.js";
import { Viewer } from "./viewer.js";
import { List } from "./list.js";
import { Plot } from "./plot.js";
import { keys } from "./keys.js";

const $ = (id) => document.getElementById(id);
const shown = new Set(layers.map((l) => l.key));
const view = new Viewer($("view-main"), shown), beside = new Viewer($("view-beside"), shown);
const plot = new Plot($("plot"), $("plot-read"), (i) => { view.cursor = i; view.redraw(); });
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
  view.cursor = null;
  view.redraw();
  plot.show(row.profile, row.focal);
  fill($("why"), ((row.record.texts && row.record.texts.review_reasons) || "").split("; ").filter(Boolean).map((t) => node("li", t)));
  fill($("reasons"), row.reasons.flatMap((r) => [node("dt", r.code), node("dd", r.sentence)]));
  fill($("numbers").tBodies[0], row.columns.map(number));
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

function showState() {
  const d = state.row.decision, words = { open: "Not reviewed yet.", accepted: "Accepted.", corrected: "Corrected.", rejected: "Rejected." };
  const changed = JSON.stringify(state.corrections) !== JSON.stringify(state.stored.decision.corrections);
  $("state").textContent = (words[d.state] || d.state) + (changed ? " The drawing was changed and is not saved." : "");
  document.querySelector('[data-do="correct"]').disabled = state.corrections.length === 0;
  document.querySelector('[data-do="discard"]').disabled = state.corrections.length === 0;
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

function number(c) {
  const tr = node("tr"), th = node("th", c.name);
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

// correction is what moving a place to a point asks for.
function correction(name, to) {
  if (name === "head_rim") {
    const c = state.row.geometry.circles.head.centre;
    return { kind: "head_radius", radius: Math.hypot(to.X - c.X, to.Y - c.Y) };
  }
  return { kind: "landmark", name, to: [to.X, to.Y] };
}

// change adds a correction; a later one of the same place takes the place of the
// earlier. The server measures again.
async function change(c) {
  const same = (o) => o.kind === c.kind && (c.kind === "landmark" ? o.name === c.name : c.kind === "head_radius");
  state.corrections = [...state.corrections.filter((o) => !same(o)), c];
  await again();
}

async function again() {
  const id = state.row.id, turn = ++state.preview;
  showState();
  try {
    const row = await post(`/api/preview/${id}`, { corrections: state.corrections });
    if (turn !== state.preview || state.row.id !== id) return;
    row.decision = state.row.decision;
    const picked = view.picked;
    show(row);
    pick(picked);
    document.body.dataset.previewed = String(turn);
    say("");
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
  correct: () => { if (state.corrections.length) decide("corrected"); },
  discard: () => { state.corrections = []; again(); },
  reject: () => decide("rejected"),
  keep: () => decide("open"),
  undo: () => { if (state.stored.decision.version) undo(); },
  ticks: () => { $("ticks-pane").open = true; const i = $("ticks").querySelector("input"); if (i) i.focus(); },
  note: () => $("note").focus(),
  places: () => {
    const names = Object.keys(places(view.geometry));
    if (names.length) { pick(names[(names.indexOf(view.picked) + 1) % names.length]); view.canvas.focus(); }
  },
  edges: () => { $("edit-edges").checked = !$("edit-edges").checked; },
  levels: () => { $("edit-levels").checked = !$("edit-levels").checked; },
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
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (arrow && view.picked) {
      e.preventDefault();
      const p = places(view.geometry)[view.picked], k = e.shiftKey ? 10 : 1;
      change(correction(view.picked, { X: p.X + k * arrow[0], Y: p.Y + k * arrow[1] }));
    } else if (arrow) {
      view.pan(-40 * arrow[0], -40 * arrow[1]);
    } else if (byKey[e.key]) {
      e.preventDefault();
      actions[byKey[e.key]]();
    }
  });
  for (const id of ["window", "level", "invert"]) $(id).addEventListener("input", setTone);
  $("filter").addEventListener("change", (e) => list.refilter(e.target.value));
  $("plot-what").addEventListener("change", (e) => { plot.what = e.target.value; plot.paint(); });
  fill($("keys").tBodies[0], keys.map(([key, , what]) => {
    const tr = node("tr"), th = node("th", key);
    th.scope = "row";
    tr.append(th, node("td", what));
    return tr;
  }));
  fill($("layers"), layers.map(layerSwitch));
  drag();
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

// drag moves a place or an edge that lies under the pointer, else the film.
function drag() {
  const c = view.canvas;
  let held = null;
  c.addEventListener("pointerdown", (e) => {
    if (!view.film) return;
    const p = view.point(e), name = shown.has("places") ? view.nearPlace(p) : "";
    const edge = !name && $("edit-edges").checked ? view.nearEdge(p) : null;
    const level = !name && !edge && $("edit-levels").checked && view.onLevel(p);
    held = name ? { name } : edge ? { edge } : level ? { level: view.toFilm(p) } : { pan: p };
    held.last = p;
    if (name) pick(name);
    c.setPointerCapture(e.pointerId);
  });
  c.addEventListener("pointermove", (e) => {
    const p = view.point(e);
    if (!held) {
      const i = view.film ? view.nearLevel(p) : -1;
      plot.mark(i < 0 || i >= plot.rows.length ? null : i);
      return;
    }
    if (held.pan) view.pan(p.x - held.last.x, p.y - held.last.y);
    else if (held.name) moved(held.name, view.toFilm(p));
    held.last = p;
    held.far = true;
  });
  const end = (e) => {
    if (!held) return;
    const at = view.toFilm(view.point(e)), was = held;
    held = null;
    if (!was.far) return;
    if (was.name) change(correction(was.name, at));
    if (was.level) change({ kind: "level", from: [was.level.X, was.level.Y], to: [at.X, at.Y] });
    if (was.edge) change({ kind: "edge", name: was.edge.name, from: [was.edge.from.X, was.edge.from.Y], to: [at.X, at.Y] });
  };
  c.addEventListener("pointerup", end);
  c.addEventListener("pointercancel", () => { held = null; view.geometry = state.row.geometry; view.redraw(); });
}

// moved draws a place where the pointer has it; the numbers follow on release.
function moved(name, to) {
  const g = structuredClone(view.geometry);
  if (name === "head_rim") {
    const c = g.circles.head;
    c.radius = Math.hypot(to.X - c.centre.X, to.Y - c.centre.Y);
  } else {
    if (g.landmarks && g.landmarks[name]) g.landmarks[name] = to;
    if (name === "head_centre" && g.circles && g.circles.head) g.circles.head.centre = to;
  }
  view.geometry = g;
  view.redraw();
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
