// The work list: only the rows in view are in the page.

const height = 64, spare = 8;
const marks = { open: "", accepted: "✓ accepted", corrected: "✎ corrected", rejected: "✗ rejected" };

export class List {
  constructor(element, choose) {
    this.element = element;
    this.space = element.querySelector("#list-space");
    this.choose = choose;
    this.rows = [];
    this.shown = [];
    this.filter = "all";
    this.at = -1;
    element.addEventListener("scroll", () => this.paint());
    new ResizeObserver(() => this.paint()).observe(element);
    element.addEventListener("click", (e) => {
      const row = e.target.closest(".row");
      if (row) this.pick(Number(row.dataset.place));
    });
    element.addEventListener("keydown", (e) => {
      const to = { ArrowDown: this.at + 1, ArrowUp: this.at - 1, Home: 0, End: this.shown.length - 1, PageDown: this.at + 8, PageUp: this.at - 8 }[e.key];
      if (to === undefined) return;
      e.preventDefault();
      e.stopPropagation();
      this.pick(Math.max(0, Math.min(this.shown.length - 1, to)));
    });
  }

  set(rows) {
    this.rows = rows;
    this.refilter();
  }

  refilter(filter) {
    if (filter) this.filter = filter;
    const id = this.at >= 0 && this.shown[this.at] ? this.shown[this.at].id : null;
    this.shown = this.rows.filter((r) => this.filter === "all" || (this.filter === "open") === (r.state === "open") || r.id === id);
    this.at = this.shown.findIndex((r) => r.id === id);
    this.space.style.height = `${this.shown.length * height}px`;
    this.paint();
  }

  pick(place) {
    if (place < 0 || place >= this.shown.length) return;
    this.at = place;
    const top = place * height, e = this.element;
    if (top < e.scrollTop) e.scrollTop = top;
    if (top + height > e.scrollTop + e.clientHeight) e.scrollTop = top + height - e.clientHeight;
    this.paint();
    this.choose(this.shown[place]);
  }

  step(by) { this.pick(this.at + by); }

  mark(id, state) {
    const row = this.rows.find((r) => r.id === id);
    if (row) row.state = state;
    this.paint();
  }

  paint() {
    const first = Math.max(0, Math.floor(this.element.scrollTop / height) - spare);
    const last = Math.min(this.shown.length, Math.ceil((this.element.scrollTop + this.element.clientHeight) / height) + spare);
    const nodes = [];
    for (let i = first; i < last; i++) {
      const r = this.shown[i], row = document.createElement("div");
      row.className = "row";
      row.id = `row-${r.id}`;
      row.dataset.place = i;
      row.style.top = `${i * height}px`;
      row.setAttribute("role", "option");
      row.setAttribute("aria-selected", String(i === this.at));
      row.setAttribute("aria-setsize", this.shown.length);
      row.setAttribute("aria-posinset", i + 1);
      const mark = document.createElement("span");
      mark.className = "mark";
      mark.textContent = marks[r.state] || "";
      const head = document.createElement("b"), name = document.createElement("span"), why = document.createElement("span");
      head.textContent = `${r.rank}  ${[r.side, r.view].filter(Boolean).join(" ")}`;
      name.textContent = r.source + (r.frame > 1 ? `, frame ${r.frame}` : "");
      why.textContent = r.reasons || r.status.replace("_", " ");
      row.title = `${name.textContent}\n${why.textContent}`;
      row.append(mark, head, name, why);
      nodes.push(row);
    }
    this.space.replaceChildren(...nodes);
    const here = this.shown[this.at];
    if (here) this.element.setAttribute("aria-activedescendant", `row-${here.id}`);
    else this.element.removeAttribute("aria-activedescendant");
  }
}
