// The queue of shells that were not green. At most three keys a shell: label, disposition if wanted, next. The next shell's record and
// pictures are fetched while this one is looked at.
import { deviationPicture } from "./deviation-picture.js";
import { path } from "./picture.js";
import { profilePlot } from "./profile.js";
import { ribbonStrip } from "./ribbon.js";
import { signed, svg } from "./words.js";

const root = document.getElementById("review");
const article = document.getElementById("shell");
const part = (id) => document.getElementById(id);
const rows = [...document.querySelectorAll("#queue a")];
const ids = rows.map((row) => Number(row.dataset.id));
const AHEAD = 2; // shells fetched beforehand
const NEAR_PX = 90; // half the side of the cut-out of each look, as web/review_record.py has it
const fetched = new Map(); // inspection id -> promise of its record, with its pictures in memory

const el = (name, attributes = {}, ...children) => {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...children.filter((child) => child !== null));
  return node;
};
const shape = (key, word) => el("span", { class: `sign is-${key}` }, svg("svg", { class: "shape", "aria-hidden": "true" }, svg("use", { href: `#shape-${key}` })), el("span", { class: "sr" }, word.toLowerCase()));
const local = (iso) => new Date(iso).toLocaleString("sv-SE");
const upper = (words) => words.slice(0, 1).toUpperCase() + words.slice(1);

async function load(id) {
  const answer = await fetch(`/review/${id}.json`);
  const record = await answer.json();
  if (!answer.ok) throw new Error(record.error.problems.join(" "));
  const urls = [...record.inspection.pictures.map((row) => row.view_url), ...record.inspection.ribbons.slice(0, 1).map((row) => row.picture_url), ...record.looks.map((look) => look.view_url)].filter(Boolean);
  record.pictures = urls.map((url) => { const image = new Image(); image.src = url; image.decode().catch(() => {}); return image; }); // held, so that they stay in memory
  return record;
}

function fetchAhead(id) {
  if (!fetched.has(id)) fetched.set(id, load(id));
  while (fetched.size > AHEAD + 4) fetched.delete(fetched.keys().next().value);
  return fetched.get(id);
}

let shown = null; // inspection id
let record = null;
let views = [];

const place = () => ids.indexOf(shown);

async function show(id, { push = true } = {}) {
  const begun = performance.now();
  shown = id;
  article.setAttribute("aria-busy", "true");
  for (const row of rows) row.toggleAttribute("aria-current", Number(row.dataset.id) === id);
  rows[place()]?.setAttribute("aria-current", "true");
  rows[place()]?.scrollIntoView({ block: "nearest" });
  if (push) history.pushState({ id }, "", `/review/${id}${location.search}`);
  part("twin").href = `/review/${id}.json`;
  part("evidence").href = `/inspections/${id}/evidence.html`;
  let found;
  try {
    found = await fetchAhead(id);
  } catch (error) {
    fetched.delete(id);
    if (shown === id) article.replaceChildren(el("p", { class: "lead problem", role: "alert" }, String(error.message)));
    return;
  }
  if (shown !== id) return; // somebody was quicker
  record = found;
  draw();
  article.dataset.shown = id;
  article.setAttribute("aria-busy", "false");
  article.dataset.ms = Math.round(performance.now() - begun);
  const at = place();
  for (const next of ids.slice(at + 1, at + 1 + AHEAD)) fetchAhead(next);
}

// -- drawing one shell

function pointAt(arc, source) {
  for (const view of views) if (view !== source) view.cursor(arc);
  const readout = part("readout");
  const profile = record.inspection.profiles[0];
  if (!profile || !readout) return;
  let at = 0;
  profile.arc_mm.forEach((a, i) => { if (Math.abs(a - arc) < Math.abs(profile.arc_mm[at] - arc)) at = i; });
  const value = profile.deviation_mm[at];
  readout.textContent = value === null ? `${arc.toFixed(1)} mm: not seen` : `${arc.toFixed(1)} mm: ${signed(value, 3)} mm ± ${(2 * profile.u_mm[at]).toFixed(3)} (k = 2)`;
}

