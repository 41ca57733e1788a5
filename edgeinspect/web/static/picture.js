// Curves over a camera's picture. Picture pixels have integer centres, so the picture's corner is at (-0.5, -0.5).
import { svg } from "./words.js";

export function path(points, closed = false) {
  let d = "";
  let pen = false;
  for (const point of points) {
    if (!point) { pen = false; continue; }
    d += `${pen ? "L" : "M"}${point[0].toFixed(2)} ${point[1].toFixed(2)}`;
    pen = true;
  }
  return closed && points.length && points.every(Boolean) ? `${d}Z` : d;
}

// picture: {url, width_px, height_px, curves, decals}; place: the one worst place, or null
export function drawPicture(view, picture, { place = null } = {}) {
  const { width_px: w, height_px: h } = picture;
  view.setAttribute("viewBox", `-0.5 -0.5 ${w} ${h}`);
  const unit = w / 1600;
  const parts = [svg("image", { href: picture.url, x: -0.5, y: -0.5, width: w, height: h, preserveAspectRatio: "none" })];
  for (const curve of picture.curves) {
    parts.push(
      svg("path", { d: path(curve.nominal_px, curve.closed), fill: "none", stroke: "#fff", "stroke-width": 3 * unit, "stroke-dasharray": `${9 * unit} ${9 * unit}`, class: "nominal" }),
      svg("path", { d: path(curve.edge_px, curve.closed), fill: "none", stroke: "#4fd8e8", "stroke-width": 4 * unit, class: "edge" }),
    );
  }
  for (const decal of picture.decals) {
    parts.push(
      svg("path", { d: path(decal.nominal_px, true), fill: "none", stroke: "#fff", "stroke-width": 3 * unit, "stroke-dasharray": `${9 * unit} ${9 * unit}` }),
      svg("path", { d: path(decal.found_px, true), fill: "none", stroke: "#4fd8e8", "stroke-width": 4 * unit }),
    );
    for (const fault of decal.fault_px) {
      parts.push(
        svg("path", { d: path(fault, true), fill: "none", stroke: "#0d0f10", "stroke-width": 7 * unit }),
        svg("path", { d: path(fault, true), fill: "none", stroke: "#ffb000", "stroke-width": 3.5 * unit, class: "fault" }),
      );
    }
  }
  if (place) parts.push(place.to_px ? shiftArrow(place, unit) : ring(place, w, h, unit));
  view.replaceChildren(...parts);
}

// A ring, and an arrow to it from the side of the picture's middle: to be found from 3 m, on light and on dark.
function ring(place, w, h, unit) {
  const [x, y, r] = [place.x_px, place.y_px, 70 * unit];
  const away = Math.hypot(w / 2 - x, h / 2 - y) || 1;
  const [ux, uy] = away > 1 ? [(w / 2 - x) / away, (h / 2 - y) / away] : [0, 1];
  const at = (along, across) => `${(x + ux * along * unit - uy * across * unit).toFixed(1)} ${(y + uy * along * unit + ux * across * unit).toFixed(1)}`;
  const arrow = `M${at(84, 0)} L${at(172, 58)} L${at(172, 21)} L${at(310, 21)} L${at(310, -21)} L${at(172, -21)} L${at(172, -58)} Z`;
  return svg("g", { class: "worst" },
    svg("circle", { cx: x, cy: y, r, fill: "none", stroke: "#0d0f10", "stroke-width": 28 * unit }),
    svg("path", { d: arrow, fill: "#fff", stroke: "#0d0f10", "stroke-width": 8 * unit, "stroke-linejoin": "round" }),
    svg("circle", { cx: x, cy: y, r, fill: "none", stroke: "#fff", "stroke-width": 14 * unit }),
  );
}

// Which way the whole cut is off.
function shiftArrow(place, unit) {
  const [x, y, [tx, ty]] = [place.x_px, place.y_px, place.to_px];
  const far = Math.hypot(tx - x, ty - y) || 1;
  const [ux, uy] = [(tx - x) / far, (ty - y) / far];
  const at = (along, across) => `${(x + ux * along - uy * across * unit).toFixed(1)} ${(y + uy * along + ux * across * unit).toFixed(1)}`;
  const neck = far - 100 * unit;
  const arrow = `M${at(-far * 0.4, 26)} L${at(neck, 26)} L${at(neck, 70)} L${at(far, 0)} L${at(neck, -70)} L${at(neck, -26)} L${at(-far * 0.4, -26)} Z`;
  return svg("g", { class: "worst" }, svg("path", { d: arrow, fill: "#fff", stroke: "#0d0f10", "stroke-width": 10 * unit, "stroke-linejoin": "round" }));
}
