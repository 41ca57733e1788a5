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
