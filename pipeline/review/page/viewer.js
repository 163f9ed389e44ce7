// A film on a canvas: pan, zoom, window and level, with the layers over it.
import { draw, places } from "./layers.js";

export class Viewer {
  constructor(element, shown) {
    this.element = element;
    this.canvas = element.querySelector("canvas");
    this.shown = shown;
    this.film = null; // {width, height, pixels}
    this.geometry = null;
    this.picked = "";
    this.over = null; // paints over all
    this.cursor = null; // index of the mid-line's point that is marked
    this.view = { x: 0, y: 0, scale: 1 };
    this.lut = new Uint32Array(65536);
    this.buffer = document.createElement("canvas");
    this.due = false;
    new ResizeObserver(() => { this.size(); this.redraw(); }).observe(element);
    this.canvas.addEventListener("wheel", (e) => {
      e.preventDefault();
      this.zoom(Math.exp(-e.deltaY * 0.0015), this.point(e));
    }, { passive: false });
  }

  size() {
    const k = devicePixelRatio || 1;
    this.canvas.width = Math.max(1, this.element.clientWidth * k);
    this.canvas.height = Math.max(1, this.element.clientHeight * k);
    this.ratio = k;
  }

  // show takes a film and stretches its contrast from the 0.5 % to the 99.5 % point.
  show(film) {
    this.film = film;
    this.buffer.width = film.width;
    this.buffer.height = film.height;
    const count = new Uint32Array(65536);
    for (let i = 0; i < film.pixels.length; i += 7) count[film.pixels[i]]++;
    const total = Math.ceil(film.pixels.length / 7), at = (share) => {
      let n = 0, v = 0;
      while (v < 65535 && (n += count[v]) < share * total) v++;
      return v;
    };
    const low = at(0.005), high = Math.max(low + 1, at(0.995));
    this.setTone({ window: high - low, level: (high + low) / 2, invert: false });
    this.fit();
  }

  clear() {
    this.film = null;
    this.geometry = null;
    this.redraw();
  }

  setTone(tone) {
    this.tone = tone;
    const low = tone.level - tone.window / 2;
    for (let v = 0; v < 65536; v++) {
      let g = Math.max(0, Math.min(255, Math.round((255 * (v - low)) / tone.window)));
      if (tone.invert) g = 255 - g;
      this.lut[v] = 0xff000000 | (g << 16) | (g << 8) | g;
    }
    this.toned = false;
    this.redraw();
  }

  fit() {
    if (!this.film) return;
    this.size();
    const w = this.element.clientWidth, h = this.element.clientHeight;
    this.view.scale = Math.min(w / this.film.width, h / this.film.height) || 1;
    this.view.x = (w - this.film.width * this.view.scale) / 2;
    this.view.y = (h - this.film.height * this.view.scale) / 2;
    this.redraw();
  }

  zoom(by, at) {
    const v = this.view, c = at || { x: this.element.clientWidth / 2, y: this.element.clientHeight / 2 };
    const scale = Math.max(0.02, Math.min(40, v.scale * by));
    v.x = c.x - ((c.x - v.x) * scale) / v.scale;
    v.y = c.y - ((c.y - v.y) * scale) / v.scale;
    v.scale = scale;
    this.redraw();
  }

  real() { this.zoom(1 / (this.ratio || 1) / this.view.scale); }

  pan(dx, dy) {
    this.view.x += dx;
    this.view.y += dy;
    this.redraw();
  }

  // point is an event's place on the element, toFilm on the film: (0, 0) is the
  // centre of the first pixel.
  point(e) {
    const box = this.canvas.getBoundingClientRect();
    return { x: e.clientX - box.left, y: e.clientY - box.top };
  }

  toFilm(p) { return { X: (p.x - this.view.x) / this.view.scale - 0.5, Y: (p.y - this.view.y) / this.view.scale - 0.5 }; }

  fromFilm(X, Y) { return { x: (X + 0.5) * this.view.scale + this.view.x, y: (Y + 0.5) * this.view.scale + this.view.y }; }

