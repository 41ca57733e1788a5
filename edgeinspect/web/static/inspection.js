// One inspection: picture, profile and ribbon share one cursor, a place along the rim.
import { deviationPicture } from "./deviation-picture.js";
import { profilePlot } from "./profile.js";
import { ribbonStrip } from "./ribbon.js";
import { signed } from "./words.js";

const article = document.getElementById("inspection");
const record = await (await fetch(article.dataset.record)).json();

// The zone that holds an arc length; a zone may run over the start point.
export function zoneAt(arc) {
  return record.zones.find((z) => z.from_mm !== null && (z.from_mm <= z.to_mm ? arc >= z.from_mm && arc < z.to_mm : arc >= z.from_mm || arc < z.to_mm));
}

const views = [];
const readout = document.getElementById("readout");
let frame = record.profiles[0]?.frame;

function pointAt(arc, source) {
  for (const view of views) if (view !== source) view.cursor(arc);
  const profile = record.profiles.find((one) => one.frame === frame);
  if (!profile || !readout) return;
  let at = 0;
  profile.arc_mm.forEach((a, i) => { if (Math.abs(a - arc) < Math.abs(profile.arc_mm[at] - arc)) at = i; });
  const zone = zoneAt(arc);
  const value = profile.deviation_mm[at];
  const said = document.createElement("b");
  said.textContent = value === null ? "not seen" : `${signed(value, 3)} mm ± ${(2 * profile.u_mm[at]).toFixed(3)} (k = 2)`;
  const limits = zone && zone.frame === frame && zone.lower_mm !== null ? `, limits ${signed(zone.lower_mm)} to ${signed(zone.upper_mm)} mm` : "";
  readout.replaceChildren(`${arc.toFixed(1)} mm${zone ? `, ${zone.words}` : ""}: `, said, limits);
}

function press(buttons, chosen) {
  for (const button of buttons) button.setAttribute("aria-pressed", String(button === chosen));
}

const limit = Math.max(...record.zones.flatMap((z) => [Math.abs(z.lower_mm ?? 0), Math.abs(z.upper_mm ?? 0)]), 0.1);
const pictures = new Map();
for (const row of record.pictures) {
  if (!row.view_url) continue;
  const view = document.querySelector(`svg[data-camera="${CSS.escape(row.camera)}"]`);
  const picture = deviationPicture(view, row, record, { limit, pointAt, legend: document.querySelector(`[data-legend="${CSS.escape(row.camera)}"]`) });
  pictures.set(row.camera, picture);
  views.push(picture);
  const tools = document.querySelector(`[data-tools="${CSS.escape(row.camera)}"]`);
  const exaggerations = [...tools.querySelectorAll("[data-exaggerate]")];
  for (const button of exaggerations) button.addEventListener("click", () => { press(exaggerations, button); picture.exaggerate(Number(button.dataset.exaggerate)); });
  for (const button of tools.querySelectorAll("[data-zoom]")) button.addEventListener("click", () => picture.zoom(Number(button.dataset.zoom)));
}

if (record.profiles.length) {
  const plot = profilePlot(document.getElementById("profile"), record, { pointAt });
  views.push(plot);
  const buttons = [...document.querySelectorAll("[data-frame]")];
  for (const button of buttons) button.addEventListener("click", () => { press(buttons, button); frame = button.dataset.frame; plot.show(frame); });
}

if (record.ribbons.length) {
  document.getElementById("ribbons").hidden = false;
  const buttons = [];
  const strip = ribbonStrip(document.getElementById("ribbon"), document.getElementById("ribbon-axis"), document.getElementById("ribbon-words"), record, { pointAt, shown: (at) => press(buttons, buttons[at]) });
  views.push(strip);
  record.ribbons.forEach((ribbon, at) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "button";
    const shared = record.ribbons.some((one) => one !== ribbon && one.curve === ribbon.curve);
    button.textContent = ribbon.curve.replaceAll("_", " ") + (shared ? `, ${ribbon.camera}` : "");
    button.addEventListener("click", () => { press(buttons, button); strip.show(at); });
    buttons.push(button);
  });
  press(buttons, buttons[0]);
  document.querySelector("#ribbons [role=group]").append(...buttons);
}

for (const row of document.querySelectorAll("tr[data-x]")) {
  row.querySelector(".goto")?.addEventListener("click", () => {
    pictures.get(row.dataset.camera)?.look(Number(row.dataset.x), Number(row.dataset.y));
    document.querySelector(`svg[data-camera="${CSS.escape(row.dataset.camera)}"]`)?.scrollIntoView({ block: "nearest" });
    if (row.dataset.arc) pointAt(Number(row.dataset.arc));
  });
}

// Start at the worst place.
const worst = record.findings.find((one) => one.place);
if (worst && record.look.key !== "good") {
  pictures.get(worst.place.camera)?.mark(worst.place.x_px, worst.place.y_px);
  if (worst.finding.at_arc_mm !== null) pointAt(worst.finding.at_arc_mm);
}
