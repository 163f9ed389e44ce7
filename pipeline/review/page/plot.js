// The profile along the shaft: one thickness or width with its uncertainty.

const width = 900, height = 180, left = 46, right = 10, top = 10, bottom = 26;
const svg = (name, attributes) => {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  return e;
};

export class Plot {
  // point(i) is called with the index of the profile's row that is pointed at;
  // null when none is.
  constructor(element, read, point) {
    this.element = element;
    this.read = read;
    this.point = point;
    this.rows = [];
    this.what = "lateral";
    this.at = null;
    element.addEventListener("pointermove", (e) => this.set(this.index(e)));
    element.addEventListener("pointerleave", () => this.set(null));
    element.addEventListener("keydown", (e) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
      if (!step || !this.rows.length) return;
      e.preventDefault();
      e.stopPropagation();
      this.set(Math.max(0, Math.min(this.rows.length - 1, (this.at ?? 0) + step * (e.shiftKey ? 10 : 1))));
    });
  }

  index(e) {
    if (!this.rows.length) return null;
    const box = this.element.getBoundingClientRect(), x = ((e.clientX - box.left) / box.width) * width;
    const share = (x - left) / (width - left - right);
    if (share < 0 || share > 1) return null;
    return Math.round(share * (this.rows.length - 1));
  }

  show(rows, focal) {
    this.rows = rows || [];
    this.focal = focal || [];
    this.at = null;
    this.paint();
  }

  set(i) {
    this.mark(i);
    this.point(i);
  }

  // mark shows the row i, without telling the film.
  mark(i) {
    this.at = i;
    this.paintCursor();
  }

  x(i) { return left + ((width - left - right) * i) / Math.max(1, this.rows.length - 1); }

  paint() {
    const v = this.rows.map((r) => r[this.what]), u = this.rows.map((r) => r[`${this.what}_u95`] ?? 0);
    const seen = v.map((y, i) => [y, u[i]]).filter(([y]) => y !== null && y !== undefined);
    this.element.replaceChildren();
    if (!seen.length) {
      const t = svg("text", { x: width / 2, y: height / 2, "text-anchor": "middle", "font-size": 14 });
      t.textContent = "not measured on this film";
      this.element.append(t);
      return;
    }
    const most = Math.max(...seen.map(([y, e]) => y + e)) * 1.05, y = (z) => top + (height - top - bottom) * (1 - z / most);
    for (let k = 0; k <= 4; k++) {
      const z = (most * k) / 4;
      this.element.append(svg("line", { x1: left, x2: width - right, y1: y(z), y2: y(z), stroke: "#c9cfd2" }));
      const t = svg("text", { x: left - 6, y: y(z) + 4, "text-anchor": "end", "font-size": 12 });
      t.textContent = z.toFixed(1);
      this.element.append(t);
    }
    const levels = this.rows.map((r) => r.level);
    for (let mm = Math.ceil(levels[0] / 50) * 50; mm <= levels.at(-1); mm += 50) {
      const i = levels.findIndex((l) => l >= mm);
      const t = svg("text", { x: this.x(i), y: height - 8, "text-anchor": "middle", "font-size": 12 });
      t.textContent = `${mm} mm`;
      this.element.append(svg("line", { x1: this.x(i), x2: this.x(i), y1: top, y2: height - bottom, stroke: "#e4e7e8" }), t);
    }
    let band = [], line = [];
    const flush = () => {
      if (line.length > 1) {
        const outline = [...band.map(([i, , h]) => [i, h]), ...band.map(([i, l]) => [i, l]).reverse()];
        this.element.append(svg("polygon", { points: outline.map(([i, z]) => `${this.x(i).toFixed(1)},${y(z).toFixed(1)}`).join(" "), fill: "#b9d4dc" }),
          svg("polyline", { points: line.map(([i, z]) => `${this.x(i).toFixed(1)},${y(z).toFixed(1)}`).join(" "), fill: "none", stroke: "#075169", "stroke-width": 2 }));
      }
      band = [];
      line = [];
    };
    v.forEach((z, i) => {
      if (z === null || z === undefined) return flush();
      band.push([i, Math.max(0, z - u[i]), z + u[i]]);
      line.push([i, z]);
    });
    flush();
    if (this.what === "lateral") {
      for (const f of this.focal) {
        const i = levels.findIndex((l) => l >= f.Level.x);
        if (i < 0) continue;
        this.element.append(svg("path", { d: `M${this.x(i)} ${top + 12} l-6 -10 h12 z`, fill: "#8a2f0b" }));
      }
    }
    this.cursor = svg("line", { y1: top, y2: height - bottom, stroke: "#16232b", "stroke-dasharray": "4 3", visibility: "hidden" });
    this.element.append(this.cursor);
    this.paintCursor();
  }

  paintCursor() {
    const r = this.at === null ? null : this.rows[this.at];
    if (this.cursor) {
      this.cursor.setAttribute("visibility", r ? "visible" : "hidden");
      if (r) {
        this.cursor.setAttribute("x1", this.x(this.at));
        this.cursor.setAttribute("x2", this.x(this.at));
      }
    }
    const z = r && r[this.what], e = r && r[`${this.what}_u95`];
    this.read.textContent = !r ? "" : `${r.level.toFixed(0)} mm: ${z === null || z === undefined ? "not measured" : `${z.toFixed(2)}${e ? ` ± ${e.toFixed(2)}` : ""} mm`}`;
  }
}