function draw() {
  const whole = record.inspection;
  views = [];
  const failed = whole.findings.filter((row) => row.look.key !== "good");
  const pictures = whole.pictures.map(pictureBox);
  article.replaceChildren(
    el("header", { class: "verdict" },
      el("div", { class: `plate is-${whole.look.key}` }, svg("svg", { class: "shape", "aria-hidden": "true" }, svg("use", { href: `#shape-${whole.look.key}` })), el("b", {}, whole.look.word), el("span", {}, whole.look.term)),
      el("div", { class: "what" },
        el("h2", { class: "shell-id" }, el("a", { href: `/inspections/${whole.inspection_id}` }, whole.shell_id), el("span", { class: "quiet" }, ` ${whole.title}, ${local(whole.finished_at)}`)),
        el("p", { class: "lead sentence" }, `${whole.sentence}.`))),
    el("div", { class: "two" },
      el("section", { class: "sheet" }, el("h2", {}, "Where on the shell is the edge off?"), ...pictures.map((one) => one.box)),
      el("div", {}, whereItFailed(failed), whatChanged())),
    ...profileBox(),
    ...ribbonBox(),
    ...beside(),
  );
  const limit = Math.max(...whole.zones.flatMap((z) => [Math.abs(z.lower_mm ?? 0), Math.abs(z.upper_mm ?? 0)]), 0.1);
  for (const { row, view, legend, tools } of pictures) {
    if (!view) continue;
    const picture = deviationPicture(view, row, whole, { limit, pointAt, legend });
    views.push(picture);
    const times = [...tools.querySelectorAll("[data-exaggerate]")];
    for (const button of times) button.addEventListener("click", () => { for (const one of times) one.setAttribute("aria-pressed", String(one === button)); picture.exaggerate(Number(button.dataset.exaggerate)); });
    for (const button of tools.querySelectorAll("[data-zoom]")) button.addEventListener("click", () => picture.zoom(Number(button.dataset.zoom)));
    tools.querySelector("[data-place]")?.addEventListener("click", () => picture.look(record.place.x_px, record.place.y_px));
    if (record.place?.camera === row.camera) picture.mark(record.place.x_px, record.place.y_px);
  }
  const ghosts = { frame: record.ghost_frame, arc_mm: record.ghost_arc_mm, lines: record.ghosts, words: `the last ${record.ghosts.length} shells of this kind` };
  if (whole.profiles.length) views.push(profilePlot(part("profile"), { ...whole, ghosts }, { pointAt }));
  if (whole.ribbons.length) views.push(ribbonStrip(part("ribbon"), part("ribbon-axis"), part("ribbon-words"), whole, { pointAt, shown: () => {} }));
  const worst = failed.find((row) => row.finding.at_arc_mm !== null);
  if (worst && whole.profiles.length) pointAt(worst.finding.at_arc_mm);
  part("reason").value = upper(whole.sentence).slice(0, 500);
  part("reason").dataset.own = "";
  part("said").textContent = "";
  part("said").classList.remove("problem");
  saying(record);
}

function pictureBox(row) {
  if (!row.view_url) return { row, box: el("p", { class: "quiet" }, `No picture of camera ${row.camera} is kept.`) };
  const group = (label, ...buttons) => el("span", { role: "group", "aria-label": label }, ...buttons);
  const button = (words, name, value, more = {}) => el("button", { type: "button", class: "button", [name]: value, ...more }, words);
  const tools = el("div", { class: "tools" },
    group("Exaggeration", ...[["true", "1"], ["10 ×", "10"], ["25 ×", "25"]].map(([words, times]) => button(words, "data-exaggerate", times, { "aria-pressed": String(times === "10") }))),
    group("Zoom", button("+", "data-zoom", "1.5", { "aria-label": "closer" }), button("−", "data-zoom", "0.667", { "aria-label": "further" }), button("All", "data-zoom", "0")),
    record.place?.camera === row.camera ? button("Worst place", "data-place", "") : null);
  const view = svg("svg", { class: "view", tabindex: "0", role: "img", "data-camera": row.camera, "aria-label": `Camera ${row.camera}: the shell with nominal outline, tolerance zone, measured edge and what was not seen` });
  const legend = el("p", { class: "legend" });
  return { row, view, legend, tools, box: el("div", {}, record.inspection.pictures.length > 1 ? el("h3", {}, `Camera ${row.camera}`) : null, tools, el("div", { class: "viewer" }, view), legend) };
}

function whereItFailed(failed) {
  const whole = record.inspection;
  const items = failed.map((row) => el("li", {}, shape(row.look.key, row.look.word), ` ${upper(row.finding.sentence)}.`));
  const stops = whole.stops.map((stop) => el("li", {}, `Stopped at ${stop}.`));
  return el("section", { class: "sheet" }, el("h2", {}, "Where did it fail?"), el("ul", { class: "plain", id: "failed" }, ...stops, ...items), ...whole.notes.map((note) => el("p", { class: "quiet" }, upper(note))));
}

