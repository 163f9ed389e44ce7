// What is drawn over a film. Layers differ in dash and shape as well as in
// colour.

export const layers = [
  { key: "outer", name: "outer edges", colour: "#7fd4ff", dash: [], of: (g) => lines(g, "outer_") },
  { key: "inner", name: "inner edges", colour: "#ffd37f", dash: [7, 4], of: (g) => lines(g, "inner_") },
  { key: "midline", name: "mid-line", colour: "#ffffff", dash: [2, 5], of: (g) => [g.midline || []] },
  { key: "circle", name: "circles", colour: "#c9a0ff", dash: [12, 5], of: () => [] },
  { key: "levels", name: "levels", colour: "#9effa5", dash: [5, 3, 1, 3], of: (g) => Object.values(g.levels || {}) },
  { key: "places", name: "places", colour: "#ff9ad5", dash: [], of: () => [] },
  { key: "focal", name: "focal thickenings", colour: "#ff8a5c", dash: [], of: () => [] },
];

export const placeNames = {
  lesser_trochanter: "lesser trochanter", greater_trochanter: "greater trochanter", head_centre: "head's centre", neck_centre: "middle of the neck",
  condyle_lateral: "lateral condyle", condyle_medial: "medial condyle", head_rim: "head's rim",
};

function lines(g, prefix) {
  return Object.entries(g.contours || {}).filter(([name]) => name.startsWith(prefix)).map(([, p]) => p);
}

// edgeName is an edge's name in words.
export function edgeName(name) {
  const [layer, side] = name.split("_");
  return side === "clockwise" || side === "counter" ? `${layer} edge ${side === "counter" ? "counter-clockwise" : side} of the hip's end` : `${layer} ${side} edge`;
}

// traced tells whether a row has edges.
export const traced = (row) => Boolean(row.geometry && Object.keys(row.geometry.contours || {}).some((n) => n.startsWith("outer_")));

// edgesToDraw are the names of the edges that can be drawn on a row: without any
// the two outer ones first, of both views where the view is not known.
export function edgesToDraw(row, corrections) {
  const pairs = { AP: ["lateral", "medial"], LAT: ["anterior", "posterior"] };
  if (traced(row)) {
    const sides = [...new Set(Object.keys(row.geometry.contours).map((n) => n.split("_")[1]))];
    const both = Object.values({ ...pairs, none: ["clockwise", "counter"] }).find((p) => p.includes(sides[0]));
    return both.flatMap((side) => [`outer_${side}`, `inner_${side}`]);
  }
  const done = corrections.filter((c) => c.kind === "draw_edge").map((c) => c.name);
  const outer = (pairs[row.record.view] ? [pairs[row.record.view]] : Object.values(pairs)).map((p) => p.map((side) => `outer_${side}`));
  return outer.filter((p) => done.every((n) => p.includes(n))).flat().filter((n) => !done.includes(n));
}

// placesToSet are the places of a row that were not found.
export function placesToSet(row) {
  if (!traced(row)) return [];
  const have = places(row.geometry), all = Object.keys(placeNames).filter((n) => n !== "head_rim");
  return (row.record.view === "AP" ? all : ["lesser_trochanter"]).filter((n) => !have[n]);
}

// longest gap in pixels that an edge is drawn across, over its median step
const bridged = 12;

