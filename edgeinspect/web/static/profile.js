// Deviation along the rim: curve, +-U band, limits, the guard band around each limit, zones on the axis.
import { keepApart, signed, svg } from "./words.js";

const [LEFT, RIGHT, TOP, BOTTOM] = [64, 12, 34, 76];

export function profilePlot(plot, record, { pointAt }) {
  let frame = record.profiles[0].frame;
  let cursorAt = null;
  const profileNow = () => record.profiles.find((one) => one.frame === frame);
  const arcs = record.profiles[0].arc_mm;
  const length = arcs[arcs.length - 1] + (arcs.length > 1 ? arcs[1] - arcs[0] : 1);
  const zones = record.zones.filter((z) => z.from_mm !== null);
  // a zone over the start point is two stretches of the axis
  const stretches = zones.flatMap((z) => (z.from_mm <= z.to_mm ? [[z.from_mm, z.to_mm, z]] : [[z.from_mm, length, z], [0, z.to_mm, z]]));
  const rimNames = new Set(record.pictures.flatMap((p) => p.drawing?.curves ?? []).filter((c) => c.is_rim).map((c) => c.curve));
  let x = null;
  const cursor = svg("g", { visibility: "hidden" });

  function draw() {
    const profile = profileNow();
    const { width, height } = plot.getBoundingClientRect();
    if (!width) return;
    plot.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const judged = zones.filter((z) => z.frame === frame && z.lower_mm !== null);
    const values = profile.deviation_mm.filter((v) => v !== null).map(Math.abs);
    const most = Math.max(0.1, ...judged.flatMap((z) => [Math.abs(z.lower_mm), Math.abs(z.upper_mm)]).map((v) => v * 1.25), values.reduce((a, b) => Math.max(a, b), 0) * 1.15);
    x = (arc) => LEFT + ((width - LEFT - RIGHT) * arc) / length;
    const y = (d) => TOP + ((height - TOP - BOTTOM) * (most - d)) / (2 * most);
    const parts = [];
    const foot = height - BOTTOM;

    const step = [0.02, 0.05, 0.1, 0.25, 0.5, 1, 2, 5].find((s) => most / s <= 4) ?? 10;
    for (let k = -Math.floor(most / step); k <= most / step; k += 1) {
      const d = k * step;
      parts.push(svg("path", { d: `M${LEFT} ${y(d)} H${width - RIGHT}`, class: k ? "grid" : "zero" }));
      parts.push(svg("text", { x: LEFT - 8, y: y(d) + 5, "text-anchor": "end" }, signed(d, 2)));
    }
    const label = svg("text", { transform: `translate(14 ${(TOP + foot) / 2}) rotate(-90)`, "text-anchor": "middle", class: "soft" }, "deep − / + much, mm");
    parts.push(label);

    for (const [from, to, z] of stretches) {
      parts.push(svg("path", { d: `M${x(from)} ${TOP} V${foot + 24}`, class: "fence" }));
      if (z.frame === frame && z.lower_mm !== null) {
        for (const at of [z.lower_mm, z.upper_mm]) {
          if (z.guard_mm) parts.push(svg("rect", { x: x(from), y: y(at + z.guard_mm), width: x(to) - x(from), height: y(at - z.guard_mm) - y(at + z.guard_mm), class: "guard" }));
          parts.push(svg("path", { d: `M${x(from)} ${y(at)} H${x(to)}`, class: "limit" }));
        }
      }
    }
    // names: each gets the room of its longest stretch; what does not fit there stands in one row under its neighbours
    const named = zones.map((z) => [z, ...stretches.filter((s) => s[2] === z).sort((a, b) => b[1] - b[0] - (a[1] - a[0]))[0]]);
    const names = [];
    const long = [];
    for (const [z, from, to] of named.sort((a, b) => b[2] - b[1] - (a[2] - a[1]))) {
      const words = z.words.split(" ");
      const room = Math.max(6, Math.floor((x(to) - x(from)) / 7.2));
      const rows = [];
      for (const word of words) {
        if (rows.length && `${rows[rows.length - 1]} ${word}`.length <= room) rows[rows.length - 1] += ` ${word}`; else rows.push(word);
      }
      const fits = rows.length <= 4 && rows.every((row) => row.length <= room);
      const group = svg("g", { class: "zone-name" });
      group.append(...(fits ? rows : [z.words]).map((row, i) => svg("text", { x: (x(from) + x(to)) / 2, y: foot + 19 + 16 * i, "text-anchor": "middle", class: "soft" }, row)));
      (fits ? names : long).push(group);
    }
    names.push(...long);
    parts.push(...names);

    for (const ghost of record.ghosts?.frame === frame ? record.ghosts.lines : []) parts.push(svg("path", { d: pathOf(ghost.deviation_mm, record.ghosts.arc_mm, x, y), class: "ghost" }));

    let band = "";
    for (const [from, to] of runs(profile.deviation_mm)) {
      const up = [];
      const down = [];
      for (let i = from; i < to; i += 1) {
        const [v, u] = [profile.deviation_mm[i], 2 * (profile.u_mm[i] ?? 0)];
        up.push(`${x(profile.arc_mm[i]).toFixed(1)} ${y(v + u).toFixed(1)}`);
        down.unshift(`${x(profile.arc_mm[i]).toFixed(1)} ${y(v - u).toFixed(1)}`);
      }
      band += `M${up.join("L")}L${down.join("L")}Z`;
    }
    parts.push(svg("path", { d: band, class: "band" }));
    let line = "";
    for (const [from, to] of runs(profile.deviation_mm)) {
      for (let i = from; i < to; i += 1) line += `${i === from ? "M" : "L"}${x(profile.arc_mm[i]).toFixed(1)} ${y(profile.deviation_mm[i]).toFixed(1)}`;
    }
    parts.push(svg("path", { d: line, class: "curve" }));
    for (const [from, to] of runs(profile.deviation_mm.map((v) => (v === null ? 0 : null)))) {
      const [a, b] = [x(profile.arc_mm[from]), x(profile.arc_mm[to - 1])];
      parts.push(svg("path", { d: `M${a} ${y(0)} H${Math.max(b, a + 2)}`, class: "unseen" }));
      parts.push(svg("text", { x: (a + b) / 2, y: y(0) - 12, "text-anchor": "middle" }, "not seen"));
    }
    const seamWords = []; // over every seam's line
    for (const seam of record.seams) {
      const words = svg("text", { x: x(seam.arc_mm) + 5, y: TOP + 14, class: "seam-words" }, `${seam.before} | ${seam.after}`);
      parts.push(svg("path", { d: `M${x(seam.arc_mm)} ${TOP} V${foot + 24}`, class: "seam" }, svg("title", {}, seam.words)));
      seamWords.push(words);
    }
    parts.push(...seamWords);
    for (const flaw of record.flaws.filter((one) => rimNames.has(one.curve))) {
      const at = x(flaw.arc_mm);
      parts.push(
        svg("path", { d: `M${at - 6} ${TOP - 1} h12 l-6 9 z`, class: "flaw" }, svg("title", {}, `${flaw.kind}, ${flaw.words}`)),
        svg("text", { x: at, y: TOP - 4, "text-anchor": "middle", class: "flaw-number" }, String(flaw.number)),
      );
    }
    parts.push(key(width));
    cursor.replaceChildren(svg("path", { d: `M0 ${TOP} V${foot}`, class: "cursor" }));
    plot.replaceChildren(...parts, cursor);
    keepApart(names, [0, 1, 2, 3].map((row) => [0, row]));
    keepApart(seamWords, [0, 1, 2, 3].map((row) => [0, row]));
    place();
  }

  function key(width) {
    const group = svg("g", { transform: `translate(${LEFT} 0)` });
    const judged = zones.some((z) => z.frame === frame);
    const ghosts = record.ghosts?.frame === frame && record.ghosts.lines.length;
    const items = [...(ghosts ? [["ghost", record.ghosts.words, 3]] : []), ["band", "± U (k = 2)", 12], ...(judged ? [["guard", "guard band: too close to call", 12], ["limit", "limit", 3]] : [["", "nothing is judged in this frame", 0]])];
    let at = 0;
    for (const [kind, words, tall] of items) {
      group.append(svg("rect", { x: at, y: 8 - tall / 2, width: tall ? 22 : 0, height: tall, class: `key ${kind}` }), svg("text", { x: at + (tall ? 28 : 0), y: 13 }, words));
      at += 60 + words.length * 7;
    }
    return group;
  }

  function place() {
    cursor.setAttribute("visibility", cursorAt === null ? "hidden" : "visible");
    if (cursorAt !== null && x) cursor.setAttribute("transform", `translate(${x(cursorAt)} 0)`);
  }

  const self = {
    show(name) { frame = name; draw(); if (cursorAt !== null) pointAt(cursorAt, self); },
    cursor(arc) { cursorAt = arc; place(); },
  };
  const move = (arc) => { cursorAt = Math.min(arcs[arcs.length - 1], Math.max(0, arc)); place(); pointAt(cursorAt, self); };
  plot.addEventListener("pointermove", (event) => {
    const { left, width } = plot.getBoundingClientRect();
    move(((event.clientX - left - LEFT) / (width - LEFT - RIGHT)) * length);
  });
  plot.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: -1, ArrowRight: 1, PageUp: -25, PageDown: 25 }[event.key];
    if (!by) return;
    event.preventDefault();
    move((cursorAt ?? 0) + by);
  });
  new ResizeObserver(draw).observe(plot);
  return self;
}

function pathOf(values, arcs, x, y) {
  return runs(values).map(([from, to]) => `M${arcs.slice(from, to).map((arc, i) => `${x(arc).toFixed(1)} ${y(values[from + i]).toFixed(1)}`).join("L")}`).join("");
}

// [from, to) of each run of values that are there
function runs(values) {
  const found = [];
  let from = null;
  values.forEach((value, i) => {
    if (value !== null && from === null) from = i;
    if (value === null && from !== null) { found.push([from, i]); from = null; }
  });
  if (from !== null) found.push([from, values.length]);
  return found;
}