function whatChanged() {
  const good = record.last_good;
  const box = el("section", { class: "sheet" }, el("h2", {}, "What changed since the last good one?"));
  if (!good) { box.append(el("p", {}, "No good shell of this kind was measured before it.")); return box; }
  box.append(el("p", { class: "quiet" }, "Last good: ", el("a", { href: good.url }, good.shell_id), `, ${local(good.finished_at)}`));
  if (!record.changed.length) box.append(el("p", {}, "Nothing that is known: same calibration, definition and limits, no change mark in between."));
  else box.append(el("ul", { class: "plain", id: "changed" }, ...record.changed.map((one) => el("li", {}, el("b", {}, `${upper(one.what)}: `), one.words, one.at ? el("span", { class: "quiet" }, `, ${local(one.at)}`) : null))));
  return box;
}

function profileBox() {
  if (!record.inspection.profiles.length) return [];
  return [el("section", { class: "sheet" }, el("h2", {}, "Is it this shell alone, or all of them lately?"),
    el("div", { class: "tools" }, el("output", { id: "readout", class: "quiet" }, "Point at the plot to read it; arrow keys step along the rim.")),
    svg("svg", { id: "profile", tabindex: "0", role: "img", "aria-label": `Deviation along the rim in mm with limits, guard band and uncertainty; behind it the last ${record.ghosts.length} shells of this kind` }))];
}

function ribbonBox() {
  if (!record.inspection.ribbons.length) return [];
  return [el("section", { class: "sheet" }, el("h2", {}, "What does the edge itself look like there?"), el("p", { class: "quiet", id: "ribbon-words" }),
    el("div", { class: "ribbon" }, svg("svg", { id: "ribbon-axis", "aria-hidden": "true" }), el("div", { id: "ribbon", tabindex: "0", role: "group", "aria-label": "The edge unrolled" }, svg("svg", { role: "img", "aria-label": "Ribbon with measured edge, nominal outline and limits" }))))];
}

function beside() {
  if (record.looks.length < 2) return [];
  const cards = record.looks.map((look, at) => {
    const { attempt } = look;
    const here = attempt.inspection_id === record.inspection.inspection_id;
    const close = look.view_url && record.place ? closeUp(look, at) : null;
    return el("li", { class: here ? "here" : "" },
      el("p", {}, shape(attempt.key, attempt.word), el("b", {}, ` Look ${at + 1}${here ? ", shown above" : ""}`), el("span", { class: "quiet" }, ` ${local(attempt.finished_at)}`)),
      close, miniProfile(look, at), el("p", {}, el("a", { href: attempt.url }, upper(attempt.sentence))));
  });
  return [el("section", { class: "sheet" }, el("h2", {}, "Do the looks at this shell agree?"), el("ul", { class: "beside-each-other" }, ...cards))];
}

function closeUp(look, at) {
  const { x_px: x, y_px: y, camera } = record.place;
  const row = record.inspection.pictures.find((one) => one.camera === camera);
  const size = row?.drawing ? [row.drawing.width_px, row.drawing.height_px] : null;
  if (!size) return null;
  return svg("svg", { class: "view close-up", role: "img", "aria-label": `Look ${at + 1} at the worst place`, viewBox: `${x - NEAR_PX} ${y - NEAR_PX} ${2 * NEAR_PX} ${2 * NEAR_PX}` },
    svg("image", { href: look.view_url, x: -0.5, y: -0.5, width: size[0], height: size[1], preserveAspectRatio: "none" }),
    svg("path", { d: path(look.nominal_px), fill: "none", stroke: "#fff", "stroke-width": 1.2, "stroke-dasharray": "7 5" }),
    svg("path", { d: path(look.edge_px), fill: "none", stroke: "#0d0f10", "stroke-width": 4 }),
    svg("path", { d: path(look.edge_px), fill: "none", stroke: "#ffb95e", "stroke-width": 2 }));
}

function miniProfile(look, at) {
  const arcs = record.ghost_arc_mm;
  if (!look.deviation_mm.length) return el("p", { class: "quiet" }, "Its edge was not measured.");
  const most = Math.max(0.6, ...record.looks.flatMap((one) => one.deviation_mm.filter((v) => v !== null).map(Math.abs)));
  const points = look.deviation_mm.map((v, i) => (v === null ? null : [(400 * i) / arcs.length, 50 - (48 * v) / most]));
  return svg("svg", { class: "mini", viewBox: "0 0 400 100", preserveAspectRatio: "none", role: "img", "aria-label": `Look ${at + 1}: deviation along the rim, up to ${most.toFixed(2)} mm either way` },
    svg("path", { d: "M0 50 H400", class: "zero" }), svg("path", { d: path(points), class: "curve" }));
}

