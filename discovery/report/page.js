/* The ranked table, its pictures and the details of a feature, tied together. Every number arrives as finished text. */

const COLUMNS = [
  { key: "rank", head: "Rank (interval)" },
  { key: "label", head: "Feature" },
  { key: "estimate", head: "Effect (95 % interval)" },
  { key: "q_value", head: "q" },
  { key: "verdict", head: "Verdict" },
  { key: "shrunk_estimate", head: "Shrunk", spare: true },
  { key: "gain", head: "Gain (interval)", spare: true },
  { key: "probability_in_top", head: "In the top", spare: true },
  { key: "p_value", head: "p", spare: true, paperless: true },
  { key: "n", head: "n", spare: true, paperless: true },
];
const VIEWS = { volcano: "Effect and evidence", forest: "Effects", ranks: "Ranks", gain: "Gain" };
const FIRST_ROWS = 50;
const VERDICT_ORDER = ["strong candidate", "candidate", "suggestive", "not supported", "site-driven", "not assessable"];

const byId = (id) => document.getElementById(id);

async function unpack(id) {
  const bytes = Uint8Array.from(atob(byId(id).textContent.trim()), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

function element(name, parent, text, attributes) {
  const node = document.createElement(name);
  if (text !== undefined) node.textContent = text;
  for (const key in attributes || {}) node.setAttribute(key, attributes[key]);
  if (parent) parent.append(node);
  return node;
}

/* A name such as rv_dpdt_max breaks after its underscores, where it has to break at all. */
function breakable(node, text) {
  node.replaceChildren(...text.split(/(?<=_)/).flatMap((part, k) => (k ? [document.createElement("wbr"), part] : [part])));
  return node;
}

const FEW_ROWS = 8; /* a table so short leaves no room beside it: picture and details go below */
const state = { outcome: 0, view: "volcano", sort: "rank", down: false, chosen: null, all: false, rows: [], shapes: new Map() };
let data;

function sortValue(row, key) {
  if (key === "label") return row.label.toLocaleLowerCase("en");
  if (key === "verdict") { const at = VERDICT_ORDER.indexOf(row.kind); return at < 0 ? VERDICT_ORDER.length : at; }
  return row.number[key];
}

function sorted(rows) {
  const sign = state.down ? -1 : 1;
  return rows.map((row, place) => [sortValue(row, state.sort), place, row]).sort((a, b) => {
    if (a[0] === null || b[0] === null) return (a[0] === null) - (b[0] === null) || a[1] - b[1];
    return (a[0] < b[0] ? -sign : a[0] > b[0] ? sign : 0) || a[1] - b[1];
  }).map((item) => item[2]);
}

function filtered() {
  const outcome = data.outcomes[state.outcome];
  const words = byId("search").value.toLocaleLowerCase("en").trim();
  const family = byId("family").value, verdict = byId("verdict").value;
  return outcome.rows.filter((row) =>
    (!family || row.family === family) && (!verdict || row.kind === verdict) &&
    (!words || (row.label + " " + row.feature + " " + row.family).toLocaleLowerCase("en").includes(words)));
}

/* A family is called after its best feature, which differs between outcomes: so does the list. */
function familyChoices() {
  const host = byId("family");
  host.replaceChildren();
  element("option", host, "all", { value: "" });
  const names = new Set(data.outcomes[state.outcome].rows.map((row) => row.family));
  for (const name of names) if (name) element("option", host, name, { value: name });
}

function choiceButtons(host, labels, current, pick) {
  host.replaceChildren();
  labels.forEach(([key, label]) => {
    const button = element("button", host, label, { type: "button", "aria-pressed": String(key === current()) });
    button.addEventListener("click", () => {
      pick(key);
      [...host.children].forEach((other, k) => other.setAttribute("aria-pressed", String(labels[k][0] === current())));
    });
  });
}

/* A column that this outcome has no value for (not computed in the run) is left out. */
function shownColumns() {
  const rows = data.outcomes[state.outcome].rows;
  return COLUMNS.filter((column) => !column.spare || rows.some((row) => row.number[column.key] !== null));
}

function headText(column, outcome) {
  const own = { estimate: outcome.effect + " (95 % interval)", probability_in_top: outcome.top, n: counted("n", outcome) };
  return (own[column.key] || column.head).replace("95 %", "95\u00a0%");
}

function counted(what, outcome) { return outcome.counted ? `${what} (${outcome.counted})` : what; }

function drawHeads() {
  const host = byId("heads");
  host.replaceChildren();
  for (const column of shownColumns()) {
    const head = element("th", host, undefined, { scope: "col" });
    head.className = columnClass(column);
    const mine = state.sort === column.key;
    head.setAttribute("aria-sort", mine ? (state.down ? "descending" : "ascending") : "none");
    const button = element("button", head, headText(column, data.outcomes[state.outcome]), { type: "button" });
    element("span", button, mine ? (state.down ? "\u25bc" : "\u25b2") : "", { class: "arrow", "aria-hidden": "true" });
    button.addEventListener("click", () => {
      state.down = mine ? !state.down : false;
      state.sort = column.key;
      show();
      byId("heads").children[shownColumns().indexOf(column)].firstElementChild.focus();
    });
  }
}

function columnClass(column) {
  return (column.spare ? "spare " : "") + (column.paperless ? "paperless " : "") + (column.key === "verdict" ? "verdict" : "");
}

function wordClass(row) {
  return { "strong candidate": "strong", candidate: "candidate", suggestive: "suggestive" }[row.kind] || "other";
}

function drawRows() {
  const host = byId("rows");
  host.replaceChildren();
  const shown = state.all ? state.rows.length : Math.min(FIRST_ROWS, state.rows.length);
  const columns = shownColumns();
  for (const [place, row] of state.rows.entries()) {
    const line = element("tr", host, undefined, place < shown ? {} : { class: "later" }); /* on paper all the same */
    line.dataset.feature = row.feature;
    for (const column of columns) {
      if (column.key === "label") {
        const cell = element("th", line, undefined, { scope: "row" });
        const button = breakable(element("button", cell, undefined, { type: "button" }), row.label || row.feature);
        button.addEventListener("click", () => choose(row.feature, true));
        if (row.family && row.family !== row.label) breakable(element("span", cell, undefined, { class: "family" }), row.family);
        element("span", cell, row.brief, { class: "narrow word " + wordClass(row) });
      } else if (column.key === "verdict") {
        const cell = element("td", line, undefined, { class: "verdict" });
        element("span", cell, row.brief, { class: "word " + wordClass(row) });
      } else {
        const [value, ...rest] = row.text[column.key].split(" (");
        const cell = element("td", line, value + (rest.length ? " " : ""));
        if (rest.length) element("span", cell, "(" + rest.join(" ("), { class: "span" });
        cell.className = columnClass(column);
      }
    }
  }
  const more = byId("more");
  more.hidden = state.rows.length <= shown;
  more.textContent = `Show all ${state.rows.length} features`;
  const total = data.outcomes[state.outcome].rows.length;
  byId("count").textContent = state.rows.length === total ? `${total} features` : `${state.rows.length} of ${total} features`;
}

function drawPicture() {
  const host = byId("picture"), outcome = data.outcomes[state.outcome];
  const rows = state.view === "volcano" ? [...state.rows].sort((a, b) => (a.number.rank ?? 1e9) - (b.number.rank ?? 1e9)) : state.rows;
  const note = state.view === "volcano" ? drawVolcano(host, rows, outcome, state.shapes) : drawList(host, rows, outcome, state.shapes, state.view);
  if (host.querySelector('[role="option"]')) drawLegend(host, state.shapes, rows);
  else host.querySelector('[role="listbox"]').remove();
  byId("picture-note").textContent = note;
  mark(false);
}

function options() { return [...byId("picture").querySelectorAll('[role="option"]')]; }

function mark(focus) {
  for (const line of byId("rows").children) line.toggleAttribute("data-chosen", line.dataset.feature === state.chosen);
  const all = options();
  const at = Math.max(0, all.findIndex((o) => o.dataset.feature === state.chosen));
  all.forEach((option, k) => {
    option.setAttribute("aria-selected", String(option.dataset.feature === state.chosen));
    option.setAttribute("tabindex", k === at ? "0" : "-1");
  });
  if (focus && all[at]) all[at].focus();
}

function choose(feature, fromTable) {
  state.chosen = feature;
  mark(false);
  drawDetail();
  if (fromTable && matchMedia("(max-width: 1260px)").matches) { byId("detail").scrollIntoView({ block: "start" }); byId("detail").focus({ preventScroll: true }); }
}

function drawDetail() {
  const outcome = data.outcomes[state.outcome];
  const row = outcome.rows.find((r) => r.feature === state.chosen);
  const more = byId("detail-more");
  more.replaceChildren();
  breakable(byId("detail-head"), row ? row.label : "No feature");
  byId("detail-text").textContent = row ? row.sentence : "No feature fits these choices.";
  if (!row) return;
  const pairs = element("dl", more, undefined, { class: "pairs" });
  const pair = (name, text) => { if (text && text !== "\u2013") { element("dt", pairs, name); breakable(element("dd", pairs), text); } };
  pair("Column", row.feature === row.label ? "" : row.feature);
  pair("Family", row.family);
  pair("Unit", row.unit);
  pair("Definition", row.definition);
  pair("Source", row.source);
  pair("Shrunk effect", row.text.shrunk_estimate);
  pair(`Gain in ${outcome.gain}`, row.text.gain);
  pair(`${outcome.top}: probability`, row.text.probability_in_top);
  pair(counted("Patients", outcome), row.text.n);
  pair("Patients left out", row.text.n_left_out);
  pair("Flags", row.flags);
  pair("Notes", row.note);
  for (const [name, text] of row.more) pair(name, text);
  if (row.models.length) {
    element("h4", more, "Every model fitted");
    const box = element("div", more, undefined, { class: "scroll", tabindex: "0", role: "region", "aria-label": "Models of this feature" });
    const table = element("table", box);
    const heads = element("tr", element("thead", table));
    const names = ["Model", "Effect (95 % interval)", "p", "p familywise", "n"];
    for (const head of names) element("th", heads, head, { scope: "col" });
    const body = element("tbody", table);
    const methods = new Set(row.models.map((model) => model[5]));
    for (const model of row.models) {
      const line = element("tr", body);
      model.slice(0, names.length).forEach((text, k) => element(k ? "td" : "th", line, text, k ? {} : { scope: "row" }));
      const about = [methods.size > 1 ? model[5] : "", model[6]].filter(Boolean).join("; ");
      if (about) { line.className = "with-about"; element("td", element("tr", body), about, { class: "about", colspan: names.length }); }
    }
    if (methods.size === 1 && row.models[0][5]) element("p", more, `Method: ${row.models[0][5]}.`, { class: "note" });
  }
  const kin = row.group ? outcome.rows.filter((r) => r.group === row.group && r !== row) : [];
  if (kin.length) {
    element("h4", more, "Features of the same family: they rise and fall together");
    const list = element("ul", more, undefined, { class: "kin" });
    for (const other of kin.slice(0, 12)) {
      const button = element("button", element("li", list), `${other.label} (rank ${other.number.rank ?? "\u2013"})`, { type: "button" });
      button.addEventListener("click", () => { choose(other.feature); byId("detail").focus(); });
    }
    if (kin.length > 12) element("li", list, `and ${kin.length - 12} more`);
  }
}

function show() {
  state.rows = sorted(filtered());
  state.shapes = shapesOf(data.outcomes[state.outcome].rows);
  byId("explorer").classList.toggle("few", data.outcomes[state.outcome].rows.length <= FEW_ROWS);
  if (!state.rows.some((row) => row.feature === state.chosen)) state.chosen = state.rows.length ? state.rows[0].feature : null;
  drawHeads();
  drawRows();
  drawPicture();
  drawDetail();
}

function onPictureKey(event) {
  const all = options(), at = all.indexOf(event.target.closest('[role="option"]'));
  if (at < 0) return;
  const to = { ArrowDown: at + 1, ArrowRight: at + 1, ArrowUp: at - 1, ArrowLeft: at - 1, Home: 0, End: all.length - 1, Enter: at, " ": at }[event.key];
  if (to === undefined) return;
  event.preventDefault();
  const next = all[Math.min(Math.max(to, 0), all.length - 1)];
  choose(next.dataset.feature);
  mark(true);
}

function onRowKey(event) {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const button = event.target.closest("#rows button");
  if (!step || !button) return;
  const line = button.closest("tr"), next = step > 0 ? line.nextElementSibling : line.previousElementSibling;
  if (!next || next.className === "later") return;
  event.preventDefault();
  next.querySelector("button").focus();
}

async function showFigures() {
  const pictures = await unpack("pictures");
  for (const image of document.querySelectorAll("img[data-figure]")) {
    image.src = URL.createObjectURL(new Blob([pictures[image.dataset.figure]], { type: "image/svg+xml" }));
  }
  reachPlates();
  addEventListener("resize", reachPlates);
}

/* A figure that is wider than the screen is scrolled, by keyboard too. */
function reachPlates() {
  for (const plate of document.querySelectorAll(".plate")) {
    const wide = plate.scrollWidth > plate.clientWidth + 1;
    for (const [name, value] of [["tabindex", "0"], ["role", "region"], ["aria-label", `Figure: ${plate.firstElementChild.alt}`]]) {
      if (wide) plate.setAttribute(name, value); else plate.removeAttribute(name);
    }
  }
}

/* Nobody opens what is folded on paper. */
addEventListener("beforeprint", () => { for (const part of document.querySelectorAll("details")) part.open = true; });

async function start() {
  data = await unpack("data");
  if (data.outcomes.length) {
    byId("explorer").hidden = false;
    familyChoices();
    choiceButtons(byId("outcomes"), data.outcomes.map((o, k) => [k, o.label]), () => state.outcome, (k) => { state.outcome = k; state.all = false; familyChoices(); show(); });
    choiceButtons(byId("views"), Object.entries(VIEWS), () => state.view, (key) => { state.view = key; drawPicture(); });
    for (const id of ["search", "family", "verdict"]) byId(id).addEventListener("input", show);
    byId("clear").addEventListener("click", () => { for (const id of ["search", "family", "verdict"]) byId(id).value = ""; show(); byId("search").focus(); });
    byId("more").addEventListener("click", () => {
      state.all = true; drawRows(); mark(false);
      byId("rows").children[FIRST_ROWS].querySelector("button").focus();
    });
    byId("picture").addEventListener("keydown", onPictureKey);
    byId("picture").addEventListener("click", (event) => {
      const option = event.target.closest('[role="option"]');
      if (option) choose(option.dataset.feature);
    });
    byId("rows").addEventListener("keydown", onRowKey);
    let width = 0;
    new ResizeObserver(() => { const now = byId("picture").clientWidth; if (now && Math.abs(now - width) > 4) { width = now; drawPicture(); } }).observe(byId("picture"));
    show();
  }
  await showFigures();
  document.documentElement.dataset.ready = "yes";
}

start();
