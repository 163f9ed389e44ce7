// What WCAG 2.2 (W3C Recommendation, 2023) asks of a page and a program can see
// on it. accessible() returns a list of sentences: what is wrong. Success criteria
// are named where they are looked at. Names and roles are the browser's own
// (element.computedName, from Accessible Name and Description Computation 1.2).

function accessible() {
  const wrong = [];
  const told = (e) => `<${e.localName}${e.id ? ` id=${e.id}` : ""}${e.dataset && e.dataset.do ? ` data-do=${e.dataset.do}` : ""}> "${(e.textContent || "").trim().slice(0, 40)}"`;
  const visible = (e) => e.checkVisibility({ visibilityProperty: true, opacityProperty: true }) && e.getClientRects().length > 0;
  const all = (q) => [...document.querySelectorAll(q)].filter(visible);

  // 3.1.1, 2.4.2: language and title.
  if (!/^[a-z]{2}/.test(document.documentElement.lang)) wrong.push("3.1.1: the page names no language");
  if (!document.title.trim()) wrong.push("2.4.2: the page has no title");

  // 1.3.1, technique H42: one h1, first, and no level left out.
  const levels = all("h1, h2, h3, h4, h5, h6").map((h) => Number(h.localName[1]));
  if (levels[0] !== 1 || levels.filter((l) => l === 1).length !== 1) wrong.push(`1.3.1: headings ${levels}: no single h1 in front`);
  levels.forEach((l, i) => { if (i && l > levels[i - 1] + 1) wrong.push(`1.3.1: h${l} follows h${levels[i - 1]}`); });

  // 4.1.2: whatever takes the keyboard has a name; 4.1.1 of old: an id is one element's.
  for (const e of controls()) if (!(e.computedName || "").trim()) wrong.push(`4.1.2: no name: ${told(e)}`);
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  for (const id of new Set(ids.filter((id, i) => ids.indexOf(id) !== i))) wrong.push(`4.1.2: two elements have the id ${id}`);
  for (const e of document.querySelectorAll("[aria-labelledby], [aria-activedescendant], [aria-controls], [for]"))
    for (const a of ["aria-labelledby", "aria-activedescendant", "aria-controls", "for"])
      for (const id of (e.getAttribute(a) || "").split(" ").filter(Boolean))
        if (!document.getElementById(id)) wrong.push(`4.1.2: ${told(e)} points to no ${id}`);

  // 1.1.1: pictures have words; words may be empty.
  for (const e of all("img")) if (!e.hasAttribute("alt")) wrong.push(`1.1.1: no alt: ${e.src.slice(0, 60)}`);
  for (const e of all("svg, canvas")) if (!e.closest("[aria-hidden=true]") && !(e.computedName || "").trim()) wrong.push(`1.1.1: no words for ${told(e)}`);

  // 1.3.1: cells of data tables have headers.
  for (const t of all("table")) {
    if (!t.querySelector("th")) wrong.push(`1.3.1: a table without headers: ${told(t)}`);
    for (const th of t.querySelectorAll("th")) if (!th.scope) wrong.push(`1.3.1: a header without scope: ${told(th)}`);
  }

  // 1.4.3: contrast of text, 4.5 or 3 for large text, which is 24 px, or bold 18.66 px.
  // What is disabled is excepted.
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walker.nextNode());) {
    const e = n.parentElement;
    if (!n.data.trim() || !visible(e) || e.closest("script, style, :disabled, [aria-disabled=true]")) continue;
    legible(e, n.data.trim());
  }
  for (const e of all("input:not([type=checkbox]):not([type=radio]):not([type=range]), select, textarea")) if (!e.disabled) legible(e, e.value);
  function legible(e, text) {
    const s = getComputedStyle(e), size = parseFloat(s.fontSize), large = size >= 24 || (size >= 18.66 && Number(s.fontWeight) >= 700);
    const back = behind(e), front = over(rgba(e instanceof SVGElement ? s.fill : s.color), back), c = contrast(front, back);
    if (!(c >= (large ? 3 : 4.5))) wrong.push(`1.4.3: contrast ${c.toFixed(2)} of "${text.slice(0, 40)}" in ${told(e)}`);
  }

  // 1.4.11: what tells a control from its surroundings, its border or its ground, 3.
  for (const e of all("button, input:not([type=checkbox]):not([type=radio]):not([type=range]), select, textarea")) {
    if (e.disabled) continue;
    const s = getComputedStyle(e), out = behind(e.parentElement);
    const border = parseFloat(s.borderTopWidth) > 0 && s.borderTopStyle !== "none" ? contrast(over(rgba(s.borderTopColor), out), out) : 1;
    const c = Math.max(border, contrast(behind(e), out));
    if (!(c >= 3)) wrong.push(`1.4.11: contrast ${c.toFixed(2)} of the border of ${told(e)}`);
  }

  // 2.5.8: targets of 24 by 24 px, or with room of 24 px around their centre.
  const targets = all("button, a[href], input, select, textarea, summary, [role=option]").filter((e) => !e.closest("p") || e.localName !== "a");
  const boxes = targets.map((e) => (e.closest("label") || e).getBoundingClientRect());
  targets.forEach((e, i) => {
    const b = boxes[i];
    if ((b.width >= 24 && b.height >= 24) || !b.width) return;
    const x = b.x + b.width / 2, y = b.y + b.height / 2;
    const near = boxes.findIndex((o, k) => k !== i && targets[k].closest("label") !== (e.closest("label") || 0) &&
      Math.hypot(Math.max(o.left - x, 0, x - o.right), Math.max(o.top - y, 0, y - o.bottom)) < 12);
    if (near >= 0) wrong.push(`2.5.8: ${b.width.toFixed(0)} × ${b.height.toFixed(0)} px and close to ${told(targets[near])}: ${told(e)}`);
  });
  return wrong;
}

// controls are what takes the keyboard, radio buttons of one question once.
function controls() {
  const groups = new Set();
  return [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")].filter((e) => {
    if (e.disabled || !e.checkVisibility({ visibilityProperty: true })) return false;
    if (e.type !== "radio") return true;
    return !groups.has(e.name) && groups.add(e.name);
  });
}

// focused describes what has the focus: its place in document order, and the
// contrast of the ring around it (2.4.7, 2.4.13: 2 px, contrast 3); 0 without one.
function focused() {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const s = getComputedStyle(e), ground = behind(e.parentElement);
  const ring = s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 ? contrast(over(rgba(s.outlineColor), ground), ground) : 0;
  return { place: [...document.querySelectorAll("*")].indexOf(e), control: controls().indexOf(e), radio: e.type === "radio" ? e.name : "",
    name: `<${e.localName} id=${e.id}> ${e.computedName}`, ring };
}

// Contrast: WCAG 2.2, "relative luminance" and "contrast ratio".
function luminance([r, g, b]) {
  const f = (c) => ((c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b);
}

function contrast(a, b) {
  const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (high + 0.05) / (low + 0.05);
}

function rgba(text) {
  const n = (text.match(/[\d.]+/g) || []).map(Number);
  return n.length < 3 ? [0, 0, 0, 0] : [n[0], n[1], n[2], n[3] ?? 1];
}

const over = ([r, g, b, a], ground) => [r, g, b].map((c, i) => a * c + (1 - a) * ground[i]);

// behind is the colour that lies behind an element's text.
function behind(e) {
  const grounds = [];
  for (; e; e = e.parentElement) grounds.push(rgba(getComputedStyle(e).backgroundColor));
  return grounds.reverse().reduce((under, c) => over(c, under), [255, 255, 255]);
}
