// The hand on the film: it moves places, edges and levels, and draws edges. What
// the pointer does, the keyboard does too: the arrow keys move a cross, Enter
// takes hold and lets go there. A click without a drag does the same.
import { edgeName, placeNames, places } from "./layers.js";

const still = 4; // px that a click may move

export class Hand {
  // on: change(correction) asks for a correction, pick(name) chooses a place,
  // hint(text) tells what comes next, over(index) points at a level of the plot.
  constructor(view, shown, on) {
    Object.assign(this, { view, shown, on, tool: "", held: null, line: [], cross: null, drawn: [] });
    view.over = (ctx) => this.paint(ctx);
    const c = view.canvas;
    c.addEventListener("pointerdown", (e) => {
      if (!view.film) return;
      const p = view.point(e);
      if (!this.held && !this.draws() && !this.sets()) this.take(p);
      this.down = { p, last: p, far: false, holds: this.held };
      c.setPointerCapture(e.pointerId);
    });
    c.addEventListener("pointermove", (e) => {
      const p = view.point(e), d = this.down;
      if (d) d.far ||= Math.hypot(p.x - d.p.x, p.y - d.p.y) > still;
      if (this.held) this.carry(view.toFilm(p));
      else if (d) view.pan(p.x - d.last.x, p.y - d.last.y);
      else on.over(view.film ? view.nearLevel(p) : -1);
      if (d) d.last = p;
    });
    c.addEventListener("pointerup", (e) => {
      const d = this.down, p = view.point(e);
      this.down = null;
      if (!d) return;
      if (d.far) return this.held && this.drop(view.toFilm(p));
      if (this.held && this.held === d.holds && !this.held.sticks) this.held.sticks = true; // carried until the next click
      else this.press(p);
      if (this.held && this.held.place) this.release(); // a click chooses a place
    });
    c.addEventListener("pointercancel", () => { this.down = null; this.release(); });
  }

  draws() { return this.tool.startsWith("draw ") ? this.tool.slice(5) : ""; }

  sets() { return this.tool.startsWith("set ") ? this.tool.slice(4) : ""; }

  // setTool chooses what the hand does: "" moves places and the film, "edges",
  // "levels", "draw " and an edge's name, or "set " and a place's.
  setTool(tool) {
    this.release();
    this.tool = tool;
    this.cross = null;
    this.tell();
    this.view.redraw();
  }

  tell() {
    const edge = this.draws(), n = this.line.length;
    this.on.hint(edge ? `${n ? `${n} point${n > 1 ? "s" : ""} of the` : "Set points on the"} ${edgeName(edge)}, every 20 mm or so${n ? "" : ", from the hip downwards"}.` :
      this.sets() ? `Set the ${placeNames[this.sets()]}.` :
      this.tool ? (this.held ? "Let go where it belongs." : `Take hold of ${this.tool === "edges" ? "an edge" : "a level"}.`) : "");
  }

  // release lets go of everything and changes nothing.
  release() {
    this.held = null;
    this.line = [];
    this.view.geometry = this.stored;
    this.tell();
    this.view.redraw();
  }

  // show takes what is drawn on a row, and its corrections.
  show(geometry, corrections) {
    this.stored = geometry;
    const found = places(geometry);
    this.drawn = corrections.flatMap((c) => (c.kind === "draw_edge" ? [c.points] : c.kind === "landmark" && !found[c.name] ? [[c.to]] : []));
    this.held = null;
  }

  // take takes hold of what lies at a point of the element.
  take(p) {
    const { view } = this, at = view.toFilm(p);
    const place = this.shown.has("places") ? view.nearPlace(p) : "";
    const edge = !place && this.tool === "edges" ? view.nearEdge(p) : null;
    if (place) {
      this.held = { place };
      this.on.pick(place);
    } else if (edge) {
      this.held = { edge: edge.name, from: edge.from, to: at };
    } else if (this.tool === "levels" && view.onLevel(p)) {
      this.held = { level: true, from: at, to: at };
    }
    this.tell();
    return this.held;
  }

  carry(at) {
    const h = this.held;
    if (h.place) this.moved(h.place, at);
    else h.to = at;
    this.view.redraw();
  }

  drop(at) {
    const h = this.held;
    this.held = null;
    this.tell();
    if (h.place) return this.on.change(this.correction(h.place, at));
    this.on.change({ kind: h.edge ? "edge" : "level", ...(h.edge && { name: h.edge }), from: [h.from.X, h.from.Y], to: [at.X, at.Y] });
  }

