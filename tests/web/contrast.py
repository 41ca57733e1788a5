"""Contrast by the formula of WCAG 2.2 (W3C Recommendation, 'contrast ratio' and 'relative luminance')."""

from __future__ import annotations

import re

Colour = tuple[float, float, float]


def parse(css: str) -> tuple[float, float, float, float]:
    """Red, green, blue 0..255 and opacity of a computed colour: "rgb(r, g, b)" or "rgba(r, g, b, a)"."""
    numbers = [float(one) for one in re.findall(r"[\d.]+", css)]
    assert css.startswith("rgb") and len(numbers) in (3, 4), css
    return numbers[0], numbers[1], numbers[2], numbers[3] if len(numbers) == 4 else 1.0


def luminance(colour: Colour) -> float:
    linear = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def ratio(one: Colour, other: Colour) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


# In the page: every visible text and shape with its colour and the ground it stands on, as computed by the browser.
# A ground that is a pattern is given by its worst stripe: both colours of it are returned.
FIND = """() => {
  const solid = (c) => c && !/rgba\\(.*, 0\\)$/.test(c) && c !== 'transparent';
  const grounds = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const style = getComputedStyle(at);
      const stripes = style.backgroundImage.match(/rgba?\\([^)]*\\)/g);
      if (stripes) return stripes.filter(solid);
      if (solid(style.backgroundColor)) return [style.backgroundColor];
    }
    return ['rgb(255, 255, 255)'];
  };
  const shown = (node) => {
    const box = node.getBoundingClientRect();
    return box.width > 2 && box.height > 2 && getComputedStyle(node).visibility === 'visible';
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let text = walker.nextNode(); text; text = walker.nextNode()) {
    const node = text.parentElement;
    if (!text.data.trim() || !shown(node) || node.closest('noscript, option, svg')) continue;
    const words = text.data.trim().slice(0, 40);
    found.push({ kind: 'text', words, colour: getComputedStyle(node).color, grounds: grounds(node) });
  }
  for (const shape of document.querySelectorAll('svg.shape')) {
    if (!shown(shape)) continue;
    const style = getComputedStyle(shape);
    const edge = style.stroke !== 'none' ? style.stroke : style.color;
    const words = shape.firstElementChild.getAttribute('href');
    found.push({ kind: 'shape', words, colour: edge, grounds: grounds(shape) });
  }
  return found;
}"""
