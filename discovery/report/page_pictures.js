"use strict";
/* Pictures of the ranked rows, drawn as SVG. They take finished numbers and texts, and compute only places on paper. */

const SHAPES = [
  { colour: "#0072b2", path: "M-5,0a5,5 0 1,0 10,0a5,5 0 1,0 -10,0" },
  { colour: "#d55e00", path: "M-4.5,-4.5h9v9h-9z" },
  { colour: "#1b1f24", path: "M0,-5.5L5.2,4.2H-5.2z" },
  { colour: "#7f00ff", path: "M0,-5.8L5.8,0L0,5.8L-5.8,0z" },
];
const PLAIN = { colour: "#6b7280", path: "M-3,0a3,3 0 1,0 6,0a3,3 0 1,0 -6,0" };
const LIST_ROWS = 25;

function svgNode(name, attributes, parent, text) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const key in attributes) node.setAttribute(key, attributes[key]);
  if (text !== undefined) node.textContent = text;
  if (parent) parent.append(node);
  return node;
}

function shapesOf(rows) {
  const found = new Map();
  for (const row of rows) {
    if (!found.has(row.family) && found.size < SHAPES.length) found.set(row.family, SHAPES[found.size]);
  }
  return found;
}

function niceSteps(low, high, wanted) {
  const rough = (high - low) / wanted || 1;
  const power = Math.pow(10, Math.floor(Math.log10(rough)));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.999);
  const out = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-6; k++) out.push(+(k * step).toPrecision(12));
  return out;
}

function ratioSteps(low, high) {
  for (const steps of [[1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2, 2.5, 3, 4, 6], [1, 1.25, 1.5, 2, 3, 5], [1, 1.5, 2, 5], [1, 2, 5], [1, 3], [1]]) {
    const all = new Set();
    for (let k = 0; k < 5; k++) for (const s of steps) { all.add(s * 10 ** k); all.add(1 / (s * 10 ** k)); }
    const inside = [...all].filter((r) => Math.log(r) >= low && Math.log(r) <= high).sort((a, b) => a - b);
    if (inside.length <= 7) return inside;
  }
  return [1];
}

function minus(text) { return String(text).replace("-", "\u2212"); }

function effectTicks(outcome, low, high) {
  if (!outcome.ratio) return niceSteps(low, high, 5).map((v) => [v, minus(v)]);
  return ratioSteps(low, high).map((r) => [Math.log(r), r >= 1 ? String(+r.toPrecision(3)) : String(+r.toPrecision(2))]);
}

function fitText(node, text, width) {
  node.textContent = text;
  let cut = text;
  while (cut.length > 4 && node.getComputedTextLength() > width) {
    cut = cut.slice(0, -2);
    node.textContent = cut.trimEnd() + "\u2026";
  }
}

function frame(host, width, height, label) {
  host.replaceChildren();
  const svg = svgNode("svg", { viewBox: `0 0 ${width} ${height}`, width, height }, host);
  const back = svgNode("g", { "aria-hidden": "true" }, svg);
  const list = svgNode("g", { role: "listbox", "aria-label": label, "aria-orientation": "vertical" }, svg);
  return { svg, back, list };
}

function axisBelow(back, x, y, left, right, ticks, title) {
  svgNode("line", { x1: left, x2: right, y1: y, y2: y, stroke: "#565c66" }, back);
  let last = -1e9;
  for (const [value, text] of ticks) {
    const at = x(value);
    svgNode("line", { x1: at, x2: at, y1: y, y2: y + 5, stroke: "#565c66" }, back);
    if (at - last < 24) continue;
    svgNode("text", { x: at, y: y + 18, "text-anchor": "middle" }, back, text);
    last = at;
  }
  const node = svgNode("text", { x: (left + right) / 2, y: y + 36, "text-anchor": "middle", class: "quiet" }, back);
  fitText(node, title, right + left);
}