  // press is a click, or Enter at the cross.
  press(p) {
    const at = this.view.toFilm(p);
    if (this.draws()) {
      this.line.push(at);
      this.tell();
      this.view.redraw();
    } else if (this.sets()) {
      this.on.change(this.correction(this.sets(), at));
    } else if (this.held) {
      this.drop(at);
    } else if (this.tool) {
      if (this.take(p)) this.held.sticks = true;
    } else if (this.view.picked) {
      this.on.change(this.correction(this.view.picked, at));
    }
  }

  // back takes the last point of the line away.
  back() {
    this.line.pop();
    this.tell();
    this.view.redraw();
  }

  // finish ends the line that is drawn.
  finish() {
    if (this.line.length < 2) return;
    const points = this.line.map((p) => [p.X, p.Y]);
    this.line = [];
    this.tell();
    this.on.change({ kind: "draw_edge", name: this.draws(), points });
  }

  // key does what a key asks for; true when it was meant for the hand.
  key(e) {
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key], { view } = this;
    if (!view.film) return false;
    if (arrow && view.picked) {
      const p = places(view.geometry)[view.picked], k = e.shiftKey ? 10 : 1;
      this.on.change(this.correction(view.picked, { X: p.X + k * arrow[0], Y: p.Y + k * arrow[1] }));
    } else if (arrow && this.tool) {
      this.moveCross(arrow, e.shiftKey ? 24 : 4);
    } else if (arrow) {
      view.pan(-40 * arrow[0], -40 * arrow[1]);
    } else if (e.key === "Enter" && this.tool && e.target === view.canvas) {
      if (this.cross) this.press(view.fromFilm(this.cross.X, this.cross.Y));
      else this.moveCross([0, 0], 0);
    } else if (e.key === "Backspace" && this.line.length) {
      this.back();
    } else if (e.key === "Escape" && (this.held || this.line.length)) {
      this.release();
    } else {
      return false;
    }
    return true;
  }

  // moveCross moves the cross by so many pixels of the screen, and the film under
  // it where it would leave the view.
  moveCross([dx, dy], step) {
    const { view } = this, w = view.element.clientWidth, h = view.element.clientHeight;
    const p = this.cross ? view.fromFilm(this.cross.X, this.cross.Y) : { x: w / 2, y: h / 2 };
    p.x += dx * step;
    p.y += dy * step;
    const inside = { x: Math.max(8, Math.min(w - 8, p.x)), y: Math.max(8, Math.min(h - 8, p.y)) };
    this.cross = view.toFilm(p);
    view.pan(inside.x - p.x, inside.y - p.y);
    if (this.held) this.carry(this.cross);
    view.redraw();
  }

  // correction is what moving a place to a point asks for.
  correction(name, to) {
    if (name !== "head_rim") return { kind: "landmark", name, to: [to.X, to.Y] };
    const c = this.stored.circles.head.centre;
    return { kind: "head_radius", radius: Math.hypot(to.X - c.X, to.Y - c.Y) };
  }

  // moved draws a place where the hand has it; the numbers follow when it lets go.
  moved(name, to) {
    const g = structuredClone(this.view.geometry), head = g.circles && g.circles.head;
    if (name === "head_rim") head.radius = Math.hypot(to.X - head.centre.X, to.Y - head.centre.Y);
    else if (g.landmarks && g.landmarks[name]) g.landmarks[name] = to;
    if (name === "head_centre" && head) head.centre = to;
    this.view.geometry = g;
  }

  paint(ctx) {
    const at = (p) => this.view.fromFilm(p.X ?? p[0], p.Y ?? p[1]);
    const path = (points, dash) => {
      ctx.setLineDash(dash);
      ctx.beginPath();
      points.map(at).forEach((q, i) => (i ? ctx.lineTo(q.x, q.y) : ctx.moveTo(q.x, q.y)));
      ctx.stroke();
      ctx.setLineDash([]);
    };
    ctx.strokeStyle = "#ffff66";
    ctx.lineWidth = 1.5;
    for (const line of [...this.drawn, this.line]) {
      path(line, []);
      for (const p of line) {
        const q = at(p);
        ctx.strokeRect(q.x - 3, q.y - 3, 6, 6);
      }
    }
    if (this.held && this.held.to) path([this.held.from, this.held.to], [4, 3]);
    if (!this.cross) return;
    const q = at(this.cross);
    for (const [colour, w] of [["#000", 4], ["#ffff66", 1.5]]) {
      ctx.strokeStyle = colour;
      ctx.lineWidth = w;
      ctx.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        ctx.moveTo(q.x + 4 * dx, q.y + 4 * dy);
        ctx.lineTo(q.x + 14 * dx, q.y + 14 * dy);
      }
      ctx.stroke();
    }
  }
}
