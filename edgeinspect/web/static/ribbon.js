// The edge unrolled: a grey strip along the curve, out of the material upwards, with the measured edge, the nominal outline and the limits.
import { keepApart, signed, svg } from "./words.js";

const HIGH = 210; // px of the strip
const FOOT = 40; // px for zone names
const ALONG = 4; // px per mm

export function ribbonStrip(box, axis, words, record, { pointAt, shown }) {
  const view = box.querySelector("svg");
  let ribbon = null;
  let cursor = null;
  const ofRim = (one) => record.pictures.some((p) => p.drawing?.curves.some((c) => c.is_rim && c.curve === one.curve));
  const stepOf = (arcs) => (arcs.length > 1 ? arcs[1] - arcs[0] : 1);
  const holds = (one, arc) => one.arc_mm.some((a) => Math.abs(a - arc) <= 2 * stepOf(one.arc_mm));

  function show(index) {
    ribbon = record.ribbons[index];
    const arcs = ribbon.arc_mm;
    const step = stepOf(arcs);
    const length = Math.max(...record.ribbons.filter((one) => one.curve === ribbon.curve).map((one) => one.arc_mm[one.arc_mm.length - 1])) + step;
    const width = Math.max(length * ALONG, box.clientWidth);
    const along = width / length;
    const across = HIGH / (ribbon.d_to_mm - ribbon.d_from_mm);
    const x = (arc) => (arc + step / 2) * along;
    const y = (d) => (ribbon.d_to_mm - d) * across;
    view.setAttribute("viewBox", `0 0 ${width} ${HIGH + FOOT}`);
    view.setAttribute("width", width);
    view.setAttribute("height", HIGH + FOOT);
    // a camera that shares the curve with others has only stretches of it, laid out where they belong
    const parts = runs(arcs).map(([from, to]) => svg("svg", { x: arcs[from] * along, y: 0, width: (to - from) * step * along, height: HIGH, viewBox: `${from} 0 ${to - from} ${ribbon.samples}`, preserveAspectRatio: "none" },
      svg("image", { href: ribbon.picture_url, x: 0, y: 0, width: arcs.length, height: ribbon.samples, preserveAspectRatio: "none" })));
    const isRim = ofRim(ribbon);
    if (isRim) {
      for (const z of record.zones.filter((one) => one.from_mm !== null)) {
        for (const [from, to] of z.from_mm <= z.to_mm ? [[z.from_mm, z.to_mm]] : [[z.from_mm, length], [0, z.to_mm]]) {
          parts.push(svg("path", { d: `M${from * along} 0 V${HIGH + FOOT}`, class: "fence" }));
          for (let at = from * along + 8; at < to * along - 60; at += 900) parts.push(svg("text", { x: at, y: HIGH + 32, class: "soft zone-name" }, z.words));
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
    for (const flaw of record.flaws.filter((one) => one.curve === ribbon.curve && one.camera === ribbon.camera)) {
      let at = 0;
      arcs.forEach((a, i) => { if (Math.abs(a - flaw.arc_mm) < Math.abs(arcs[at] - flaw.arc_mm)) at = i; });
      const base = ribbon.nominal_d_mm[at] ?? ribbon.edge_d_mm[at] ?? 0;
      const [low, high] = flaw.seen_as === "nick" ? [base - flaw.depth.value - 0.2, base + 0.2] : flaw.seen_as === "chatter" ? [base - flaw.depth.value - 0.2, base + flaw.depth.value + 0.2] : [base - 0.2, base + flaw.depth.value + 0.2];
      const half = Math.max(flaw.length.value / 2 + 0.4, 1);
      const [left, right] = [(flaw.arc_mm - half) * along, (flaw.arc_mm + half) * along];
      parts.push(
        svg("rect", { x: left, y: y(high), width: right - left, height: y(low) - y(high), class: "flaw-box" }, svg("title", {}, `${flaw.kind}, ${flaw.words}`)),
        svg("text", { x: right + 4, y: Math.max(14, y(high) + 12), class: "flaw-number" }, String(flaw.number)),
      );
    }
    if (isRim) {
      for (const seam of record.seams) {
        if (![seam.before, seam.after].includes(ribbon.camera)) continue;
        const on = ribbon.camera === seam.before;
        parts.push(svg("text", { x: seam.arc_mm * along + (on ? 8 : -8), y: HIGH / 2, "text-anchor": on ? "start" : "end", class: "seam-words" }, on ? `camera ${seam.after} goes on` : `camera ${seam.before} up to here`));
      }
    }
    for (let arc = 0; arc < length; arc += 20) {
      parts.push(svg("path", { d: `M${arc * along} ${HIGH} v5`, class: "tick" }), svg("text", { x: arc * along + 3, y: HIGH + 15 }, `${arc} mm`));
    }
    cursor = svg("path", { d: `M0 0 V${HIGH}`, class: "cursor", visibility: "hidden" });
    view.replaceChildren(...parts, cursor);
    keepApart(view.querySelectorAll(".seam-words"), [0, 1, -1, 2].map((row) => [0, row]));
    keepApart(view.querySelectorAll(".zone-name"));
    view.dataset.along = along;

    if (arcs[0] > 20) box.scrollLeft = (arcs[0] - 10) * along;
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
      if (!ofRim(ribbon)) return;
      if (!holds(ribbon, arc)) { // another camera measured there
        const other = record.ribbons.findIndex((one) => one.curve === ribbon.curve && holds(one, arc));
        if (other < 0) return;
        show(other);
        shown(other);
      }
      const at = arc * Number(view.dataset.along);
      cursor.setAttribute("transform", `translate(${at} 0)`);
      cursor.setAttribute("visibility", "visible");
      if (at < box.scrollLeft + 40 || at > box.scrollLeft + box.clientWidth - 40) box.scrollLeft = at - box.clientWidth / 2;
    },
  };
  view.addEventListener("pointermove", (event) => {
    if (!ofRim(ribbon)) return;
    const arc = (event.clientX - view.getBoundingClientRect().left) / Number(view.dataset.along);
    cursor.setAttribute("transform", `translate(${arc * Number(view.dataset.along)} 0)`);
    cursor.setAttribute("visibility", "visible");
    pointAt(arc, self);
  });
  show(0);
  return self;
}

// [from, to) of stations that follow each other
function runs(arcs) {
  const step = arcs.length > 1 ? arcs[1] - arcs[0] : 1;
  const starts = arcs.map((a, i) => i).filter((i) => i === 0 || arcs[i] - arcs[i - 1] > 2 * step);
  return starts.map((from, k) => [from, starts[k + 1] ?? arcs.length]);
}

function line(values, arcs, x, y) {
  let d = "";
  let pen = false;
  const begins = new Set(runs(arcs).map(([from]) => from));
  values.forEach((value, i) => {
    if (begins.has(i)) pen = false;
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