function optionFor(list, row, label) {
  const option = svgNode("g", { role: "option", "aria-selected": "false", "aria-label": label, tabindex: "-1" }, list);
  option.dataset.feature = row.feature;
  return option;
}

function drawVolcano(host, rows, outcome, shapes) {
  const width = Math.max(host.clientWidth, 260), height = Math.min(430, Math.max(320, width * 0.8));
  const { back, list } = frame(host, width, height, "Effect against evidence, in the order of the rank");
  const seen = rows.filter((r) => r.number.estimate !== null && r.number.p_value !== null);
  const left = 46, right = width - 12, top = 14, bottom = height - 46;
  const effects = seen.map((r) => r.number.estimate);
  let low = Math.min(0, ...effects), high = Math.max(0, ...effects);
  if (outcome.ratio) { low = Math.max(low, -6.9); high = Math.min(high, 6.9); }
  const pad = 0.07 * Math.max(high - low, 0.1); low -= pad; high += pad;
  const height10 = (p) => -Math.log10(Math.max(p, 1e-300));
  const most = Math.max(2, ...seen.map((r) => height10(r.number.p_value))) * 1.06;
  const x = (v) => left + (Math.min(Math.max(v, low), high) - low) / (high - low) * (right - left);
  const y = (v) => bottom - v / most * (bottom - top);
  axisBelow(back, x, bottom, left, right, effectTicks(outcome, low, high), outcome.effect + (outcome.ratio ? " (log scale)" : ""));
  for (const v of niceSteps(0, most, 5)) {
    svgNode("line", { x1: left, x2: right, y1: y(v), y2: y(v), stroke: "#e6e9ed" }, back);
    svgNode("text", { x: left - 6, y: y(v) + 4, "text-anchor": "end" }, back, v);
  }
  svgNode("line", { x1: x(0), x2: x(0), y1: top, y2: bottom, stroke: "#565c66" }, back);
  svgNode("text", { x: 12, y: (top + bottom) / 2, "text-anchor": "middle", class: "quiet", transform: `rotate(-90 12 ${(top + bottom) / 2})` }, back, "\u2212log10 p");
  for (const row of seen) {
    const option = optionFor(list, row, `${row.label}: ${row.text.estimate}, p ${row.text.p_value}, rank ${row.text.rank}`);
    option.setAttribute("transform", `translate(${x(row.number.estimate).toFixed(1)} ${y(height10(row.number.p_value)).toFixed(1)})`);
    const shape = shapes.get(row.family) || PLAIN;
    svgNode("circle", { r: 10, class: "halo" }, option);
    svgNode("path", { d: shape.path, fill: shape.colour }, option);
  }
  return seen.length ? "Each mark is a feature; the four families that rank first carry a colour and a shape." : "Nothing to draw.";
}

const LISTS = {
  forest: {
    note: "Line: estimate with its 95 % interval. Diamond: the same, shrunk for having been picked.",
    values: (r) => [r.number.estimate, r.number.ci_low, r.number.ci_high, r.number.shrunk_estimate],
    text: (r) => r.text.estimate,
    title: (o) => o.effect + (o.ratio ? " (log scale)" : ""),
    line: (r) => [r.number.ci_low, r.number.ci_high], dot: (r) => r.number.estimate, diamond: (r) => r.number.shrunk_estimate,
    zero: true, effect: true,
  },
  ranks: {
    note: "Rank here and its 95 % bootstrap interval; at the right the probability of being in the top.",
    values: (r) => [1, r.number.rank, r.number.rank_low, r.number.rank_high],
    text: (r) => r.text.probability_in_top, title: () => "Rank (1 = strongest)",
    line: (r) => [r.number.rank_low, r.number.rank_high], dot: (r) => r.number.rank, diamond: () => null, zero: false, effect: false,
  },
  gain: {
    note: "Gain in discrimination over the base model, corrected; negative means none.",
    values: (r) => [0, r.number.gain, r.number.gain_low, r.number.gain_high],
    text: (r) => r.text.gain, title: (o) => "Gain in " + o.gain,
    line: (r) => [r.number.gain_low, r.number.gain_high], dot: (r) => r.number.gain, diamond: () => null, zero: true, effect: false,
  },
};