// draw paints the shown layers of g with at(x, y) → place on the canvas.
export function draw(ctx, g, shown, at, picked, circleShown) {
  if (!g) return;
  for (const layer of layers) {
    if (!shown.has(layer.key)) continue;
    ctx.strokeStyle = ctx.fillStyle = layer.colour;
    ctx.lineWidth = 1.5;
    ctx.setLineDash(layer.dash);
    for (const p of layer.of(g)) stroke(ctx, p, at);
    ctx.setLineDash([]);
  }
  if (shown.has("circle") && circleShown) {
    for (const [, c] of Object.entries(g.circles || {})) {
      const o = at(c.centre.X, c.centre.Y), r = at(c.centre.X + c.radius, c.centre.Y).x - o.x;
      ctx.strokeStyle = layers[3].colour;
      ctx.setLineDash(layers[3].dash);
      ctx.beginPath();
      ctx.arc(o.x, o.y, Math.abs(r), 0, 2 * Math.PI);
      ctx.stroke();
      ctx.setLineDash([]);
    }
  }
  if (shown.has("levels")) {
    ctx.font = "12px system-ui, sans-serif";
    ctx.fillStyle = layers[4].colour;
    for (const [label, ends] of Object.entries(g.levels || {})) {
      const [p, q] = ends.map((e) => at(e.X, e.Y));
      beside(ctx, label, p, q, 6);
    }
  }
  if (shown.has("focal")) {
    ctx.fillStyle = ctx.strokeStyle = layers[6].colour;
    ctx.font = "bold 13px system-ui, sans-serif";
    for (const f of g.focal || []) {
      const [a, b, c] = [f.From, f.Peak, f.To].map((p) => at(p.X, p.Y));
      ctx.lineWidth = 3;
      ctx.beginPath();
      ctx.moveTo(a.x, a.y);
      ctx.lineTo(b.x, b.y);
      ctx.lineTo(c.x, c.y);
      ctx.stroke();
      if (f.HeightMM) {
        const mid = nearest(g.midline || [], f.Peak);
        beside(ctx, `${f.HeightMM.toFixed(1)} mm`, b, mid ? at(mid.X, mid.Y) : a, 34); // past the levels' labels
      }
    }
  }
  if (shown.has("places")) {
    ctx.font = "12px system-ui, sans-serif";
    for (const [name, p] of Object.entries(places(g))) {
      const q = at(p.X, p.Y);
      ctx.strokeStyle = ctx.fillStyle = layers[5].colour;
      ctx.lineWidth = name === picked ? 3 : 1.5;
      ctx.beginPath();
      ctx.moveTo(q.x - 9, q.y); ctx.lineTo(q.x - 3, q.y); ctx.moveTo(q.x + 3, q.y); ctx.lineTo(q.x + 9, q.y);
      ctx.moveTo(q.x, q.y - 9); ctx.lineTo(q.x, q.y - 3); ctx.moveTo(q.x, q.y + 3); ctx.lineTo(q.x, q.y + 9);
      ctx.stroke();
      if (name === picked) {
        ctx.strokeRect(q.x - 12, q.y - 12, 24, 24);
        ctx.fillText(placeNames[name] || name, q.x + 15, q.y - 8);
      }
    }
  }
}

// beside writes text next to the place p, away from q: what lies between stays to see.
function beside(ctx, text, p, q, gap) {
  const left = p.x < q.x;
  ctx.textAlign = left ? "right" : "left";
  ctx.fillText(text, left ? p.x - gap : p.x + gap, p.y + 4);
  ctx.textAlign = "left";
}

// nearest is the point of a line that is nearest to p.
function nearest(line, p) {
  let best, least = Infinity;
  for (const q of line) {
    const d = Math.hypot(q.X - p.X, q.Y - p.Y);
    if (d < least) [best, least] = [q, d];
  }
  return best;
}

function stroke(ctx, p, at) {
  if (!p || p.length < 2) return;
  const steps = [];
  for (let i = 1; i < p.length; i++) steps.push(Math.hypot(p[i].X - p[i - 1].X, p[i].Y - p[i - 1].Y));
  const median = [...steps].sort((a, b) => a - b)[steps.length >> 1] || 1;
  ctx.beginPath();
  for (let i = 0; i < p.length; i++) {
    const q = at(p[i].X, p[i].Y);
    if (i === 0 || (p.length > 2 && steps[i - 1] > bridged * median)) ctx.moveTo(q.x, q.y);
    else ctx.lineTo(q.x, q.y);
  }
  ctx.stroke();
}

// places are what can be moved: the landmarks, and a handle on the head's rim.
export function places(g) {
  const out = { ...(g && g.landmarks) };
  const head = g && g.circles && g.circles.head;
  if (head) {
    out.head_centre = head.centre;
    out.head_rim = { X: head.centre.X, Y: head.centre.Y - (head.radius || 100) }; // without a radius yet: somewhere to take hold of
  }
  return out;
}
