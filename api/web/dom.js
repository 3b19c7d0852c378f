// A few lines instead of a framework.

/** Makes an element: h('p', {class: 'x', onclick: f}, 'text', child). */
export function h(tag, attrs = {}, ...children) {
  const el = document.createElement(tag);
  for (const [key, value] of Object.entries(attrs ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith('on')) el.addEventListener(key.slice(2), value);
    else if (key === 'value') el.value = value;
    else el.setAttribute(key, value === true ? '' : value);
  }
  el.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return el;
}

export const byId = (id) => document.getElementById(id);

/** Sets the text of an element only if it changed, so that live regions stay quiet. */
export function setText(el, text) {
  if (el.textContent !== text) el.textContent = text;
}

export function show(el, visible) {
  if (el.hidden === visible) el.hidden = !visible;
}

let ids = 0;
/** A labelled field: label, control, hint and room for a fault. */
export function field(label, control, hint) {
  const id = control.id || `f${++ids}`;
  control.id = id;
  const wrap = h('div', { class: 'field' }, h('label', { for: id }, label), control);
  if (hint) {
    wrap.append(h('p', { class: 'hint', id: id + '-hint' }, hint));
    control.setAttribute('aria-describedby', id + '-hint');
  }
  return wrap;
}

const memory = 'ringsaddle.';
/** Remembers small things per browser; a browser that refuses storage forgets. */
export const remember = {
  get(key) {
    try { return JSON.parse(localStorage.getItem(memory + key)); } catch { return null; }
  },
  set(key, value) {
    try { localStorage.setItem(memory + key, JSON.stringify(value)); } catch { /* forgotten */ }
  },
};
