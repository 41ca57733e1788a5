// The edge unrolled: a grey strip along the curve, out of the material upwards, with the measured edge, the nominal outline and the limits.
import { signed, svg } from "./words.js";

const HIGH = 210; // px of the strip
const FOOT = 40; // px for zone names
const ALONG = 4; // px per mm

export function ribbonStrip(box, axis, words, record, { pointAt }) {
  const view = box.querySelector("svg");
  let ribbon = null;
  let cursor = null;

  function show(index) {
    ribbon = record.ribbons[index];
    const arcs = ribbon.arc_mm;
    const step = arcs.length > 1 ? arcs[1] - arcs[0] : 1;
    const length = arcs[arcs.length - 1] + step;
    const width = Math.max(length * ALONG, box.clientWidth);
    const along = width / length;
    const across = HIGH / (ribbon.d_to_mm - ribbon.d_from_mm);
    const x = (arc) => (arc + step / 2) * along;
    const y = (d) => (ribbon.d_to_mm - d) * across;
    view.setAttribute("viewBox", `0 0 ${width} ${HIGH + FOOT}`);
    view.setAttribute("width", width);
    view.setAttribute("height", HIGH + FOOT);
    const parts = [svg("image", { href: ribbon.picture_url, x: 0, y: 0, width, height: HIGH, preserveAspectRatio: "none" })];
    const isRim = record.pictures.some((p) => p.drawing?.curves.some((c) => c.is_rim && c.curve === ribbon.curve));
    if (isRim) {
      for (const z of record.zones.filter((one) => one.from_mm !== null)) {
        for (const [from, to] of z.from_mm <= z.to_mm ? [[z.from_mm, z.to_mm]] : [[z.from_mm, length], [0, z.to_mm]]) {
          parts.push(svg("path", { d: `M${from * along} 0 V${HIGH + FOOT}`, class: "fence" }));
          for (let at = from * along + 8; at < to * along - 60; at += 900) parts.push(svg("text", { x: at, y: HIGH + 32, class: "soft" }, z.words));
          if (z.lower_mm === null) continue;
          for (const d of [z.lower_mm, z.upper_mm]) {
            parts.push(limitLine(ribbon, from, to, d, x, y));
          }
        }
      }
    }
    const nominal = line(ribbon.nominal_d_mm, arcs, x, y);
    const edge = line(ribbon.edge_d_mm, arcs, x, y);
    parts.push(
      svg("path", { d: nominal, class: "nominal" }),
      svg("path", { d: edge, class: "casing" }),
      svg("path", { d: edge, class: "edge" }),
    );
    for (let arc = 0; arc < length; arc += 20) {
      parts.push(svg("path", { d: `M${arc * along} ${HIGH} v5`, class: "tick" }), svg("text", { x: arc * along + 3, y: HIGH + 15 }, `${arc} mm`));
    }
    cursor = svg("path", { d: `M0 0 V${HIGH}`, class: "cursor", visibility: "hidden" });
    view.replaceChildren(...parts, cursor);
    view.dataset.along = along;

    axis.setAttribute("viewBox", `0 0 56 ${HIGH + FOOT}`);
    const marks = [];
    for (let d = Math.ceil(ribbon.d_from_mm); d <= ribbon.d_to_mm; d += 1) {
      marks.push(svg("text", { x: 48, y: Math.min(HIGH, Math.max(12, y(d) + 5)), "text-anchor": "end" }, signed(d, 0)));
    }
    marks.push(svg("text", { x: 48, y: HIGH + 20, "text-anchor": "end" }, "mm"));
    axis.replaceChildren(...marks);
    words.textContent = `Out of the material is up. Across drawn ${(across / along).toFixed(0)} × larger than along. Dashed: nominal outline. Amber: measured edge. Thin: limits.`;
  }

  const self = {
    show,
    cursor(arc) {
      if (ribbon !== record.ribbons[0] || !cursor) return;
      const at = arc * Number(view.dataset.along);
      cursor.setAttribute("transform", `translate(${at} 0)`);
      cursor.setAttribute("visibility", "visible");
      if (at < box.scrollLeft + 40 || at > box.scrollLeft + box.clientWidth - 40) box.scrollLeft = at - box.clientWidth / 2;
    },
  };
  view.addEventListener("pointermove", (event) => {
    if (ribbon !== record.ribbons[0]) return;
    const arc = (event.clientX - view.getBoundingClientRect().left) / Number(view.dataset.along);
    cursor.setAttribute("transform", `translate(${arc * Number(view.dataset.along)} 0)`);
    cursor.setAttribute("visibility", "visible");
    pointAt(arc, self);
  });
  show(0);
  return self;
}

function line(values, arcs, x, y) {
  let d = "";
  let pen = false;
  values.forEach((value, i) => {
    if (value === null) { pen = false; return; }
    d += `${pen ? "L" : "M"}${x(arcs[i]).toFixed(1)} ${y(value).toFixed(1)}`;
    pen = true;
  });
  return d;
}

function limitLine(ribbon, from, to, limit, x, y) {
  const values = ribbon.arc_mm.map((arc, i) => (arc >= from && arc < to && ribbon.nominal_d_mm[i] !== null ? ribbon.nominal_d_mm[i] + limit : null));
  return svg("path", { d: line(values, ribbon.arc_mm, x, y), class: "limit" });
}
