// What the drawings share: elements, round numbers, and a box that is drawn anew when
// its width changes, so that letters keep their size on every screen.
import { h } from './dom.js';

const NS = 'http://www.w3.org/2000/svg';

/** Makes an element of a drawing: s('line', {x1: 0, …}, child). */
export function s(tag, attrs = {}, ...children) {
  const el = document.createElementNS(NS, tag);
  for (const [key, value] of Object.entries(attrs)) {
    if (value !== undefined && value !== null && value !== false) el.setAttribute(key, typeof value === 'number' ? String(Math.round(value * 100) / 100) : value);
  }
  el.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return el;
}

/**
 * A box of the given height. draw(width, height) gives the elements; redraw() asks
 * for them again, at most once per frame of the screen.
 */
export function plot(height, draw, attrs = {}) {
  const el = h('div', { class: 'plot', ...attrs });
  let asked = false;
  const redraw = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      const width = el.clientWidth;
      if (width > 0) el.replaceChildren(s('svg', { width, height, viewBox: `0 0 ${width} ${height}`, 'aria-hidden': 'true' }, draw(width, height)));
    });
  };
  new ResizeObserver(redraw).observe(el);
  return { el, redraw };
}

/** The round number (1, 2, 5 times a power of ten) at or above v. */
export function roundUp(v) {
  const power = 10 ** Math.floor(Math.log10(v));
  for (const m of [1, 2, 5]) if (v <= m * power * 1.0001) return m * power;
  return 10 * power;
}

/** About n round values from low to high, with the decimals they need. */
export function ticks(low, high, n) {
  const step = roundUp((high - low) / n);
  const values = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) values.push(i * step);
  return { step, values, decimals: Math.max(0, Math.min(9, Math.ceil(-Math.log10(step) - 1e-9))) };
}

/** The shapes that tell series apart without colour. */
export function marker(shape, x, y, r, attrs) {
  switch (shape) {
    case 'square': return s('rect', { x: x - r, y: y - r, width: 2 * r, height: 2 * r, ...attrs });
    case 'diamond': return s('path', { d: `M${x - 1.3 * r} ${y}L${x} ${y - 1.3 * r}L${x + 1.3 * r} ${y}L${x} ${y + 1.3 * r}Z`, ...attrs });
    case 'up': return s('path', { d: `M${x - 1.2 * r} ${y + r}L${x} ${y - 1.2 * r}L${x + 1.2 * r} ${y + r}Z`, ...attrs });
    case 'down': return s('path', { d: `M${x - 1.2 * r} ${y - r}L${x} ${y + 1.2 * r}L${x + 1.2 * r} ${y - r}Z`, ...attrs });
    case 'cross': return s('path', { d: `M${x - r} ${y - r}L${x + r} ${y + r}M${x - r} ${y + r}L${x + r} ${y - r}`, ...attrs });
    default: return s('circle', { cx: x, cy: y, r, ...attrs });
  }
}
