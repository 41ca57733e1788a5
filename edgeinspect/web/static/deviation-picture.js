// A camera's picture with nominal outline, tolerance zone and measured edge; zoomed and moved by wheel, drag and keys.
import { deviationColour } from "./colours.js";
import { path } from "./picture.js";
import { keepApart, svg } from "./words.js";

const BINS = 8; // steps of colour each way
const EDGE = 3.5; // px on screen
const lettering = { fill: "#fff", stroke: "#0d0f10", "stroke-width": 4, "paint-order": "stroke", class: "said" };
const NEAR_MM = 3; // further from any station along the rim, this camera does not see the place

export function deviationPicture(view, row, record, { limit, pointAt, legend }) {
  const drawing = row.drawing;
  const [w, h] = [drawing.width_px, drawing.height_px];
  const layers = svg("g");
  const cursor = svg("circle", { r: 9, fill: "none", stroke: "#fff", "stroke-width": 2.5, visibility: "hidden" });
  const spot = svg("circle", { fill: "none", stroke: "#fff", "stroke-width": 3, "stroke-dasharray": "10 6", visibility: "hidden" });
  let box = [-0.5, -0.5, w, h];
  let exaggeration = 10;
  view.parentElement.style.aspectRatio = `${w} / ${h}`; // cameras differ
  const photograph = svg("image", { href: row.view_url, x: -0.5, y: -0.5, width: w, height: h, preserveAspectRatio: "none" });
  view.append(photograph, layers, spot, cursor);

  const shifted = (curve, i, d) => {
    const [x, y] = curve.nominal_px[i];
    const [px, py] = curve.pixel_per_mm[i];
    return [x + d * px * exaggeration, y + d * py * exaggeration];
  };

  const zones = record.zones.filter((z) => z.from_mm !== null && z.lower_mm !== null);
  const holds = (z, arc) => (z.from_mm <= z.to_mm ? arc >= z.from_mm && arc < z.to_mm : arc >= z.from_mm || arc < z.to_mm);

  function zoneLines(curve) {
    // one line each side, broken where a zone ends, so that limits which differ do not join
    const lines = [[], []];
    let before = null;
    curve.arc_mm.forEach((arc, i) => {
      const zone = zones.find((z) => holds(z, arc));
      if (zone !== before) lines.forEach((line) => line.push(null));
      before = zone;
      if (zone) [zone.lower_mm, zone.upper_mm].forEach((d, side) => lines[side].push(shifted(curve, i, d)));
    });
    return lines.map((line) => svg("path", { d: path(line), fill: "none", stroke: "#fff", "stroke-width": 1, "stroke-opacity": 0.85, class: "limit" }));
  }

  function edgeParts(curve) {
    const byColour = new Map();
    const unseen = [];
    const all = [];
    const n = curve.arc_mm.length;
    for (let i = 0; i < (curve.closed ? n : n - 1); i += 1) {
      const j = (i + 1) % n;
      const [a, b] = [curve.deviation_mm[i], curve.deviation_mm[j]];
      if (a === null || b === null) {
        unseen.push(curve.nominal_px[i], curve.nominal_px[j], null);
        all.push(null);
        continue;
      }
      const over = Math.max(Math.abs(a), Math.abs(b)) > limit;
      const bin = Math.round((BINS * Math.max(-1, Math.min(1, (a + b) / 2 / limit))));
      const key = `${bin}${over ? "!" : ""}`;
      if (!byColour.has(key)) byColour.set(key, []);
      byColour.get(key).push(shifted(curve, i, a), shifted(curve, j, b), null);
      all.push(shifted(curve, i, a));
    }
    const parts = [svg("path", { d: path(all), fill: "none", stroke: "#0d0f10", "stroke-width": EDGE + 3, "stroke-linejoin": "round" })];
    for (const [key, points] of byColour) {
      parts.push(svg("path", { d: path(points), fill: "none", stroke: deviationColour(parseInt(key, 10) / BINS), "stroke-width": key.endsWith("!") ? EDGE + 3 : EDGE, "stroke-linecap": "round", class: "edge" }));
    }
    if (unseen.length) {
      parts.push(svg("path", { d: path(unseen), fill: "none", stroke: "#0d0f10", "stroke-width": 9 }), svg("path", { d: path(unseen), fill: "none", stroke: "#fff", "stroke-width": 9, "stroke-dasharray": "3 5", class: "unseen" }));
    }
    return parts;
  }

  function draw() {
    const parts = [];
    for (const curve of drawing.curves) {
      if (curve.is_rim) parts.push(...zoneLines(curve));
      parts.push(svg("path", { d: path(curve.nominal_px, curve.closed), fill: "none", stroke: "#fff", "stroke-width": 1.2, "stroke-dasharray": "7 5", class: "nominal" }), ...edgeParts(curve));
    }
    for (const decal of drawing.decals) {
      parts.push(
        svg("path", { d: path(decal.nominal_px, true), fill: "none", stroke: "#fff", "stroke-width": 1.5, "stroke-dasharray": "7 5" }),
        svg("path", { d: path(decal.found_px, true), fill: "none", stroke: "#0d0f10", "stroke-width": 4 }),
        svg("path", { d: path(decal.found_px, true), fill: "none", stroke: "#7fe0ee", "stroke-width": 2 }),
      );
      for (const fault of decal.fault_px) {
        parts.push(
          svg("path", { d: path(fault, true), fill: "none", stroke: "#0d0f10", "stroke-width": 5 }),
          svg("path", { d: path(fault, true), fill: "none", stroke: "#ffb000", "stroke-width": 2.5, class: "fault" }),
        );
      }
    }
    for (const flaw of record.flaws.filter((one) => one.camera === drawing.camera)) {
      const [x, y] = flaw.pixel;
      const around = path(flaw.outline_px, true);
      parts.push(
        svg("path", { d: around, fill: "none", stroke: "#0d0f10", "stroke-width": 5 }),
        svg("path", { d: around, fill: "none", stroke: "#fff", "stroke-width": 2, class: "flaw" }, svg("title", {}, `${flaw.number}: ${flaw.kind}, ${flaw.words}`)),
        svg("text", { x: x + 26, y: y - 26, ...lettering, "text-anchor": "start" }, `${flaw.number} ${flaw.kind}`),
      );
    }
    for (const seam of drawing.seams) {
      const [[x1, y1], [x2, y2]] = [seam.from_px, seam.to_px];
      const line = { d: `M${x1} ${y1}L${x2} ${y2}`, fill: "none", "stroke-linecap": "butt" };
      parts.push(
        svg("path", { ...line, stroke: "#0d0f10", "stroke-width": 7 }),
        svg("path", { ...line, stroke: "#fff", "stroke-width": 3, class: "seam" }, svg("title", {}, seam.words)),
        svg("text", { x: x1, y: y1, ...lettering, "text-anchor": x1 > w / 2 ? "end" : "start", "dominant-baseline": "middle" }, seam.words),
      );
    }
    layers.replaceChildren(...parts);
    frameBox(); // it sizes the letters
    drawLegend();
  }

  function drawLegend() {
    if (!legend) return;
    if (!drawing.curves.length) { legend.textContent = drawing.colour ? "The colours of decals were read in this picture, no edge." : "Nothing was measured in this picture."; return; }
    const bar = svg("svg", { width: 18 * (2 * BINS + 1), height: 16 });
    for (let i = -BINS; i <= BINS; i += 1) bar.append(svg("rect", { x: 18 * (i + BINS), y: 0, width: 18, height: 16, fill: deviationColour(i / BINS), stroke: "#15191c", "stroke-width": 0.5 }));
    const item = (...children) => { const span = document.createElement("span"); span.append(...children); return span; };
    const line = (attributes, ground = "#3a3e40") => svg("svg", { width: 46, height: 16 }, svg("rect", { width: 46, height: 16, fill: ground }), svg("path", { d: "M3 8 H43", ...attributes }));
    legend.replaceChildren(
      item(`cut too deep −${limit.toFixed(2)}`, bar, `+${limit.toFixed(2)} mm too much material; thicker line: beyond a limit`),
      item(line({ stroke: "#fff", "stroke-width": 1.2, "stroke-dasharray": "7 5" }), "nominal outline"),
      item(line({ stroke: "#fff", "stroke-width": 1 }), "limits"),
      item(line({ stroke: "#fff", "stroke-width": 9, "stroke-dasharray": "3 5" }, "#0d0f10"), "not seen"),
      item(exaggeration === 1 ? "Edge and limits drawn at their true place." : `Edge and limits drawn ${exaggeration} × too far from the outline.`),
    );
  }

  function frameBox() {
    view.setAttribute("viewBox", box.join(" "));
    if (box[2] < w / 4) showPixels();
    photograph.style.imageRendering = box[2] < w / 8 ? "pixelated" : "auto";
    view.style.touchAction = box[2] < w ? "none" : "pan-y"; // a finger moves the picture once it is enlarged, else the page
    const size = 0.016 * Math.max(box[2], (box[3] * 4) / 3); // letters stay as large as they are, however near
    for (const words of layers.querySelectorAll(".said")) words.setAttribute("font-size", size);
    keepApart(layers.querySelectorAll(".said"), [0, 1.1, -1.1, 2.2, -2.2, 3.3].map((row) => [0, row]));
    for (const ring of [spot, cursor]) ring.setAttribute("r", (ring === spot ? 0.03 : 0.011) * Math.max(box[2], box[3] * 4 / 3));
  }

  // Near enough to see pixels it is the picture that was measured, not the JPEG for looking.
  function showPixels() {
    if (photograph.dataset.exact || !row.original_url || !/\.(png|webp)$/i.test(row.name)) return;
    photograph.dataset.exact = "loading";
    const exact = new Image();
    exact.src = row.original_url;
    exact.decode().then(() => { photograph.setAttribute("href", row.original_url); photograph.dataset.exact = "shown"; }, () => { photograph.dataset.exact = "not shown"; });
  }

  function zoomAt(factor, x, y) {
    if (!factor) { box = [-0.5, -0.5, w, h]; return frameBox(); }
    const size = Math.min(w, Math.max(w / 60, box[2] / factor));
    const k = size / box[2];
    box = [x - (x - box[0]) * k, y - (y - box[1]) * k, size, box[3] * k];
    return frameBox();
  }

  const inPicture = (event) => {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(view.getScreenCTM().inverse());
    return [p.x, p.y];
  };

  view.addEventListener("wheel", (event) => { event.preventDefault(); zoomAt(event.deltaY < 0 ? 1.25 : 0.8, ...inPicture(event)); }, { passive: false });
  const held = new Map(); // pointer -> where it holds the picture
  const far = () => { const [a, b] = [...held.values()].map((one) => one.screen); return Math.hypot(a[0] - b[0], a[1] - b[1]); };
  view.addEventListener("pointerdown", (event) => {
    held.set(event.pointerId, { at: inPicture(event), screen: [event.clientX, event.clientY] });
    view.setPointerCapture(event.pointerId);
  });
  for (const end of ["pointerup", "pointercancel"]) view.addEventListener(end, (event) => held.delete(event.pointerId));
  view.addEventListener("pointermove", (event) => {
    const [x, y] = inPicture(event);
    const mine = held.get(event.pointerId);
    if (!mine) return hover(x, y);
    if (held.size === 2) {
      const before = far();
      mine.screen = [event.clientX, event.clientY];
      zoomAt(far() / before, x, y);
      for (const [id, one] of held) if (id === event.pointerId) one.at = inPicture(event);
      return undefined;
    }
    box[0] += mine.at[0] - x;
    box[1] += mine.at[1] - y;
    return frameBox();
  });
  view.addEventListener("dblclick", (event) => zoomAt(2, ...inPicture(event)));
  view.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[event.key];
    const [cx, cy] = [box[0] + box[2] / 2, box[1] + box[3] / 2];
    if (step) { box[0] += step[0] * box[2]; box[1] += step[1] * box[3]; frameBox(); }
    else if (event.key === "+" || event.key === "=") zoomAt(1.25, cx, cy);
    else if (event.key === "-") zoomAt(0.8, cx, cy);
    else if (event.key === "0") zoomAt(0);
    else return;
    event.preventDefault();
  });

  const rim = drawing.curves.filter((curve) => curve.is_rim);
  const nearestOf = (all) => all.reduce((best, one) => (best && best[0] <= one[0] ? best : one), null);
  const self = {
    exaggerate(times) { exaggeration = times; draw(); },
    zoom(factor) { zoomAt(factor, box[0] + box[2] / 2, box[1] + box[3] / 2); },
    mark(x, y) {
      spot.setAttribute("cx", x); spot.setAttribute("cy", y); spot.setAttribute("visibility", "visible");
    },
    look(x, y) {
      self.mark(x, y);
      const size = w / 6;
      box = [x - size / 2, y - (size * h) / w / 2, size, (size * h) / w];
      frameBox();
    },
    cursor(arc) {
      const nearest = nearestOf(rim.flatMap((curve) => curve.arc_mm.map((a, i) => [Math.abs(a - arc), curve, i])));
      const here = nearest && nearest[0] < NEAR_MM; // else another camera measured there
      cursor.setAttribute("visibility", here ? "visible" : "hidden");
      if (!here) return;
      const [, curve, at] = nearest;
      const [x, y] = shifted(curve, at, curve.deviation_mm[at] ?? 0);
      cursor.setAttribute("cx", x); cursor.setAttribute("cy", y);
    },
  };

  function hover(x, y) {
    const best = nearestOf(rim.flatMap((curve) => curve.nominal_px.map(([px, py], i) => [Math.hypot(px - x, py - y), curve, i])));
    if (best && best[0] < box[2] * 0.03) { self.cursor(best[1].arc_mm[best[2]]); pointAt(best[1].arc_mm[best[2]], self); }
  }

  draw();
  frameBox();
  return self;
}
