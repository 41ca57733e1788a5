// The same words as edgeinspect/web/look.py, for what ticks on the page.
export function ageWords(seconds) {
  const s = Math.max(0, seconds);
  if (s < 100) return `${Math.floor(s)} s ago`;
  const minutes = Math.floor(s / 60);
  if (minutes < 100) return `${minutes} min ago`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return `${hours} h ${String(minutes % 60).padStart(2, "0")} min ago`;
  return `${Math.floor(hours / 24)} days ago`;
}

export function ordinal(n) {
  if ([11, 12, 13].includes(n % 100)) return `${n}th`;
  return n + ({ 1: "st", 2: "nd", 3: "rd" }[n % 10] ?? "th");
}

export function signed(value, digits = 2) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  const text = Math.abs(value).toFixed(digits);
  if (Number(text) === 0) return text;
  return (value > 0 ? "+" : "−") + text;
}

export function svg(name, attributes = {}, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.append(...children);
  return node;
}

// SVG labels, the most important first: each at the first of the places where it covers none before it, else not shown.
// Places are how far to move it from where it was written, in heights of its line.
export function keepApart(labels, places = [[0, 0]]) {
  const taken = [];
  for (const label of labels) {
    label.removeAttribute("display");
    label.removeAttribute("transform");
    const { x, y, width, height } = label.getBBox();
    const line = height / (label.childElementCount || 1);
    const at = places.map(([right, down]) => [x + right * line, y + down * line]).find(([left, top]) =>
      taken.every((one) => left >= one.right || left + width <= one.left || top >= one.foot || top + height <= one.top));
    if (!at) { label.setAttribute("display", "none"); continue; }
    label.setAttribute("transform", `translate(${at[0] - x} ${at[1] - y})`);
    taken.push({ left: at[0], right: at[0] + width, top: at[1], foot: at[1] + height });
  }
}
