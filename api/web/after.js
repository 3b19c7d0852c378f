// Views of what was measured: results, traces, histories. Each has an address in the
// hash, so that it can be kept, printed and gone back to. The bench goes on behind
// them untouched; its step in hand stays in sight at the top.
import { h, byId, setText } from './dom.js';
import { get } from './client.js';
import { resultNodes } from './result.js';
import { captureView } from './captureview.js';
import { ringView, closingView, recordsView } from './history.js';

/** A view takes the parts of its address and its parameters and gives nodes. */
const views = {
  async results([id]) {
    const [set, result] = await Promise.all([get(`/sets/${encodeURIComponent(id)}`), get(`/sets/${encodeURIComponent(id)}/result`).catch((err) => {
      if (err.status === 404) return null;
      throw err;
    })]);
    return { title: 'Result', nodes: resultNodes(set, result, 'after-result') };
  },
  captures: captureView, rings: ringView, closing: closingView, records: recordsView,
};

const box = byId('after');
const body = h('div', { class: 'view' });
const step = h('a', { href: '#now', class: 'step' });
box.append(
  h('nav', { class: 'bar-top', 'aria-label': 'Records' },
    h('a', { href: '#now', class: 'back' }, '← Bench'), h('a', { href: '#/records' }, 'Records'), step),
  body);

// The step in hand is shown as the bench shows it.
const mirror = () => {
  setText(step, `Now: ${byId('now-title').textContent}`);
  step.dataset.tone = byId('now').dataset.tone;
};
new MutationObserver(mirror).observe(byId('now'), { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ['data-tone'] });
mirror();

const benchTitle = document.title;
let token = 0;
let leave = null;    // what the view in sight wants done when it goes
let cameFrom = null; // the element that had the focus on the bench

/** Splits '#/captures/ID?from=1' into name, parts and parameters; null on the bench. */
export function address(hash) {
  const m = /^#\/([a-z]+)((?:\/[^?]*)?)(?:\?(.*))?$/.exec(hash);
  if (!m || !views[m[1]]) return null;
  return { name: m[1], parts: m[2].split('/').filter(Boolean).map(decodeURIComponent), params: new URLSearchParams(m[3] ?? '') };
}

async function open() {
  const to = address(location.hash);
  const mine = ++token;
  leave?.();
  leave = null;
  if (!to) {
    if (document.body.dataset.after === undefined) return;
    delete document.body.dataset.after;
    document.title = benchTitle;
    body.replaceChildren();
    (cameFrom?.isConnected && cameFrom.checkVisibility() ? cameFrom : byId('now')).focus();
    return;
  }
  if (document.body.dataset.after === undefined) cameFrom = document.activeElement;
  document.body.dataset.after = to.name;
  body.replaceChildren(h('p', { role: 'status' }, 'Loading.'));
  try {
    const view = await views[to.name](to.parts, to.params);
    if (mine !== token) {
      view.close?.();
      return;
    }
    leave = view.close ?? null;
    body.replaceChildren(...view.nodes);
    document.title = `${view.title}, Ringsaddle`;
  } catch (err) {
    if (mine !== token) return;
    body.replaceChildren(h('h2', { tabindex: -1 }, 'This cannot be shown'), h('p', { class: 'fault', role: 'alert' }, (err.lines ?? [err.message]).join(' ')),
      h('p', {}, h('button', { type: 'button', onclick: open }, 'Try again')));
  }
  box.scrollTop = 0;
  scrollTo(0, 0);
  body.querySelector('h2')?.focus();
}

addEventListener('hashchange', open);
// On paper nothing can be unfolded.
addEventListener('beforeprint', () => document.querySelectorAll('details.budget').forEach((d) => { d.open = true; }));
open();