  // nearPlace is the movable place within reach of a point on the element.
  nearPlace(p) {
    let best = "", least = 14;
    for (const [name, q] of Object.entries(places(this.geometry))) {
      const at = this.fromFilm(q.X, q.Y), d = Math.hypot(at.x - p.x, at.y - p.y);
      if (d < least) [best, least] = [name, d];
    }
    return best;
  }

  // nearEdge is the edge, and its point, within reach.
  nearEdge(p) {
    let best = null, least = 10;
    for (const [name, line] of Object.entries((this.geometry && this.geometry.contours) || {})) {
      for (const q of line) {
        const at = this.fromFilm(q.X, q.Y), d = Math.hypot(at.x - p.x, at.y - p.y);
        if (d < least) [best, least] = [{ name, from: q }, d];
      }
    }
    return best;
  }

  // onLevel tells whether a point on the element lies on a drawn level.
  onLevel(p) {
    return Object.values((this.geometry && this.geometry.levels) || {}).some(([a, b]) => {
      const s = this.fromFilm(a.X, a.Y), e = this.fromFilm(b.X, b.Y), dx = e.x - s.x, dy = e.y - s.y;
      const t = Math.max(0, Math.min(1, ((p.x - s.x) * dx + (p.y - s.y) * dy) / (dx * dx + dy * dy || 1)));
      return Math.hypot(s.x + t * dx - p.x, s.y + t * dy - p.y) < 8;
    });
  }

  // nearLevel is the index of the mid-line's point nearest to a point.
  nearLevel(p) {
    const f = this.toFilm(p);
    let best = -1, least = Infinity;
    ((this.geometry && this.geometry.midline) || []).forEach((q, i) => {
      const d = Math.hypot(q.X - f.X, q.Y - f.Y);
      if (d < least) [best, least] = [i, d];
    });
    return best;
  }

  redraw() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => { this.due = false; this.paint(); });
  }

  paint() {
    const ctx = this.canvas.getContext("2d"), k = this.ratio || 1;
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = "#000";
    ctx.fillRect(0, 0, this.canvas.width, this.canvas.height);
    if (!this.film) return;
    if (!this.toned) {
      const data = new ImageData(this.film.width, this.film.height), out = new Uint32Array(data.data.buffer), { pixels } = this.film, lut = this.lut;
      for (let i = 0; i < pixels.length; i++) out[i] = lut[pixels[i]];
      this.buffer.getContext("2d").putImageData(data, 0, 0);
      this.toned = true;
    }
    ctx.setTransform(k, 0, 0, k, 0, 0);
    const v = this.view;
    ctx.imageSmoothingEnabled = v.scale < 3;
    ctx.drawImage(this.buffer, v.x, v.y, this.film.width * v.scale, this.film.height * v.scale);
    draw(ctx, this.geometry, this.shown, (x, y) => this.fromFilm(x, y), this.picked, true);
    this.paintCursor(ctx);
    if (this.over) this.over(ctx);
  }

  // paintCursor marks the level that the plot points at, square to the mid-line.
  paintCursor(ctx) {
    const m = this.geometry && this.geometry.midline, i = this.cursor;
    if (!m || i === null || i < 0 || i >= m.length || m.length < 2) return;
    const a = m[Math.max(0, i - 3)], b = m[Math.min(m.length - 1, i + 3)], n = Math.hypot(b.X - a.X, b.Y - a.Y) || 1;
    const across = { X: (-(b.Y - a.Y) / n), Y: (b.X - a.X) / n }, step = Math.hypot(m[1].X - m[0].X, m[1].Y - m[0].Y), reach = 26 * step;
    const p = this.fromFilm(m[i].X - across.X * reach, m[i].Y - across.Y * reach), q = this.fromFilm(m[i].X + across.X * reach, m[i].Y + across.Y * reach);
    ctx.strokeStyle = "#fff";
    ctx.lineWidth = 1.5;
    ctx.setLineDash([3, 3]);
    ctx.beginPath();
    ctx.moveTo(p.x, p.y);
    ctx.lineTo(q.x, q.y);
    ctx.stroke();
    ctx.setLineDash([]);
  }
}
