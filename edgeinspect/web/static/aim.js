// Placing a decal. The page shows what the stream says and nothing once it is silent, as the station page does.
import { svg } from "./words.js";

const SILENT_AFTER_MS = 3500; // a beat comes each second; the page must be grey within 5 s
const RETRY_MS = 1000;

const page = document.getElementById("aim");
const part = (id) => document.getElementById(id);

let record = null; // the last /aim.json
let heardAt = null; // performance.now() of the last event
let stream = null;
let retryAt = 0;
let shown = "";

function connect() {
  stream?.close();
  stream = new EventSource("/aim/events");
  retryAt = performance.now() + SILENT_AFTER_MS;
  stream.addEventListener("aim", (event) => { record = JSON.parse(event.data); heardAt = performance.now(); show(); });
  stream.addEventListener("beat", () => { heardAt = performance.now(); });
  stream.addEventListener("error", () => { if (stream.readyState === EventSource.CLOSED) retryAt = performance.now() + RETRY_MS; });
}

const connected = () => heardAt !== null && performance.now() - heardAt < SILENT_AFTER_MS;

function tick() {
  if (!connected() && performance.now() > retryAt) connect();
  show();
}

const NOTICES = {
  connecting: ["CONNECTING", "", ""],
  lost: ["NO CONNECTION", "This page cannot hear the station: nothing it showed before counts", "Wait; if it stays grey, call plant IT"],
};

function show() {
  const state = connected() ? record?.state ?? "connecting" : heardAt === null && performance.now() < SILENT_AFTER_MS ? "connecting" : "lost";
  const now = JSON.stringify([state, state in NOTICES ? null : { ...record, now: "", age_s: 0, per_s: 0 }]);
  if (now === shown) return;
  shown = now;
  const notice = NOTICES[state];
  page.dataset.state = state;
  page.className = !notice && record.key ? `is-${record.key}` : "";
  page.toggleAttribute("data-moving", !notice && state === "place" && record.moving === true);
  const [word, said, what] = notice ?? [record.word, record.sentence, record.action];
  part("word").lastElementChild.textContent = word;
  part("word").querySelector("use").setAttribute("href", `#shape-${(!notice && record.key) || "none"}`);
  part("said").textContent = said;
  part("do").textContent = what;
  const pushes = notice ? [] : record.pushes;
  part("ways").lastElementChild.replaceChildren(...pushes.map(row));
  page.classList.toggle("many", pushes.length > 0 && Boolean(said || what));
  page.toggleAttribute("data-viewless", Boolean(notice) || !record.view_url);
  drawView(notice ? null : record);
  part("rate").textContent = !notice && record.per_s && record.view_url ? `${record.per_s.toFixed(1)} answers a second` : "";
  if (!notice) showButtons();
  fit();
}

const TURNED = { up: 0, right: 90, down: 180, left: 270 };

// an arrow as a row of the list shows it, in a square of 100
function sign(way) {
  const box = svg("svg", { viewBox: "0 0 100 100", "aria-hidden": "true" });
  if (way in TURNED) box.append(svg("path", { d: "M50 4 L92 50 H66 V96 H34 V50 H8 Z", transform: `rotate(${TURNED[way]} 50 50)` }));
  else if (way) box.append(svg("path", { d: "M50 14 A36 36 0 1 1 14 50 L26 50 A24 24 0 1 0 50 26 V40 L22 20 L50 0 Z", transform: way === "clockwise" ? "translate(100 0) scale(-1 1)" : "" }));
  else box.append(svg("path", { d: "M16 52 L40 76 L84 26", fill: "none", "stroke-width": 12 }));
  return box;
}

function row(push) {
  const item = document.createElement("li");
  item.className = push.inside ? "inside" : "";
  const said = document.createElement("span");
  said.className = "said";
  const what = document.createElement("span");
  what.className = "what";
  what.textContent = push.do;
  const words = document.createElement("b");
  words.textContent = push.words;
  said.append(what, words);
  const fine = document.createElement("span");
  fine.className = "fine";
  fine.textContent = push.inside ? "within limit" : "";
  item.append(sign(push.way), said, fine);
  return item;
}

const at = (corners) => corners.map(([u, v]) => `${u},${-v}`).join(" ");