// -- saying

const token = document.querySelector('meta[name="form-token"]')?.content;
const may = root.dataset.may === "yes";

function saying(of) {
  const [label] = of.labels;
  const [disposition] = of.dispositions;
  const row = rows[ids.indexOf(of.inspection.inspection_id)];
  const stands = [label?.label, disposition?.disposition].filter((one) => one && one !== "withdrawn").join(", ");
  if (row) row.querySelector(".stands").textContent = stands;
  if (of !== record) return;
  for (const button of document.querySelectorAll("[data-label]")) button.setAttribute("aria-pressed", String(label?.label === button.dataset.label));
  for (const button of document.querySelectorAll("[data-disposition]")) button.setAttribute("aria-pressed", String(disposition?.disposition === button.dataset.disposition));
  const all = [...of.labels.map((one) => [one.at, one.label, one]), ...of.dispositions.map((one) => [one.at, one.disposition, one])].sort((a, b) => (a[0] < b[0] ? 1 : -1));
  part("history").replaceChildren(...(all.length ? all.map(([at, what, one]) => el("li", {}, el("b", {}, what), ` ${one.who}, ${local(at)}${one.reason ? `: ${one.reason}` : ""}`)) : [el("li", { class: "quiet" }, "Nothing yet.")]));
}

let saidLast = Promise.resolve(); // one after the other: the last word counts

function say(kind, value, reason) {
  const of = record;
  const id = shown;
  if (of?.inspection.inspection_id !== id) return; // the next one is not on screen yet: nothing is said of what nobody has seen
  if (!may) { part("said").textContent = "Sign in as engineer or quality first: nothing was said."; return; }
  part("said").classList.remove("problem");
  part("said").textContent = `${value} …`;
  saidLast = saidLast.then(() => send(of, id, kind, value, reason));
}

async function send(of, id, kind, value, reason) {
  let problem = "";
  try {
    const answer = await fetch(`/review/${id}/${kind}`, { method: "POST", headers: { "X-Form-Token": token }, body: new URLSearchParams({ [kind]: value, reason }) });
    const said = await answer.json();
    if (answer.ok) of[kind === "label" ? "labels" : "dispositions"].unshift(said);
    else problem = said.error.problems.join(" ");
  } catch {
    problem = "The station does not answer: nothing was said. Try again.";
  }
  if (problem || of === record) { // that it was kept is no news any more once another shell is on screen
    part("said").classList.toggle("problem", problem !== "");
    part("said").textContent = problem ? `${of.inspection.shell_id}, ${value}: ${problem}` : `${of.inspection.shell_id}: ${value}, kept`;
  }
  saying(of);
}

function dispose(value) {
  if (record?.inspection.inspection_id !== shown) return;
  const reason = part("reason");
  if (value === "concession" && !reason.dataset.own) {
    part("said").textContent = "A concession needs its own reason: type it, then press concession.";
    reason.focus();
    reason.select();
    return;
  }
  say("disposition", value, reason.value);
}

// -- keys

function step(by) {
  const next = ids[shown === null || place() < 0 ? 0 : place() + by];
  if (next !== undefined) show(next);
  else if (by > 0) location.assign(`/review${location.search}`); // what came in since, and what is left
}

const keys = { n: () => step(1), Enter: () => step(1), b: () => step(-1), u: () => say("label", "withdrawn", "") };
for (const button of document.querySelectorAll("[data-label], [data-disposition]")) {
  const act = button.dataset.label ? () => say("label", button.dataset.label, "") : () => dispose(button.dataset.disposition);
  keys[button.querySelector("kbd").textContent] = act;
  button.addEventListener("click", act);
}
part("next")?.addEventListener("click", () => step(1));
part("back")?.addEventListener("click", () => step(-1));
part("reason")?.addEventListener("input", () => { part("reason").dataset.own = "yes"; });
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  if (event.target.closest("input, select, textarea")) { if (event.key === "Escape") event.target.blur(); return; }
  if (event.key === "Enter" && event.target.closest("a, button, summary")) return;
  const act = keys[event.key];
  if (act) { event.preventDefault(); act(); }
});
for (const row of rows) row.addEventListener("click", (event) => { if (!event.ctrlKey && !event.metaKey) { event.preventDefault(); show(Number(row.dataset.id)); } });
window.addEventListener("popstate", (event) => { if (event.state?.id) show(event.state.id, { push: false }); });

const first = Number(root.dataset.shown) || ids[0];
if (first) { history.replaceState({ id: first }, ""); show(first, { push: false }); }