function drawList(host, rows, outcome, shapes, kind) {
  const plan = LISTS[kind];
  const seen = rows.filter((r) => plan.dot(r) !== null).slice(0, LIST_ROWS);
  const width = Math.max(host.clientWidth, 260), each = 38, top = 6;
  const bottom = top + each * Math.max(seen.length, 1), height = bottom + 46;
  const { back, list } = frame(host, width, height, plan.title(outcome) + ", in the order of the table");
  const left = 10, right = width - 10;
  const values = seen.flatMap(plan.values).filter((v) => v !== null);
  let low = Math.min(...values, plan.zero ? 0 : 1), high = Math.max(...values, plan.zero ? 0 : 2);
  if (plan.effect && outcome.ratio) { low = Math.max(low, -4.6); high = Math.min(high, 4.6); }
  const pad = 0.04 * Math.max(high - low, 1e-3); low -= pad; high += pad;
  const x = (v) => left + (Math.min(Math.max(v, low), high) - low) / (high - low) * (right - left);
  const ticks = plan.effect ? effectTicks(outcome, low, high) : niceSteps(low, high, 5).filter((v) => kind !== "ranks" || v >= 1).map((v) => [v, minus(v)]);
  if (kind === "ranks" && !(ticks.length && ticks[0][0] === 1)) ticks.unshift([1, "1"]);
  axisBelow(back, x, bottom, left, right, ticks, plan.title(outcome));
  if (plan.zero) svgNode("line", { x1: x(0), x2: x(0), y1: top, y2: bottom, stroke: "#a9b0ba", "stroke-dasharray": "4 3" }, back);
  seen.forEach((row, k) => {
    const base = top + each * k, y = base + 28;
    const option = optionFor(list, row, `${row.label}: ${kind === "ranks" ? "rank " + row.text.rank + ", probability in the top " : ""}${plan.text(row)}`);
    svgNode("rect", { x: 1, y: base + 1, width: width - 2, height: each - 2, class: "halo" }, option);
    const shape = shapes.get(row.family) || PLAIN;
    const [a, b] = plan.line(row);
    if (a !== null || b !== null) svgNode("line", { x1: a === null ? left : x(a), x2: b === null ? right : x(b), y1: y, y2: y, stroke: shape.colour, "stroke-width": 2 }, option);
    svgNode("path", { d: shape.path, fill: shape.colour, transform: `translate(${x(plan.dot(row))} ${y}) scale(.8)` }, option);
    if (plan.diamond(row) !== null) svgNode("path", { d: SHAPES[3].path, fill: "#fff", stroke: "#1b1f24", transform: `translate(${x(plan.diamond(row))} ${y}) scale(.7)` }, option);
    const right_text = svgNode("text", { x: width - 6, y: base + 16, "text-anchor": "end", class: "quiet" }, option, plan.text(row));
    fitText(svgNode("text", { x: 6, y: base + 16 }, option), row.label, width - 24 - right_text.getComputedTextLength());
  });
  const more = rows.filter((r) => plan.dot(r) !== null).length - seen.length;
  return seen.length ? plan.note + (more > 0 ? ` The first ${seen.length}; ${more} more are in the table.` : "") : "Nothing to draw: not estimated in this run.";
}

function drawLegend(host, shapes, rows) {
  const list = document.createElement("ul");
  list.className = "legend";
  const add = (shape, text) => {
    const item = document.createElement("li");
    const svg = svgNode("svg", { viewBox: "-7 -7 14 14", "aria-hidden": "true" }, item);
    svgNode("path", { d: shape.path, fill: shape.colour }, svg);
    item.append(breakable(document.createElement("span"), text));
    list.append(item);
  };
  for (const [family, shape] of shapes) add(shape, family || "no family");
  if (rows.some((r) => !shapes.has(r.family))) add(PLAIN, "other families");
  host.append(list);
}