// in mm, the print upright; arrows where to push
function drawView(now) {
  const view = part("view").querySelector("svg");
  if (!now || !now.view_url) { view.replaceChildren(); return; }
  const [across, up] = now.view_half_mm;
  view.setAttribute("viewBox", `${-across} ${-up} ${2 * across} ${2 * up}`);
  const picture = view.querySelector("image") ?? svg("image", {});
  for (const [key, value] of Object.entries({ href: now.view_url, x: -across, y: -up, width: 2 * across, height: 2 * up, preserveAspectRatio: "none" })) picture.setAttribute(key, value);
  const marks = [svg("polygon", { points: at(now.place_mm), class: "place" })];
  if (now.laid_mm.length) marks.push(svg("polygon", { points: at(now.laid_mm), class: "laid" }));
  const wanted = now.pushes.filter((push) => push.way && !push.inside);
  const straight = wanted.filter((push) => push.way in TURNED);
  for (const push of straight) marks.push(svg("path", { d: "M0 -17 L9 -7 H3.6 V3 H-3.6 V-7 H-9 Z", class: "arrow", transform: `translate(${now.dx_mm} ${-now.dy_mm}) rotate(${TURNED[push.way]}) translate(0 -2)` }));
  const turn = wanted.find((push) => !(push.way in TURNED));
  if (turn) {
    const r = Math.min(up, across) - 8;
    const flip = turn.way === "clockwise" ? "" : " scale(-1 1)";
    const where = `translate(${now.dx_mm} ${-now.dy_mm})${flip}`;
    const arc = `M${-r * Math.sin(0.9)} ${-r * Math.cos(0.9)} A${r} ${r} 0 0 1 ${r * Math.sin(0.75)} ${-r * Math.cos(0.75)}`;
    marks.push(svg("path", { d: arc, class: "turn-edge", transform: where }), svg("path", { d: arc, class: "turn", transform: where }));
    marks.push(svg("path", { d: "M0 -6.5 L10 0 L0 6.5 Z", class: "arrow", transform: `${where} translate(${r * Math.sin(0.75)} ${-r * Math.cos(0.75)}) rotate(43)` }));
  }
  view.replaceChildren(picture, ...marks);
}

function showButtons() {
  part("check").textContent = record.asked ? "Waiting until it lies still" : "Check";
  part("check").toggleAttribute("data-asked", record.asked);
  const more = record.decals.length > 1 ? record.decals : [];
  const known = [...part("decals").querySelectorAll("button")].map((button) => button.value).join("|");
  if (known !== more.map((one) => one.name).join("|")) {
    part("decals").replaceChildren(...more.map((one) => {
      const button = document.createElement("button");
      button.type = "button";
      button.value = one.name;
      button.textContent = one.words;
      button.addEventListener("click", () => send("/aim/decal", { decal: one.name }));
      return button;
    }));
  }
  for (const button of part("decals").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.value === record.decal));
  part("in-use").firstElementChild.textContent = record.title;
  part("in-use").lastElementChild.textContent = [record.shell_id && `shell ${record.shell_id}`, ...record.notes].filter(Boolean).join("; ");
}

async function send(address, fields = {}) {
  try {
    await fetch(address, { method: "POST", body: new URLSearchParams(fields), redirect: "manual" });
  } catch { /* the stream tells that nobody is there */ }
}

// the page stays where it is: a form would load it anew
part("check").form.addEventListener("submit", (event) => { event.preventDefault(); send("/aim/check"); });

// a long word gets narrower, long sentences smaller
function fit() {
  const word = part("word").lastElementChild;
  word.style.transform = "";
  const shape = part("word").querySelector(".shape").getBoundingClientRect().width;
  const wide = 0.95 * part("word").clientWidth - 1.3 * shape;
  if (word.scrollWidth > wide) word.style.transform = `scaleX(${(wide / word.scrollWidth).toFixed(3)})`;
  const ways = part("ways");
  for (const id of ["said", "do"]) part(id).style.fontSize = "";
  for (const size of [54, 46, 38]) if (ways.scrollHeight > ways.clientHeight + 2) for (const id of ["said", "do"]) part(id).style.fontSize = `calc(${size} * var(--u))`;
}

addEventListener("resize", () => { shown = ""; show(); });
document.fonts?.ready.then(fit);
document.addEventListener("visibilitychange", tick); // timers sleep in a hidden page: look before anybody does
addEventListener("pageshow", tick);
connect();
setInterval(tick, 250);
